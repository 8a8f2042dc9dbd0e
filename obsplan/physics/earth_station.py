"""A ground station on the turning Earth and a site on the Moon, each seen from the other.

Vectors are in kilometres, components first: (3, n) for n instants.
"""

from functools import lru_cache
from typing import NamedTuple

import numpy as np

from obsplan.common.constants import EARTH_EQUATORIAL_RADIUS_KM, EARTH_FLATTENING
from obsplan.ephemeris import Ephemeris
from obsplan.physics.sky import apparent_km, elevation_azimuth_range, site_km
from obsplan.physics.vectors import angle_between_deg, length, local_angles, rotated, unit_vector

TURNS_BEYOND_DAYS = 0.00273781191135448  # turns a day more than one; IERS Conventions 2010, 5.15
EARTH_RATE_RAD_S = 2.0 * np.pi * (1.0 + TURNS_BEYOND_DAYS) / 86400.0
NUTATION_STEP = np.timedelta64(6, "h")  # linear interpolation between: below 1e-6 deg


class StationView(NamedTuple):
    """Site and ground station, each seen from the other: degrees and km, (n,) each."""

    station_elevation_deg: np.ndarray  # of the site, at the station
    station_azimuth_deg: np.ndarray
    sun_separation_deg: np.ndarray  # between Sun and site, at the station
    site_elevation_deg: np.ndarray  # of the station, at the site
    site_azimuth_deg: np.ndarray
    range_km: np.ndarray


def station_view(
    ephemeris: Ephemeris,
    times_utc: np.ndarray,
    latitude_deg: float,
    longitude_deg: float,
    height_m: float,
    station_latitude_deg: float,
    station_longitude_deg: float,
    station_height_m: float,
) -> StationView:
    """A ground station on the Earth and a site on the Moon, each seen from the other.

    Station coordinates are WGS 84; elevation and azimuth are geodetic, without refraction.
    Light time and aberration are those of the two centres; neglecting their difference at
    the station shifts directions by up to 2e-4 deg and the range by up to 1 km.
    Raises EphemerisError for dates outside the kernels.
    """
    at = _centres(ephemeris, np.asarray(times_utc, dtype="datetime64[us]").tobytes())
    latitude = np.radians(station_latitude_deg)
    turned = np.radians(station_longitude_deg) + at.earth_rotation_rad
    turned_km = station_place_km(latitude, turned, station_height_m)
    station_km = np.einsum("jin,jn->in", at.to_intermediate, turned_km)
    lunar_site_km = site_km(latitude_deg, longitude_deg, height_m)
    site_from_moon_km = np.einsum("jin,j->in", at.to_moon_frame, lunar_site_km)
    to_site_km = at.moon_km + site_from_moon_km - station_km
    to_station_km = rotated(at.to_moon_frame, at.earth_from_moon_km + station_km)
    site_elevation_deg, site_azimuth_deg, _ = elevation_azimuth_range(
        to_station_km, latitude_deg, longitude_deg, height_m
    )
    elevation_deg, azimuth_deg, range_km = local_angles(
        rotated(at.to_intermediate, to_site_km), latitude, turned
    )
    return StationView(
        elevation_deg,
        azimuth_deg,
        angle_between_deg(at.sun_km - station_km, to_site_km),
        site_elevation_deg,
        site_azimuth_deg,
        range_km,
    )


class _Centres(NamedTuple):
    """What a view needs of n instants whichever station and site look.

    The matrices (3, 3, n) turn celestial axes; Moon and Sun (3, n) are seen from the Earth's
    centre, the Earth from the Moon's.
    """

    to_moon_frame: np.ndarray
    to_intermediate: np.ndarray
    earth_rotation_rad: np.ndarray
    moon_km: np.ndarray
    sun_km: np.ndarray
    earth_from_moon_km: np.ndarray


# Stations and sites share the scan for contacts, with a dozen refinements, and the minutes.
@lru_cache(maxsize=16)
def _centres(ephemeris: Ephemeris, instants: bytes) -> _Centres:
    """The centres of Earth, Moon and Sun at `instants`, the bytes of datetime64[us]."""
    times_utc = np.frombuffer(instants, dtype="datetime64[us]")
    time = ephemeris.time(times_utc)
    earth, moon = ephemeris.earth.at(time), ephemeris.moon.at(time)
    return _Centres(
        ephemeris.moon_frame.rotation_at(time),
        celestial_to_intermediate(ephemeris, times_utc),
        earth_rotation_rad(time),
        apparent_km(earth, ephemeris.moon),
        apparent_km(earth, ephemeris.sun),
        apparent_km(moon, ephemeris.earth),
    )


def station_place_km(latitude, turned, height_m) -> np.ndarray:
    """Vector (3, n) from the Earth's centre to a station at the rotation angle `turned`.

    The third axis is the pole. Geodetic to Cartesian on an ellipsoid, with the radius of
    curvature in the prime vertical N = a / sqrt(cos^2 + (1 - f)^2 sin^2), which follows from
    the equation of the ellipse: (N + h) cos along the equator, ((1 - f)^2 N + h) sin along
    the pole.
    """
    shrink = (1.0 - EARTH_FLATTENING) ** 2
    normal_km = EARTH_EQUATORIAL_RADIUS_KM / np.sqrt(
        np.cos(latitude) ** 2 + shrink * np.sin(latitude) ** 2
    )
    position = unit_vector(latitude, turned) * (normal_km + height_m / 1000.0)
    position[2] = np.sin(latitude) * (shrink * normal_km + height_m / 1000.0)
    return position


def geodetic_latitude_deg(position_km: np.ndarray) -> np.ndarray:
    """Geodetic latitude (n,) of positions (3, n) from the Earth's centre, the third axis the pole.

    Where the vertical of the ellipsoid (WGS 84) points at them: tan(latitude) = (z + e^2 N sin
    latitude) / rho, repeated until it no longer changes (Montenbruck and Gill 2000, Satellite
    Orbits, section 5.5, in another form).
    """
    squared = EARTH_FLATTENING * (2.0 - EARTH_FLATTENING)
    across_km, z_km = np.hypot(position_km[0], position_km[1]), position_km[2]
    sine = z_km / length(position_km)
    for _ in range(5):
        normal_km = EARTH_EQUATORIAL_RADIUS_KM / np.sqrt(1.0 - squared * sine**2)
        raised_km = z_km + squared * normal_km * sine
        sine = raised_km / np.hypot(across_km, raised_km)
    return np.degrees(np.arcsin(sine))


def earth_rotation_rad(time) -> np.ndarray:
    """Earth rotation angle, IERS Conventions 2010, equation 5.15."""
    days = time.ut1 - 2451545.0
    turns = 0.7790572732640 + TURNS_BEYOND_DAYS * days + np.mod(days, 1.0)
    return 2.0 * np.pi * np.mod(turns, 1.0)


def celestial_to_intermediate(ephemeris: Ephemeris, times_utc: np.ndarray) -> np.ndarray:
    """Precession and nutation matrix (3, 3, n), interpolated since it changes slowly."""
    times_utc = np.asarray(times_utc, dtype="datetime64[us]")
    first, last = times_utc.min(), times_utc.max()
    knots = np.append(np.arange(first, last, NUTATION_STEP), last)
    if len(knots) >= len(times_utc):
        knots = np.unique(times_utc)
    matrix = ephemeris.time(knots).C
    seconds, knot_seconds = ((times - first).astype(float) for times in (times_utc, knots))
    rows = [np.interp(seconds, knot_seconds, row) for row in matrix.reshape(9, -1)]
    return np.reshape(rows, (3, 3, -1))
