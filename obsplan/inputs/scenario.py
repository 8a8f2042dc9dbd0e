"""The scenario file: site, span, stations, platforms, instruments and activities.

A scenario is TOML. It is read into frozen models, so that everything downstream can
trust names, ranges and units; read_scenario.py does so.
"""

from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal, TypeVar, overload

from pydantic import Field

from obsplan.common.errors import ScenarioError
from obsplan.common.instants import MINUTE, stamp
from obsplan.inputs.activity import Activity
from obsplan.inputs.cross_checks import sending_name
from obsplan.inputs.field_types import (
    Azimuth,
    Elevation,
    Files,
    Latitude,
    Line,
    Longitude,
    Name,
    Number,
    Range,
    Several,
    Slope,
    Utc,
)
from obsplan.inputs.frozen_model import FrozenModel
from obsplan.inputs.goal import Goal
from obsplan.inputs.hardware import Instrument, Platform, Station
from obsplan.inputs.keep_out import KeepOut
from obsplan.inputs.margins import Margins
from obsplan.inputs.pin import Pin
from obsplan.inputs.stop import Stop
from obsplan.inputs.team import Team
from obsplan.inputs.thermal import Unit
from obsplan.inputs.uncertainty import FutureDraws, Uncertainty

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd


class Site(FrozenModel):
    """The landing site: position, skyline, slope and ground."""

    name: Name
    """Name of the site."""
    latitude_deg: Latitude
    """Selenographic latitude, north positive, in the mean-Earth frame."""
    longitude_deg: Longitude
    """Selenographic longitude, east positive."""
    height_m: Annotated[Number, Field(ge=-20_000, le=20_000)] = 0.0
    """Height above the sphere of 1737.4 km."""
    skyline: Files = "flat"
    """Terrain around the site: "flat", a CSV beside the scenario, or elevation models.

    The CSV has the columns azimuth_deg (from north through east), elevation_deg. Elevation
    models are GeoTIFFs, JPEG 2000 files, PDS3 labels or images (.lbl, .img) or PDS4 labels
    (.xml), in degrees or in a projection such as polar stereographic: "dem.tif", or a list such
    as ["near.tif", "far.lbl"], where the finest model at each place counts (pip install
    'obsplan[terrain]'). The skyline is computed 2 m above the ground of the model, which must
    be within 100 m of height_m. Terrain outside the models is assumed not to rise. `obsplan
    skyline` writes the CSV once, for you to view or edit.

    The files must lie in the scenario's folder, unless a command has --allow-outside."""
    slope_deg: Slope = 0.0
    """Slope of the ground; it only affects the ground temperature."""
    aspect_deg: Azimuth = 0.0
    """Downhill direction of the slope, from north through east."""
    slope_uncertainty_deg: Annotated[Number, Field(ge=0, le=45)] = 0.0
    """How far the true slope may be tilted from the given one.

    If above 0, the sky table also has surface_temperature_low_k and
    surface_temperature_high_k: the coldest and warmest surface with the slope tilted this
    far in eight directions."""
    magnetotail_limit_deg: Annotated[Number, Field(ge=0, le=180)] = 30.0
    """The Moon counts as in the Earth's magnetotail within this angle of the anti-Sun direction.

    Seen from the Earth; 30 deg is about five days per month, common practice, no source."""
    soil: Literal["highland", "mare"] = "highland"
    """Kind of ground: highland or mare, which is darker (Hayne et al. 2017)."""
    normal_albedo: Annotated[Number, Field(ge=0.03, le=0.35)] | None = None
    """Albedo of the ground at normal incidence.

    Without this key 0.12 for highland, 0.07 for mare (Hayne et al. 2017)."""
    emissivity: Annotated[Number, Field(ge=0.9, le=1)] | None = None
    """Infrared emissivity of the ground; 0.95 without this key (Hayne et al. 2017).

    Published values are 0.9 to 1."""
    density_scale_m: Annotated[Number, Field(ge=0.01, le=0.2)] | None = None
    """Scale height H over which the soil becomes dense; 0.07 without this key (Hayne et al. 2017).

    Maps have 0.02 where rocks lie bare to 0.12 and more where fresh craters left loose soil."""
    heat_flow_w_m2: Annotated[Number, Field(ge=0.003, le=0.18)] | None = None
    """Heat flow from the interior; 0.018 without this key (Hayne et al. 2017).

    Measured were 0.021 and 0.016 (Langseth et al. 1976)."""
    depths_m: Several[Annotated[Number, Field(gt=0, le=2)]] = (0.1, 0.3)
    """Depths at which the tables also give the ground temperature."""

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
    """The time that the plan covers, and the step of its grid."""

    start_utc: Utc
    """First minute of the plan."""
    end_utc: Utc
    """End of the plan, exclusive; at most 90 days after the start."""
    step_min: Annotated[int, Field(ge=1, le=120)] = 15
    """Grid of the plan: slots start and end on whole steps, counted from start_utc."""


