"""What a ground station and any number of sites see of each other.

In the station's own axes the vector to a site is linear in the site's place on the Moon.
Four places, the Moon's centre and one on each axis, so tell it for all.
"""

from collections.abc import Callable

import numpy as np
from scipy.interpolate import CubicSpline

from obsplan.common.constants import MOON_RADIUS_KM
from obsplan.ephemeris import Ephemeris
from obsplan.physics import sky

# The Earth turns by 0.09 rad between knots; a cubic spline is off by 5/384 of that to the
# fourth power, 4e-5 deg.
KNOT_S = 1200
FOUR_PLACES = (
    (0.0, 0.0, -1000.0 * MOON_RADIUS_KM),  # the centre
    (0.0, 0.0, 0.0),
    (0.0, 90.0, 0.0),
    (90.0, 0.0, 0.0),
)

View = Callable[..., sky.StationView]


def station_track(
    ephemeris: Ephemeris,
    place: tuple[float, float, float],
    first_utc: np.datetime64,
    last_utc: np.datetime64,
) -> View:
    """The view of a station at `place`: latitude and longitude in degrees, height in metres.

    The view is a function of times (n,) in the range and a site that does what `sky.station_view` does.

    `view(times_utc, latitude_deg, longitude_deg, height_m)` gives arrays (n,), or (s, n)
    for a site of arrays (s,), within 1e-4 deg (2e-3 deg for the Sun) and 0.1 km. Raises
    EphemerisError for dates outside the kernels.
    """
    first, last = (np.datetime64(instant, "s") for instant in (first_utc, last_utc))
    span_s = int((last - first).astype(int))
    knots_s = np.linspace(0, span_s, max(span_s // KNOT_S + 2, 4)).astype(int)
    seen = [
        sky.station_view(ephemeris, first + knots_s.astype("timedelta64[s]"), *site, *place)
        for site in FOUR_PLACES
    ]
    centre = _towards(seen[0].station_elevation_deg, seen[0].station_azimuth_deg, seen[0].range_km)
    towards = [
        _towards(v.station_elevation_deg, v.station_azimuth_deg, v.range_km) for v in seen[1:]
    ]
    sunward = [v.range_km * np.cos(np.radians(v.sun_separation_deg)) for v in seen]
    columns = [
        # From the Moon's centre, where elevation 90 deg is along the first axis.
        _towards(seen[0].site_elevation_deg, seen[0].site_azimuth_deg, seen[0].range_km),
        centre,
        *((vector - centre) / MOON_RADIUS_KM for vector in towards),
        sunward[0][None],
        *((along - sunward[0])[None] / MOON_RADIUS_KM for along in sunward[1:]),
    ]
    spline = CubicSpline(knots_s, np.concatenate(columns), axis=1)

    def view(times_utc, latitude_deg, longitude_deg, height_m=0.0) -> sky.StationView:
        values = spline((np.asarray(times_utc) - first) / np.timedelta64(1, "s"))
        site = sky.site_km(latitude_deg, longitude_deg, height_m)
        up, east, north = (
            values[3 + axis] + site.T @ values[[6 + axis, 9 + axis, 12 + axis]] for axis in range(3)
        )
        across = np.hypot(north, east)
        range_km = np.hypot(across, up)
        along_sun = (values[15] + site.T @ values[16:19]) / range_km
        elevation_deg, azimuth_deg, _ = sky.elevation_azimuth_range(
            values[:3], latitude_deg, longitude_deg, height_m
        )
        return sky.StationView(
            np.degrees(np.arctan2(up, across)),
            np.mod(np.degrees(np.arctan2(east, north)), 360.0),
            np.degrees(np.arccos(np.clip(along_sun, -1.0, 1.0))),
            elevation_deg,
            azimuth_deg,
            range_km,
        )

    return view


def _towards(elevation_deg, azimuth_deg, range_km) -> np.ndarray:
    """The vector (3, n) with these angles: up, east, north."""
    elevation, azimuth = np.radians(elevation_deg), np.radians(azimuth_deg)
    across = range_km * np.cos(elevation)
    return np.stack(
        [range_km * np.sin(elevation), across * np.sin(azimuth), across * np.cos(azimuth)]
    )
