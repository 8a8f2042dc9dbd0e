"""The scenario file: site, span, stations, platforms, instruments and activities.

A scenario is TOML. It is read into frozen models, so that everything downstream can
trust names, ranges and units; read_scenario.py does so.
"""

from datetime import timedelta
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field

from obsplan.inputs.cross_checks import sending_name
from obsplan.inputs.field_types import (
    Azimuth,
    Elevation,
    Files,
    HoursOfDay,
    Latitude,
    Longitude,
    Minutes,
    Name,
    Names,
    NotNegative,
    Number,
    Range,
    RisingEdges,
    Several,
    Share,
    Slope,
    Utc,
)
from obsplan.inputs.frozen_model import FrozenModel
from obsplan.inputs.hardware import Instrument, Platform, Station


class Site(FrozenModel):
    """Where the lander stands. The surface slope drives the ground temperature only.

    With `slope_uncertainty_deg` the ground may be tilted by so much more any way. The Moon
    counts as in the Earth's magnetotail within `magnetotail_limit_deg` of full Moon.
    """

    name: Name
    latitude_deg: Latitude
    longitude_deg: Longitude
    height_m: Annotated[Number, Field(ge=-20_000, le=20_000)] = 0.0
    skyline: Files = "flat"
    slope_deg: Slope = 0.0
    aspect_deg: Azimuth = 0.0
    slope_uncertainty_deg: Annotated[Number, Field(ge=0, le=45)] = 0.0
    magnetotail_limit_deg: Annotated[Number, Field(ge=0, le=180)] = 30.0
    normal_albedo: Annotated[Number, Field(ge=0, le=0.5)] = 0.12
    depths_m: Several[Annotated[Number, Field(gt=0, le=2)]] = (0.1, 0.3)

    @property
    def place(self) -> tuple[float, float, float]:
        """Latitude and longitude in degrees, height in metres."""
        return self.latitude_deg, self.longitude_deg, self.height_m

    @property
    def skyline_files(self) -> tuple[str, ...]:
        """Names of the skyline file, or of the elevation models; none for a flat skyline."""
        if self.skyline == "flat":
            return ()
        return (self.skyline,) if isinstance(self.skyline, str) else self.skyline


class Span(FrozenModel):
    """First and last instant of the plan, half-open, and the step of the timeline."""

    start_utc: Utc
    end_utc: Utc
    step_min: Annotated[int, Field(ge=1, le=120)] = 15


class GroundRange(FrozenModel):
    """A permitted range of ground temperature at a depth."""

    depth_m: Annotated[Number, Field(gt=0, le=2)]
    temperature_k: Range


class When(FrozenModel):
    """What must hold through the whole slot. A `local_time_h` range may pass 24 h."""

    sun_elevation_deg: Range | None = None
    sun_visible_fraction: Range | None = None
    earth_elevation_deg: Range | None = None
    earth_phase_deg: Range | None = None
    surface_temperature_k: Range | None = None
    ground: GroundRange | None = None
    local_time_h: HoursOfDay | None = None
    in_magnetotail: bool | None = None


class Coverage(FrozenModel):
    """Spread runs over bins: in each bin the first run is worth full value."""

    over: Literal["local_time_h", "sun_elevation_deg", "earth_phase_deg", "span_h"]
    edges: RisingEdges


class After(FrozenModel):
    """Order: at least one run of `activity` must have ended `settle_min` before the start."""

    activity: Name
    settle_min: Annotated[int, Field(ge=0, le=60_000)] = 0


