"""A quick plan that the replay by the minute bears, or what there is when time is up."""

from dataclasses import replace
from threading import Event

import numpy as np
import pandas as pd
import pytest
from tools.small import START, platform, scenario, world
from tools.tiny import level_node, task

from obsplan.checking.user_rules import with_rule
from obsplan.checking.violation import Violation
from obsplan.common.errors import Infeasible
from obsplan.planning.minute_repair import (
    MOST_REPAIRS,
    _repaired,
    lighter_plan,
    tightened,
    tightened_problem,
    valid_plan,
)
from obsplan.planning.plan import make_plan
from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.definition import Problem
from obsplan.planning.problem.from_scenario import build_problem
from obsplan.planning.replayed import replay_of
from obsplan.planning.search.first_plan import NoPlaceFound, quick_plan

HOUR = pd.Timedelta(hours=1)


def lean():
    """A run takes 20 of the 22 Wh above the reserve, in steps; 10 Wh come at the end of each.

    So by the minute the last quarter of an hour begins with 7 Wh and takes 10 before that.
    """
    part = platform(battery={"capacity_wh": 100.0, "reserve": 0.2, "start": 0.42})
    scene = scenario({"name": "heater", "power_w": 60.0}, platforms=[part], hours=3)
    return scene, world(scene, generation_w=np.where(np.arange(180) % 15 < 10, 0.0, 120.0))


def test_more_is_kept_in_reserve_until_the_replay_agrees():
    scene, around = lean()
    question = build_problem(around)
    spared, booking = tightened_problem(around, question)
    assert replay_of(around)(booking).is_valid and len(booking.runs[0]) == 1
    assert spared.nodes[0].reserve_wh > question.nodes[0].reserve_wh


def test_a_shortage_leaves_alone_the_platform_that_an_activity_is_named_like():
    parts = [
        platform(battery={"capacity_wh": 100.0, "reserve": 0.2, "start": 0.42}),
        platform("rover", kind="rover"),
    ]
    scene = scenario({"name": "rover", "power_w": 60.0}, platforms=parts, hours=3)
    around = world(scene, generation_w=np.where(np.arange(180) % 15 < 10, 0.0, 120.0))
    question = build_problem(around)
    spared, _ = tightened_problem(around, question)
    names = [node.name for node in spared.nodes]
    more_wh = {
        name: after.reserve_wh - before.reserve_wh
        for name, after, before in zip(names, spared.nodes, question.nodes)
    }
    assert more_wh["lander"] > 0 and more_wh["rover"] == 0


def test_a_plan_that_the_replay_refuses_is_made_lighter_in_a_stricter_problem():
    scene, around = lean()
    judge = replay_of(around)
    plan = quick_plan(build_problem(around))
    assert not plan.flow.short and not judge(plan).is_valid
    found = lighter_plan(plan, judge)
    assert judge(found).is_valid and len(found.runs[0]) == 1
    assert found.problem.nodes[0].reserve_wh > plan.problem.nodes[0].reserve_wh
    assert lighter_plan(found, judge) is None


def test_a_shortage_drops_no_run_of_a_platform_with_a_similar_name():
    steps = 300
    starts = np.arange(steps) < steps - 1
    wanted = {"starts": starts, "bins": np.zeros(steps, int), "preference": np.zeros(steps)}
    draws = {"load_w": np.array([100.0]), "peak_w": np.array([100.0])}
    tasks = (
        task("cheap", value=1.0, **wanted),
        task("dear", value=5.0, node=1, **draws, **wanted),
    )
    nodes = [level_node(steps, name="rover"), level_node(steps, name="rover 2")]
    booking = Booking(Problem(steps, 0.25, tasks, tuple(nodes), frozenset()))
    for i in (0, 1):
        booking.add(i, 200)
    nodes[1] = replace(nodes[1], reserve_wh=80.0)
    tighter = replace(booking.problem, nodes=tuple(nodes))
    assert _repaired(booking, tighter).runs == [[200], []]


def test_when_time_is_up_the_first_is_taken_as_it_is():
    scene, around = lean()
    question, up, made = build_problem(around), Event(), []
    up.set()

    def judge(booking):
        made.append(booking)
        return replay_of(around)(booking)

    spared, booking = tightened_problem(around, question, replay=judge, stop=up)
    assert spared is question and made == [booking]
    assert not replay_of(around)(booking).is_valid


def test_question_without_a_place_for_required_runs_has_no_quick_plan():
    scene = scenario({"name": "a", "must": 1, "power_w": 500.0}, hours=2)
    around = world(scene)
    with pytest.raises(NoPlaceFound, match='"a"'):
        tightened_problem(around, build_problem(around))


def camera_rule(name, is_broken, slots=lambda run: (run.slot,)):
    """A rule of one's own that names every camera run for which `is_broken(run, earlier)`."""

    def rule(environment, runs):
        earlier = []
        for run in runs[runs["activity"] == "camera"].itertuples():
            if is_broken(run, earlier):
                yield Violation(name, run.start_utc, 1.0, "run", "not here", "", slots=slots(run))
            earlier.append(run)

    return rule


def test_runs_that_break_an_own_rule_are_dropped_or_moved():
    scene = scenario({"name": "camera", "count": 4}, {"name": "other", "count": 2}, hours=24)
    far = camera_rule("12 h", lambda run, e: e and run.start_utc - e[-1].start_utc < 12 * HOUR)
    environment = with_rule(world(scene), "12 h between camera runs", far)
    made = make_plan(environment)
    starts = made.timeline.loc[made.timeline["activity"] == "camera", "start_utc"]
    assert made.verdict.is_valid and "12 h between camera runs" in made.verdict.rules
    assert len(starts) == 2 and starts.diff().iloc[1] >= 12 * HOUR
    assert (made.timeline["activity"] == "other").sum() == 2


