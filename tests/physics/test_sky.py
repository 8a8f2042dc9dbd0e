"""Sun, Earth and stations in the lunar sky: geometry, discs, events."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from obsplan.common.constants import ASTRONOMICAL_UNIT_KM, MOON_RADIUS_KM, SUN_RADIUS_KM
from obsplan.common.errors import EphemerisError
from obsplan.ephemeris import open_ephemeris
from obsplan.physics import earth_station, sky
from obsplan.physics.skyline import FLAT

EPHEMERIS = open_ephemeris()
DAY = np.timedelta64(1, "D")
START = np.datetime64("2027-03-01T00:00:00")
MONTH = START + np.arange(0, 30 * 86400, 1800).astype("timedelta64[s]")
SUN_KM, EARTH_KM, SITE_SCALE = sky.sun_and_earth_km(EPHEMERIS, MONTH)

latitudes = st.floats(-90, 90)
longitudes = st.floats(-180, 180)


# --- directions -----------------------------------------------------------------------


def test_site_lies_on_the_sphere_at_its_height():
    assert sky.site_km(0, 0, 0) == pytest.approx([MOON_RADIUS_KM, 0, 0])
    assert sky.site_km(0, 90, 0) == pytest.approx([0, MOON_RADIUS_KM, 0])
    assert sky.site_km(-90, 12, 0) == pytest.approx([0, 0, -MOON_RADIUS_KM])
    many = sky.site_km(np.array([10.0, -20.0]), np.array([5.0, 6.0]), np.array([-1500.0, 2500.0]))
    assert np.linalg.norm(many, axis=0) == pytest.approx([1735.9, 1739.9])
    assert sky.site_km(10.0, 5.0, np.array([0.0, 1.0])).shape == (3, 2)


@pytest.mark.parametrize(
    ("direction", "azimuth", "elevation"),
    [
        ((0, 0, 1), 0, 0),
        ((0, 1, 0), 90, 0),
        ((0, 0, -1), 180, 0),
        ((0, -1, 0), 270, 0),
        ((1, 1, 0), 90, 45),
        ((1, 0, -1), 180, 45),
        ((-1, 0, 0), None, -90),
    ],
)
def test_azimuth_runs_from_north_through_east(direction, azimuth, elevation):
    body = 1e12 * np.array(direction, dtype=float)[:, None]  # so far that the site is no matter
    found = sky.elevation_azimuth_range(body, 0.0, 0.0, 0.0)
    assert found[0] == pytest.approx(elevation, abs=1e-6)
    if azimuth is not None:
        assert found[1] == pytest.approx(azimuth, abs=1e-6)


@given(latitudes, longitudes, st.floats(2000, 1e8))
def test_a_body_above_its_sub_point_stands_at_the_zenith(latitude, longitude, distance_km):
    body = sky.site_km(latitude, longitude, 0.0)[:, None] / MOON_RADIUS_KM * distance_km
    elevation, azimuth, range_km = sky.elevation_azimuth_range(body, latitude, longitude, 500.0)
    assert elevation == pytest.approx(90.0, abs=1e-6)
    assert 0 <= azimuth < 360
    assert range_km == pytest.approx(distance_km - MOON_RADIUS_KM - 0.5, rel=1e-9)
    found_longitude, found_latitude = sky.sub_point_deg(body)
    assert found_latitude == pytest.approx(latitude, abs=1e-6)
    assert -180 < found_longitude <= 180
    if abs(latitude) < 89.9:
        assert np.cos(np.radians(found_longitude - longitude)) == pytest.approx(1, abs=1e-9)


@given(latitudes, longitudes)
def test_the_angle_between_bodies_is_the_one_between_their_vectors(latitude, longitude):
    sun, earth = (
        sky.elevation_azimuth_range(body[:, :40], latitude, longitude, 0.0)
        for body in (SUN_KM, EARTH_KM)
    )
    site = sky.site_km(latitude, longitude, 0.0)[:, None]
    a, b = SUN_KM[:, :40] - site, EARTH_KM[:, :40] - site
    cosine = (a * b).sum(0) / np.linalg.norm(a, axis=0) / np.linalg.norm(b, axis=0)
    separation = sky.angular_separation_deg(*sun[:2], *earth[:2])
    assert np.cos(np.radians(separation)) == pytest.approx(cosine, abs=1e-12)


def test_many_sites_at_once_are_the_sites_one_by_one():
    latitude, longitude = np.array([60.0, -5.0, 89.9]), np.array([10.0, 200.0, -3.0])
    height = np.array([0.0, 1000.0, -2000.0])
    together = sky.elevation_azimuth_range(EARTH_KM, latitude, longitude, height, SITE_SCALE)
    for row, place in enumerate(zip(latitude, longitude, height)):
        alone = sky.elevation_azimuth_range(EARTH_KM, *place, SITE_SCALE)
        for many, one in zip(together, alone):
            assert np.array_equal(many[row], one)
    hours = sky.local_time_h(SUN_KM, longitude)
    assert np.array_equal(hours[1], sky.local_time_h(SUN_KM, longitude[1]))
    single = sky.elevation_azimuth_range(EARTH_KM[:, 7], latitude, longitude, height, SITE_SCALE[7])
    assert np.array_equal(single[0], together[0][:, 7])


def test_sub_point_longitude_is_180_never_minus_180():
    longitude, latitude = sky.sub_point_deg(np.array([[-1.0, -1.0], [0.0, -0.0], [0.0, 0.0]]))
    assert longitude.tolist() == [180.0, 180.0] and latitude.tolist() == [0.0, 0.0]


def test_instants_do_not_depend_on_their_company():
    some = [3, 500, 1200]
    sun, earth, site_scale = sky.sun_and_earth_km(EPHEMERIS, MONTH[some])
    assert np.array_equal(sun, SUN_KM[:, some]) and np.array_equal(earth, EARTH_KM[:, some])
    assert np.array_equal(site_scale, SITE_SCALE[some])


def test_dates_outside_the_kernels_are_refused():
    late = np.array(["2051-01-01"], dtype="datetime64[s]")
    with pytest.raises(EphemerisError):
        sky.sun_and_earth_km(EPHEMERIS, late)
    with pytest.raises(EphemerisError):
        earth_station.station_view(EPHEMERIS, late, 0, 0, 0, 0, 0, 0)


# --- light and time -------------------------------------------------------------------


def test_irradiance_falls_with_the_square_of_distance():
    ranges = ASTRONOMICAL_UNIT_KM * np.array([1.0, 2.0, 0.5])
    assert sky.irradiance_w_m2(ranges) == pytest.approx([1361.0, 340.25, 5444.0])


def test_local_time_is_noon_below_the_sun_and_runs_a_day_per_lunation():
    sun_longitude, _ = sky.sub_point_deg(SUN_KM)
    assert sky.local_time_h(SUN_KM[:, :1], sun_longitude[0]) == pytest.approx(12.0)
    east = sky.local_time_h(SUN_KM[:, :1], sun_longitude[0] + 45.0)
    assert east == pytest.approx(15.0)  # the Sun goes west: east of it is afternoon
    hours = sky.local_time_h(SUN_KM, 23.0)
    assert np.all((hours >= 0) & (hours < 24))
    advance = np.mod(np.diff(hours), 24.0)
    assert advance.sum() == pytest.approx(24 * (30 - 1 / 48) / 29.5306, rel=0.01)


def test_local_time_stays_below_24_just_before_midnight():
    sun = np.array([[1.0], [0.0], [0.0]])
    assert sky.local_time_h(sun, np.nextafter(180.0, 0)) < 24
    assert sky.local_time_h(sun, np.nextafter(-180.0, -181.0)) < 24


def test_earth_phase_is_zero_with_the_sun_behind_and_180_with_it_beyond():
    earth = np.array([[384_400.0], [0.0], [0.0]])
    sun = np.array([[1.0, -1.0, 0.0], [0.0, 0.0, 1.0], [0.0, 0.0, 0.0]]) * ASTRONOMICAL_UNIT_KM
    # A Sun square to the Earth as seen from the site is short of square at the Earth.
    side = 90.0 - np.degrees(np.arctan(384_400.0 / ASTRONOMICAL_UNIT_KM))
    assert sky.earth_phase_deg(sun, earth) == pytest.approx([180.0, 0.0, side])


def test_the_tail_points_away_from_the_sun_and_full_moon_stands_in_it():
    """Against the elongation of the Moon by Skyfield's own apparent places from the Earth."""
    time = EPHEMERIS.time(MONTH)
    earth = EPHEMERIS.earth.at(time)
    moon, sun = (earth.observe(b).apparent((10,)) for b in (EPHEMERIS.moon, EPHEMERIS.sun))
    tail = sky.tail_angle_deg(SUN_KM, EARTH_KM)
    # Light time and aberration are reckoned from the other end: a few hundredths of a degree.
    assert np.abs(tail - (180.0 - moon.separation_from(sun).degrees)).max() < 0.05
    days = (tail < 30.0).sum() * 1800 / 86400
    # 60 deg at the Moon's 12.2 deg a day against the Sun, faster or slower by a fifth.
    assert 4 < days < 6


