"""Legs between stops, and stops that a rover cannot stand at or get to."""

from math import hypot

import numpy as np
import pytest
from tools.models import RADIUS_M
from tools.places import PLACES, STOPS, model, with_drive

from obsplan.common.errors import ScenarioError
from obsplan.inputs.legs import legs_of, places_of
from obsplan.inputs.read_scenario import read_scenario


def read(tmp_path, text):
    (tmp_path / "s.toml").write_text(text)
    return read_scenario(tmp_path / "s.toml")


def legs(scenario):
    return legs_of(scenario, scenario.platform_named("rover"))


def refused(tmp_path, text):
    with pytest.raises(ScenarioError) as caught:
        read(tmp_path, text)
    return str(caught.value).replace(f"{tmp_path}/", "")


def rolling(east, north):
    return 3.0 * np.sin(east / 19.0) * np.cos(north / 27.0)


def test_straight_legs_are_as_long_as_the_line_times_its_detour(tmp_path):
    found = legs(read(tmp_path, with_drive(detour="1.2")))
    assert len(found) == 12
    leg = found["R1", "R2"]
    assert leg.distance_m == pytest.approx(1.2 * hypot(50, 25))
    assert leg.drive_min == pytest.approx(leg.distance_m / 0.5)
    assert leg.parts == 2 and sum(leg.part_min) == pytest.approx(leg.drive_min)
    assert leg.azimuth_deg == pytest.approx(360 - np.degrees(np.arctan(2)))
    assert leg.part_azimuth_deg == pytest.approx((leg.azimuth_deg, leg.azimuth_deg))


def test_legs_over_a_model_are_longer_slower_and_climb(tmp_path):
    model(tmp_path / "dem.tif", rolling)
    scenario = read(tmp_path, with_drive(ground='"dem.tif"'))
    found = legs(scenario)
    places = places_of(scenario, "rover")
    for (start, end), leg in found.items():
        straight_m = hypot(*np.subtract(places[end], places[start]))
        assert straight_m <= leg.distance_m < 1.3 * straight_m
        assert leg.drive_min >= leg.distance_m / 0.5 * (1 - 1e-9)
        assert 0 < leg.climb_m < 20 and 0 < leg.steepest_slope_deg <= 20
        back = found[end, start]
        assert back.distance_m == pytest.approx(leg.distance_m)
        assert back.path_m == leg.path_m[::-1]
        assert back.part_min == pytest.approx(leg.part_min[::-1])
    assert sum(leg.part_min) == pytest.approx(leg.drive_min)
    assert sum(leg.part_climb_m) == pytest.approx(leg.climb_m)
    assert max(leg.part_slope_deg) == pytest.approx(leg.steepest_slope_deg)
    assert (leg.cuts_m[0], leg.cuts_m[-1]) == (leg.path_m[0], leg.path_m[-1])
    # The activities of the drives last whole minutes, rounded up.
    drive = scenario.activity_named("drive lander to R1")
    assert drive.duration_min == np.ceil(found["lander", "R1"].drive_min)


def test_the_same_files_are_read_once_and_changed_ones_again(tmp_path):
    path = model(tmp_path / "dem.tif", rolling)
    text = with_drive(ground='"dem.tif"')
    first = legs(read(tmp_path, text))
    assert legs(read(tmp_path, text)) == first
    path.unlink()
    model(path, lambda east, north: 0.0 * east)
    assert legs(read(tmp_path, text))["lander", "R1"].climb_m == 0.0


def test_stops_in_degrees_are_where_metres_say(tmp_path):
    north_deg = 40.0 + np.degrees(10.0 / RADIUS_M)
    east_deg = 10.0 + np.degrees(30.0 / (RADIUS_M * np.cos(np.radians(40.0))))
    text = PLACES.replace(
        "east_m = 30.0\nnorth_m = 10.0", f"latitude_deg = {north_deg}\nlongitude_deg = {east_deg}"
    )
    assert places_of(read(tmp_path, text), "rover")["R1"] == pytest.approx(STOPS["R1"], abs=1e-3)


def test_hazards_lengthen_straight_legs(tmp_path):
    (tmp_path / "h.csv").write_text("name,east_m,north_m,radius_m\nrock,15,5,6\n")
    found = legs(read(tmp_path, with_drive(hazards='"h.csv"', detour="1.1")))
    assert found["lander", "R1"].distance_m > 1.1 * hypot(30, 10) * 1.02
    assert found["lander", "R2"].distance_m == pytest.approx(1.1 * hypot(20, 35))
    assert len(found["lander", "R1"].path_m) > 2


def hill(east, north):
    """A cone at R1, 45 degrees steep, 12 m across."""
    return np.maximum(0.0, 12.0 - np.hypot(east - 30, north - 10))