def test_a_required_run_moves_for_an_own_rule_and_what_waits_for_it_too():
    scene = scenario(
        {"name": "camera", "must": 1},
        {"name": "other", "count": 2, "after": [{"activity": "camera"}]},
        hours=24,
    )
    late = camera_rule("late", lambda run, _: run.start_utc < START + 8 * HOUR)
    made = make_plan(with_rule(world(scene), "late", late))
    assert made.timeline["start_utc"].min() >= START + 8 * HOUR and len(made.timeline) == 3


def test_an_own_rule_in_watt_hours_does_not_tighten_the_reserve():
    def budget(environment, runs):
        yield Violation("budget", START, 5.0, "Wh", "too much", "", platform="lander")

    environment = with_rule(world(scenario({"name": "camera"})), "budget", budget)
    problem = build_problem(environment)
    verdict = replay_of(environment)(quick_plan(problem))
    assert [violation.rule for violation in verdict.found] == ["budget"]
    assert tightened(problem, verdict).nodes[0].reserve_wh == problem.nodes[0].reserve_wh


def test_a_required_run_finds_the_one_start_that_an_own_rule_leaves():
    scene = scenario({"name": "camera", "must": 1}, hours=48)
    only = START + 37.25 * HOUR
    narrow = camera_rule("narrow", lambda run, _: run.start_utc != only)
    made = make_plan(with_rule(world(scene), "narrow", narrow))
    assert made.timeline["start_utc"].tolist() == [only]


def test_an_own_rule_costs_no_more_than_it_must():
    """Next to each other only one of a and b may run; there is room for both, apart."""

    def apart(environment, runs):
        times = runs.set_index("slot")["start_utc"]
        for one, two in zip(times.index, times.index[1:]):
            if times[two] - times[one] < 3 * HOUR:
                slots = (one, two)
                yield Violation("apart", times[two], 1.0, "run", "too near", "", slots=slots)

    scene = scenario({"name": "a", "count": 2}, {"name": "b", "value": 5.0}, hours=8, step_min=60)
    made = make_plan(with_rule(world(scene), "apart", apart))
    assert made.verdict.is_valid and made.value == 7.0


def test_the_last_plan_that_no_repair_makes_valid_is_the_one_that_is_quoted():
    scene = scenario({"name": "a", "must": 1}, hours=24)
    environment = world(scene)
    problem, said = build_problem(environment), []
    sound = replay_of(environment)

    def never(booking):
        said.append(booking)
        short = Violation("storage", START, 1.0, "Mbit", f"try {len(said)}", "", platform="lander")
        return replace(sound(booking), found=(short,))

    with pytest.raises(Infeasible, match=f"the first: try {MOST_REPAIRS + 1};"):
        valid_plan(environment, problem, quick_plan(problem), None, never)


def test_a_bus_over_its_limit_by_the_minute_takes_less_in_the_repaired_plan():
    """Two runs of 40 W share the day; a replay says that of 80 W on the bus 10 are too much."""
    asked = {"power_w": 40.0, "when": {"sun_elevation_deg": [5.0, 5.5]}, "count": 1}
    scene = scenario({"name": "a", "value": 2.0} | asked, {"name": "b"} | asked, hours=1)
    environment = world(scene, generation_w=100.0)
    problem, sound = build_problem(environment), replay_of(environment)
    seen = []

    def strict(booking):
        seen.append(booking.peak_w.max())
        over = Violation("bus power", START, 10.0, "W", "over", "", platform="lander")
        return replace(sound(booking), found=(over,) if seen[-1] > 70 else ())

    plan, _ = valid_plan(environment, problem, quick_plan(problem), None, strict)
    assert [len(runs) for runs in plan.runs] == [1, 0]
    assert seen[0] == 80.0 and len(seen) <= 5


def test_a_large_plan_that_overloads_the_bus_drops_a_run_of_that_time():
    steps = 300
    level = {"load_w": np.array([40.0]), "peak_w": np.array([40.0])}
    level |= {"starts": np.ones(steps, bool), "bins": np.zeros(steps, int)}
    level |= {"preference": np.zeros(steps)}
    tasks = task("a", value=2.0, count=1, **level), task("b", count=2, **level)
    node = level_node(steps, generation_w=100.0)
    booking = Booking(Problem(steps, 0.25, tasks, (node,), frozenset()))
    for i, start in ((0, 200), (1, 200), (1, 250)):
        booking.add(i, start)
    lower = replace(booking.problem, nodes=(replace(node, bus_limit_w=70.0),))
    repaired = _repaired(booking, lower)
    assert repaired.fits_bus() and repaired.runs[0] == [200] and 250 in repaired.runs[1]


def test_an_own_rule_that_no_plan_keeps_is_named():
    scene = scenario({"name": "camera", "must": 1}, hours=24)
    never = camera_rule("never", lambda run, _: True, slots=lambda run: ())
    with pytest.raises(Infeasible, match='no plan keeps the rule "never": not here'):
        make_plan(with_rule(world(scene), "never", never))


def test_an_own_rule_that_asks_for_runs_is_no_fault_of_an_empty_timeline():
    def enough(environment, runs):
        if len(runs) < 2:
            yield Violation("enough", START, 2.0 - len(runs), "run", "too few runs", "add some")

    scene = scenario({"name": "camera", "count": 2}, hours=24)
    made = make_plan(with_rule(world(scene), "enough", enough))
    assert made.verdict.is_valid and len(made.timeline) == 2