def test_earth_and_sun_angles_of_the_triangle_add_up():
    site = sky.site_km(26.0, 3.0, 0.0)[:, None]
    sun, earth = SUN_KM - site, EARTH_KM - site
    phase = sky.earth_phase_deg(sun, earth)
    at_site = np.degrees(np.arccos((sun * earth).sum(0) / (_norm(sun) * _norm(earth))))
    at_sun = np.degrees(np.arcsin(_norm(earth) * np.sin(np.radians(at_site)) / _norm(sun - earth)))
    assert phase + at_site + at_sun == pytest.approx(np.full(len(MONTH), 180.0), abs=1e-5)


def _norm(vector):
    return np.linalg.norm(vector, axis=0)


# --- discs ----------------------------------------------------------------------------


def visible(sun_elevation, sun_azimuth=90.0, earth_elevation=-60.0, profile=FLAT, earth_azimuth=90):
    ones = np.ones(np.shape(sun_elevation))
    return sky.sun_visible_fraction(
        sun_elevation * ones,
        sun_azimuth * ones,
        ASTRONOMICAL_UNIT_KM * ones,
        earth_elevation * ones,
        earth_azimuth * ones,
        384_400.0 * ones,
        profile,
    )


def test_sun_is_whole_high_up_and_gone_below_and_half_on_the_skyline():
    assert visible(np.array([40.0, -1.0, 0.0])) == pytest.approx([1.0, 0.0, 0.5], abs=1e-12)
    hills = np.array([[0.0, 3.0], [180.0, 5.0]])
    assert visible(np.array([4.0]), profile=hills) == pytest.approx(0.5, abs=0.01)


