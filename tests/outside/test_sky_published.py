"""The sky against published tables, textbooks and other general-purpose libraries.

Sure: P read in the published table, S as quoted by others, A follows from a formula.
"""

import astronomy
import numpy as np
import pytest
from pymeeus.Epoch import Epoch
from pymeeus.Moon import Moon
from skyfield.framelib import ecliptic_frame, ecliptic_J2000_frame

from obsplan.common.constants import SUN_RADIUS_KM, SYNODIC_MONTH_DAYS
from obsplan.ephemeris import open_ephemeris
from obsplan.physics import sky
from obsplan.physics.crossings import crossings
from obsplan.physics.skyline import FLAT
from obsplan.physics.sun_disc import disc_overlap

EPHEMERIS = open_ephemeris()
FIRST, LAST = np.datetime64("1990-01-02", "s"), np.datetime64("2049-12-30", "s")
DAILY = np.arange(FIRST, LAST, np.timedelta64(1, "D"))


def sub_points(times):
    """Sub-solar and sub-Earth (longitude, latitude) in degrees."""
    sun_km, earth_km, _ = sky.sun_and_earth_km(EPHEMERIS, times)
    return sky.sub_point_deg(sun_km), sky.sub_point_deg(earth_km)


# NASA Scientific Visualization Studio, Moon phase and libration tables 2020-2022, hourly
# (P): UT, sub-solar longitude and latitude, sub-Earth longitude and latitude, distance.
VISUALIZATION_TABLES = [
    ("2020-01-01T00:00", 114.557, -0.045, 0.773, 6.360, 403898),
    ("2020-06-30T00:00", 68.296, 0.261, 0.543, -5.774, 368994),
    ("2021-04-01T00:00", -42.186, -1.349, 2.607, -1.881, 362683),
    ("2021-08-27T14:00", -56.878, 1.569, 3.375, 3.434, 400172),
    ("2022-05-16T04:00", -2.996, 0.058, -3.138, 0.297, 362151),
    ("2022-10-01T00:00", 113.294, 0.946, -2.930, 3.079, 372892),
]


@pytest.mark.parametrize("row", VISUALIZATION_TABLES, ids=lambda row: row[0])
def test_sub_points_and_distance_of_the_published_tables(row):
    when, *published, distance_km = row
    times = np.array([when], dtype="datetime64[s]")
    ours = np.ravel(sub_points(times))
    # Printed to 0.001 deg; the rest is UT against UTC and a later ephemeris.
    assert ours == pytest.approx(published, abs=0.002)
    # The tables give the distance of the Moon as seen from the Earth's centre: printed to 1 km.
    moon = EPHEMERIS.earth.at(EPHEMERIS.time(times)).observe(EPHEMERIS.moon)
    assert moon.distance().km == pytest.approx(distance_km, abs=1)


def test_libration_extremes_of_2020_to_2022():
    """Same tables (P), largest and smallest hourly value of three years."""
    hours = np.arange(
        np.datetime64("2020-01-01", "s"), np.datetime64("2023-01-01", "s"), np.timedelta64(1, "h")
    )
    _, (longitude, latitude) = sub_points(hours)
    found = [longitude.max(), longitude.min(), latitude.max(), latitude.min()]
    # Printed to 0.001 deg, and a later ephemeris.
    assert found == pytest.approx([7.888, -7.978, 6.864, -6.858], abs=0.005)


def utc_of_terrestrial(text, tai_minus_utc_s):
    seconds = tai_minus_utc_s + 32.184
    return np.array([np.datetime64(text, "us") - np.timedelta64(round(seconds * 1e6), "us")])


# Meeus, Astronomical Algorithms, 2nd ed., ch. 53, example for 1992 April 12, 0h TD (S).
TEXTBOOK = utc_of_terrestrial("1992-04-12", 26)


def test_textbook_example_of_libration():
    _, (longitude, latitude) = sub_points(TEXTBOOK)
    assert longitude == pytest.approx(-1.23, abs=0.01)  # printed to 0.01
    # The textbook's latitude counts from the principal axis, 0.022 deg from mean Earth.
    assert latitude == pytest.approx(4.20, abs=0.03)


