"""Activities: kinds of runs of an instrument, how long, how often and worth what."""

from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, WithJsonSchema

from obsplan.inputs.after import After
from obsplan.inputs.field_types import (
    Form,
    Minutes,
    Name,
    Names,
    NotNegative,
    Number,
    RisingEdges,
    Several,
    Share,
    list_as_tuple,
)
from obsplan.inputs.frozen_model import FrozenModel
from obsplan.inputs.goal import Quantity
from obsplan.inputs.when import When

# What editors may write, before it is made a list.
STOPS = WithJsonSchema(
    {"anyOf": [{"type": "string"}, {"type": "array", "items": {"type": "string"}}]}
)


def _stops(value: Any) -> Any:
    return (value,) if isinstance(value, str) else list_as_tuple(value)


class Coverage(FrozenModel):
    """Bins over which the runs of an activity are spread.

    Each run must start inside a bin. In each bin the first run is worth the full value and
    each further one repeat_worth times the one before.
    """

    over: Quantity
    """Quantity at the start of a run that picks its bin; span_h is hours since the span began."""
    edges: RisingEdges
    """Edges of the bins, rising; a bin includes its lower edge and excludes its upper one.

    Those of earth_longitude_deg may pass 180, as in [30, 150, 270]."""


class Activity(FrozenModel):
    """A kind of run of an instrument: how long, how often, worth what."""

    name: Name
    """Name of the activity."""
    instrument: Name
    """Name of the instrument that runs it."""
    duration_min: Minutes
    """Length of a run without warm-up; warm-up and run are rounded up to whole steps."""
    warm_up_min: Annotated[int, Field(ge=0, le=60_000)] = 0
    """Warm-up at the start of each slot; it draws warm_up_w and yields no data."""
    warm_up_w: NotNegative = 0.0
    """Power of the instrument during warm-up."""
    power_w: NotNegative = 0.0
    """Power of the instrument during the run."""
    data_mbit: NotNegative = 0.0
    """Data that a run yields, evenly over its duration."""
    priority: Annotated[int, Field(ge=1, le=9)] = 3
    """Data of priority 1 leave each store before those of 2, and so on; the oldest first."""
    received_by_h: Annotated[Number, Field(gt=0, le=1000)] | None = None
    """All data of a run must be on Earth at most so many hours after they are taken."""
    count: Annotated[int, Field(ge=1, le=2000)] = 1
    """Number of runs requested; without this key as many as goals request, if it serves any."""
    split_min: Minutes | None = None
    """Runs are made in equal pieces, as many as are at least so long, each with its own warm-up.

    A piece is worth its share of the run. Everywhere else a piece counts as a run."""
    must: Annotated[int, Field(ge=0, le=2000)] = 0
    """Number of runs required; a plan without them is not valid. At most count."""
    value: NotNegative = 1.0
    """Worth of the first run, in points of the science team; only ratios matter.

    Without this key 0 if it serves a goal. The value of a plan is the sum over all its slots."""
    repeat_worth: Share = 1.0
    """Worth of each further run as a share of the one before.

    With 0.8 the runs are worth value, 0.8 value, 0.64 value and so on. With coverage this
    starts again in each bin."""
    gap_min: Annotated[int, Field(ge=0, le=60_000)] = 0
    """Least time from the end of a run to the start of the next run of this activity."""
    contact: Literal["whole", "start", "none"] = "none"
    """When an Earth link must be open: during the "whole" slot, at its "start", or "none".

    During a slot of "whole" contact its station serves no other spacecraft."""
    first_runs_in_contact: Annotated[int, Field(ge=0, le=2000)] = 0
    """So many runs, the first in time, must be in contact throughout."""
    lead_min: Annotated[int, Field(ge=0, le=60_000)] | None = None
    """Commands must arrive this long before the start; overrides lead_min of [uplink]."""
    quiet: bool = False
    """true if no activity that disturbs may overlap a run, on any platform."""
    disturbs: bool = False
    """true if a run disturbs activities that are quiet: by motion, vibration or interference."""
    not_with: Names = ()
    """Names of activities that may not overlap a run of this one."""
    at: Annotated[
        tuple[Name, ...], BeforeValidator(_stops), STOPS, Form('"stops", or list of names')
    ] = ()
    """Stops at which a run may be made: "stops" for all of the rover, or a list of names.

    The activity is then one activity at each of them, such as "LIBS at R3": count, must, gap_min,
    repeat_worth and coverage hold at each stop by itself."""
    points: Name | None = None
    """What the platform points at during the whole slot: "earth", or a name of your own.

    The platform needs [platform.pointing]. Activities that name the same may overlap."""
    after: Several[After] = ()
    """Activities of which a run must have ended before a run of this one starts.

    As in [{ activity = "drive", each = true, received = true, decide_min = 120 }]."""
    needs: Names = ()
    """Names of teams that must be on console during the whole slot, warm-up included."""
    when: When = When()
    """Conditions that must be met during the whole slot."""
    coverage: Coverage | None = None
    """Bins over which the runs are spread; the first run in each bin is worth the full value."""

    @property
    def energy_wh(self) -> float:
        """Energy that a whole run takes, warm-up included."""
        return (self.warm_up_min * self.warm_up_w + self.duration_min * self.power_w) / 60
