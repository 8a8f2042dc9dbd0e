"""Eclipses of the Sun by the Earth against the published lunar eclipse catalogue.

Contact times and durations: Espenak & Meeus 2009, Five Millennium Catalog of Lunar
Eclipses, NASA/TP-2009-214173, as quoted by others (S). They hold for the whole Moon: the
penumbra is the Moon's while any site sees the Earth touch the Sun, totality is when no
site on the sunward limb sees any Sun.
"""

import astronomy
import numpy as np
import pytest

from obsplan.ephemeris import open_ephemeris
from obsplan.physics import sky
from obsplan.physics.crossings import windows_where
from obsplan.physics.skyline import FLAT

EPHEMERIS = open_ephemeris()
FOUR_HOURS = np.timedelta64(4, "h")
# Instant of greatest eclipse to the minute (only the middle of the search), contacts
# P1 U1 U2 U3 U4 P4 where published, minutes penumbral, partial and total.
PUBLISHED = [
    (
        "2025-03-14T06:59",
        "03:57:24 05:09:33 06:25:59 07:31:23 08:47:48 10:00:01",
        (362.6, 218.3, 65.4),
    ),
    ("2025-09-07T18:12", None, (326.7, 209.4, 82.1)),
    (
        "2026-03-03T11:34",
        "08:44:22 09:50:00 11:04:26 12:02:45 13:17:10 14:22:59",
        (338.6, 207.2, 58.3),
    ),
    ("2028-12-31T16:52", None, (336.2, 208.8, 71.3)),
]
MID_LATITUDE_SITE = (26.0, 3.0)


def sunward_limb(middle):
    """Latitudes and longitudes of 180 sites a quarter turn from the sub-solar point.

    Two degrees between sites: the limb bends off their polygon by 0.3 km, 0.3 s of eclipse.
    """
    sun_km, *_ = sky.sun_and_earth_km(EPHEMERIS, np.array([middle]))
    sunward = sun_km[:, 0] / np.linalg.norm(sun_km)
    across = np.cross(sunward, [0.0, 0.0, 1.0])
    across /= np.linalg.norm(across)
    angle = np.radians(np.arange(0, 360, 2))
    ring = np.outer(across, np.cos(angle)) + np.outer(np.cross(sunward, across), np.sin(angle))
    longitude, latitude = sky.sub_point_deg(ring)
    return latitude, longitude


def depths_deg(times, latitude, longitude):
    """How deep the Earth's disc is in the Sun's, and how far it reaches beyond it."""
    sun_km, earth_km, site_scale = sky.sun_and_earth_km(EPHEMERIS, times)
    sun = sky.elevation_azimuth_range(sun_km, latitude, longitude)
    earth = sky.elevation_azimuth_range(earth_km, latitude, longitude, 0.0, site_scale)
    separation, sun_radius, earth_radius = sky.sun_against_earth_deg(sun, earth)
    return earth_radius + sun_radius - separation, earth_radius - sun_radius - separation


def whole_moon_windows(middle):
    """Penumbral, partial and total phase of the whole Moon: (start, end) each."""
    limb = sunward_limb(middle)
    signals = (
        lambda times: depths_deg(times, *limb)[0].max(axis=0),
        lambda times: depths_deg(times, *limb)[1].max(axis=0),
        lambda times: depths_deg(times, *limb)[1].min(axis=0),
    )
    return [windows_where(s, middle - FOUR_HOURS, middle + FOUR_HOURS)[0] for s in signals]


@pytest.mark.parametrize(("middle", "contacts", "minutes"), PUBLISHED)
def test_contacts_and_durations_of_the_whole_moon(middle, contacts, minutes):
    windows = whole_moon_windows(np.datetime64(middle, "s"))
    durations = [(end - start) / np.timedelta64(60, "s") for start, end in windows]
    # The catalogue rounds to 0.1 min and takes a mean radius for the oblate Earth.
    assert durations == pytest.approx(minutes, abs=0.2)
    if contacts:
        (p1, p4), (u1, u4), (u2, u3) = windows
        published = np.array([f"{middle[:11]}{c}" for c in contacts.split()], "datetime64[s]")
        off_s = (np.array([p1, u1, u2, u3, u4, p4]) - published).astype(int)
        # The catalogue's clock is a forecast of the Earth's rotation, seconds off by now.
        assert np.abs(off_s).max() <= 10


@pytest.mark.parametrize(("middle", "contacts", "minutes"), PUBLISHED)
def test_one_site_sees_its_eclipse_inside_that_of_the_whole_moon(middle, contacts, minutes):
    middle = np.datetime64(middle, "s")
    (p1, p4), (u1, u4), (u2, u3) = whole_moon_windows(middle)
    events = dict(
        sky.sun_events(
            EPHEMERIS, middle - FOUR_HOURS, middle + FOUR_HOURS, *MID_LATITUDE_SITE, 0.0, FLAT
        )
    )
    assert p1 < events["eclipse begins"] and events["eclipse ends"] < p4
    assert u1 < events["full cover begins"] < u2  # it is total here before it is everywhere
    assert u3 < events["full cover ends"] < u4