def test_sun_rising_over_a_level_skyline_shows_the_circular_segment():
    radius = np.degrees(np.arcsin(SUN_RADIUS_KM / ASTRONOMICAL_UNIT_KM))
    height = np.linspace(-1, 1, 201)
    segment = 1 - (np.arccos(height) - height * np.sqrt(1 - height**2)) / np.pi
    assert visible(height * radius) == pytest.approx(segment, abs=1e-12)


def test_the_earth_takes_its_share_of_the_sun():
    # Radii 0.2666 and 0.9602 deg: apart, half way in, wholly in.
    touching, inside, whole = visible(
        np.array([21.3, 20.8, 20.5]), earth_elevation=np.array([20.0, 20.0, 20.0])
    )
    assert touching == 1.0 and 0.1 < inside < 0.9 and whole == 0.0


def test_visible_fraction_takes_any_shape():
    elevation = np.linspace(-0.3, 0.3, 12)
    assert np.array_equal(visible(elevation.reshape(3, 4)), visible(elevation).reshape(3, 4))


def jump_and_bound(times, latitude, longitude, profile):
    """Largest change of the visible fraction between neighbours, over what the discs allow.

    A disc that moves by d uncovers or covers at most a strip 2 r d of its area pi r^2: once
    for the way over the skyline, once for the way over the Earth. Azimuths shrink as the
    Sun climbs, by tan(elevation) of the way at the disc's side.
    """
    sun_km, earth_km, site_scale = sky.sun_and_earth_km(EPHEMERIS, times)
    sun = sky.elevation_azimuth_range(sun_km, latitude, longitude)
    earth = sky.elevation_azimuth_range(earth_km, latitude, longitude, 0.0, site_scale)
    share = sky.sun_visible_fraction(*sun, *earth, profile)
    assert np.all((share >= 0) & (share <= 1))
    apart, radius, _ = sky.sun_against_earth_deg(sun, earth)
    climbs = np.abs(np.diff(sun[0])) * (1 + np.radians(radius[1:]) * np.tan(np.radians(sun[0][1:])))
    turns = np.abs((np.diff(sun[1]) + 180) % 360 - 180) * np.cos(np.radians(sun[0]))[1:]
    moves = np.hypot(climbs, turns) + np.abs(np.diff(apart))
    # Two in a thousand for what radius and elevation change within the minute.
    bound = 1.002 * 2 * moves / (np.pi * radius[1:])
    return (np.abs(np.diff(share)) - bound).max(), np.abs(np.diff(share)).max()


def broken_skyline(seed, height_deg):
    """Up to 720 points, some of them sheer walls: two points almost in one direction."""
    rng = np.random.default_rng(seed)
    azimuth = np.unique(rng.integers(0, 720, rng.integers(1, 720))) / 2.0
    walls = rng.random(len(azimuth)) < 0.3
    azimuth = np.sort(np.append(azimuth, azimuth[walls] + 1e-9))
    return np.stack([azimuth, rng.uniform(-1, height_deg, len(azimuth))], axis=1)


