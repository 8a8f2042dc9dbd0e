"""Routes found together with the plan: short spans, and places to park."""

import tomllib
from threading import Event

import pytest
from tools.places import PLACES

from obsplan.common.errors import Infeasible
from obsplan.environment.build import make_environment
from obsplan.inputs.along_routes import on_route
from obsplan.inputs.placed import DriveActivity, Route
from obsplan.inputs.read_scenario import read_scenario, scenario_from
from obsplan.planning.problem.from_scenario import build_problem
from obsplan.planning.route.laid_out import Itinerary, laid_out
from obsplan.planning.route.trials import Found
from obsplan.planning.routed import routed

PARK = "store = { capacity_mbit = 300.0 }\n"


@pytest.mark.parametrize(
    ("end", "visited"), [("06T02:00", 3), ("05T19:00", 2), ("05T14:00", 1), ("05T08:00", 0)]
)
def test_a_shorter_span_leaves_stops_out_and_the_rover_still_parks(tmp_path, end, visited):
    text = PLACES.replace("2028-07-06T12:00", f"2028-07-{end}")
    # What people decide before the rover leaves a stop takes longer than first routes count on.
    text = text.replace('"laser" }]', '"laser", received = true, decide_min = 150 }]')
    text = text.replace(PARK, PARK + 'parking = { stop = ["lander"] }\n')
    (tmp_path / "s.toml").write_text(text)
    environment = make_environment(read_scenario(tmp_path / "s.toml"))
    found = routed(environment, "low", Event(), lambda line: None)
    assert found.first is not None and not found.first.lacks_required_runs()
    drives = [a for a in found.environment.scenario.activity if isinstance(a, DriveActivity)]
    places = ["lander", *(drive.leg.end for drive in drives if drive.is_last)]
    assert places[-1] == "lander" and len(set(places)) - 1 == visited


def with_far_look(required, hours, lasers):
    """Ten hours or so in which the rover reaches R1 and R2, worth far more, or R3 with a look."""
    raw = tomllib.loads(PLACES)
    raw["span"]["end_utc"] = raw["span"]["end_utc"].replace(day=5, hour=hours)
    raw["activity"][0] |= {"at": ["R1", "R2"], "count": lasers}
    raw["instrument"].append({"name": "camera head", "platform": "rover"})
    look = {"name": "look", "instrument": "camera head", "at": ["R3"], "duration_min": 30}
    raw["activity"].append(look | {"power_w": 5.0, "data_mbit": 2.0, "count": 1})
    goal = {"name": "far look", "runs_of": ["look"], "over": "stop", "value": 0.5}
    raw["goal"] = [goal | {"minimum": {"bins": 1}, "required": required}]
    return make_environment(scenario_from(raw))


def places_on(found):
    drives = [a for a in found.environment.scenario.activity if isinstance(a, DriveActivity)]
    return [drive.leg.end for drive in drives if drive.is_last and drive.visited]


def test_the_route_leads_to_a_stop_that_a_required_minimum_needs():
    wanted, needed = (
        routed(with_far_look(how, 8, lasers=1), "low", Event(), lambda line: None)
        for how in ("none", "minimum")
    )
    assert places_on(wanted) == ["R1"] and places_on(needed) == ["R3"]
    assert not needed.first.lacks_required_runs()


def test_a_stay_ends_before_all_is_done_if_a_required_run_elsewhere_would_not_fit():
    """Twelve runs at R1 leave no time for R3; the plan has as many of them as leave it."""
    found = routed(with_far_look("minimum", 10, lasers=12), "normal", Event(), lambda line: None)
    assert places_on(found) == ["R1", "R3"] and not found.first.lacks_required_runs()
    runs = {t.name: len(r) for t, r in zip(found.first.problem.tasks, found.first.runs)}
    assert runs["look at R3"] == 1 and 2 <= runs["laser at R1"] < 12


def test_without_any_route_to_what_is_required_there_is_no_plan():
    with pytest.raises(Infeasible, match="no route was found on which all required runs"):
        routed(with_far_look("minimum", 5, lasers=1), "low", Event(), lambda line: None)


def test_a_required_stop_that_no_drive_reaches_is_told_with_the_reason():
    raw = tomllib.loads(PLACES)
    raw["platform"][1]["drive"]["when"] = {"sun_elevation_deg": [89, 90]}
    raw["activity"][0]["must"] = 1
    environment = make_environment(scenario_from(raw))
    with pytest.raises(Infeasible, match='stop "R1": no drive to it can start in the span'):
        routed(environment, "low", Event(), lambda line: None)


def test_of_equal_plans_drives_that_are_not_on_the_way_ahead_count_for_nothing():
    """As in a replan, whose scenario has the drives of the old way too."""
    scenario = scenario_from(tomllib.loads(PLACES))
    ways = [Route("rover", ("lander", *stops)) for stops in (("R1", "R2"), ("R1",))]
    longer, new, old_too = (
        on_route(scenario, ways[:1]),
        on_route(scenario, ways[1:]),
        on_route(on_route(scenario, ways[:1]), ways[1:]),
    )
    driven = []
    for on_it in (longer, new, old_too):
        environment = make_environment(on_it)
        way = Itinerary((ways[on_it is not longer],), ((0,) * (1 + (on_it is longer)),))
        plan = laid_out(on_it, build_problem(environment), way).booking
        driven.append(-Found(way, environment, plan).merit[2])
    assert driven[0] > driven[1] == driven[2] > 0
