"""The conditions that an activity may set on the minutes of its slots."""

from typing import Annotated

from pydantic import Field

from obsplan.inputs.field_types import (
    HoursOfDay,
    KelvinRange,
    LongitudeRange,
    Name,
    Number,
    Range,
)
from obsplan.inputs.frozen_model import FrozenModel


class GroundRange(FrozenModel):
    """An allowed range of ground temperature at a depth."""

    depth_m: Annotated[Number, Field(gt=0, le=2)]
    """Depth below the surface."""
    temperature_k: KelvinRange
    """Lowest and highest temperature allowed at this depth."""


class UnitRange(FrozenModel):
    """An allowed range of the temperature of a unit that has a thermal table."""

    name: Name
    """Name of the unit."""
    temperature_k: KelvinRange
    """Lowest temperature allowed in the cold case, and highest in the hot case."""


class When(FrozenModel):
    """Conditions to be met during the whole slot, warm-up included.

    Each key is also a column of the sky table.
    """

    sun_elevation_deg: Range | None = None
    """Elevation of the Sun's centre above the local level plane."""
    sun_visible_fraction: Range | None = None
    """Share of the Sun's disc above the skyline and not covered by the Earth, 0 to 1."""
    earth_elevation_deg: Range | None = None
    """Elevation of the Earth's centre above the local level plane."""
    earth_phase_deg: Range | None = None
    """Angle at the Earth between Sun and platform: 0 when the Earth is full, 180 when new."""
    earth_visible_fraction: Range | None = None
    """For an orbiter: share of the Earth's disc that the Moon does not hide, 0 to 1."""
    sun_angle_deg: Range | None = None
    """For an orbiter: angle between the centres of Sun and Earth.

    With the phase of the Earth it adds up to 180 deg but for 0.2: a new Earth is near the Sun."""
    earth_limb_angle_deg: Range | None = None
    """For an orbiter: angle of the Earth's centre above the Moon's limb, below 0 if hidden."""
    earth_longitude_deg: LongitudeRange | None = None
    """For an orbiter: longitude of the point of the Earth that has it in its zenith, east positive.

    The range may pass 180, as in [150, -150]."""
    earth_latitude_deg: Range | None = None
    """For an orbiter: geodetic latitude of that point, north positive."""
    surface_temperature_k: KelvinRange | None = None
    """Temperature of the ground at the surface."""
    ground: GroundRange | None = None
    """Temperature of the ground at a depth: { depth_m = 0.4, temperature_k = [230, 250] }."""
    unit: UnitRange | None = None
    """Temperature of a unit with a table: { name = "camera", temperature_k = [253, 313] }.

    A unit that is computed as a node has operating_k and switch_on_k instead."""
    local_time_h: HoursOfDay | None = None
    """Lunar local solar time, 12 when the Sun is on the meridian.

    The range may pass midnight, as in [22, 4]."""
    in_terrain_shadow: bool | None = None
    """true: only while the Sun is up but behind terrain; false: only while it is not.

    Lit terrain then is all that lights the ground."""
    in_magnetotail: bool | None = None
    """true: only while the Moon is in the Earth's magnetotail; false: only while it is not.

    See magnetotail_limit_deg of the site."""