@settings(max_examples=60)
@given(
    st.floats(-90, 90),
    st.floats(-180, 180),
    st.integers(0, 700),
    st.integers(0, 2**32 - 1),
    st.sampled_from([0.0, 1.0, 5.0, 40.0]),
)
def test_visible_fraction_never_jumps_by_more_than_the_disc_allows(
    latitude, longitude, lunation, seed, height_deg
):
    profile = broken_skyline(seed, height_deg)
    # The day of the lunation on which the Sun comes nearest to the middle of the skyline.
    hours = np.datetime64("1991-01-01T00:00:00") + (
        np.arange(708) * 3600 + round(lunation * 29.530589 * 86400)
    ).astype("timedelta64[s]")
    sun_km, _, _ = sky.sun_and_earth_km(EPHEMERIS, hours)
    elevation, _, _ = sky.elevation_azimuth_range(sun_km, latitude, longitude)
    nearest = hours[np.abs(elevation - profile[:, 1].mean()).argmin()]
    minutes = nearest + (60 * np.arange(-720, 720)).astype("timedelta64[s]")
    excess, _ = jump_and_bound(minutes, latitude, longitude, profile)
    assert excess <= 1e-9  # rounding


@pytest.mark.parametrize("latitude", [0.0, 45.0, 85.0])
def test_visible_fraction_does_not_jump_in_an_eclipse_either(latitude):
    minutes = np.datetime64("2028-12-31T13:00:00") + (60 * np.arange(480)).astype("timedelta64[s]")
    excess, largest = jump_and_bound(minutes, latitude, 10.0, broken_skyline(3, 1.0))
    assert excess <= 1e-9 and largest > 0.005


def test_sunrise_between_hills_never_falls_back():
    """Where the Sun climbs nearly straight up, every minute shows more of it."""
    for seed in range(5):
        hills = np.stack(
            [np.arange(0, 360, 0.5), np.random.default_rng(seed).uniform(0, 3, 720)], axis=1
        )
        first = dict(reversed(sun_events_at(2.0, 20.0, hills)))["first light"]
        times = first + (60 * np.arange(-5, 600)).astype("timedelta64[s]")
        share = visible_from(times, 2.0, 20.0, hills)
        assert share[0] == 0 and share[-1] == 1 and np.all(np.diff(share) > -1e-12)


def visible_from(times, latitude, longitude, profile=FLAT):
    sun_km, earth_km, site_scale = sky.sun_and_earth_km(EPHEMERIS, times)
    sun = sky.elevation_azimuth_range(sun_km, latitude, longitude)
    earth = sky.elevation_azimuth_range(earth_km, latitude, longitude, 0.0, site_scale)
    return sky.sun_visible_fraction(*sun, *earth, profile)


def test_polar_sunrise_is_a_ramp_that_never_falls_back():
    events = dict(sun_events_at(70.0, 0.0))
    first, whole = events["first light"], events["first light"] + np.timedelta64(5, "h")
    times = first + np.arange(-300, (whole - first).astype(int), 60).astype("timedelta64[s]")
    share = visible_from(times, 70.0, 0.0)
    assert np.all(np.diff(share) >= 0) and share[0] == 0 and share[-1] == 1
    # The Sun's disc, 0.53 deg, rises at cos 70 of 0.51 deg/h: about three hours.
    assert ((share > 0) & (share < 1)).sum() / 60 == pytest.approx(3.06, abs=0.15)


# --- events ---------------------------------------------------------------------------


def sun_events_at(latitude, longitude, profile=FLAT, first=START, last=START + 30 * DAY):
    return sky.sun_events(EPHEMERIS, first, last, latitude, longitude, 0.0, profile)


def visible_at(instant, latitude, longitude, profile=FLAT, offsets=(-1, 0)):
    times = instant + np.array(offsets).astype("timedelta64[s]")
    return visible_from(times, latitude, longitude, profile)


def test_a_day_has_its_events_in_order_and_to_the_second():
    events = sun_events_at(26.0, 3.0)
    assert [name for name, _ in events] == [
        "first light",
        "centre rises",
        "centre sets",
        "last light",
    ]
    when = dict(events)
    before, on = visible_at(when["first light"], 26.0, 3.0)
    assert before == 0 < on
    before, on = visible_at(when["last light"], 26.0, 3.0)
    assert before > 0 == on
    for name in ("centre rises", "centre sets"):
        assert visible_at(when[name], 26.0, 3.0) == pytest.approx([0.5, 0.5], abs=1e-3)


