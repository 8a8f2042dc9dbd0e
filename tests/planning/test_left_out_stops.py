"""Why a stop was left out, and what lets it in: each is a plan that was made, and can be again."""

import tomllib
from threading import Event

import pytest
from tools.places import PLACES

from obsplan.analysis.traverse import drives_and_stops_left_out
from obsplan.analysis.visits import left_out, visits
from obsplan.checking.check import check_timeline
from obsplan.environment.build import make_environment
from obsplan.environment.key_changes import changed
from obsplan.inputs.read_scenario import scenario_from
from obsplan.planning.plan import make_plan
from obsplan.planning.reasons.stop_wording import (
    StopBeyond,
    StopCosts,
    StopUnreached,
    VisitedIf,
)
from obsplan.reporting.text.stop_lines import stop_lines


def world(hours=13, battery=None, array=True):
    """R1, R2 and R3 around the lander, with a day of so many hours."""
    raw = tomllib.loads(PLACES)
    raw["span"]["end_utc"] = raw["span"]["end_utc"].replace(day=5, hour=hours)
    rover = raw["platform"][1]
    rover["battery"] |= battery or {}
    rover["array"] = rover["array"] if array else []
    return make_environment(scenario_from(raw))


def answers_of(plan):
    """The answer of each stop that is left out, by its name."""
    stops = {a.name: a.stop for a in plan.environment.scenario.activity if hasattr(a, "stop")}
    return {stops[n]: a for n, a in plan.answers.items() if n in stops}


def test_time_is_short_and_a_quicker_decision_or_drive_lets_a_stop_in_as_told():
    environment = world(hours=11)
    plan = make_plan(environment, effort="low")
    (name, answer), *_ = answers_of(plan).items()
    assert isinstance(answer.reason, StopCosts) and answer.reason.limit == "time"
    assert answer.reason.loss >= 0 and answer.reason.without
    assert answer.reason.value == pytest.approx(plan.value - answer.reason.loss)
    assert isinstance(answer.fix, VisitedIf) and answer.fix.change.path[0] == "drive"
    # Whoever makes the change finds the stop visited, by a plan that the referee accepts.
    better = make_plan(changed(environment, answer.fix.change), effort="low")
    reached = {v.stop for v in visits(better, "rover")}
    assert name in reached and better.value > plan.value
    assert check_timeline(better.environment, better.timeline).is_valid


def test_all_who_tell_of_a_stop_left_out_use_the_same_words():
    plan = make_plan(world(hours=11), effort="low")
    (missed,) = left_out(plan, "rover")
    answer = answers_of(plan)[missed.stop]
    row = plan.unplaced.set_index("activity").loc[f"laser at {missed.stop}"]
    assert row["reason"] == f"its stop is left out: {missed.reason}"
    assert row["would_fit_if"] == missed.visited_if == str(answer.fix)
    table = drives_and_stops_left_out(plan)
    last = table.iloc[-1]
    assert (last["state"], last["stop"]) == ("left out", missed.stop)
    assert (last["reason"], last["visited_if"]) == (missed.reason, missed.visited_if)
    assert (table["reason"][:-1] == "").all()
    (line,) = stop_lines(plan)
    assert missed.reason in line and missed.visited_if in line and f'"{missed.stop}"' in line


def test_a_stop_that_the_battery_does_not_reach_says_so():
    environment = world(battery={"capacity_wh": 80.0}, array=False)
    answers = answers_of(make_plan(environment, effort="low"))
    assert answers
    for answer in answers.values():
        assert isinstance(answer.reason, StopBeyond) and answer.reason.limit == "charge"
        assert "charge" in str(answer.reason)
        if isinstance(answer.fix, VisitedIf):
            assert answer.fix.change.path[0] in ("battery", "drive")


def test_a_stop_without_light_on_the_way_says_why_no_drive_starts():
    raw = tomllib.loads(PLACES)
    raw["platform"][1]["drive"]["when"] = {"sun_elevation_deg": [89, 90]}
    plan = make_plan(make_environment(scenario_from(raw)), effort="low")
    reasons = [answer.reason for answer in answers_of(plan).values()]
    assert len(reasons) == 3 and all(isinstance(reason, StopUnreached) for reason in reasons)
    assert "no drive to it can start in the span" in str(reasons[0])


def test_a_stop_that_is_worth_too_little_is_let_in_by_its_value():
    raw = tomllib.loads(PLACES)
    raw["span"]["end_utc"] = raw["span"]["end_utc"].replace(day=5, hour=11)
    raw["stop"][2]["value_factor"] = 0.1
    environment = make_environment(scenario_from(raw))
    plan = make_plan(environment, effort="low")
    assert [each.stop for each in left_out(plan, "rover")] == ["R3"]
    assert answers_of(plan)["R3"].reason.loss > 0


def test_once_patience_ran_out_no_stop_is_analysed():
    from obsplan.planning.left_out.why import why_left_out
    from obsplan.planning.replayed import Replayed, replay_of
    from obsplan.planning.routed import routed

    way = routed(world(hours=11), "low", Event(), lambda line: None)
    expired = Event()
    expired.set()
    plan = Replayed(way.first, replay_of(way.environment)(way.first))
    answers = why_left_out(way.chosen, plan, way.first.value(), replay_of, expired)
    assert answers and {str(a.reason) for a in answers.values()} == {
        "not analysed: patience ran out"
    }
