"""Lines of sight between a ground station and any number of sites, by interpolation.

In the station's own axes the vector to a site is a linear function of the site's position on
the Moon. It is known for all sites from four: the Moon's centre and one on each axis.
"""

from collections.abc import Callable

import numpy as np
from scipy.interpolate import CubicSpline

from obsplan.common.constants import MOON_RADIUS_KM
from obsplan.ephemeris import Ephemeris
from obsplan.physics import earth_station, sky

# The Earth turns by 0.0875 rad between knots. The error of a cubic spline is 5/384 of the
# fourth power of that, 4e-5 deg; measured in tests/survey/test_site_survey.py.
KNOT_S = 1200
FOUR_SITES = (
    (0.0, 0.0, -1000.0 * MOON_RADIUS_KM),  # the centre
    (0.0, 0.0, 0.0),
    (0.0, 90.0, 0.0),
    (90.0, 0.0, 0.0),
)

View = Callable[..., earth_station.StationView]


def station_track(
    ephemeris: Ephemeris,
    place: tuple[float, float, float],
    first_utc: np.datetime64,
    last_utc: np.datetime64,
) -> View:
    """`station_view` of a station as a function of time and site only, much faster.

    `place` is the station's latitude and longitude in degrees and height in metres. The
    function returned, `view(times_utc, latitude_deg, longitude_deg, height_m)`, takes times
    (n,) in first_utc..last_utc and gives arrays (n,), or (s, n) for a site of arrays (s,),
    within 1e-4 deg (2e-3 deg for the Sun) and 0.1 km. Raises EphemerisError for dates outside
    the kernels.
    """
    first, last = (instant.astype("datetime64[s]") for instant in (first_utc, last_utc))
    span_s = int((last - first).astype(int))
    knots_s = np.linspace(0, span_s, max(span_s // KNOT_S + 2, 4)).astype(int)
    seen = [
        earth_station.station_view(
            ephemeris, first + knots_s.astype("timedelta64[s]"), *site, *place
        )
        for site in FOUR_SITES
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

    def view(times_utc, latitude_deg, longitude_deg, height_m=0.0) -> earth_station.StationView:
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
        return earth_station.StationView(
            np.degrees(np.arctan2(up, across)),
            np.mod(np.degrees(np.arctan2(east, north)), 360.0),
            np.degrees(np.arccos(np.clip(along_sun, -1.0, 1.0))),
            elevation_deg,
            azimuth_deg,
            range_km,
        )

    return view


def _towards(elevation_deg, azimuth_deg, range_km) -> np.ndarray:
    """Vector (3, n) up, east and north, from its angles and length."""
    elevation, azimuth = np.radians(elevation_deg), np.radians(azimuth_deg)
    across = range_km * np.cos(elevation)
    return np.stack(
        [range_km * np.sin(elevation), across * np.sin(azimuth), across * np.cos(azimuth)]
    )