@pytest.mark.parametrize(("middle", "contacts", "minutes"), PUBLISHED)
def test_contacts_of_the_almanac_stand_beside_the_eclipse_of_a_site(middle, contacts, minutes):
    """By the cones of the shadow here, by sites on the limb above; both within 10 s as above."""
    middle = np.datetime64(middle, "s")
    events = dict(
        sky.sun_events(
            EPHEMERIS, middle - FOUR_HOURS, middle + FOUR_HOURS, *MID_LATITUDE_SITE, 0.0, FLAT
        )
    )
    names = [f"{name} of the whole Moon" for name in ("P1", "U1", "U2", "U3", "U4", "P4")]
    printed = np.array([events[name] for name in names])
    lasting = [(printed[5 - k] - printed[k]) / np.timedelta64(60, "s") for k in range(3)]
    assert lasting == pytest.approx(minutes, abs=0.2)
    if contacts:
        published = np.array([f"{str(middle)[:11]}{c}" for c in contacts.split()], "M8[s]")
        assert np.abs((printed - published).astype(int)).max() <= 10


def test_a_penumbral_eclipse_has_two_contacts_and_a_partial_one_four():
    """2027-02-20 penumbral, 2028-07-06 partial: Espenak & Meeus 2009, as quoted by others (S)."""
    for day, count in (("2027-02-20", 2), ("2028-07-06", 4)):
        first = np.datetime64(f"{day}T12:00:00")
        around = first - np.timedelta64(24, "h"), first + np.timedelta64(36, "h")
        events = sky.sun_events(EPHEMERIS, *around, *MID_LATITUDE_SITE, 0.0, FLAT)
        assert sum("whole Moon" in what for what, _ in events) == count


def test_p1_comes_half_an_hour_before_a_site_sees_the_eclipse():
    """2022-05-16 at 0, 0: begins at 02:02, P1 is 01:32 (an observation of ours, S for P1)."""
    day = np.datetime64("2022-05-16", "s")
    events = dict(sky.sun_events(EPHEMERIS, day, day + 6 * 3600, 0.0, 0.0, 0.0, FLAT))
    assert str(events["P1 of the whole Moon"])[:16] == "2022-05-16T01:32"
    assert str(events["eclipse begins"])[:16] == "2022-05-16T02:02"


FIRST, LAST = np.datetime64("2026-01-01", "s"), np.datetime64("2037-01-01", "s")


@pytest.fixture(scope="module")
def eclipses():
    """Windows in which the Earth touches the Sun at the site, found on a 15-minute scan."""
    return windows_where(
        lambda times: depths_deg(times, *MID_LATITUDE_SITE)[0], FIRST, LAST, scan_s=900
    )


def test_21_eclipses_in_2026_to_2036(eclipses):
    """The count of an earlier, separate scan at 15 min for a mid-latitude near-side site (A)."""
    assert len(eclipses) == 21


def test_a_scan_of_half_days_finds_the_same_eclipses(eclipses):
    """Samples 12 h apart meet a third of them; the others hide between two samples."""

    def signal(times):
        return depths_deg(times, *MID_LATITUDE_SITE)[0]

    sampled = signal(np.arange(FIRST, LAST, np.timedelta64(12, "h"))) > 0
    assert sampled.sum() < 10
    rough = windows_where(signal, FIRST, LAST, scan_s=12 * 3600)
    assert np.abs((rough - eclipses).astype(int)).max() <= 1


def test_every_eclipse_is_one_of_the_moon_and_no_umbral_one_is_missed(eclipses):
    """The list of lunar eclipses by another library, astronomy-engine (A)."""
    catalogue = []
    eclipse = astronomy.SearchLunarEclipse(astronomy.Time.Make(2026, 1, 1, 0, 0, 0.0))
    while eclipse.peak.Utc().year < 2037:
        half = np.timedelta64(round(eclipse.sd_penum * 60), "s")
        peak = np.datetime64(eclipse.peak.Utc().replace(tzinfo=None), "s")
        catalogue.append((peak - half, peak + half, eclipse.sd_total > 0))
        eclipse = astronomy.NextLunarEclipse(eclipse.peak)
    slack = np.timedelta64(120, "s")  # that library's shadow is enlarged by another rule
    met = [
        [
            start <= end + slack and begin - slack <= start and stop <= end + slack
            for begin, end, _ in catalogue
        ]
        for start, stop in eclipses
    ]
    assert np.all(np.sum(met, axis=1) == 1)
    total = np.array([is_total for *_, is_total in catalogue])
    assert np.all(np.any(met, axis=0)[total])
