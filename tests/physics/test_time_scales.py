"""Time systems of orbits against SPICE and astronomy's own tables."""

import numpy as np
import pytest

from obsplan.ephemeris import open_ephemeris
from obsplan.physics.time_scales import tdb_of_utc, tdb_s, utc_of_tdb

EPHEMERIS = open_ephemeris()


def at(system, text):
    day, _, clock = text.partition("T")
    hours, minutes, seconds = map(float, clock.split(":"))
    second = np.array([3600 * hours + 60 * minutes + seconds])
    return tdb_s(EPHEMERIS, system, np.array([day], dtype="datetime64[D]"), second)[0]


def test_one_instant_in_every_system():
    """UTC is 37 s behind TAI since 2017, that 32.184 s behind TT, GPS time 19 s behind TAI.

    TDB at 2028-07-02T00:00:00 TDB is 899380800 s past J2000.
    """
    assert at("TDB", "2028-07-02T00:00:00") == 899_380_800.0
    utc = at("UTC", "2028-07-01T23:58:50.816")
    assert utc == pytest.approx(899_380_800.0, abs=2e-3)
    for system, text in (
        ("TAI", "2028-07-01T23:59:27.816"),
        ("TT", "2028-07-02T00:00:00.000"),
        ("GPS", "2028-07-01T23:59:08.816"),
    ):
        assert at(system, text) == pytest.approx(utc, abs=1e-6), system


def test_tdb_against_the_series_that_spice_uses():
    """TDB - TT = 1.657e-3 sin E, E = M + 0.01671 sin M, M = 6.239996 + 1.99096871e-7 t.

    NAIF, leap seconds kernel. The two series differ by some 30 microseconds.
    """
    for day in ("1995-03-04", "2028-01-05", "2028-04-05", "2028-07-05", "2028-10-05"):
        tt = at("TT", f"{day}T00:00:00")
        since = (np.datetime64(day) - np.datetime64("2000-01-01")).astype(int) * 86400.0 - 43200.0
        mean = 6.239996 + 1.99096871e-7 * since
        series = 1.657e-3 * np.sin(mean + 0.01671 * np.sin(mean))
        assert tt - since == pytest.approx(series, abs=5e-5)


@pytest.mark.parametrize(
    ("day", "behind_s"),
    [
        ("1972-01-01", 10),
        ("1972-07-01", 11),
        ("1999-01-01", 32),
        ("2016-12-31", 36),
        ("2017-01-01", 37),
    ],
)
def test_leap_seconds(day, behind_s):
    """IERS Bulletin C: UTC is so many seconds behind TAI from that day on."""
    assert at("UTC", f"{day}T00:00:00") == pytest.approx(
        at("TAI", f"{day}T00:00:00") + behind_s, abs=1e-6
    )


def test_the_leap_second_itself_is_a_second_of_its_own():
    before, leap, after = (
        at("UTC", text)
        for text in ("2016-12-31T23:59:59", "2016-12-31T23:59:60", "2017-01-01T00:00:00")
    )
    assert [leap - before, after - leap] == pytest.approx([1.0, 1.0], abs=1e-6)


def test_utc_and_back():
    times = np.array(
        ["1990-01-02T03:04:05", "2016-12-31T23:59:58", "2028-07-02T12:00:00.5"], "M8[ms]"
    )
    assert (utc_of_tdb(EPHEMERIS, tdb_of_utc(EPHEMERIS, times)) == times).all()
    theirs = EPHEMERIS.time(times)
    seconds = ((theirs.whole - 2451545.0) + theirs.tdb_fraction) * 86400.0
    assert tdb_of_utc(EPHEMERIS, times) == pytest.approx(seconds, abs=1e-6)


@pytest.mark.parametrize(
    ("system", "text"), [("UT1", "2028-01-01T00:00:00"), ("UTC", "1971-12-31T00:00:00")]
)
def test_other_systems_and_older_utc_are_refused(system, text):
    with pytest.raises(ValueError, match=system):
        at(system, text)
