"""The sky against SPICE, an independent reader and reducer of the same kernels.

spiceypy wraps the toolkit of NAIF (Acton 1996, Planetary and Space Science 44, 65).
Sure: A, both sides compute from the same data.
"""

import numpy as np
import pytest
import spiceypy

from obsplan import sky
from obsplan.ephemeris import HERE, open_ephemeris

EPHEMERIS = open_ephemeris()
CASES = 1000
SECONDS_PER_DAY = 86400.0


@pytest.fixture(scope="module", autouse=True)
def kernels():
    for name in EPHEMERIS.files:
        spiceypy.furnsh(str(HERE / name))
    yield
    spiceypy.kclear()


@pytest.fixture(scope="module")
def places():
    """Random instants from 1990 to 2049 with a site each, and their ephemeris seconds."""
    rng = np.random.default_rng(20270301)
    first, last = np.datetime64("1990-01-02", "s"), np.datetime64("2049-12-30", "s")
    spread = rng.integers(0, (last - first).astype(int), CASES).astype("timedelta64[s]")
    times = np.sort(first + spread)
    latitude = np.degrees(np.arcsin(rng.uniform(-1, 1, CASES)))
    longitude = rng.uniform(-180, 180, CASES)
    height_m = rng.uniform(-5000, 8000, CASES)
    time = EPHEMERIS.time(times)
    ephemeris_s = ((time.whole - 2451545.0) + time.tdb_fraction) * SECONDS_PER_DAY
    return times, ephemeris_s, latitude, longitude, height_m


def spice_local(target, second, latitude, longitude, height_m):
    """Elevation, azimuth and range from SPICE's apparent position, by rotation matrices."""
    site = spiceypy.latrec(1737.4 + height_m / 1000, np.radians(longitude), np.radians(latitude))
    state, _ = spiceypy.spkcpo(
        target, second, "MOON_ME_DE421", "OBSERVER", "LT+S", site, "MOON", "MOON_ME_DE421"
    )
    # Axes 3 then 2 bring the vertical onto z and south onto x.
    turn = spiceypy.eul2m(0.0, np.radians(90 - latitude), np.radians(longitude), 3, 2, 3)
    south_east_up = spiceypy.mxv(turn, state[:3])
    range_km, right, elevation = spiceypy.recrad(south_east_up)
    return np.degrees(elevation), np.degrees(np.pi - right) % 360, range_km


# From the centre both do the same sum. The Sun from the site: 1e-6 deg, the aberration
# by the site's own 4.6 m/s. The Earth: taking the site's vector off the apparent one treats
# aberration as a shift, 1737 km x 1e-4 at the Earth's distance, 2.7e-5 deg: 0.8 m of site.
# The range is off by the same product, 0.17 km, and the difference in light time.
@pytest.mark.parametrize(("body", "direction_deg"), [("SUN", 2e-6), ("EARTH", 3e-5)])
def test_elevation_azimuth_and_range_at_random_sites(places, body, direction_deg):
    times, seconds, latitude, longitude, height_m = places
    vector_km = dict(zip(("SUN", "EARTH"), sky.sun_and_earth_km(EPHEMERIS, times)))[body]
    ours = np.array(
        [
            np.ravel(sky.elevation_azimuth_range(vector_km[:, i : i + 1], *place))
            for i, place in enumerate(zip(latitude, longitude, height_m))
        ]
    )
    theirs = np.array(
        [spice_local(body, *case) for case in zip(seconds, latitude, longitude, height_m)]
    )
    assert np.abs(ours[:, 0] - theirs[:, 0]).max() < direction_deg
    # An angle of azimuth shrinks with the cosine of elevation, so compare it on the sky.
    azimuth = (ours[:, 1] - theirs[:, 1] + 180) % 360 - 180
    assert np.abs(azimuth * np.cos(np.radians(theirs[:, 0]))).max() < direction_deg
    assert np.abs(ours[:, 2] - theirs[:, 2]).max() < 0.25


@pytest.mark.parametrize("body", ["SUN", "EARTH"])
def test_apparent_vector_from_the_centre(places, body):
    times, seconds, *_ = places
    vector_km = dict(zip(("SUN", "EARTH"), sky.sun_and_earth_km(EPHEMERIS, times)))[body]
    theirs, _ = spiceypy.spkpos(body, seconds, "MOON_ME_DE421", "CN+S", "MOON")
    apart = np.linalg.norm(vector_km - theirs.T, axis=0) / np.linalg.norm(theirs, axis=1)
    # The orientation is read at a Julian date in one number, 40 microseconds: 1e-10 rad;
    # relativistic against classical aberration: half the square of 1e-4.
    assert np.degrees(apart.max()) < 5e-7


def test_lunar_frame_is_spices_lunar_frame(places):
    times, seconds, *_ = places
    ours = EPHEMERIS.moon_frame.rotation_at(EPHEMERIS.time(times))
    theirs = np.array([spiceypy.pxform("J2000", "MOON_ME_DE421", s) for s in seconds])
    assert ours.transpose(2, 0, 1) == pytest.approx(theirs, abs=1e-9)


def test_naif_worked_example():
    """Earth from the Moon in MOON_ME_DE421 at 2008-03-17 20:10 UTC, geometric, km.

    NAIF, lunar frame kernel for DE421, worked example (P). The text prints TDB 259056665 s
    past J2000 and leaves off the fraction .184 that the instant has.
    """
    published = [379892.825, 33510.118, -12661.5278]
    position, _ = spiceypy.spkpos("EARTH", 259056665.184, "MOON_ME_DE421", "NONE", "MOON")
    assert position == pytest.approx(published, abs=1e-3)  # printed to a metre
    time = EPHEMERIS.time(np.array(["2008-03-17T20:10:00"], dtype="datetime64[s]"))
    separation = EPHEMERIS.earth.at(time) - EPHEMERIS.moon.at(time)
    ours = separation.frame_xyz(EPHEMERIS.moon_frame).km[:, 0]
    assert ours == pytest.approx(published, abs=1e-3)
