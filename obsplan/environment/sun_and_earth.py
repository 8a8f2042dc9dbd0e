"""Sun and Earth as seen from the site of a scenario."""

import numpy as np

from obsplan.inputs.scenario import Site
from obsplan.physics import sky
from obsplan.physics.skyline import FLAT

# Beside the columns of the sky table: the share of the Sun's disc that the Earth leaves uncovered.
UNCOVERED = "uncovered"


def sun_and_earth(
    site: Site, vectors: tuple[np.ndarray, ...], profile: np.ndarray
) -> dict[str, np.ndarray]:
    """Columns (n,) of the sky table without the ground, and `UNCOVERED`.

    `vectors` are those of `sky.sun_and_earth_km`, `profile` is the skyline.
    """
    sun_km, earth_km, site_scale = vectors
    sun = sky.elevation_azimuth_range(sun_km, *site.place)
    earth = sky.elevation_azimuth_range(earth_km, *site.place, site_scale)
    site_km = sky.site_km(*site.place)[:, None]
    uncovered = sky.sun_uncovered_fraction(sun, earth)
    seen = seen_columns(profile, sun, uncovered)
    return {
        "sun_elevation_deg": sun[0],
        "sun_azimuth_deg": sun[1],
        "sun_visible_fraction": seen["sun_visible_fraction"],
        "irradiance_w_m2": sky.irradiance_w_m2(sun[2]),
        "local_time_h": sky.local_time_h(sun_km, site.longitude_deg),
        "earth_elevation_deg": earth[0],
        "earth_azimuth_deg": earth[1],
        "earth_range_km": earth[2],
        "earth_phase_deg": sky.earth_phase_deg(sun_km - site_km, earth_km - site_km * site_scale),
        "in_magnetotail": sky.tail_angle_deg(sun_km, earth_km) <= site.magnetotail_limit_deg,
        "in_terrain_shadow": seen["in_terrain_shadow"],
        UNCOVERED: uncovered,
    }


def seen_columns(
    profile: np.ndarray, sun: tuple[np.ndarray, ...], uncovered: np.ndarray
) -> dict[str, np.ndarray]:
    """The columns of the sky table that follow from the skyline.

    `sun`: its elevation and azimuth in degrees and its range in km; `uncovered`: the share of it
    that the Earth leaves.
    """
    above = sky.sun_above_fraction(profile, *sun)
    above_level = sky.sun_above_fraction(FLAT, *sun)
    return {
        "sun_visible_fraction": above * uncovered,
        "in_terrain_shadow": (above == 0) & (above_level > 0) & (uncovered > 0),
    }