@pytest.mark.parametrize(
    ("height", "says"),
    [
        (
            lambda e, n: np.tan(np.radians(25)) * np.maximum(e - 20, 0),
            'stop "R1": the ground is 25.0 deg steep there; allowed are 20, the last of '
            "speed_by_slope",
        ),
        (lambda e, n: 9.0 * (n > 30), 'stop "R2": no way from the lander to it (on slopes up to'),
        (
            lambda e, n: np.where(np.abs(n + 25) < 6, 0.25 * (6 - np.abs(n + 25)) * 8, 0.0),
            'stop "R3": out of sight of the relay, "lander", with antennas 2 m above the ground; '
            "allowed are places in its sight",
        ),
    ],
)
def test_a_stop_where_a_rover_cannot_be_is_told(tmp_path, height, says):
    model(tmp_path / "dem.tif", height)
    lines = refused(tmp_path, with_drive(ground='"dem.tif"'))
    assert f"s.toml: {says}" in lines


def test_a_stop_outside_the_model_is_told(tmp_path):
    model(tmp_path / "dem.tif", rolling, pixels=36)
    lines = refused(tmp_path, with_drive(ground='"dem.tif"')).splitlines()
    assert lines == [
        f's.toml: stop "{name}": outside dem.tif, or next to where it has no data; allowed are '
        "places that it shows"
        for name in ("R1", "R3")
    ]


def test_a_stop_in_a_hazard_or_behind_one_is_told(tmp_path):
    (tmp_path / "h.csv").write_text(
        "name,east_m,north_m,radius_m\n,5,-40,3\nwall,-900,20,\nwall,900,20,\nwall,900,25,\n"
        "wall,-900,25,\n"
    )
    lines = refused(tmp_path, with_drive(hazards='"h.csv"'))
    assert 's.toml: stop "R3": lies in hazard number 1 of h.csv' in lines
    assert (
        's.toml: stop "R2": no way from the lander to it (on slopes up to 20 deg, around the '
        "hazards of h.csv) that the rover can drive within the span" in lines
    )


def test_a_stop_beyond_the_range_of_the_relay_is_told(tmp_path):
    text = PLACES.replace(
        "rate_kbps = 100.0 }\nstore = { capacity_mbit = 300",
        ("rate_kbps = 100.0, range_limit_m = 38.0 }\nstore = { capacity_mbit = 300"),
    )
    lines = refused(tmp_path, text).splitlines()
    assert lines == [
        f's.toml: stop "{name}": {metres} m from the lander; allowed is 38, '
        'platform "rover".radio.range_limit_m'
        for name, metres in (("R2", 40), ("R3", 40))
    ]


def test_ways_keep_within_the_range_of_the_relay(tmp_path):
    # A wall on one side: the short way around it leads out of range, the other does not.
    (tmp_path / "h.csv").write_text(
        "name,east_m,north_m,radius_m\nwall,-8,20,\nwall,60,20,\nwall,60,24,\nwall,-8,24,\n"
    )
    text = with_drive(hazards='"h.csv"').replace(
        "rate_kbps = 100.0 }\nstore = { capacity_mbit = 300",
        ("rate_kbps = 100.0, range_limit_m = 42.0 }\nstore = { capacity_mbit = 300"),
    )
    found = legs(read(tmp_path, text))
    assert max(leg.farthest_m for leg in found.values()) <= 42.0
    assert found["R1", "R2"].distance_m > 1.05 * hypot(50, 25)


def test_a_leg_that_takes_longer_than_the_span_is_no_leg(tmp_path):
    text = PLACES.replace("[[10, 0.5], [15, 0.3], [20, 0.15]]", "[[10, 0.018]]").replace(
        "longest_drive_m = 60.0\n", ""
    )
    lines = refused(tmp_path, text)
    assert 'stop "R3": no way from the lander to it that the rover can drive within' in lines
    assert 'stop "R1"' not in lines


def test_a_way_of_very_many_drives_is_refused(tmp_path):
    text = PLACES.replace("longest_drive_m = 60.0", "longest_drive_m = 1.0")
    text = text.replace("north_m = -40.0", "north_m = -80.0")
    assert refused(tmp_path, text) == (
        's.toml: platform "rover".drive.longest_drive_m = 1: the farthest way, 118 m, takes more '
        "than 100 drives; allowed is 1.18 or more"
    )


def test_mistakes_in_files_are_told_as_theirs(tmp_path):
    (tmp_path / "h.csv").write_text("name,east_m,north_m,radius_m\n,5,-40,-3\n")
    assert refused(tmp_path, with_drive(hazards='"h.csv"')) == (
        "h.csv: row 2, radius_m = '-3': allowed is a number from 0.01 to 100000"
    )
    (tmp_path / "dem.tif").write_text("no model")
    assert "dem.tif: cannot be read as an elevation model" in refused(
        tmp_path, with_drive(ground='"dem.tif"')
    )
    assert 'drive.hazards = "none.csv": no such file; name a CSV of hazards' in refused(
        tmp_path, with_drive(hazards='"none.csv"')
    )
    assert 'drive.ground = "../dem.tif": leads out of the scenario\'s folder' in refused(
        tmp_path, with_drive(ground='"../dem.tif"')
    )
