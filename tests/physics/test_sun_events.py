"""Events of the Sun against a scan that shares nothing with their search.

The scan computes places directly, every few minutes, and asks points along the upper edge
of the disc, each in its true direction, whether they clear the skyline.
"""

import numpy as np
import pytest

from obsplan.ephemeris import open_ephemeris
from obsplan.physics import sky
from obsplan.physics.skyline import FLAT

EPHEMERIS = open_ephemeris()
COLUMNS = 65  # points along the edge, 0.008 deg apart
# A skyline with slopes up to 2 leaves that much unseen between two points of the edge.
UNDECIDED_DEG = 0.02
EVENTS = {
    "light": ("first light", "last light"),
    "centre": ("centre rises", "centre sets"),
    "eclipse": ("eclipse begins", "eclipse ends"),
    "full cover": ("full cover begins", "full cover ends"),
}
AZIMUTH_DEG = np.arange(0, 360, 0.5)


def ragged(seed, height_deg=2.0):
    """720 points: hills, roughness with slopes up to 1 and a butte with sheer walls."""
    rng = np.random.default_rng(seed)
    hills = sum(
        rng.uniform(0, 0.5) * np.sin(np.radians(k * AZIMUTH_DEG) + rng.uniform(0, 6.28))
        for k in range(1, 9)
    )
    steps = np.repeat(rng.uniform(-0.4, 0.8, 45), 16)
    rough = hills + steps + rng.uniform(-0.2, 0.2, 720)
    return np.stack([AZIMUTH_DEG, rough + height_deg - 1.5], axis=1)


SITES = [
    (0.0, 0.0, FLAT),
    (0.0, 85.0, ragged(1)),
    (26.0, 3.0, ragged(2, 4.0)),
    (60.0, -40.0, ragged(3)),
    (85.0, 10.0, ragged(4)),
    (88.0, 0.0, ragged(5)),
    (-88.0, 30.0, FLAT),
    (89.0, -60.0, ragged(6)),
    (-89.0, 5.0, ragged(7)),
]


def scanned(vectors, latitude, longitude, profile):
    """Per kind of event, how far it holds (positive) at each instant, in degrees."""
    sun_km, earth_km, site_scale = vectors
    site = sky.site_km(latitude, longitude)[:, None]
    sun, earth = sun_km - site, earth_km - site * site_scale
    sun_range, earth_range = np.linalg.norm(sun, axis=0), np.linalg.norm(earth, axis=0)
    sun, earth = sun / sun_range, earth / earth_range
    radius = np.arcsin(695_700.0 / sun_range)
    covers = np.arcsin(6378.14 * 1.01 / earth_range)
    apart = 2 * np.arcsin(np.linalg.norm(sun - earth, axis=0) / 2)

    turn, tilt = np.radians(longitude), np.radians(latitude)
    up = np.array([np.cos(tilt) * np.cos(turn), np.cos(tilt) * np.sin(turn), np.sin(tilt)])
    east = np.array([-np.sin(turn), np.cos(turn), 0.0])
    east_north_up = np.array([east, np.cross(up, east), up])

    def clears(direction):
        x, y, z = east_north_up @ direction
        skyline = np.interp(np.degrees(np.arctan2(x, y)), *profile.T, period=360)
        return np.degrees(np.arcsin(z)) - skyline

    aside = np.cross(up, sun, axis=0)
    aside /= np.linalg.norm(aside, axis=0)
    upwards = np.cross(sun, aside, axis=0)
    centre = clears(sun)
    light = np.full(len(centre), -np.inf)
    high, low = profile[:, 1].max() + 1, profile[:, 1].min() - 1
    elevation = np.degrees(np.arcsin(up @ sun))
    near = (elevation < high) & (elevation > low)
    light[elevation >= high] = np.inf
    for part in np.linspace(-1, 1, COLUMNS):
        edge = part * aside[:, near] + np.sqrt(1 - part**2) * upwards[:, near]
        light[near] = np.maximum(light[near], clears(sun[:, near] + np.tan(radius[near]) * edge))
    return {
        "light": light,
        "centre": centre,
        "eclipse": np.minimum(np.degrees(radius + covers - apart), light),
        "full cover": np.minimum(np.degrees(covers - radius - apart), light),
    }


