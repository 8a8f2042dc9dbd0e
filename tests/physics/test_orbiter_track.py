"""Lines of sight from an orbit, against those of a site and against another library."""

import astronomy
import numpy as np
import pytest
from tools.orbits import circle

from obsplan.ephemeris import open_ephemeris
from obsplan.physics.earth_station import station_view
from obsplan.physics.orbit import Piece
from obsplan.physics.orbiter_track import earth_point_deg, orbiter_track, station_seen
from obsplan.physics.sky import sub_point_deg, sun_and_earth_km
from obsplan.physics.time_scales import tdb_of_utc
from obsplan.physics.vectors import angle_between_deg, length

EPHEMERIS = open_ephemeris()
FIRST, LAST = np.array(["2028-07-02T00:00", "2028-07-09T00:00"], dtype="datetime64[s]")
TIMES_UTC = FIRST + np.arange(0, 7 * 86400, 4321).astype("timedelta64[s]")
STATION = -35.4, 149.0, 690.0


@pytest.fixture(scope="module")
def around():
    begin_s, end_s = tdb_of_utc(EPHEMERIS, np.array([FIRST, LAST]))
    tdb_s = np.arange(begin_s, end_s + 120.0, 60.0)
    states = np.array([circle(second - begin_s) for second in tdb_s])
    ends = float(tdb_s[0]), float(tdb_s[-1])
    piece = Piece("a", tdb_s, states[:, :3], states[:, 3:], *ends, True, 4)
    return orbiter_track(EPHEMERIS, [piece], FIRST, LAST)(TIMES_UTC)


def test_sun_and_earth_are_those_from_the_centre_less_the_orbiter(around):
    """Interpolated over three hours: 4 m of the Earth's place, as it says."""
    sun_km, earth_km, scale = sun_and_earth_km(EPHEMERIS, TIMES_UTC)
    assert np.abs(around.earth_km - (earth_km - scale * around.orbiter_km)).max() < 5e-3
    expected = sun_km - around.orbiter_km
    assert np.abs(angle_between_deg(around.sun_km, expected)).max() < 1e-6


def test_a_station_is_seen_as_from_a_site_at_the_same_place(around):
    """`station_view` of a site below, as high as the orbiter: the same geometry by other code."""
    seen = station_seen(around, *STATION)
    longitude_deg, latitude_deg = sub_point_deg(around.orbiter_km)
    height_m = 1000.0 * (length(around.orbiter_icrf_km) - 1737.4)
    for k in range(0, len(TIMES_UTC), 9):
        place = latitude_deg[k], longitude_deg[k], height_m[k]
        site = station_view(EPHEMERIS, TIMES_UTC[k : k + 1], *place, *STATION)
        for ours, theirs in zip(seen, site):
            off = (ours[k] - theirs[0] + 180.0) % 360.0 - 180.0
            assert abs(off) < (1e-3 if ours is seen.range_km else 1e-5)


def test_the_point_of_the_earth_below_against_another_library(around):
    """astronomy-engine's precession, nutation, sidereal time and ellipsoid.

    The Earth turned by 0.0053 deg while its light travelled. Sure: A, to the 0.01 deg of that
    library's rotation (it takes UT1 - UTC to be 0).
    """
    longitude_deg, latitude_deg = earth_point_deg(around)
    for k in range(0, len(TIMES_UTC), 9):
        time = astronomy.Time.Parse(f"{TIMES_UTC[k]}Z")
        place = astronomy.Vector(*(around.from_earth_km[:, k] / astronomy.KM_PER_AU), time)
        of_date = astronomy.RotateVector(astronomy.Rotation_EQJ_EQD(time), place)
        below = astronomy.VectorObserver(of_date, True)
        light_deg = 360.98565 * length(around.from_earth_km[:, k]) / 299_792.458 / 86400.0
        off = longitude_deg[k] - below.longitude - light_deg
        assert abs((off + 180.0) % 360.0 - 180.0) < 6e-3
        assert latitude_deg[k] == pytest.approx(below.latitude, abs=2e-3)
