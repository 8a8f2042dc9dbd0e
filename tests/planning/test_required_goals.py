"""Goals whose minimum is required: no plan without it."""

from dataclasses import replace
from datetime import timedelta
from threading import Event

import pytest
from tools.small import platform, scenario_table, slots, world

from obsplan.checking.check import check_timeline
from obsplan.common.errors import Infeasible
from obsplan.inputs.read_scenario import scenario_from
from obsplan.inputs.telemetry_file import Outage, State
from obsplan.operations.replan import make_replan
from obsplan.operations.telemetry import with_telemetry
from obsplan.planning.plan import make_plan
from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.from_scenario import build_problem
from obsplan.planning.reasons.audit import audit
from obsplan.planning.reasons.finding import Severity
from obsplan.planning.search.greedy import greedy_plan
from obsplan.planning.search.ruin_and_recreate import ruin_and_recreate

GOAL = {
    "name": "looks",
    "runs_of": ["look"],
    "over": "span_h",
    "edges": [0, 4, 8],
    "runs_each": 2,
    "minimum": {"bins": 2},
    "value": 4.0,
    "minimum_value": 2.0,
    "required": "minimum",
}


def day(*, fills=8, hours=8, part=None, goal=None, **look):
    """A day of 8 h in which runs of a far more valuable activity exclude those of the goal."""
    table = scenario_table(
        {"name": "look", "count": 4, "duration_min": 60, "power_w": 5.0, "data_mbit": 6.0} | look,
        {"name": "fill", "value": 50.0, "count": fills, "not_with": ["look"], "power_w": 5.0},
        platforms=[part or platform()],
        hours=hours,
        step_min=60,
    )
    table["activity"][0].pop("value", None)
    return table | {"goal": [GOAL | (goal or {})]}


def bins_of(timeline):
    """In which half of the day the runs of the goal are."""
    looks = timeline[timeline["activity"] == "look"]
    return set((looks["start_utc"].dt.hour // 4).tolist())


@pytest.mark.parametrize("counted", ["received", "done"])
def test_a_plan_gives_up_more_value_for_a_required_minimum(counted):
    wanted, required = (
        make_plan(
            world(scenario_from(day(goal={"counted": counted, "required": how})), generation_w=60.0)
        )
        for how in ("none", "minimum")
    )
    assert bins_of(wanted.timeline) == set() and wanted.value == pytest.approx(400.0)
    assert bins_of(required.timeline) == {0, 1}
    assert required.value == pytest.approx(6 * 50.0 + 2.0)
    assert required.value <= required.bound <= 302.001


def test_the_search_never_loses_a_required_minimum():
    problem = build_problem(world(scenario_from(day()), generation_w=60.0))
    start = greedy_plan(problem)
    assert not start.lacks_required_runs() and start.problem is problem
    better = list(ruin_and_recreate(start, Event(), 1, 200))
    assert all(not plan.lacks_required_runs() for plan in better)
    assert max([start, *better], key=Booking.value).value() == pytest.approx(302.0)
    assert Booking(problem).lacks_required_runs()
    free = replace(problem, goals=tuple(replace(g, required=False) for g in problem.goals))
    assert not Booking(free).lacks_required_runs()


def test_the_referee_asks_for_the_minimum_and_counts_by_itself():
    environment = world(scenario_from(day()), generation_w=60.0)
    there = check_timeline(environment, slots(("look", 0), ("look", 300)))
    assert there.is_valid
    (violation,) = check_timeline(environment, slots(("look", 0), ("look", 120))).found
    assert (violation.rule, violation.goal, violation.amount) == ("required goal", "looks", 1.0)
    assert 'goal "looks" requires its minimum: 1 of its bins have a run on Earth' in (
        violation.message
    )
    # Data of the last hour are on Earth too late: the link is up in the first half alone.
    late = [1000.0] * 240 + [0.0] * 240
    far = world(scenario_from(day()), generation_w=60.0, rate_kbps=late)
    (violation,) = check_timeline(far, slots(("look", 0), ("look", 300))).found
    assert violation.rule == "required goal"
    done = world(scenario_from(day(goal={"counted": "done"})), rate_kbps=late, generation_w=60.0)
    assert check_timeline(done, slots(("look", 0), ("look", 300))).is_valid


def test_what_rules_a_required_minimum_out_is_told():
    table = day(when={"sun_elevation_deg": [0, 6]})  # the Sun is higher in the second half
    environment = world(scenario_from(table), generation_w=60.0)
    with pytest.raises(Infeasible, match='"looks" requires a run in 2 of its bins; "look" needs'):
        make_plan(environment)
    found = audit(environment).iloc[0]
    assert found["severity"] == Severity.INFEASIBLE and 'goal "looks"' in found["where"]
    assert "its minimum cannot be reached" in found["finding"]


def test_rules_that_conflict_with_a_required_minimum_are_named():
    """Two runs an hour apart fit the windows; the battery feeds but one of them."""
    part = platform(battery={"capacity_wh": 20.0, "reserve": 0.2, "start": 0.9})
    table = day(fills=1, part=part, power_w=12.0)
    environment = world(scenario_from(table), generation_w=0.0, base_load_w=0.0)
    with pytest.raises(Infeasible) as told:
        make_plan(environment)
    assert 'goal "looks" requires a run in 2 of its bins' in str(told.value)
    assert "reserve" in str(told.value)


def test_a_replan_gives_up_a_required_minimum_that_is_out_of_reach_and_says_so():
    environment = world(scenario_from(day()), generation_w=60.0)
    plan = make_plan(environment)
    start_utc = environment.scenario.span.start_utc
    now = start_utc + timedelta(hours=1)
    out = State(at_utc=now, instrument=(Outage(name="look", from_utc=now),))
    there = with_telemetry(environment, out)
    again = make_replan(there, plan.timeline, now, freeze=timedelta(0))
    assert 'the required minimum of goal "looks" is out of reach' in " ".join(again.assumptions)
    assert [v.rule for v in again.plan.verdict.found] == ["required goal"]
    kept = make_replan(environment, plan.timeline, now, freeze=timedelta(0))
    assert kept.plan.verdict.is_valid and bins_of(kept.plan.timeline) == {0, 1}