def assert_none_missed(times, vectors, site, rows):
    """No stretch of ten minutes in which scan and `rows` of events tell different things.

    That is stricter than finding all such events: theirs must also be of the right length.
    """
    depths = scanned(vectors, *site)
    scan_s = (times[1] - times[0]).astype(int)
    for kind, (begins, ends) in EVENTS.items():
        turns = [(instant, what == begins) for what, instant in rows if what in (begins, ends)]
        assert all(a[1] != b[1] for a, b in zip(turns, turns[1:])), kind
        holds = depths[kind] > 0
        state = np.full(len(times), not turns[0][1] if turns else holds[0])
        for instant, on in turns:
            state[times >= instant] = on
        wrong = (state != holds) & (np.abs(depths[kind]) > UNDECIDED_DEG)
        if kind == "light":  # where the Earth covers the Sun, a risen one is not yet first light
            wrong &= depths["full cover"] < -UNDECIDED_DEG
        edges = np.flatnonzero(np.diff(np.concatenate([[0], wrong.astype(int), [0]])))
        # From the first to the last sample that differ: it may have lasted a sample longer.
        longest_s = (edges[1::2] - 1 - edges[::2]).max(initial=0) * scan_s
        assert longest_s < 600, (kind, site[:2], times[edges[0]])


def test_no_event_of_ten_minutes_is_missed():
    """Two lunations around the eclipse of December 2028."""
    first, last = np.datetime64("2028-12-05", "s"), np.datetime64("2029-02-02", "s")
    times = np.arange(first, last, np.timedelta64(120, "s"))
    vectors = sky.sun_and_earth_km(EPHEMERIS, times)
    for site in SITES:
        rows = sky.sun_events(EPHEMERIS, first, last, site[0], site[1], 0.0, site[2])
        assert_none_missed(times, vectors, site, rows)


@pytest.mark.long
def test_no_event_of_ten_minutes_is_missed_in_thirty_years():
    """2020 to the end of the kernels; the events are searched in one call, as a user would."""
    first, last = np.datetime64("2020-01-01", "s"), np.datetime64("2049-12-30", "s")
    rows = [
        sky.sun_events(EPHEMERIS, first, last, latitude, longitude, 0.0, profile)
        for latitude, longitude, profile in SITES
    ]
    for year in range(2020, 2050):
        start = np.datetime64(f"{year}-01-01", "s")
        end = min(np.datetime64(f"{year + 1}-01-01", "s"), last)
        times = np.arange(start, end, np.timedelta64(300, "s"))
        vectors = sky.sun_and_earth_km(EPHEMERIS, times)
        for site, events in zip(SITES, rows):
            within = [(what, instant) for what, instant in events if start < instant < end]
            assert_none_missed(times, vectors, site, within)


def test_contacts_of_an_eclipse_are_right_to_a_second():
    """The instants at which the angle between the centres passes the sums of the radii."""
    first = np.datetime64("2028-12-31T12:00:00")
    last = first + np.timedelta64(10, "h")
    events = sky.sun_events(EPHEMERIS, first, last, 20.0, 10.0, 0.0, FLAT)
    events = [(what, instant) for what, instant in events if "whole Moon" not in what]
    assert len(events) == 4
    for what, instant in events:
        kind = "eclipse" if what.startswith("eclipse") else "full cover"
        around = instant + np.arange(-1, 2).astype("timedelta64[s]")
        vectors = sky.sun_and_earth_km(EPHEMERIS, around)
        sign = scanned(vectors, 20.0, 10.0, FLAT)[kind] > 0
        assert sign.tolist() in (
            [False, False, True],
            [False, True, True],
            [True, False, False],
            [True, True, False],
        )
        assert sign[2] == what.endswith("begins")


def test_a_grazing_contact_is_one_event():
    """A Sun that skims a saw of teeth for a day shows one light, not one for each tooth."""
    teeth = np.stack([AZIMUTH_DEG, np.where(np.arange(720) % 2, 0.0, 0.002)], axis=1)
    first, last = np.datetime64("2027-03-01", "s"), np.datetime64("2027-08-01", "s")
    for latitude in (70.0, 85.0):
        rough = sky.sun_events(EPHEMERIS, first, last, latitude, 3.0, 0.0, teeth)
        level = sky.sun_events(EPHEMERIS, first, last, latitude, 3.0, 0.0, FLAT)
        assert [what for what, _ in rough] == [what for what, _ in level]


def test_the_interpolated_track_is_the_computed_one():
    first, last = np.datetime64("2027-03-01", "s"), np.datetime64("2027-09-01", "s")
    track = sky.sun_and_earth_track(EPHEMERIS, first, last)
    ends = np.arange(0, 12 * 3600, 300)
    seconds = np.concatenate([ends, np.arange(0, 184 * 86400, 7919), 184 * 86400 - ends])
    times = first + seconds.astype("timedelta64[s]")
    for ours, exact in zip(track(times)[:2], sky.sun_and_earth_km(EPHEMERIS, times)[:2]):
        off = np.linalg.norm(ours - exact, axis=0) / np.linalg.norm(exact, axis=0)
        # In a second the Sun moves 1.4e-4 deg.
        assert np.degrees(off.max()) < 2e-6