class Uplink(FrozenModel):
    """How slots are commanded: in a contact before their start.

    Each slot must be commanded in a contact at least lead_min before its start. The plan
    then has deadlines.csv, which says by when each command must leave which station.
    Without this table only activities with a lead_min of their own need commands.
    """

    lead_min: Annotated[int, Field(ge=0, le=60_000)]
    """Commands must arrive this long before the start of a slot.

    30 minutes are common practice, no source."""
    loaded_until_utc: Utc | None = None
    """Slots that start before this time were loaded before the span and need no contact.

    Without this key no slot was loaded."""


class Landing(FrozenModel):
    """What a landing requires, for `obsplan days` and `obsplan sites`.

    The defaults are common practice, no source.
    """

    sun_elevation_deg: Range = (6.0, 12.0)
    """Elevation of the morning Sun at touchdown."""
    earth_elevation_min_deg: Elevation = 0.0
    """Lowest elevation of the Earth at touchdown; the Earth must also be above the skyline."""
    stations: Literal[1, 2] = 1
    """Number of stations in contact at touchdown."""


class Scenario(FrozenModel):
    """The scenario file: everything that the planner knows."""

    title: Line
    """Title of the scenario. The calendar recognises entries of an older plan by it."""
    site: Site | None = None
    """The landing site; required unless all platforms are in orbit."""
    span: Span
    """The time that the plan covers, and its step."""
    station: Annotated[Several[Station], Field(min_length=1)]
    """Ground stations, each begun with [[station]]."""
    platform: Annotated[Several[Platform], Field(min_length=1)]
    """Landers, rovers and orbiters, each begun with [[platform]]."""
    instrument: Several[Instrument] = ()
    """Instruments, each begun with [[instrument]]."""
    stop: Several[Stop] = ()
    """Places at which rovers may work, each begun with [[stop]]."""
    activity: Several[Activity] = ()
    """Kinds of runs, each begun with [[activity]]; at most 300."""
    goal: Several[Goal] = ()
    """What the science team wants, and what it is worth, each begun with [[goal]]."""
    team: Several[Team] = ()
    """Teams that must be on console while activities run, each begun with [[team]]."""
    keep_out: Several[KeepOut] = ()
    """Times in which an activity, an instrument or a platform may not run."""
    pin: Several[Pin] = ()
    """Runs that must start at a certain time."""
    margins: Margins = Margins()
    """Margins that the plan keeps on every platform; without this table none."""
    uplink: Uplink | None = None
    """How slots are commanded; without this table most slots need no commands."""
    landing: Landing = Landing()
    """What a landing requires, for the commands days and sites."""
    futures: FutureDraws = FutureDraws()
    """How many futures are drawn, for the command futures."""
    uncertainty: Several[Uncertainty] = ()
    """What may go differently from the prediction, each begun with [[uncertainty]]."""
    drive: tuple[Any, ...] = Field(default=(), exclude=True)
    """All drives there may be between places of rovers; filled in by reading."""
    folder: Path = Field(default=Path("."), exclude=True)
    """Where relative file names start; filled in by reading."""
    input_hash: str = Field(default="", exclude=True)
    """Hash of the scenario file and the files it names; filled in by reading."""

    @property
    def steps(self) -> int:
        """Whole steps in the span; a remainder shorter than a step is not used."""
        length = self.span.end_utc - self.span.start_utc
        return length // timedelta(minutes=self.span.step_min)

    @overload
    def minutes_of(self, times_utc: datetime) -> float: ...
    @overload
    def minutes_of(self, times_utc: "pd.Series | pd.DatetimeIndex") -> "np.ndarray": ...
    def minutes_of(
        self, times_utc: "datetime | pd.Series | pd.DatetimeIndex"
    ) -> "float | np.ndarray":
        """Minutes from the start of the span to a time, or to each of a column (n,) of times.

        The times have a zone; a missing one gives NaN.
        """
        if isinstance(times_utc, datetime):
            return (times_utc - self.span.start_utc) / MINUTE
        minutes: np.ndarray = ((times_utc - self.span.start_utc) / MINUTE).to_numpy(dtype=float)
        return minutes

    def instant_at(self, minute: float) -> datetime:
        """The instant (UTC) so many minutes after the start of the span."""
        return self.span.start_utc + timedelta(minutes=float(minute))

    def stamp_at(self, minute: float) -> str:
        """The same instant as text, with seconds only if there are any."""
        return stamp(self.instant_at(minute))

    def activity_named(self, name: str) -> Activity:
        """The activity of that name, drives among them; raises KeyError if there is none."""
        known: tuple[Activity, ...] = (*self.activity, *self.drive)
        return _named(known, name)

    @property
    def known_activities(self) -> tuple[Activity, ...]:
        """All activities that a slot may be of: those requested, and every drive there may be."""
        named = {a.name for a in self.activity}
        return (*self.activity, *(drive for drive in self.drive if drive.name not in named))

    def is_drive(self, name: str) -> bool:
        """Whether an activity of that name is a drive between places of a rover."""
        return any(drive.name == name for drive in self.drive)

    def platform_named(self, name: str) -> Platform:
        """The platform of that name; raises KeyError if there is none."""
        return _named(self.platform, name)

    def platform_of(self, activity: Activity) -> str:
        """Name of the platform that carries the activity's instrument."""
        return next(i.platform for i in self.instrument if i.name == activity.instrument)

    def outlet_of(self, platform: str) -> str:
        """Name of the platform whose radio reaches Earth: the platform itself, or its relay."""
        to = self.platform_named(platform).radio.to
        return platform if to == "earth" else to

    def slot_min(self, activity: Activity) -> int:
        """Length of a slot in minutes: warm-up and duration, rounded up to whole steps."""
        step = self.span.step_min
        return -(-(activity.warm_up_min + activity.duration_min) // step) * step

    def command_lead_min(self, activity: Activity) -> int | None:
        """How long before a slot its commands must have arrived; None if none are needed."""
        if activity.lead_min is not None or self.uplink is None:
            return activity.lead_min
        return self.uplink.lead_min

    def team_named(self, name: str) -> Team:
        """The team of that name; raises KeyError if there is none."""
        return _named(self.team, name)

    def keep_outs_of(self, activity: Activity) -> list[KeepOut]:
        """The times in which no slot of the activity may be."""
        names = activity.name, activity.instrument, self.platform_of(activity)
        return [each for each in self.keep_out if each.applies_to(*names)]

    @property
    def units(self) -> tuple[Unit, ...]:
        """The units of all platforms, in order."""
        return tuple(unit for platform in self.platform for unit in platform.unit)

    def platform_with(self, unit: Unit) -> str:
        """Name of the platform that has a unit; names of units differ."""
        return next(p.name for p in self.platform if any(u.name == unit.name for u in p.unit))

    def table_path(self, unit: Unit) -> Path:
        """The thermal table of a unit that has one."""
        assert unit.table is not None
        return self.folder / unit.table

    @property
    def sending_names(self) -> dict[str, str]:
        """Name of the transmit windows in a timeline -> name of the platform that sends."""
        return {sending_name(p.name, p.radio.to): p.name for p in self.platform}

    def with_part(self, kind: str, name: str, **changes: Any) -> "Scenario":
        """A copy with changed fields in the platform or activity (`kind`) of that name."""
        parts = tuple(
            part.model_copy(update=changes) if part.name == name else part
            for part in getattr(self, kind)
        )
        return self.model_copy(update={kind: parts})

    @property
    def landing_site(self) -> Site:
        """The site; raises ScenarioError if all platforms are in orbit and there is none."""
        if self.site is None:
            raise ScenarioError(f'"{self.title}": this needs a [site], and the scenario has none')
        return self.site

    def skyline_paths(self) -> tuple[Path, ...]:
        """The skyline file, or the elevation models; none for a flat skyline or without a site."""
        return tuple(self.folder / name for name in self.site.skyline_files) if self.site else ()

    def orbit_path(self, platform: Platform) -> Path:
        """The file with the orbit of a platform that flies."""
        assert platform.orbit is not None
        return self.folder / platform.orbit.file

    def ground_paths(self, platform: Platform) -> tuple[Path, ...]:
        """The elevation models that a rover drives over; none if it drives straight."""
        names = platform.drive.ground_files if platform.drive else ()
        return tuple(self.folder / name for name in names)

    def hazards_path(self, platform: Platform) -> Path | None:
        """The file of what a rover keeps out of, or None."""
        drive = platform.drive
        return None if drive is None or drive.hazards is None else self.folder / drive.hazards

    def mask_path(self, station: Station) -> Path | None:
        """The file of a station's own skyline, or None if it has a level mask."""
        return None if station.skyline is None else self.folder / station.skyline

    def passes_path(self, station: Station) -> Path | None:
        """The file of a station's booked passes, or None if all visible time counts."""
        return None if station.passes is None else self.folder / station.passes

    def shifts_path(self, team: Team) -> Path | None:
        """The file of a team's shifts, or None if it has none."""
        return None if team.shifts is None else self.folder / team.shifts


T = TypeVar("T", Activity, Platform, Team)


def _named(parts: tuple[T, ...], name: str) -> T:
    for part in parts:
        if part.name == name:
            return part
    raise KeyError(name)


# Fields that reading fills in; a file may not set them.
INNER = tuple(name for name, field in Scenario.model_fields.items() if field.exclude)