def test_hills_delay_first_light():
    hills = np.array([[0.0, 4.0]])
    delay = (
        dict(sun_events_at(0.0, 3.0, hills))["first light"]
        - (dict(sun_events_at(0.0, 3.0))["first light"])
    )
    # 4 deg at 360 deg in a lunation of 708.7 h, nearly straight up at the equator.
    assert delay / np.timedelta64(3600, "s") == pytest.approx(7.87, abs=0.1)


def test_a_rugged_skyline_gives_every_light_and_no_flicker():
    rough = np.random.default_rng(5).uniform(0, 3, 720)
    profile = np.stack([np.arange(0, 360, 0.5), rough], axis=1)
    events = [e for e in sun_events_at(80.0, 3.0, profile) if e[0] in ("first light", "last light")]
    assert len(events) > 2
    assert all(a[0] != b[0] for a, b in zip(events, events[1:]))
    for name, instant in events:
        before, on = visible_at(instant, 80.0, 3.0, profile)
        assert (before > 0, on > 0) == ((False, True) if name == "first light" else (True, False))
    gaps = np.diff([instant for _, instant in events])
    assert gaps.min() >= np.timedelta64(60, "s")


def test_what_the_range_cuts_is_no_event():
    noon = dict(sun_events_at(26.0, 3.0))["centre rises"] + 7 * DAY
    assert sun_events_at(26.0, 3.0, first=noon, last=noon + DAY) == []


def test_an_eclipse_is_nested_and_hides_the_sun():
    first = np.datetime64("2029-01-01T00:00:00") - DAY
    events = sun_events_at(20.0, 10.0, first=first, last=first + DAY)
    assert [name for name, _ in events] == [
        "P1 of the whole Moon",
        "eclipse begins",
        "U1 of the whole Moon",
        "full cover begins",
        "U2 of the whole Moon",
        "U3 of the whole Moon",
        "full cover ends",
        "U4 of the whole Moon",
        "eclipse ends",
        "P4 of the whole Moon",
    ]
    begins, covered, uncovered, ends = (
        instant for name, instant in events if "whole Moon" not in name
    )

    def around(instant):
        return visible_at(instant, 20.0, 10.0, offsets=(-5, 5))

    # A few seconds off, where the share of a thin lens is above rounding.
    assert around(begins)[0] == 1 > around(begins)[1] > 0.99
    assert 0.01 > around(covered)[0] > 0 == around(covered)[1]
    assert around(uncovered)[0] == 0 < around(uncovered)[1] < 0.01
    assert 0.99 < around(ends)[0] < 1 == around(ends)[1]


def test_first_and_last_light_are_light_also_if_the_earth_covers_the_sun_there():
    """The total eclipse of December 2028 at sites near both limbs, where the Sun rises or sets."""
    first = np.datetime64("2028-12-31T12:00:00")
    last = first + np.timedelta64(10, "h")
    in_cover = []
    for longitude in np.append(np.arange(-96.0, -84.0, 0.4), np.arange(80.0, 92.0, 0.4)):
        events = dict(sun_events_at(0.0, longitude, first=first, last=last))
        for name, cover, offset_s in (
            ("first light", "full cover ends", 10),  # a sliver of light by then
            ("last light", "full cover begins", -10),
        ):
            if name in events:
                seen = visible_at(events[name], 0.0, longitude, offsets=(offset_s,))
                assert seen[0] > 0, (longitude, name)
                in_cover.append(events[name] == events.get(cover))
    assert 2 <= sum(in_cover) < len(in_cover)


def test_first_light_waits_for_the_end_of_full_cover():
    light, cover = (np.array(w) for w in ([[0, 900], [2000, 5000]], [[100, 200], [2001, 2600]]))
    assert sky.outside_cover(light, cover).tolist() == [[0, 900], [2600, 5000]]
    assert sky.outside_cover(light, light).tolist() == []
    until_dark = np.array([[4000, 5000]])
    assert sky.outside_cover(light, until_dark).tolist() == [[0, 900], [2000, 4000]]


def test_the_far_side_and_the_night_see_no_eclipse():
    first = np.datetime64("2029-01-01T00:00:00") - DAY
    assert sun_events_at(20.0, 180.0, first=first, last=first + DAY) == []
    walls = np.array([[0.0, 89.0]])
    assert sun_events_at(20.0, 10.0, walls, first=first, last=first + DAY) == []
