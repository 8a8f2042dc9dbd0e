"""The days table of the demo over two years against SPICE, and lunation numbers.

spiceypy wraps the toolkit of NAIF (Acton 1996, Planetary and Space Science 44, 65). Its
positions come from our kernels; searching, limbs and discs are this test's own. Sure: A.
The skyline is flat here, so that nothing but geometry is compared.
"""

from datetime import UTC, datetime

import numpy as np
import pytest
import spiceypy

from obsplan.ephemeris import HERE, open_ephemeris
from obsplan.physics.sky import sun_and_earth_km
from obsplan.survey.landing_days import landing_days
from obsplan.survey.lunar_days import lunation
from obsplan.survey.site_course import place_of

FIRST, LAST = (datetime(year, 1, 1, tzinfo=UTC) for year in (2028, 2030))
SUN_KM, EARTH_KM = 695_700.0, 6378.14 * 1.01
MINUTE_S = 60.0  # what the table promises


@pytest.fixture(scope="module")
def table(demo):
    flat = demo.scenario.site.model_copy(update={"skyline": "flat"})
    scenario = demo.scenario.model_copy(update={"site": flat, "station": demo.scenario.station[:1]})
    return landing_days(scenario, FIRST, LAST).table, place_of(scenario)


@pytest.fixture(scope="module", autouse=True)
def kernels():
    for name in open_ephemeris().files:
        spiceypy.furnsh(str(HERE / name))
    yield
    spiceypy.kclear()


def seconds_tdb(times_utc):
    time = open_ephemeris().time(np.asarray(times_utc, dtype="datetime64[s]"))
    return ((time.whole - 2451545.0) + time.tdb_fraction) * 86400.0


def seen(body, second, place):
    """Vector to a body from the site, along the Moon's axes, and the site's vertical."""
    latitude, longitude = np.radians([place.latitude_deg, place.longitude_deg])
    site = spiceypy.latrec(1737.4 + place.height_m / 1000, longitude, latitude)
    state, _ = spiceypy.spkcpo(
        body, second, "MOON_ME_DE421", "OBSERVER", "LT+S", site, "MOON", "MOON_ME_DE421"
    )
    return state[:3], site / np.linalg.norm(site)


def upper_limb_deg(second, place):
    to_sun, vertical = seen("SUN", second, place)
    distance = np.linalg.norm(to_sun)
    return np.degrees(np.arcsin(to_sun @ vertical / distance) + np.arcsin(SUN_KM / distance))


def touch_deg(second, place):
    """How far the discs of Sun and Earth reach into each other."""
    to_sun, to_earth = (seen(body, second, place)[0] for body in ("SUN", "EARTH"))
    radii = np.arcsin(SUN_KM / np.linalg.norm(to_sun)) + np.arcsin(
        EARTH_KM / np.linalg.norm(to_earth)
    )
    return np.degrees(radii - spiceypy.vsep(to_sun, to_earth))


def crossing(signal, before, after):
    """Second between two at which `signal` changes sign."""
    sign = signal(before) > 0
    while after - before > 0.5:
        middle = (before + after) / 2
        before, after = (middle, after) if (signal(middle) > 0) == sign else (before, middle)
    return after


def crossings(signal, seconds):
    positive = [signal(second) > 0 for second in seconds]
    return [
        crossing(signal, a, b)
        for a, b, p, q in zip(seconds, seconds[1:], positive, positive[1:])
        if p != q
    ]


def test_first_and_last_light_of_two_years(table):
    table, place = table
    assert len(table) == 25
    for row in table.itertuples(index=False):
        light = [t.tz_localize(None) for t in (row.first_light_utc, row.last_light_utc)]
        begin = np.datetime64(light[0], "s") - np.timedelta64(5, "D")
        end = np.datetime64(light[1], "s") + np.timedelta64(5, "D")
        scan = np.arange(*seconds_tdb([begin, end]), 3600.0)
        found = crossings(lambda second: upper_limb_deg(second, place), scan)
        assert found == pytest.approx(seconds_tdb(light), abs=MINUTE_S)


def test_eclipses_of_two_years(table):
    """All of them and no others: minutes inside each stay, by a search of its own."""
    table, place = table
    eclipsed = 0
    for row in table.itertuples(index=False):
        stay = [t.tz_localize(None) for t in (row.landing_opens_utc, row.last_light_utc)]
        first, last = seconds_tdb(stay)
        scan = np.arange(first, last, 600.0)

        def far_apart(second):
            bodies = [
                spiceypy.spkpos(b, second, "J2000", "LT+S", "MOON")[0] for b in ("SUN", "EARTH")
            ]
            return np.degrees(spiceypy.vsep(*bodies)) > 3.0

        # The Sun moves by half a degree an hour: what is 3 deg apart stays so for hours.
        coarse = [second for second in scan[::6] if not far_apart(second)]
        near = scan[(scan > min(coarse) - 3600) & (scan < max(coarse) + 3600)] if coarse else []
        found = crossings(lambda second: touch_deg(second, place), list(near))
        minutes = sum(b - a for a, b in zip(found[::2], found[1::2])) / 60
        # Two contacts, each to a second.
        assert row.eclipse_min == pytest.approx(minutes, abs=0.1)
        eclipsed += minutes > 0
    assert eclipsed == (table["eclipse_min"] > 0).sum() == 5


@pytest.mark.parametrize(
    ("new_moon_tt", "number"),
    [
        # Meeus, Astronomical Algorithms 2nd ed., example 49.a (S): k = -283.
        ("1977-02-18T03:37", -283),
        # The same chapter counts k from this new moon (S).
        ("2000-01-06T18:14", 0),
    ],
)
def test_lunations_are_numbered_as_new_moons_are(new_moon_tt, number):
    instant = np.datetime64(new_moon_tt, "s")
    if instant < np.datetime64("1990-01-01"):
        # Before the kernels: as many mean lunations on as bring it inside them.
        ahead = 300
        instant += np.timedelta64(round(ahead * 29.530589 * 86400), "s")
        number += ahead
    sun_km, _, _ = sun_and_earth_km(open_ephemeris(), np.array([instant]))
    found = lunation(instant.astype(np.int64), sun_km)
    # Libration turns the meridian by up to 8 deg, 0.022 of a turn; true lunations differ
    # from mean ones by up to 0.6 d, 0.02.
    assert found == pytest.approx(number, abs=0.045)
