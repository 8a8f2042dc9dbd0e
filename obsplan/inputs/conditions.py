"""The conditions that an activity may set in `when`: one row each.

A row's key is the field of `When` and the column of the sky table; only the ground temperature has
a column of its own for each depth, and the temperature of units two for each unit. Planner and
referee evaluate the conditions independently; only names and units are shared, and they are defined
here.
"""

from math import isinf
from typing import Literal, NamedTuple

from obsplan.inputs.thermal import case_columns
from obsplan.inputs.when import GroundRange, UnitRange, When


class Condition(NamedTuple):
    """A quantity of the sky table with its name in sentences and its unit ("" without one).

    period: of a quantity that wraps around, such as the local time; a range of it may
        cross the wrap, from a high value to a low one.
    states: for a quantity that is true or false, its words when false and when true.
    only: "orbit" if only platforms in orbit have it, "ground" if only those at the site do.
    """

    key: str
    words: str
    unit: str = ""
    period: float | None = None
    states: tuple[str, ...] = ()
    only: Literal["", "orbit", "ground"] = ""

    @property
    def suffix(self) -> str:
        """The unit as it follows a number."""
        return f" {self.unit}" if self.unit else ""

    @property
    def heading(self) -> str:
        """Words and unit, as over a column of numbers."""
        return f"{self.words} ({self.unit})" if self.unit else self.words


CONDITIONS = (
    Condition("sun_elevation_deg", "Sun elevation", "deg"),
    Condition("sun_visible_fraction", "visible fraction of the Sun"),
    Condition("earth_elevation_deg", "Earth elevation", "deg"),
    Condition("earth_phase_deg", "Earth phase", "deg"),
    Condition("earth_visible_fraction", "visible fraction of the Earth", only="orbit"),
    Condition("sun_angle_deg", "angle between Sun and Earth", "deg", only="orbit"),
    Condition("earth_limb_angle_deg", "angle of the Earth to the Moon's limb", "deg", only="orbit"),
    Condition("earth_longitude_deg", "longitude of the Earth", "deg", period=360.0, only="orbit"),
    Condition("earth_latitude_deg", "latitude of the Earth", "deg", only="orbit"),
    Condition("surface_temperature_k", "surface temperature", "K", only="ground"),
    Condition("ground", "ground temperature", "K", only="ground"),
    Condition("unit", "unit temperature", "K"),
    Condition("local_time_h", "local time", "h", period=24.0),
    Condition(
        "in_terrain_shadow",
        "terrain shadow",
        states=("the site out of terrain shadow", "the site in terrain shadow"),
        only="ground",
    ),
    Condition(
        "in_magnetotail",
        "magnetotail",
        states=("the Moon outside the magnetotail", "the Moon in the magnetotail"),
    ),
)
SPAN_TIME = Condition("span_h", "time since the start of the span", "h")
# Every quantity that a condition or a coverage may use, by key.
QUANTITIES = {quantity.key: quantity for quantity in (*CONDITIONS, SPAN_TIME)}


class Requested(NamedTuple):
    """A condition that an activity sets.

    name: the quantity in words, with the depth of a ground temperature.
    column: its column in the sky table.
    allowed: the lowest and the highest value, or which of two states.
    upper_column: the column that must keep to the highest value; `column` unless there are a cold
        and a hot case.
    """

    condition: Condition
    name: str
    column: str
    allowed: tuple[float, float] | bool
    upper_column: str

    @property
    def words(self) -> str:
        """Such as "Sun elevation 6 to 12 deg" or "the Moon in the magnetotail"."""
        if isinstance(self.allowed, bool):
            return self.condition.states[self.allowed]
        return f"{self.name} {range_text(*self.allowed)}{self.condition.suffix}"


def requested(when: When) -> list[Requested]:
    """The conditions that `when` sets, in the order of CONDITIONS."""
    found = []
    for condition in CONDITIONS:
        allowed, column, name = getattr(when, condition.key), condition.key, condition.words
        upper_column = column
        if isinstance(allowed, GroundRange):
            column, name = depth_column(allowed.depth_m), f"{name} at {allowed.depth_m:g} m"
            upper_column, allowed = column, allowed.temperature_k
        if isinstance(allowed, UnitRange):
            column, upper_column = case_columns(allowed.name)
            name, allowed = f'temperature of "{allowed.name}"', allowed.temperature_k
        if allowed is not None:
            found.append(Requested(condition, name, column, allowed, upper_column))
    return found


def range_text(low: float, high: float) -> str:
    """A range in words; an infinite end is left out."""
    if isinf(high):
        return f"at least {low:g}"
    return f"at most {high:g}" if isinf(low) else f"{low:g} to {high:g}"


def depth_column(depth_m: float) -> str:
    """Name of the sky table's column for the ground temperature at a depth, 0 the surface."""
    return f"temperature_{depth_m * 100:g}cm_k" if depth_m else "surface_temperature_k"