def test_textbook_example_of_the_suns_place():
    (longitude, latitude), _ = sub_points(TEXTBOOK)
    # The textbook's Sun is of low precision, 0.01 deg, and prints 0.01.
    assert longitude == pytest.approx(67.90, abs=0.02)
    assert latitude == pytest.approx(1.46, abs=0.02)


def test_textbook_example_of_the_axis():
    """Position angle of the Moon's axis from celestial north, counted eastward."""
    time = EPHEMERIS.time(TEXTBOOK)
    moon = EPHEMERIS.earth.at(time).observe(EPHEMERIS.moon).apparent(deflectors=(10,))
    right_ascension, declination, _ = moon.radec("date")
    pole = time.M[:, :, 0] @ EPHEMERIS.moon_frame.rotation_at(time)[2, :, 0]
    a, d = right_ascension.radians[0], declination.radians[0]
    east = np.array([-np.sin(a), np.cos(a), 0.0])
    north = np.array([-np.cos(a) * np.sin(d), -np.sin(a) * np.sin(d), np.cos(d)])
    angle = np.degrees(np.arctan2(pole @ east, pole @ north))
    assert angle == pytest.approx(15.08, abs=0.01)  # printed to 0.01


def new_moons():
    """Instants of new moon: Sun and Moon in one ecliptic longitude."""

    def ahead(times):
        time = EPHEMERIS.time(times)
        earth = EPHEMERIS.earth.at(time)
        moon, sun = (
            earth.observe(body).apparent((10,)).frame_xyz(ecliptic_J2000_frame).au
            for body in (EPHEMERIS.moon, EPHEMERIS.sun)
        )
        return np.sin(np.arctan2(moon[1], moon[0]) - np.arctan2(sun[1], sun[0]))

    found = crossings(ahead, FIRST, LAST, scan_s=2 * 86400)
    return np.array([instant for instant, rising in found if rising])


def test_synodic_month():
    """Mean 29.530589 d: Kramm et al. 2022, On the Solar Climate of the Moon (S).

    Averaged over 669 months, three saros cycles, after which the terms that make single
    months unequal have come round; the plain ends of 60 years leave 3e-4 d of them. The
    spread of single months, -5.7 h and +6.9 h, is theirs too (P), but we do not know for
    which years: it holds for 2009-2016, while all of 1990-2049 spreads -6.1 to +7.1 h.
    """
    instants = new_moons()
    cycles = (instants[669:] - instants[:-669]) / np.timedelta64(86400, "s") / 669
    assert cycles.mean() == pytest.approx(SYNODIC_MONTH_DAYS, abs=1e-5)
    off_h = (np.diff(instants) / np.timedelta64(86400, "s") - SYNODIC_MONTH_DAYS) * 24
    year = instants[:-1].astype("datetime64[Y]").astype(int) + 1970
    decade = off_h[(year >= 2009) & (year < 2017)]
    assert [decade.min(), decade.max()] == pytest.approx([-5.7, 6.9], abs=0.05)  # printed to 0.1


def test_tilt_of_the_axis_to_the_ecliptic():
    """1.5424 deg: Meeus, Astronomical Algorithms, 2nd ed. (S)."""
    time = EPHEMERIS.time(DAILY[::5])
    pole = EPHEMERIS.moon_frame.rotation_at(time)[2]
    tilt = np.degrees(np.arccos((pole * ecliptic_frame.rotation_at(time)[2]).sum(axis=0)))
    assert tilt.mean() == pytest.approx(1.5424, abs=0.002)  # free librations left over
    assert np.abs(tilt - 1.5424).max() < 0.05  # physical libration at an instant


def test_sub_solar_latitude_never_leaves_its_belt():
    """1.59 deg: Vasavada et al. 2012, JGR 117, E00H18 (S)."""
    (_, latitude), _ = sub_points(DAILY)
    assert 1.57 < np.abs(latitude).max() < 1.60