class Activity(FrozenModel):
    """A kind of run asked of an instrument.

    A slot lasts `warm_up_min + duration_min`, rounded up to whole steps; the warm-up draws
    `warm_up_w` and yields no data. The k-th run (of its coverage bin, in time order) is
    worth `value * repeat_worth**(k-1)`.
    """

    name: Name
    instrument: Name
    duration_min: Minutes
    warm_up_min: Annotated[int, Field(ge=0, le=60_000)] = 0
    warm_up_w: NotNegative = 0.0
    power_w: NotNegative = 0.0
    data_mbit: NotNegative = 0.0
    count: Annotated[int, Field(ge=1, le=2000)] = 1
    must: Annotated[int, Field(ge=0, le=2000)] = 0
    value: NotNegative = 1.0
    repeat_worth: Share = 1.0
    gap_min: Annotated[int, Field(ge=0, le=60_000)] = 0
    contact: Literal["whole", "start", "none"] = "none"
    lead_min: Annotated[int, Field(ge=0, le=60_000)] | None = None
    quiet: bool = False
    disturbs: bool = False
    not_with: Names = ()
    after: Several[After] = ()
    when: When = When()
    coverage: Coverage | None = None


class Uplink(FrozenModel):
    """How commands go up: a slot's must arrive in a contact, `lead_min` before its start.

    Slots that start before `loaded_until_utc` are aboard when the span begins.
    """

    lead_min: Annotated[int, Field(ge=0, le=60_000)]
    loaded_until_utc: Utc | None = None


class Landing(FrozenModel):
    """What a touchdown asks: morning, the Sun in a band, the Earth up, stations in contact.

    The defaults are common practice, no source.
    """

    sun_elevation_deg: Range = (6.0, 12.0)
    earth_elevation_min_deg: Elevation = 0.0
    stations: Literal[1, 2] = 1


class Scenario(FrozenModel):
    """Everything the planner is told. `folder` is where relative file names start."""

    title: str
    site: Site
    span: Span
    station: Annotated[Several[Station], Field(min_length=1)]
    platform: Annotated[Several[Platform], Field(min_length=1)]
    instrument: Several[Instrument] = ()
    activity: Several[Activity] = ()
    uplink: Uplink | None = None
    landing: Landing = Landing()
    folder: Path = Field(default=Path("."), exclude=True)
    input_hash: str = Field(default="", exclude=True)

    @property
    def steps(self) -> int:
        """Whole steps in the span; a rest shorter than a step is left unused."""
        length = self.span.end_utc - self.span.start_utc
        return length // timedelta(minutes=self.span.step_min)

    def platform_of(self, activity: Activity) -> str:
        """Name of the platform that carries the activity's instrument."""
        return next(i.platform for i in self.instrument if i.name == activity.instrument)

    def slot_min(self, activity: Activity) -> int:
        """Length of a slot in minutes: warm-up and duration, rounded up to whole steps."""
        step = self.span.step_min
        return -(-(activity.warm_up_min + activity.duration_min) // step) * step

    def command_lead_min(self, activity: Activity) -> int | None:
        """How long before a slot its commands must be aboard; None where nothing is asked."""
        if activity.lead_min is not None or self.uplink is None:
            return activity.lead_min
        return self.uplink.lead_min

    @property
    def sending_names(self) -> dict[str, str]:
        """Names under which a timeline lists when a platform may send, with the platform."""
        return {sending_name(p.name, p.radio.to): p.name for p in self.platform}

    def with_part(self, kind: str, name: str, **changes) -> "Scenario":
        """The scenario with other fields in the `kind` (platform, activity) of that name."""
        parts = tuple(
            part.model_copy(update=changes) if part.name == name else part
            for part in getattr(self, kind)
        )
        return self.model_copy(update={kind: parts})

    def skyline_paths(self) -> tuple[Path, ...]:
        """The skyline file, or the elevation models; none for a flat skyline."""
        return tuple(self.folder / name for name in self.site.skyline_files)

    def mask_path(self, station: Station) -> Path | None:
        """The file of a station's own skyline, or None where it has a level mask."""
        return None if station.skyline is None else self.folder / station.skyline


# Fields that reading fills in; a file may not set them.
INNER = tuple(name for name, field in Scenario.model_fields.items() if field.exclude)
