"""The sky of an orbiter by the minute, and the edges of its occultations and eclipses."""

from collections.abc import Callable
from functools import lru_cache

import numpy as np
import pandas as pd

from obsplan.common.constants import MOON_RADIUS_KM
from obsplan.environment.orbiter_columns import HIDDEN_COLUMNS
from obsplan.physics import orbiter_sky, sky
from obsplan.physics.crossings import windows_where
from obsplan.physics.orbiter_sky import Discs
from obsplan.physics.orbiter_track import Around, Track, earth_point_deg
from obsplan.physics.vectors import length, local_angles, rotated

MAGNETOTAIL_LIMIT_DEG = 30.0  # as a site's, if the scenario has none; common practice, no source
SCAN_S = 120.0  # a body crosses the limb of a low orbit in some 40 s and is hidden for 45 minutes
# What hides what, and how deep (n,) in degrees inside each edge.
EDGES: dict[tuple[str, str, str], Callable[[Discs], np.ndarray]] = {
    ("Earth", "Moon", "any part"): lambda d: d.earth_radius - d.earth_limb,
    ("Earth", "Moon", "whole disc"): lambda d: -d.earth_radius - d.earth_limb,
    ("Sun", "Moon", "any part"): lambda d: d.sun_radius - d.sun_limb,
    ("Sun", "Moon", "whole disc"): lambda d: -d.sun_radius - d.sun_limb,
    ("Sun", "Earth", "any part"): lambda d: d.shadow_radius + d.sun_radius - d.apart,
    ("Sun", "Earth", "whole disc"): lambda d: d.shadow_radius - d.sun_radius - d.apart,
}


def orbiter_columns(around: Around, magnetotail_limit_deg: float) -> dict[str, np.ndarray]:
    """Columns (n,) of the sky table of an orbiter; `ORBITER_COLUMNS` says what they are."""
    discs = orbiter_sky.discs_deg(around.orbiter_km, around.sun_km, around.earth_km)
    below = ground_longitude_deg, ground_latitude_deg = sky.sub_point_deg(around.orbiter_km)
    level = np.radians(ground_latitude_deg), np.radians(ground_longitude_deg)
    sun = local_angles(around.sun_km, *level)
    earth = local_angles(around.earth_km, *level)
    irradiance_w_m2 = sky.irradiance_w_m2(sun[2])
    earth_longitude_deg, earth_latitude_deg = earth_point_deg(around)
    subsolar_deg, _ = sky.sub_point_deg(around.sun_km + around.orbiter_km)
    to_icrf = around.to_moon_frame.swapaxes(0, 1)
    sun_axes = _equatorial_deg(rotated(to_icrf, around.sun_km))
    earth_axes = _equatorial_deg(rotated(to_icrf, around.earth_km))
    from_moon = around.sun_km + around.orbiter_km, around.earth_km + around.orbiter_km
    return {
        "sun_elevation_deg": sun[0],
        "sun_azimuth_deg": sun[1],
        "sun_visible_fraction": orbiter_sky.sun_visible_fraction(discs),
        "irradiance_w_m2": irradiance_w_m2,
        "local_time_h": np.mod(12.0 + (below[0] - subsolar_deg) / 15.0, 24.0) % 24.0,
        "earth_elevation_deg": earth[0],
        "earth_azimuth_deg": earth[1],
        "earth_range_km": earth[2],
        "earth_phase_deg": sky.earth_phase_deg(around.sun_km, around.earth_km),
        "in_magnetotail": sky.tail_angle_deg(*from_moon) <= magnetotail_limit_deg,
        "in_terrain_shadow": np.zeros(len(sun[0]), dtype=bool),
        "earth_visible_fraction": orbiter_sky.earth_visible_fraction(discs),
        "sun_angle_deg": discs.apart,
        "earth_limb_angle_deg": discs.earth_limb,
        "earth_longitude_deg": earth_longitude_deg,
        "earth_latitude_deg": earth_latitude_deg,
        "ground_longitude_deg": ground_longitude_deg,
        "ground_latitude_deg": ground_latitude_deg,
        "height_km": length(around.orbiter_icrf_km) - MOON_RADIUS_KM,
        "surface_temperature_k": orbiter_sky.ground_below_k(irradiance_w_m2, sun[0]),
        "sun_right_ascension_deg": sun_axes[0],
        "sun_declination_deg": sun_axes[1],
        "earth_right_ascension_deg": earth_axes[0],
        "earth_declination_deg": earth_axes[1],
    }


def _equatorial_deg(vector_km: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    longitude_deg, latitude_deg = sky.sub_point_deg(vector_km)
    return np.mod(longitude_deg, 360.0) % 360.0, latitude_deg


def hidden_table(
    platform: str, track: Track, first_utc: np.datetime64, last_utc: np.datetime64
) -> pd.DataFrame:
    """When Moon or Earth hide Earth or Sun in first_utc..last_utc: one row each time.

    Columns `HIDDEN_COLUMNS`: `hidden` is "any part" of the disc or the "whole disc"; edges to the
    nearest second, found as roots; what the span cuts begins or ends with it.
    """

    @lru_cache(maxsize=8)  # the six signals share the scan
    def discs_at(instants: bytes) -> Discs:
        around = track(np.frombuffer(instants, dtype="datetime64[s]"))
        return orbiter_sky.discs_deg(around.orbiter_km, around.sun_km, around.earth_km)

    def discs(times_utc: np.ndarray) -> Discs:
        return discs_at(np.asarray(times_utc, dtype="datetime64[s]").tobytes())

    rows = [
        (platform, *kind, begin, end, (end - begin) / np.timedelta64(1, "s"))
        for kind in EDGES
        for begin, end in hidden_windows(kind, discs, first_utc, last_utc)
    ]
    table = pd.DataFrame(rows, columns=list(HIDDEN_COLUMNS))
    for column in ("from_utc", "until_utc"):
        table[column] = pd.to_datetime(table[column], utc=True)
    return table.sort_values(["from_utc", "body", "behind", "hidden"], ignore_index=True)


def hidden_windows(
    kind: tuple[str, str, str],
    discs: Callable[[np.ndarray], Discs],
    first_utc: np.datetime64,
    last_utc: np.datetime64,
) -> np.ndarray:
    """Windows (k, 2) datetime64[s] of one of EDGES, from what the discs are at instants (n,)."""

    def signal(times_utc: np.ndarray) -> np.ndarray:
        return EDGES[kind](discs(times_utc))

    windows = windows_where(signal, first_utc, last_utc, scan_s=SCAN_S, merge_s=1.0)
    inside = (windows > first_utc) & (windows < last_utc)
    # The change is in the second before: the nearer end of that is taken.
    before = windows - np.timedelta64(1, "s")
    if inside.any():
        nearer = np.abs(signal(before[inside])) < np.abs(signal(windows[inside]))
        windows[inside] = np.where(nearer, before[inside], windows[inside])
    return windows