@pytest.mark.parametrize(
    ("centre_km", "site_latitude", "stands", "diameter"),
    [(405_400, 90.0, -0.2455, 1.802), (362_600, 0.0, 90.0, 2.025)],
)
def test_angular_diameter_of_the_earth(centre_km, site_latitude, stands, diameter):
    """2 asin(6378.1 / d) on the skyline at apogee and overhead at perigee (A)."""
    earth = np.array([[centre_km], [0.0], [0.0]])
    elevation, _, range_km = sky.elevation_azimuth_range(earth, site_latitude, 0.0, 0.0)
    assert elevation == pytest.approx(stands, abs=1e-3)
    # Rounded figures of the Earth's radius and of the distances.
    assert 2 * sky.angular_radius_deg(6378.1, range_km) == pytest.approx(diameter, abs=0.002)


def test_the_sun_climbs_slowly_at_70_degrees():
    """17 h to 3 deg and 35 h to 6 deg after sunrise, 3 h for the disc alone.

    Common practice, no source, with no word on which part of the disc rises: the centre's
    rising fits, first light comes 1.5 h sooner. 5 %: round figures, and seasons.
    """
    first = np.datetime64("2027-03-01", "s")
    events = sky.sun_events(EPHEMERIS, first, first + np.timedelta64(30, "D"), 70.0, 0.0, 0.0, FLAT)
    hours = np.arange(-2, 50, 0.01)
    times = dict(events)["centre rises"] + (hours * 3600).astype("timedelta64[s]")
    elevation, _, range_km = sky.elevation_azimuth_range(
        sky.sun_and_earth_km(EPHEMERIS, times)[0], 70.0, 0.0
    )
    whole = hours[elevation > sky.angular_radius_deg(SUN_RADIUS_KM, range_km)][0]
    light = (dict(events)["centre rises"] - dict(events)["first light"]) / np.timedelta64(3600, "s")
    found = [whole + light, hours[elevation > 3.0][0], hours[elevation > 6.0][0]]
    assert found == pytest.approx([3.0, 17.0, 35.0], rel=0.05)


def test_full_moon_falls_in_daylight_on_the_near_side():
    """Common practice, no source; within 60 deg of the middle of the near side."""
    full = sky.tail_angle_deg(*sky.sun_and_earth_km(EPHEMERIS, DAILY)[:2]) < 10.0
    sun_km, _, _ = sky.sun_and_earth_km(EPHEMERIS, DAILY[full])
    for latitude, longitude in ((0.0, -60.0), (0.0, 60.0), (60.0, 0.0), (-60.0, 0.0)):
        elevation, _, _ = sky.elevation_azimuth_range(sun_km, latitude, longitude)
        assert elevation.min() > 0


def test_two_equal_discs_one_radius_apart():
    """2/3 - sqrt(3) / (2 pi) of each is common (A)."""
    assert disc_overlap(1.0, 1.0, 1.0) == pytest.approx(0.3910022, abs=1e-7)  # print


def test_sub_earth_point_of_astronomy_engine():
    """Libration by another library with its own theory of the Moon (A)."""
    times = DAILY[::60]
    _, (longitude, latitude) = sub_points(times)
    theirs = [astronomy.Libration(_engine_time(instant)) for instant in times]
    # A truncated series; its latitude counts from the principal axis, 0.022 deg from the
    # mean-Earth pole.
    assert np.abs(longitude - [_signed(t.elon) for t in theirs]).max() < 0.01
    assert np.abs(latitude - [t.elat for t in theirs]).max() < 0.03


def test_sub_earth_point_of_pymeeus():
    """Total libration by Meeus's formulas, ch. 53, in a library (A)."""
    times = DAILY[::120]
    _, (longitude, latitude) = sub_points(times)
    theirs = [Moon.moon_librations(Epoch(tt))[4:] for tt in EPHEMERIS.time(times).tt]
    their_longitude, their_latitude = _signed(np.array(theirs, dtype=float).T)
    # Truncated series; latitude from the principal axis as above.
    assert np.abs(longitude - their_longitude).max() < 0.01
    assert np.abs(latitude - their_latitude).max() < 0.03


def _engine_time(instant):
    days = (instant - np.datetime64("2000-01-01T12:00:00")) / np.timedelta64(86400, "s")
    return astronomy.Time(days)


def _signed(angle_deg):
    return (angle_deg + 180.0) % 360.0 - 180.0
