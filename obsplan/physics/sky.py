"""Directions of Sun, Earth and ground stations from a site on the Moon, and the visible Sun.

Vectors are in kilometres in the mean-Earth frame MOON_ME_DE421, components first: (3, n) for
n instants. The Moon is a sphere without air, so there is no refraction. A site is latitude,
longitude (degrees, east positive) and height (metres above the sphere).
"""

from collections.abc import Callable
from functools import cache
from typing import NamedTuple

import numpy as np
from scipy.interpolate import CubicSpline

from obsplan.common.constants import (
    ASTRONOMICAL_UNIT_KM,
    EARTH_EQUATORIAL_RADIUS_KM,
    EARTH_FLATTENING,
    EARTH_RADIUS_KM,
    EARTH_SHADOW_ENLARGEMENT,
    MOON_RADIUS_KM,
    SOLAR_IRRADIANCE_W_M2,
    SPEED_OF_LIGHT_KM_S,
    SUN_RADIUS_KM,
)
from obsplan.ephemeris import Ephemeris
from obsplan.physics.crossings import windows_where
from obsplan.physics.skyline import skyline_elevation_deg
from obsplan.physics.sun_disc import disc_clearance_deg, disc_overlap, disc_share_above

SUN_BODY = 10  # NAIF number; only the Sun's deflection of light is included
NUTATION_STEP = np.timedelta64(6, "h")  # linear interpolation between: below 1e-6 deg
TRACK_STEP_S = 3 * 3600  # cubic interpolation between: within 2e-6 deg, also at the ends


class StationView(NamedTuple):
    """Site and ground station, each seen from the other: degrees and km, (n,) each."""

    station_elevation_deg: np.ndarray  # of the site, at the station
    station_azimuth_deg: np.ndarray
    sun_separation_deg: np.ndarray  # between Sun and site, at the station
    site_elevation_deg: np.ndarray  # of the station, at the site
    site_azimuth_deg: np.ndarray
    range_km: np.ndarray


def sun_and_earth_km(ephemeris: Ephemeris, times_utc: np.ndarray) -> tuple[np.ndarray, ...]:
    """Apparent vectors (3, n) of Sun and Earth from the Moon's centre, and the site scale (n,).

    Light time and aberration are those of the Moon's centre; lengths are light paths. One
    call serves any number of sites: from a site the Sun's vector is this one minus
    `site_km`, the Earth's this one minus `site_km` times the site scale.

    The scale: aberration adds v/c times the distance d to the vector, then divides by
    1 + u.v/c to keep its length (u the direction, v the Moon's barycentric velocity). A site
    subtracted afterwards must be divided by the same number, or the Earth would be off by
    1737 km x 1e-4 / d, 3e-5 deg. Both bodies are then within 1e-5 deg and 0.2 km of the
    apparent place from the site; the site's own 4.6 m/s, and the 6 m that the Earth moves
    in the light time of 1737 km, are neglected: 2e-6 deg.
    Raises EphemerisError for dates outside the kernels.
    """
    time = ephemeris.time(times_utc)
    moon = ephemeris.moon.at(time)
    to_moon_frame = ephemeris.moon_frame.rotation_at(time)
    sun_km, earth_km = _apparent_km(moon, ephemeris.sun), _apparent_km(moon, ephemeris.earth)
    approach_km_s = (earth_km * moon.velocity.km_per_s).sum(axis=0) / _length(earth_km)
    site_scale = 1.0 / (1.0 + approach_km_s / SPEED_OF_LIGHT_KM_S)
    return _rotate(to_moon_frame, sun_km), _rotate(to_moon_frame, earth_km), site_scale


