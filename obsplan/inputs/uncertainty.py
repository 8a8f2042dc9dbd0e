"""What may go differently from the prediction, and how many futures are drawn."""

from typing import Annotated, Any, Literal, NamedTuple

from pydantic import AfterValidator, BeforeValidator, Field

from obsplan.inputs.field_types import Form, Name, Number, Share
from obsplan.inputs.frozen_model import FrozenModel

What = Literal[
    "array output",
    "idle draw",
    "heater draw",
    "battery capacity",
    "link rate",
    "run draw",
    "run length",
    "run fails",
    "out of service",
]


class Kind(NamedTuple):
    """An uncertainty: the keys that say how large it is, and what it may be of."""

    needs: tuple[str, ...]
    of: tuple[str, ...]
    may_have: tuple[str, ...] = ()


PLATFORM, RUNS = ("platform",), ("activity", "instrument")
KINDS: dict[str, Kind] = {
    "array output": Kind(("factor",), PLATFORM),
    "idle draw": Kind(("factor",), PLATFORM),
    "heater draw": Kind(("factor",), PLATFORM),
    "battery capacity": Kind(("factor",), PLATFORM),
    "link rate": Kind(("factor",), PLATFORM),
    "run draw": Kind(("factor",), RUNS),
    "run length": Kind(("factor",), RUNS),
    "run fails": Kind(("chance",), RUNS),
    "out of service": Kind(("per_day",), ("instrument", "station", "platform"), ("lasts_h",)),
}
# What only one thing of a name can be: a common outage of all would be no outage of any.
NAMED_ONLY = ("out of service",)


def _triple(value: Any) -> Any:
    if not isinstance(value, list | tuple) or len(value) != 3:
        raise ValueError("must be three numbers [low, likely, high]")
    return tuple(value)


def _rises(value: tuple[float, float, float]) -> tuple[float, float, float]:
    low, likely, high = value
    if not low <= likely <= high or low == high:
        raise ValueError("must rise: [low, likely, high] with low <= likely <= high, low < high")
    return value


FactorNumber = Annotated[Number, Field(ge=0.01, le=10)]
HourNumber = Annotated[Number, Field(ge=0.1, le=10_000)]
Factors = Annotated[
    tuple[FactorNumber, FactorNumber, FactorNumber],
    BeforeValidator(_triple),
    AfterValidator(_rises),
    Form("[low, likely, high], each 0.01 to 10"),
]
Hours = Annotated[
    tuple[HourNumber, HourNumber, HourNumber],
    BeforeValidator(_triple),
    AfterValidator(_rises),
    Form("[low, likely, high], each 0.1 to 10000"),
]


class FutureDraws(FrozenModel):
    """How many futures are drawn, and how late a run may start in them."""

    samples: Annotated[int, Field(ge=1, le=100_000)] = 400
    """Number of futures; 400 tell a chance of 0.95 to within about 0.02."""
    seed: Annotated[int, Field(ge=0, le=2_147_483_647)] = 1
    """Seed of the random numbers: the same seed gives the same futures for every plan."""
    slip_min: Annotated[int, Field(ge=0, le=1440)] = 30
    """How late a run may start, if one before it took longer; later than that it is skipped."""


class Uncertainty(FrozenModel):
    """Something that may go differently from the prediction.

    It is drawn once for each future; run length and run fails are drawn for each run in it.
    Factors are triangular (low, likely, high).
    """

    what: What
    """What is uncertain.

    A factor on the output of the arrays, on idle_w, on the draw of all heaters, on the capacity of
    the battery or on the link rate of a platform; on the draw or the length of runs; the chance
    that a run fails; or the time until an instrument, a station or a platform is out of service.

    A run that takes longer yields the same data; one that fails draws power and yields none."""
    of: Name | None = None
    """Of which platform; of which activity or instrument for runs; of which instrument, station or
    platform if it may be out of service.

    Without this key: of all, with one factor for all platforms together."""
    factor: Factors | None = None
    """What the predicted figure is multiplied by: lowest, most likely and highest."""
    chance: Share | None = None
    """Chance that a run fails."""
    per_day: Annotated[Number, Field(gt=0, le=1000)] | None = None
    """Losses per day of service, at random times: 0.05 is one in twenty days."""
    lasts_h: Hours | None = None
    """How long it is out of service: shortest, most likely and longest; for good without this."""
