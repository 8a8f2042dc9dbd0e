"""Sun, Earth and ground stations seen from an orbit about the Moon, at any instant of a span.

What turns and moves slowly is a cubic spline through instants three hours apart, so that edges of
eclipses, occultations and contacts are found in moments. Vectors are in kilometres, components
first: (3, n) for n instants. Those from the Moon's centre are in the mean-Earth frame
MOON_ME_DE421, as everywhere.
"""

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from scipy.interpolate import CubicSpline

from obsplan.common.constants import SPEED_OF_LIGHT_KM_S
from obsplan.ephemeris import Ephemeris
from obsplan.physics.earth_station import (
    EARTH_RATE_RAD_S,
    StationView,
    celestial_to_intermediate,
    earth_rotation_rad,
    geodetic_latitude_deg,
    station_place_km,
)
from obsplan.physics.orbit import Orbit, position_km
from obsplan.physics.sky import (
    apparent_km,
    sub_point_deg,
    sun_and_earth_km,
)
from obsplan.physics.time_scales import tdb_of_utc
from obsplan.physics.vectors import angle_between_deg, length, local_angles, rotated

# The Moon turns by 0.029 rad between knots. The error of a cubic spline is 5/384 of the fourth
# power of that: 4 m of the Earth's place, 2 cm of a low orbit, 6e-7 deg of any direction.
KNOT_S = 3 * 3600


class Around(NamedTuple):
    """Where everything is at n instants.

    orbiter_km: from the Moon's centre. sun_km, earth_km: from the orbiter, with the light time and
    aberration of the Moon's centre. orbiter_icrf_km: the first along the axes of the ICRF.
    from_earth_km: the orbiter from the Earth's centre along the ICRF, geometric.
    to_moon_frame, to_intermediate: rotations (3, 3, n) from the ICRF. earth_rotation_rad: (n,).
    apparent_moon_km, apparent_sun_km: from the Earth's centre along the ICRF. earth_from_moon_km:
    apparent from the Moon's centre along the ICRF.
    """

    orbiter_km: np.ndarray
    sun_km: np.ndarray
    earth_km: np.ndarray
    orbiter_icrf_km: np.ndarray
    from_earth_km: np.ndarray
    to_moon_frame: np.ndarray
    to_intermediate: np.ndarray
    earth_rotation_rad: np.ndarray
    apparent_moon_km: np.ndarray
    apparent_sun_km: np.ndarray
    earth_from_moon_km: np.ndarray


Track = Callable[[np.ndarray], Around]


def orbiter_track(
    ephemeris: Ephemeris, orbit: Orbit, first_utc: np.datetime64, last_utc: np.datetime64
) -> Track:
    """What is `Around` an orbiter as a function of UTC instants (n,) in first_utc..last_utc.

    Raises EphemerisError for dates outside the kernels; the function raises ValueError for instants
    that the orbit does not cover.
    """
    first, last = (instant.astype("datetime64[s]") for instant in (first_utc, last_utc))
    span_s = int((last - first).astype(int))
    knots_s = np.linspace(0, span_s, max(span_s // KNOT_S + 2, 4)).astype(int)
    knots_utc = first + knots_s.astype("timedelta64[s]")
    time = ephemeris.time(knots_utc)
    earth, moon = ephemeris.earth.at(time), ephemeris.moon.at(time)
    sun_km, earth_km, scale = sun_and_earth_km(ephemeris, knots_utc)
    slow = [
        sun_km,
        earth_km,
        (earth.xyz.km - moon.xyz.km),
        apparent_km(earth, ephemeris.moon),
        apparent_km(earth, ephemeris.sun),
        apparent_km(moon, ephemeris.earth),
        ephemeris.moon_frame.rotation_at(time).reshape(9, -1),
        celestial_to_intermediate(ephemeris, knots_utc).reshape(9, -1),
        scale[None],
        # The Earth's rotation turns evenly with UT1, which drifts slowly against UTC.
        np.unwrap(earth_rotation_rad(time) - EARTH_RATE_RAD_S * knots_s)[None],
    ]
    spline = CubicSpline(knots_s, np.concatenate(slow), axis=1)

    def track(times_utc: np.ndarray) -> Around:
        times_utc = np.asarray(times_utc)
        seconds = (times_utc - first) / np.timedelta64(1, "s")
        values = spline(seconds)
        to_moon_frame = values[18:27].reshape(3, 3, -1)
        orbiter_icrf_km = position_km(orbit, tdb_of_utc(ephemeris, times_utc))
        orbiter_km = rotated(to_moon_frame, orbiter_icrf_km)
        return Around(
            orbiter_km,
            values[0:3] - orbiter_km,
            values[3:6] - orbiter_km * values[36],
            orbiter_icrf_km,
            orbiter_icrf_km - values[6:9],
            to_moon_frame,
            values[27:36].reshape(3, 3, -1),
            values[37] + EARTH_RATE_RAD_S * seconds,
            *(values[k : k + 3] for k in (9, 12, 15)),
        )

    return track


def earth_point_deg(around: Around) -> tuple[np.ndarray, np.ndarray]:
    """Longitude in (-180, 180] and geodetic latitude (n,) of the point of the Earth below.

    It has the orbiter in its zenith, on the ellipsoid WGS 84, and is the middle of the disc that
    the orbiter sees: the Earth is turned as when that light left. The orbiter is taken where it is
    now, since the Earth moves on while the light travels.
    """
    light_time_s = length(around.from_earth_km) / SPEED_OF_LIGHT_KM_S
    turned = rotated(around.to_intermediate, around.from_earth_km)
    angle_deg, _ = sub_point_deg(turned)
    then_rad = around.earth_rotation_rad - EARTH_RATE_RAD_S * light_time_s
    longitude_deg = np.mod(angle_deg - np.degrees(then_rad) + 180.0, 360.0) - 180.0
    longitude_deg = np.where(longitude_deg == -180.0, 180.0, longitude_deg)
    return longitude_deg, geodetic_latitude_deg(turned)


def station_seen(
    around: Around, latitude_deg: float, longitude_deg: float, height_m: float
) -> StationView:
    """A ground station and the orbiter, each seen from the other.

    Station coordinates are WGS 84. Elevation and azimuth of the station at the orbiter are above
    the plane level with the ground below; the Moon's limb is far below that plane. Light time and
    aberration are those of the two centres, as in `earth_station.station_view`.
    """
    latitude = np.radians(latitude_deg)
    turned = np.radians(longitude_deg) + around.earth_rotation_rad
    at_earth_km = station_place_km(latitude, turned, height_m)
    place_km = np.einsum("jin,jn->in", around.to_intermediate, at_earth_km)
    to_orbiter_km = around.apparent_moon_km + around.orbiter_icrf_km - place_km
    to_station_km = rotated(
        around.to_moon_frame, around.earth_from_moon_km + place_km - around.orbiter_icrf_km
    )
    elevation_deg, azimuth_deg, range_km = local_angles(
        rotated(around.to_intermediate, to_orbiter_km), latitude, turned
    )
    below_deg = sub_point_deg(around.orbiter_km)
    orbiter_elevation_deg, orbiter_azimuth_deg, _ = local_angles(
        to_station_km, *np.radians(below_deg[::-1])
    )
    return StationView(
        elevation_deg,
        azimuth_deg,
        angle_between_deg(around.apparent_sun_km - place_km, to_orbiter_km),
        orbiter_elevation_deg,
        orbiter_azimuth_deg,
        range_km,
    )