def sun_and_earth_track(
    ephemeris: Ephemeris, first_utc: np.datetime64, last_utc: np.datetime64
) -> Callable[[np.ndarray], tuple[np.ndarray, ...]]:
    """`sun_and_earth_km` as a function of times in first_utc..last_utc only, many times faster.

    A cubic spline through instants three hours apart. Raises EphemerisError for dates outside
    the kernels.
    """
    first, last = (instant.astype("datetime64[s]") for instant in (first_utc, last_utc))
    span_s = int((last - first).astype(int))
    if span_s < 2 * TRACK_STEP_S:
        return lambda times_utc: sun_and_earth_km(ephemeris, times_utc)
    knots_s = np.linspace(0, span_s, span_s // TRACK_STEP_S + 3).astype(int)
    sun_km, earth_km, site_scale = sun_and_earth_km(
        ephemeris, first + knots_s.astype("timedelta64[s]")
    )
    spline = CubicSpline(knots_s, np.vstack([sun_km, earth_km, site_scale]), axis=1)

    def track(times_utc: np.ndarray) -> tuple[np.ndarray, ...]:
        seconds = (np.asarray(times_utc) - first) / np.timedelta64(1, "s")
        values = spline(seconds)
        return values[:3], values[3:6], values[6]

    return track


def site_km(latitude_deg, longitude_deg, height_m=0.0) -> np.ndarray:
    """Vector from the Moon's centre to the site: (3,), or (3, s) for arrays (s,)."""
    latitude, longitude, height_m = np.broadcast_arrays(
        np.radians(latitude_deg), np.radians(longitude_deg), height_m
    )
    return (MOON_RADIUS_KM + height_m / 1000.0) * _upward(latitude, longitude)


def elevation_azimuth_range(
    vector_km: np.ndarray, latitude_deg, longitude_deg, height_m=0.0, site_scale=1.0
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Elevation, azimuth in [0, 360) (degrees) and range (km) of a body from the site.

    `vector_km` (3, n) points to the body from the Moon's centre; the Earth's needs its
    `site_scale` (n,), see `sun_and_earth_km`. A scalar site gives (n,) each, a site of
    arrays (s,) gives (s, n). Azimuth is from north through east.
    """
    site = site_km(latitude_deg, longitude_deg, height_m)
    instants = np.shape(vector_km)[1:]
    site = site.reshape(*site.shape, *(1 for _ in instants)) * site_scale
    to_body = np.expand_dims(vector_km, tuple(range(1, site.ndim - len(instants)))) - site
    latitude, longitude = (
        np.reshape(np.radians(angle), np.shape(angle) + (1,) * len(instants))
        for angle in (latitude_deg, longitude_deg)
    )
    return _local_angles(to_body, latitude, longitude)


def sub_point_deg(vector_km: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Longitude in (-180, 180] and latitude (degrees) of the point below a body at `vector_km`."""
    x, y, z = vector_km
    longitude_deg = np.degrees(np.arctan2(y, x))
    longitude_deg = np.where(longitude_deg == -180.0, 180.0, longitude_deg)
    return longitude_deg, np.degrees(np.arctan2(z, np.hypot(x, y)))


def irradiance_w_m2(sun_range_km: np.ndarray) -> np.ndarray:
    """Irradiance on a surface that faces the Sun: 1361 W/m2 (1 au / range)^2; IAU 2015 B3."""
    return SOLAR_IRRADIANCE_W_M2 * (ASTRONOMICAL_UNIT_KM / np.asarray(sun_range_km)) ** 2


def local_time_h(sun_km: np.ndarray, longitude_deg) -> np.ndarray:
    """Local solar time in [0, 24) hours: 12 + (longitude - subsolar longitude) / 15.

    (n,) for a scalar longitude, (s, n) for longitudes (s,).
    """
    sun_longitude_deg, _ = sub_point_deg(sun_km)
    hours = 12.0 + np.subtract.outer(longitude_deg, sun_longitude_deg) / 15.0
    hours = np.mod(hours, 24.0)
    return np.where(hours >= 24.0, 0.0, hours)  # mod rounds a tiny negative up to 24


def earth_phase_deg(sun_km: np.ndarray, earth_km: np.ndarray) -> np.ndarray:
    """Phase angle of the Earth: the angle at the Earth between Sun and site, 0 when full.

    Both vectors (3, ...) start at the site.
    """
    return _angle_deg(np.asarray(sun_km) - earth_km, -np.asarray(earth_km))


def tail_angle_deg(sun_km: np.ndarray, earth_km: np.ndarray) -> np.ndarray:
    """Angle at the Earth between the Moon and the direction away from the Sun, 0 at full Moon.

    Both vectors (3, ...) start at the Moon's centre. The Earth's magnetotail points away
    from the Sun; its aberration by the Earth's motion, up to some 4 deg, is neglected.
    """
    return 180.0 - earth_phase_deg(sun_km, earth_km)


def angular_radius_deg(radius_km: float, range_km: np.ndarray) -> np.ndarray:
    """Angular radius of a sphere at `range_km` from its centre: asin(radius / range)."""
    return np.degrees(np.arcsin(radius_km / np.asarray(range_km)))


def angular_separation_deg(elevation_a, azimuth_a, elevation_b, azimuth_b) -> np.ndarray:
    """Angle between two directions given by elevation and azimuth (degrees)."""
    return _angle_deg(
        _upward(np.radians(elevation_a), np.radians(azimuth_a)),
        _upward(np.radians(elevation_b), np.radians(azimuth_b)),
    )


def sun_against_earth_deg(sun, earth) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Separation of the discs of Sun and Earth, and their radii, in degrees.

    Each body is its (elevation, azimuth, range) from the site. The Earth includes its opaque
    lower atmosphere, as in eclipse predictions.
    """
    return (
        angular_separation_deg(*sun[:2], *earth[:2]),
        angular_radius_deg(SUN_RADIUS_KM, sun[2]),
        angular_radius_deg(EARTH_RADIUS_KM * EARTH_SHADOW_ENLARGEMENT, earth[2]),
    )


def sun_visible_fraction(
    sun_elevation_deg,
    sun_azimuth_deg,
    sun_range_km,
    earth_elevation_deg,
    earth_azimuth_deg,
    earth_range_km,
    profile: np.ndarray,
) -> np.ndarray:
    """Share 0..1 of the Sun's disc above the skyline times the share not covered by the Earth.

    All angles and ranges are from the site and of one shape. Discs are treated as plane
    figures: an error of 1e-3 of the Sun's disc at the size of the Earth.
    """
    separation_deg, sun_radius_deg, earth_radius_deg = sun_against_earth_deg(
        (sun_elevation_deg, sun_azimuth_deg, sun_range_km),
        (earth_elevation_deg, earth_azimuth_deg, earth_range_km),
    )
    above = disc_share_above(profile, sun_elevation_deg, sun_azimuth_deg, sun_radius_deg)
    return above * (1.0 - disc_overlap(separation_deg, sun_radius_deg, earth_radius_deg))


def sun_events(
    ephemeris: Ephemeris,
    first_utc: np.datetime64,
    last_utc: np.datetime64,
    latitude_deg: float,
    longitude_deg: float,
    height_m: float,
    profile: np.ndarray,
) -> list[tuple[str, np.datetime64]]:
    """Events of the Sun at the site in first_utc..last_utc: (event, instant to 1 s), in order.

    'first light' and 'last light' are the upper limb on the skyline, 'centre rises' and
    'centre sets' the centre of the disc; if the Sun grazes terrain, anything shorter than ten
    minutes is ignored. 'eclipse begins' and 'eclipse ends' are the outer contacts of the
    Earth's disc with the Sun's, 'full cover begins' and 'full cover ends' the inner ones,
    all only while some of the Sun is above the skyline.
    """

    place = latitude_deg, longitude_deg, height_m
    track = sun_and_earth_track(ephemeris, first_utc, last_utc)

    @cache  # the four signals share one scan
    def clearances(stamp: bytes) -> dict[str, np.ndarray]:
        sun_km, earth_km, site_scale = track(np.frombuffer(stamp, dtype="datetime64[s]"))
        sun = elevation_azimuth_range(sun_km, *place)
        earth = elevation_azimuth_range(earth_km, *place, site_scale)
        separation_deg, sun_radius_deg, earth_radius_deg = sun_against_earth_deg(sun, earth)
        light = disc_clearance_deg(profile, *sun[:2], sun_radius_deg)
        touch = earth_radius_deg + sun_radius_deg - separation_deg
        cover = earth_radius_deg - sun_radius_deg - separation_deg
        return {
            "light": light,
            "centre": sun[0] - skyline_elevation_deg(profile, sun[1]),
            "eclipse": np.minimum(touch, light),
            "full cover": np.minimum(cover, light),
        }

    def signal_of(kind: str) -> Callable[[np.ndarray], np.ndarray]:
        return lambda times_utc: clearances(times_utc.tobytes())[kind]

    events = []
    for kind, begins, ends, merge_s in (
        ("light", "first light", "last light", 600.0),
        ("centre", "centre rises", "centre sets", 600.0),
        ("eclipse", "eclipse begins", "eclipse ends", 60.0),
        ("full cover", "full cover begins", "full cover ends", 60.0),
    ):
        windows = windows_where(signal_of(kind), first_utc, last_utc, merge_s=merge_s)
        for start, end in windows:
            # Where the range cuts a window there is no event.
            events += [(begins, start)] if start > first_utc.astype("datetime64[s]") else []
            events += [(ends, end)] if end < last_utc.astype("datetime64[s]") else []
    return sorted(events, key=lambda event: event[1])


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
    time = ephemeris.time(times_utc)
    to_moon_frame = ephemeris.moon_frame.rotation_at(time)
    earth = ephemeris.earth.at(time)
    to_intermediate = _celestial_to_intermediate(ephemeris, times_utc)
    latitude = np.radians(station_latitude_deg)
    turned = np.radians(station_longitude_deg) + _earth_rotation_rad(time)
    turned_km = _station_km(latitude, turned, station_height_m)
    station_km = np.einsum("jin,jn->in", to_intermediate, turned_km)
    lunar_site_km = site_km(latitude_deg, longitude_deg, height_m)
    site_from_moon_km = np.einsum("jin,j->in", to_moon_frame, lunar_site_km)
    to_site_km = _apparent_km(earth, ephemeris.moon) + site_from_moon_km - station_km
    to_sun_km = _apparent_km(earth, ephemeris.sun) - station_km
    moon = ephemeris.moon.at(time)
    to_station_km = _rotate(to_moon_frame, _apparent_km(moon, ephemeris.earth) + station_km)
    site_elevation_deg, site_azimuth_deg, _ = elevation_azimuth_range(
        to_station_km, latitude_deg, longitude_deg, height_m
    )
    elevation_deg, azimuth_deg, range_km = _local_angles(
        _rotate(to_intermediate, to_site_km), latitude, turned
    )
    return StationView(
        elevation_deg,
        azimuth_deg,
        _angle_deg(to_sun_km, to_site_km),
        site_elevation_deg,
        site_azimuth_deg,
        range_km,
    )


def _apparent_km(observer, body) -> np.ndarray:
    return observer.observe(body).apparent(deflectors=(SUN_BODY,)).xyz.km


def _rotate(matrix: np.ndarray, vector: np.ndarray) -> np.ndarray:
    return np.einsum("ij...,j...->i...", matrix, vector)


def _length(vector: np.ndarray) -> np.ndarray:
    return np.sqrt((vector**2).sum(axis=0))


def _angle_deg(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """Angle between vectors (3, ...), as atan2 of cross and dot product: accurate at any angle."""
    return np.degrees(np.arctan2(_length(np.cross(a, b, axis=0)), (a * b).sum(axis=0)))


def _upward(latitude, longitude) -> np.ndarray:
    """Unit vector (3, ...) of a direction given by two angles in radians."""
    latitude, longitude = np.broadcast_arrays(latitude, longitude)
    across = np.cos(latitude)
    return np.stack([across * np.cos(longitude), across * np.sin(longitude), np.sin(latitude)])


def _local_angles(vector: np.ndarray, latitude, longitude):
    """Elevation, azimuth (degrees) and length of `vector` in the local plane."""
    x, y, z = vector
    outward = np.cos(longitude) * x + np.sin(longitude) * y
    east = np.cos(longitude) * y - np.sin(longitude) * x
    north = np.cos(latitude) * z - np.sin(latitude) * outward
    up = np.cos(latitude) * outward + np.sin(latitude) * z
    azimuth_deg = np.mod(np.degrees(np.arctan2(east, north)), 360.0)
    return (
        np.degrees(np.arctan2(up, np.hypot(east, north))),
        np.where(azimuth_deg >= 360.0, 0.0, azimuth_deg),
        _length(vector),
    )


def _station_km(latitude, turned, height_m) -> np.ndarray:
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
    position = _upward(latitude, turned) * (normal_km + height_m / 1000.0)
    position[2] = np.sin(latitude) * (shrink * normal_km + height_m / 1000.0)
    return position


def _earth_rotation_rad(time) -> np.ndarray:
    """Earth rotation angle, IERS Conventions 2010, equation 5.15."""
    days = time.ut1 - 2451545.0
    turns = 0.7790572732640 + 0.00273781191135448 * days + np.mod(days, 1.0)
    return 2.0 * np.pi * np.mod(turns, 1.0)


def _celestial_to_intermediate(ephemeris: Ephemeris, times_utc: np.ndarray) -> np.ndarray:
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
