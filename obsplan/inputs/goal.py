"""Goals: how many runs the science team wants where in a quantity, and what that is worth."""

from collections.abc import Iterable
from itertools import pairwise, product
from math import prod
from typing import Annotated, Any, Literal, get_args

from pydantic import AfterValidator, BeforeValidator, Field, WithJsonSchema

from obsplan.inputs.conditions import QUANTITIES
from obsplan.inputs.field_types import Form, Name, Names, NotNegative
from obsplan.inputs.frozen_model import FrozenModel

# Quantities at the start of a run over which runs may be spread.
Quantity = Literal[
    "local_time_h", "sun_elevation_deg", "earth_phase_deg", "earth_longitude_deg", "span_h"
]
# Goals may also ask for runs at each stop.
STOP: Literal["stop"] = "stop"
GoalQuantity = Literal[Quantity, "stop"]
MOST_BINS, MOST_EDGE = 400, 1e9

Edges = tuple[float, ...]
# What editors may write, before it is made a list.
NUMBERS = {"type": "array", "items": {"type": "number"}, "minItems": 2}
ONE_OR_TWO = WithJsonSchema(
    {
        "anyOf": [
            {"enum": list(get_args(GoalQuantity))},
            {"type": "array", "items": {"enum": list(get_args(GoalQuantity))}, "maxItems": 2},
        ]
    }
)
ONE_LIST_OR_TWO = WithJsonSchema(
    {"anyOf": [NUMBERS, {"type": "array", "items": NUMBERS, "maxItems": 2}]}
)


def _quantities(value: Any) -> Any:
    names = [value] if isinstance(value, str) else value
    if not isinstance(names, list | tuple) or len(names) > 2:
        raise ValueError(f"must be one of {', '.join(get_args(GoalQuantity))}, or a list of two")
    return tuple(names)


def _edges(value: Any) -> Any:
    """One list of numbers, or two of them, as a tuple of tuples."""
    given: list[Any] = list(value) if isinstance(value, list | tuple) else [None]
    if not given:
        return ()
    rows = given if all(isinstance(row, list | tuple) for row in given) else [given]
    if len(rows) > 2 or any(len(row) < 2 or not all(map(_is_number, row)) for row in rows):
        raise ValueError("must be a list of at least two numbers, or two such lists")
    for low, high in (pair for row in rows for pair in pairwise(row)):
        if not low < high:
            raise ValueError(f"the bin edges must rise, but after {low} comes {high}")
    return tuple(tuple(float(x) for x in row) for row in rows)


def _is_number(value: Any) -> bool:
    return (
        isinstance(value, int | float) and not isinstance(value, bool) and abs(value) <= MOST_EDGE
    )


def _two_different(value: tuple[str, ...]) -> tuple[str, ...]:
    if len(set(value)) < len(value):
        raise ValueError("the two quantities must differ")
    return value


class Minimum(FrozenModel):
    """What a goal needs at least: so many runs in each of so many bins."""

    bins: Annotated[int, Field(ge=1, le=MOST_BINS)] = 1
    """In so many of the bins, whichever they are."""
    runs_each: Annotated[int, Field(ge=1, le=2000)] = 1
    """So many runs in each of them."""


class Goal(FrozenModel):
    """Runs that are wanted in each bin of a quantity, and what they are worth.

    Every run that is requested counts for its share of the value, those of the minimum for more.
    A run counts in the bin in which it starts, and may serve several goals. An activity that serves
    a goal is worth 0 by itself unless it has a value, and as many runs of it are requested as its
    goals request unless it has a count.
    """

    name: Name
    """Name of the goal."""
    runs_of: Names
    """Activities whose runs count; any of them do, unless together."""
    over: Annotated[
        tuple[GoalQuantity, ...],
        BeforeValidator(_quantities),
        AfterValidator(_two_different),
        ONE_OR_TWO,
        Form(f"{', '.join(get_args(GoalQuantity))}, or a list of two"),
    ] = ()
    """Quantity at the start of a run that picks its bin; two of them make a grid.

    Without it there is one bin, the span. span_h is hours since the span began; stop is where the
    rover stands, and needs no edges."""
    stops: Names = ()
    """Stops that are bins, if over has stop.

    Without this key all stops at which its activities may be."""
    edges: Annotated[
        tuple[Edges, ...],
        BeforeValidator(_edges),
        ONE_LIST_OR_TWO,
        Form("list of rising numbers, or two of them for a grid"),
    ] = ()
    """Edges of the bins, rising; a bin includes its lower edge and excludes its upper one.

    Those of earth_longitude_deg may pass 180, as in [30, 150, 270]."""
    runs_each: Annotated[int, Field(ge=1, le=2000)] = 1
    """Runs requested in each bin; further ones add nothing."""
    minimum: Minimum | None = None
    """What is needed at least, as in { bins = 3, runs_each = 1 }."""
    value: NotNegative
    """Worth of the whole goal, in points of the science team; only ratios matter."""
    minimum_value: NotNegative | None = None
    """How much of that the minimum is worth; without this key its share of the runs.

    Each run of the minimum must be worth no less than each of the others."""
    together: bool = False
    """true if a bin counts as many runs as each activity of runs_of has there, none less."""
    counted: Literal["received", "done"] = "received"
    """A run counts when its last bit is on Earth, or when it is done."""
    required: Literal["none", "minimum"] = "none"
    """"minimum" if no plan is valid without the minimum."""

    @property
    def groups(self) -> tuple[Names, ...]:
        """The activities whose runs count as one; several groups if they count together."""
        return tuple((name,) for name in self.runs_of) if self.together else (self.runs_of,)

    @property
    def bins(self) -> int:
        """The number of bins."""
        return prod(max(1, len(edges) - 1) for edges in self.axes)

    @property
    def axes(self) -> tuple[Edges, ...]:
        """The edges of the bins of each quantity; stops are counted from 0."""
        edges, stops = iter(self.edges), tuple(float(k) for k in range(len(self.stops) + 1))
        return tuple(stops if key == STOP else next(edges, ()) for key in self.over)

    @property
    def runs(self) -> int:
        """The runs requested in all bins; if together, of each activity."""
        return self.bins * self.runs_each

    @property
    def minimum_runs(self) -> int:
        """The runs of the minimum, 0 without one; if together, of each activity."""
        return self.minimum.bins * self.minimum.runs_each if self.minimum else 0

    @property
    def minimum_run_value(self) -> float:
        """Worth of each run of the minimum."""
        if self.minimum_value is None or not self.minimum_runs:
            return self.value / self.runs
        return self.minimum_value / self.minimum_runs

    @property
    def run_value(self) -> float:
        """Worth of each further run that is requested."""
        further = self.runs - self.minimum_runs
        if self.minimum_value is None or not self.minimum_runs or not further:
            return self.value / self.runs if further else 0.0
        return (self.value - self.minimum_value) / further

    def bin_words(self) -> list[str]:
        """Every bin in words, such as "Sun elevation 4 to 10 deg", in the order of their numbers.

        In a grid the second quantity changes first.
        """
        axes = [
            [f"at {name}" for name in self.stops]
            if key == STOP
            else [
                f"{QUANTITIES[key].words} {low:g} to {high:g}{QUANTITIES[key].suffix}"
                for low, high in pairwise(edges)
            ]
            for key, edges in zip(self.over, self.axes)
        ]
        return [", ".join(words) for words in product(*axes)] if axes else ["the span"]


def serving(goals: Iterable[Goal]) -> set[str]:
    """The names of the activities that serve any of the goals."""
    return {name for goal in goals for name in goal.runs_of}
