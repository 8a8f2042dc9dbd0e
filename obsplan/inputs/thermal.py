"""Units of hardware in a scenario whose temperature counts: a thermal table, or a node."""

from typing import Annotated

from pydantic import Field

from obsplan.inputs.field_types import KelvinRange, Name, Names, NotNegative, Number, Share
from obsplan.inputs.frozen_model import FrozenModel

Kelvin = Annotated[Number, Field(ge=20, le=600)]
# Limits far above those of any unit of a lander: a typing error must not spoil the arithmetic.
Power = Annotated[Number, Field(ge=0, le=10_000)]


class ThermostatHeater(FrozenModel):
    """A heater that turns on when its unit is cold and off when it is warm."""

    power_w: Power
    """Heater power while it is on; it is added to idle_w."""
    on_below_k: Kelvin
    """The heater turns on when the unit is colder than this."""
    off_above_k: Kelvin
    """The heater turns off when the unit is warmer than this; at least 0.5 K above on_below_k."""


class Unit(FrozenModel):
    """A unit of hardware whose temperature counts, such as a battery.

    Its temperature comes from a table of the thermal team, or is computed for one node, which
    needs heat_capacity_j_k, start_k and ground_w_k or radiating_m2. The sky counts as 0 K.
    """

    name: Name
    """Name of the unit; each in the scenario differs."""
    instruments: Names = ()
    """Instruments of the platform in this unit: their runs heat it and need its temperature."""
    table: str | None = None
    """A CSV beside the scenario with the unit's temperature in a cold and a hot case.

    Columns: local_time_h or sun_elevation_deg, rising; cold_k and hot_k; cold_heater_w and
    hot_heater_w are optional. Between rows it is a straight line. A lower limit must be kept by
    the cold case, an upper one by the hot case; the larger heater power is added to idle_w."""
    heat_capacity_j_k: Annotated[Number, Field(ge=100, le=1e8)] | None = None
    """Heat capacity of the node in J/K; about 900 J/K for a kilogram of aluminium."""
    start_k: Kelvin | None = None
    """Temperature of the node at the start of the span; within surviving_k."""
    ground_w_k: Annotated[Number, Field(ge=0, le=1000)] = 0.0
    """Conductance from the node to the surface of the ground, in W/K."""
    radiating_m2: Annotated[Number, Field(ge=0, le=1000)] = 0.0
    """Emissivity times area that radiates to the sky."""
    absorbing_m2: Annotated[Number, Field(ge=0, le=1000)] = 0.0
    """Solar absorptance times area towards the Sun, the same for all directions of the Sun."""
    idle_heat_w: Power = 0.0
    """Part of idle_w that ends as heat in this unit."""
    run_heat_share: Share = 1.0
    """Share of the draw of its instruments' runs, warm-up included, that ends as heat in it."""
    thermostat: ThermostatHeater | None = None
    """Heater of the node."""
    operating_k: KelvinRange | None = None
    """Temperatures allowed during every run of its instruments."""
    switch_on_k: KelvinRange | None = None
    """Temperatures allowed when a run of its instruments starts, warm-up included."""
    surviving_k: KelvinRange | None = None
    """Temperatures allowed at all times."""
    charges_above_k: NotNegative | None = None
    """The battery takes no charge while this unit is colder; 273 K is common practice, no source.

    At most one unit of a platform has this key."""

    @property
    def columns(self) -> tuple[str, str]:
        """Columns of the lower and the upper temperature; a node has one for both."""
        if self.table is None:
            return f"{self.name}_k", f"{self.name}_k"
        return case_columns(self.name)

    @property
    def heater_column(self) -> str:
        """Column of the heater power in a thermal table."""
        return f"{self.name}_heater_w"


def case_columns(name: str) -> tuple[str, str]:
    """Columns of the sky table for a unit with a thermal table: its cold and its hot case."""
    return f"{name}_cold_k", f"{name}_hot_k"
