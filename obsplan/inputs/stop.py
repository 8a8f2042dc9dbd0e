"""Where a rover may stand, how it drives there, and where it has to be at the end."""

from itertools import pairwise
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BeforeValidator, Field

from obsplan.inputs.after import After
from obsplan.inputs.field_types import (
    Azimuth,
    Files,
    Form,
    Latitude,
    Longitude,
    Name,
    Names,
    NotNegative,
    Number,
    Positive,
    Several,
)
from obsplan.inputs.frozen_model import FrozenModel
from obsplan.inputs.when import When

# Where every rover starts: no stop may have this name.
LANDER = "lander"
# What stands for all stops of the rover.
ALL_STOPS = "stops"
East = Annotated[Number, Field(ge=-100_000, le=100_000)]


def _pairs(value: Any) -> Any:
    if not isinstance(value, list | tuple) or not value:
        raise ValueError("must be a list of pairs [slope in degrees, metres a minute]")
    for row in value:
        is_pair = isinstance(row, list | tuple) and len(row) == 2
        if not is_pair or not all(
            isinstance(x, int | float) and not isinstance(x, bool) for x in row
        ):
            raise ValueError("must be a list of pairs [slope in degrees, metres a minute]")
    return tuple((float(slope), float(speed)) for slope, speed in value)


def _slower_on_slopes(value: tuple[tuple[float, float], ...]) -> tuple[tuple[float, float], ...]:
    for slope, speed in value:
        if not (0 <= slope <= 90 and 1e-3 <= speed <= 1e4):
            raise ValueError("allowed are slopes of 0 to 90 degrees and speeds of 0.001 to 10000")
    for (slope, speed), (next_slope, next_speed) in pairwise(value):
        if next_slope <= slope:
            raise ValueError(f"the slopes must rise, but after {slope:g} comes {next_slope:g}")
        if next_speed > speed:
            raise ValueError(
                f"the speed must not rise with the slope, but after {speed:g} comes {next_speed:g}"
            )
    return value


def drive_instrument(platform: str) -> str:
    """What stands for the wheels of a rover where an instrument is named."""
    return f"{platform} drive"


class Drive(FrozenModel):
    """How a rover drives from stop to stop.

    A drive must be judged by people who know the ground: what is planned here is no permission.
    Where keys name an instrument, as in keep_out or uncertainty, "rover drive" means the wheels of
    the rover of that name.
    """

    speed_by_slope: Annotated[
        tuple[tuple[float, float], ...],
        BeforeValidator(_pairs),
        AfterValidator(_slower_on_slopes),
        Form("list of [slope_deg, m_per_min]"),
    ]
    """Metres a minute on slopes up to so many degrees; on steeper ground it does not drive.

    As in [[10, 0.5], [15, 0.3], [20, 0.15]]."""
    power_w: NotNegative
    """Power while driving, in addition to idle_w."""
    data_mbit_per_m: NotNegative = 0.0
    """Pictures and telemetry for each metre, spread evenly over the drive."""
    longest_drive_m: Annotated[Number, Field(ge=1, le=100_000)] | None = None
    """After so many metres the rover stands still, and people look and decide on the next part."""
    decide_min: Annotated[int, Field(ge=0, le=60_000)] = 0
    """Time to look and decide once all data of a drive are on Earth.

    Before that the rover neither drives on nor works at the stop that it has reached."""
    priority: Annotated[int, Field(ge=1, le=9)] = 1
    """Priority of the data of drives, see activities."""
    contact: Literal["whole", "start", "none"] = "whole"
    """When an Earth link must be open, see activities."""
    lead_min: Annotated[int, Field(ge=0, le=60_000)] | None = None
    """Commands must arrive this long before the start; overrides lead_min of [uplink]."""
    disturbs: bool = True
    """true if a drive disturbs activities that are quiet."""
    needs: Names = ()
    """Names of teams that must be on console during the whole drive."""
    when: When = When()
    """Conditions that must be met during the whole drive."""
    not_towards_sun_deg: Annotated[Number, Field(ge=0, le=90)] = 0.0
    """Smallest angle between the way and the direction of the Sun or away from it, by azimuth.

    The way is the straight line from where the drive begins to where it ends. It counts while any
    of the Sun is seen."""
    after: Several[After] = ()
    """What must be done at a stop before the rover leaves it.

    As in [{ activity = "LIBS", received = true, decide_min = 120 }]. Without received or decide_min
    the run must have ended."""
    ground: Files = "straight"
    """"straight", or elevation models over which ways are found, see skyline of the site.

    A way over models is the quickest on permitted slopes; it keeps in sight of the relay, with
    antennas 2 m above the ground, and in its range."""
    detour: Annotated[Number, Field(ge=1, le=10)] = 1.0
    """How many times as long a way is as the one found on level ground, if ground is "straight"."""
    hazards: str | None = None
    """A CSV beside the scenario: ground to keep out of, as circles or polygons.

    Columns: name, east_m, north_m (from the lander), radius_m. A row with radius_m is a circle;
    rows without are the corners in order of the polygon of that name. Ways go around them, also on
    straight ground."""

    @property
    def ground_files(self) -> tuple[str, ...]:
        """Names of the elevation models; none if ground is "straight"."""
        if self.ground == "straight":
            return ()
        return (self.ground,) if isinstance(self.ground, str) else self.ground


class Parking(FrozenModel):
    """Where the rover has to stand at the end of the span."""

    stop: Names = ()
    """At one of these stops, "lander" among them; without this key at any."""
    within_m: Positive | None = None
    """No further than this from the lander, in a straight line."""
    facing_deg: Azimuth | None = None
    """Which way it then faces, from north through east; for the operators, nothing follows."""


class Stop(FrozenModel):
    """A place at which a rover may work; each is visited at most once.

    Give either east_m and north_m or latitude_deg and longitude_deg.
    """

    name: Name
    """Name of the stop; "lander" is where the rover starts, "stops" stands for all of them."""
    platform: Name
    """Name of the rover."""
    east_m: East | None = None
    """Metres east of the lander."""
    north_m: East | None = None
    """Metres north of the lander."""
    latitude_deg: Latitude | None = None
    """Selenographic latitude, north positive, in the mean-Earth frame."""
    longitude_deg: Longitude | None = None
    """Selenographic longitude, east positive."""
    value_factor: Annotated[Number, Field(ge=0, le=1000)] = 1.0
    """Multiplies the value of runs at this stop; what they are worth to goals stays."""
    skyline: str | None = None
    """A CSV beside the scenario with the skyline of this stop, if it is not that of the site.

    Columns: azimuth_deg, elevation_deg. It tells when the Sun is seen at the stop, for activities
    there and for the rover's arrays; the ground stays as warm as that of the site. On the way to
    or from the stop the Sun must be seen at both ends to count."""
