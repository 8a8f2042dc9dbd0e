"""Directions of Sun and Earth from a site on the Moon, and the visible Sun.

Vectors are in kilometres in the mean-Earth frame MOON_ME_DE421, components first: (3, n) for
n instants. The Moon is a sphere without air, so there is no refraction. A site is latitude,
longitude (degrees, east positive) and height (metres above the sphere).
"""

from collections.abc import Callable
from functools import cache

import numpy as np
from scipy.interpolate import CubicSpline

from obsplan.common.constants import (
    ASTRONOMICAL_UNIT_KM,
    EARTH_RADIUS_KM,
    EARTH_SHADOW_ENLARGEMENT,
    MOON_RADIUS_KM,
    SOLAR_IRRADIANCE_W_M2,
    SPEED_OF_LIGHT_KM_S,
    SUN_RADIUS_KM,
)
from obsplan.ephemeris import Ephemeris
from obsplan.physics.crossings import windows_where
from obsplan.physics.lunar_eclipse import whole_moon_contacts
from obsplan.physics.skyline import skyline_elevation_deg
from obsplan.physics.sun_disc import disc_clearance_deg, disc_overlap, disc_share_above
from obsplan.physics.vectors import angle_between_deg, length, local_angles, rotated, unit_vector

SUN_BODY = 10  # NAIF number; only the Sun's deflection of light is included
TRACK_STEP_S = 3 * 3600  # cubic interpolation between: within 2e-6 deg, also at the ends


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
    sun_km, earth_km = apparent_km(moon, ephemeris.sun), apparent_km(moon, ephemeris.earth)
    approach_km_s = (earth_km * moon.velocity.km_per_s).sum(axis=0) / length(earth_km)
    site_scale = 1.0 / (1.0 + approach_km_s / SPEED_OF_LIGHT_KM_S)
    return rotated(to_moon_frame, sun_km), rotated(to_moon_frame, earth_km), site_scale


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
    return (MOON_RADIUS_KM + height_m / 1000.0) * unit_vector(latitude, longitude)


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
    return local_angles(to_body, latitude, longitude)


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
    return angle_between_deg(np.asarray(sun_km) - earth_km, -np.asarray(earth_km))


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
    return angle_between_deg(
        unit_vector(np.radians(elevation_a), np.radians(azimuth_a)),
        unit_vector(np.radians(elevation_b), np.radians(azimuth_b)),
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
    sun = sun_elevation_deg, sun_azimuth_deg, sun_range_km
    earth = earth_elevation_deg, earth_azimuth_deg, earth_range_km
    return sun_above_fraction(profile, *sun) * sun_uncovered_fraction(sun, earth)


def sun_above_fraction(profile, sun_elevation_deg, sun_azimuth_deg, sun_range_km) -> np.ndarray:
    """Share 0..1 of the Sun's disc above the skyline, covered by the Earth or not."""
    radius_deg = angular_radius_deg(SUN_RADIUS_KM, sun_range_km)
    return disc_share_above(profile, sun_elevation_deg, sun_azimuth_deg, radius_deg)


def sun_uncovered_fraction(sun, earth) -> np.ndarray:
    """Share 0..1 of the Sun's disc that the Earth leaves uncovered, above the skyline or not.

    Each body is its (elevation, azimuth, range) from the site.
    """
    return 1.0 - disc_overlap(*sun_against_earth_deg(sun, earth))


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

    'first light' and 'last light' are the upper limb on the skyline, or the end and the begin of
    full cover if the Earth covers the Sun there; 'centre rises' and 'centre sets' are the
    centre of the disc. If the Sun grazes terrain, anything shorter than ten minutes is ignored.
    'eclipse begins' and 'eclipse ends' are the outer contacts of the Earth's disc with the
    Sun's, 'full cover begins' and 'full cover ends' the inner ones, all only while some of the
    Sun is above the skyline. With each eclipse come the almanac's contacts of the whole Moon, by
    the names of `lunar_eclipse.CONTACTS`.
    """
    track = sun_and_earth_track(ephemeris, first_utc, last_utc)
    place = latitude_deg, longitude_deg, height_m
    windows = _event_windows(track, place, profile, first_utc, last_utc)
    windows["light"] = outside_cover(windows["light"], windows["full cover"])
    first, last = (instant.astype("datetime64[s]") for instant in (first_utc, last_utc))
    events: list[tuple[str, np.datetime64]] = []
    for kind, begins, ends in (
        ("light", "first light", "last light"),
        ("centre", "centre rises", "centre sets"),
        ("eclipse", "eclipse begins", "eclipse ends"),
        ("full cover", "full cover begins", "full cover ends"),
    ):
        for start, end in windows[kind]:
            # Where the range cuts a window there is no event.
            events += [(begins, start)] if start > first else []
            events += [(ends, end)] if end < last else []
    around = np.timedelta64(6, "h")  # no lunar eclipse is longer
    for start, end in windows["eclipse"]:
        events += whole_moon_contacts(track, max(first, start - around), min(last, end + around))
    return sorted(dict.fromkeys(events), key=lambda event: event[1])


def _event_windows(track, place, profile, first_utc, last_utc) -> dict[str, np.ndarray]:
    """Windows (n, 2) of light, the risen centre, eclipse and full cover, see `sun_events`."""

    @cache  # the four signals share one scan
    def clearances(stamp: bytes) -> dict[str, np.ndarray]:
        sun_km, earth_km, site_scale = track(np.frombuffer(stamp, dtype="datetime64[s]"))
        sun = elevation_azimuth_range(sun_km, *place)
        earth = elevation_azimuth_range(earth_km, place[0], place[1], place[2], site_scale)
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

    return {
        kind: windows_where(signal_of(kind), first_utc, last_utc, merge_s=merge_s)
        for kind, merge_s in (
            ("light", 600.0),
            ("centre", 600.0),
            ("eclipse", 60.0),
            ("full cover", 60.0),
        )
    }


def outside_cover(light: np.ndarray, covered: np.ndarray) -> np.ndarray:
    """Windows (n, 2) of light, cut where full cover (m, 2) is at their begin or end.

    Full cover in the midst of light does not part it. Both are of datetime64[s] or of seconds.
    """
    kept = []
    for begin, end in light:
        for start, stop in covered:
            # Both edges are the same crossing of the skyline, found twice to a second.
            if begin - 2 <= start <= begin + 2:
                begin = max(begin, stop)
            if end - 2 <= stop <= end + 2:
                end = min(end, start)
        kept += [(begin, end)] if begin < end else []
    return np.array(kept, dtype=light.dtype).reshape(-1, 2)


def apparent_km(observer, body) -> np.ndarray:
    """Vector (3, n) from an observer to a body: light time, aberration, deflection by the Sun."""
    return observer.observe(body).apparent(deflectors=(SUN_BODY,)).xyz.km
