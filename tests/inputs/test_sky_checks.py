"""Who has which quantities of the sky, bins of longitudes, and steps short enough for an orbit."""

import pytest
from tools.small import platform, scenario_table

from obsplan.inputs.cross_checks import reference_errors

ORBITER = platform("orbiter", kind="orbiter", orbit={"file": "orbit.oem"})
GRID = ["earth_phase_deg", "earth_longitude_deg"]
LOOK = {"name": "look", "platform": "orbiter"}


def errors(*activities, goal=(), step_min=5):
    table = scenario_table(*activities, platforms=[platform(), ORBITER], step_min=step_min)
    return reference_errors(table | {"goal": list(goal)})


def over_grid(name: str, longitudes) -> dict:
    edges = [[0, 90, 180], longitudes]
    return {"name": "phases", "runs_of": [name], "over": GRID, "edges": edges, "value": 1.0}


def test_an_orbiter_may_ask_for_the_earth_below_it():
    when = {"sun_angle_deg": [30, 180], "earth_longitude_deg": [170, -170]}
    coverage = {"over": "earth_longitude_deg", "edges": [90, 180, 270]}
    sound = LOOK | {"when": when, "coverage": coverage}
    assert errors(sound, goal=[over_grid("look", [-180, 0, 180])]) == []


MISTAKES = {
    "activity \"look\".when.sun_angle_deg: only platforms in orbit have it; platform 'lander' is "
    "none": {"name": "look", "when": {"sun_angle_deg": [30, 180]}},
    'activity "look".coverage.over = "earth_longitude_deg": only platforms in orbit have it; '
    "platform 'lander' is none": {
        "name": "look",
        "coverage": {"over": "earth_longitude_deg", "edges": [0, 90]},
    },
    "activity \"look\".when.surface_temperature_k: only platforms at the site have it; 'orbiter' "
    "is in orbit": LOOK | {"when": {"surface_temperature_k": [200, 300]}},
    'activity "look".coverage.edges: earth_longitude_deg starts again after 360 deg; allowed are '
    "edges from -360 to 360 that go round once at most": LOOK
    | {"coverage": {"over": "earth_longitude_deg", "edges": [-180, 0, 181]}},
}


@pytest.mark.parametrize("line", MISTAKES)
def test_each_mistake_is_named(line):
    assert [each.replace("'", '"') for each in errors(MISTAKES[line])] == [line.replace("'", '"')]


def test_a_goal_over_what_a_lander_lacks_is_named_once_for_each_platform():
    (line,) = errors({"name": "look"}, goal=[over_grid("look", [-180, 0, 180])])
    assert line.startswith('goal "phases".over = ') and "only platforms in orbit have it" in line
    (line,) = errors(LOOK, goal=[over_grid("look", [-180, 0, 300])])
    assert line.startswith('goal "phases".edges: earth_longitude_deg starts again')


@pytest.mark.parametrize("step_min, told", [(5, 0), (6, 1), (15, 1)])
def test_steps_too_long_for_an_orbit_are_named(step_min, told):
    lines = errors(LOOK, step_min=step_min)
    assert len(lines) == told
    assert not told or lines[0].endswith("come with every orbit; allowed is 1 to 5")


def test_no_drive_asks_for_what_only_an_orbiter_has():
    drive = {"speed_by_slope": [[10, 0.5]], "power_w": 40.0, "when": {"sun_angle_deg": [30, 180]}}
    rover = platform("rover", kind="rover", drive=drive)
    told = reference_errors(scenario_table({"name": "look"}, platforms=[platform(), rover]))
    assert [line for line in told if "drive.when.sun_angle_deg: only platforms in orbit" in line]
