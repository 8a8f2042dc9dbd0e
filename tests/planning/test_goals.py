"""Goals: planner, referee and a count by hand agree on what runs are worth, and none is paid twice.

No outside source counts runs in bins; the checks are closed forms, today's coverage and every plan.
"""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from tools.brute import accepted_worth, timeline_worth
from tools.small import START, cases, platform, scenario, slots, world

from obsplan.analysis.goal_table import goal_table
from obsplan.checking.check import check_timeline
from obsplan.checking.goal_runs import goal_runs
from obsplan.common.errors import Infeasible
from obsplan.inputs.goal import Goal
from obsplan.inputs.pin import Pin
from obsplan.operations.replan import make_replan
from obsplan.planning.plan import make_plan

SWEEP = {"name": "sweep", "duration_min": 30, "data_mbit": 1.0, "gap_min": 30}


def goal(**keys) -> Goal:
    given = {"name": "heights", "runs_of": ["sweep"], "value": 12.0} | keys
    return Goal.model_validate(given)


def with_goals(*goals, activities=(SWEEP,), hours=12.0, **parts):
    """A scenario of these activities with goals, which give them counts unless they have one."""
    asked = [{"count": 6, "value": 0.0} | a for a in activities]
    scene = scenario(*asked, hours=hours, **parts)
    return scene.model_copy(update={"goal": goals})


def planned(environment):
    made = make_plan(environment)
    assert made.verdict.is_valid and made.bound >= made.value - 1e-9
    assert made.timeline["value"].sum() == pytest.approx(made.value)
    return made


@settings(max_examples=25)
@given(case=cases(hours=(2, 3), activities=(1, 3)))
def test_no_valid_timeline_beats_the_bound_with_goals(case):
    assume(case.scenario.goal)
    try:
        bound = make_plan(case).bound
    except Infeasible:
        bound = -1.0
    assert accepted_worth(case, above=bound + 1e-9, tries=40) is None


@pytest.mark.parametrize("edges", [[0, 4, 8, 12], [0, 1, 2, 12]])
def test_a_goal_of_one_activity_that_counts_when_done_is_todays_coverage(edges):
    """Each bin wants one run, worth its share of the goal, and all starts are in bins."""
    bins = len(edges) - 1
    coverage = {"over": "span_h", "edges": edges}
    asked = SWEEP | {"count": bins, "value": 4.0, "repeat_worth": 0.0, "coverage": coverage}
    covered = planned(world(scenario(asked, hours=12.0)))
    wanted = goal(over="span_h", edges=edges, value=4.0 * bins, counted="done")
    scene = with_goals(wanted, activities=[SWEEP | {"count": bins, "value": 0.0}])
    served = planned(world(scene))
    assert served.value == covered.value == 4.0 * bins
    assert list(served.timeline["start_utc"]) == list(covered.timeline["start_utc"])


def test_runs_of_several_activities_share_the_counters_of_a_goal():
    long = SWEEP | {"name": "long", "duration_min": 60}
    wanted = goal(runs_of=["sweep", "long"], over="span_h", edges=[0, 6, 12], runs_each=2)
    made = planned(world(with_goals(wanted, activities=[SWEEP, long])))
    assert made.value == pytest.approx(12.0)
    # Four runs are worth all; a fifth would be paid twice.
    assert (made.timeline["value"] > 0).sum() == 4


def test_the_minimum_is_paid_first_and_in_the_best_bins_only():
    """Two bins with two runs are worth 10 of 12; one run in each of three is worth 10 / 4 * 2 + 1.

    Of the runs in a third bin none counts towards the minimum: 2 / 4 of what is left.
    """
    keys = {"over": "span_h", "edges": [0, 3, 6, 9], "runs_each": 2, "counted": "done"}
    wanted = goal(**keys, minimum={"bins": 2, "runs_each": 2}, minimum_value=10.0)
    scene = with_goals(wanted)
    rows = {
        ((0, 60, 180, 240), 10.0),
        ((0, 180, 360), 2.5 * 2 + 1.0 + 2.5 - 2.5),
        ((0, 60, 180, 240, 360), 11.0),
        ((0, 60, 120), 5.0),
    }
    for minutes, worth in rows:
        table = slots(*(("sweep", minute) for minute in minutes))
        environment = world(scene)
        counted = goal_runs(environment, table, check_timeline(environment, table).resources)
        assert [run.bin for run in counted] == [minute // 180 for minute in minutes]
        assert timeline_worth(environment, [minutes]) == pytest.approx(worth)


def test_together_a_bin_needs_a_run_of_every_activity():
    ray = SWEEP | {"name": "ray", "count": 1}
    keys = {"over": "span_h", "edges": [0, 4, 8, 12], "together": True, "runs_of": ["sweep", "ray"]}
    made = planned(world(with_goals(goal(**keys), activities=[SWEEP, ray])))
    assert made.value == pytest.approx(4.0)
    bins = {
        name: set((own["start_utc"] - START) // pd.Timedelta(hours=4))
        for name, own in made.timeline.groupby("activity")
        if name in ("sweep", "ray")
    }
    assert bins["ray"] <= bins["sweep"]


def test_a_run_whose_data_cannot_reach_earth_does_not_count():
    """After six hours there is no contact, so that only what is taken before counts."""
    contact = np.arange(12 * 60) < 6 * 60
    columns = {"in_contact": contact, "rate_kbps": np.where(contact, 20.0, 0.0)}
    wanted = {"over": "span_h", "edges": [0, 6, 12]}
    received = planned(world(with_goals(goal(**wanted)), **columns))
    done = planned(world(with_goals(goal(**wanted, counted="done")), **columns))
    assert (received.value, done.value) == (pytest.approx(6.0), pytest.approx(12.0))
    assert received.bound == pytest.approx(6.0)


def test_data_that_stay_aboard_at_the_end_take_the_worth_of_their_runs_along():
    """Two runs of 6 Mbit, and one of them is all that the link carries by the end."""
    big = SWEEP | {"data_mbit": 6.0, "count": 2, "contact": "none"}
    wanted = goal(over="span_h", edges=[0, 1, 2])
    scene = with_goals(
        wanted,
        activities=[big],
        hours=2.0,
        platforms=[platform(radio={"transmit_w": 0.0, "rate_kbps": 1.0})],
    )
    made = planned(world(scene, rate_kbps=1.0))
    counted = goal_runs(made.environment, made.timeline, made.verdict.resources)
    assert made.value == pytest.approx(6.0 * np.isfinite([run.counts_min for run in counted]).sum())
    assert made.value < 12.0


def test_a_replan_counts_what_has_run_once():
    wanted = goal(over="span_h", edges=[0, 4, 8, 12], minimum={"bins": 2}, minimum_value=10.0)
    environment = world(with_goals(wanted))
    made = planned(environment)
    now = (START + pd.Timedelta(hours=6)).to_pydatetime()
    again = make_replan(environment, made.timeline, now)
    assert again.plan.value == pytest.approx(made.value) == pytest.approx(12.0)
    assert again.plan.bound >= again.plan.value


def test_what_a_replan_changes_sums_to_the_difference_in_value():
    """The old plan has three runs in one bin, which are worth as much as one."""
    wanted = goal(over="span_h", edges=[0, 6, 9, 12])
    environment = world(with_goals(wanted))
    old = slots(("sweep", 0), ("sweep", 420), ("sweep", 480))
    old["end_utc"] = old["start_utc"] + pd.Timedelta(minutes=30)
    old["state"] = "planned"
    now = (START + pd.Timedelta(hours=1)).to_pydatetime()
    again = make_replan(environment, old, now, keep=0.0)
    assert again.plan.value == pytest.approx(12.0)
    assert again.old_value == pytest.approx(8.0)


def test_a_pinned_run_counts_towards_a_goal_like_any_other():
    wanted = goal(over="span_h", edges=[0, 4, 8, 12])
    environment = world(with_goals(wanted))
    pins = (Pin(activity="sweep", start_utc=(START + pd.Timedelta(hours=5)).to_pydatetime()),)
    scene = environment.scenario.model_copy(update={"pin": pins})
    made = planned(replace(environment, scenario=scene))
    assert made.value == pytest.approx(12.0)
    assert (made.timeline["value"] > 0).sum() == 3


def test_a_run_that_keeps_a_dearer_one_aboard_is_left_out():
    """The link carries 7.2 Mbit in all: 6 of the big run, worth 3, or 3 of the small one, worth 12.

    Of both only the one that was taken first comes home.
    """
    big = SWEEP | {"name": "big", "duration_min": 60, "data_mbit": 6.0, "count": 1, "gap_min": 0}
    small = big | {"name": "small", "data_mbit": 3.0}
    scene = with_goals(
        goal(runs_of=["big"], value=3.0),
        goal(name="other", runs_of=["small"], value=12.0),
        activities=[big, small],
        hours=2.0,
        platforms=[platform(radio={"transmit_w": 0.0, "rate_kbps": 1.0})],
    )
    made = planned(world(scene, rate_kbps=1.0))
    assert made.value == pytest.approx(12.0)
    assert set(made.timeline["activity"]) & {"big", "small"} == {"small"}


@settings(max_examples=25)
@given(case=cases(hours=(2, 4)), rate=st.sampled_from([0.2, 0.5, 1.0]))
def test_on_a_tight_link_the_value_is_what_the_table_of_goals_counts(case, rate):
    assume(case.scenario.goal)
    goals = tuple(g.model_copy(update={"counted": "received"}) for g in case.scenario.goal)
    alone = tuple(a.model_copy(update={"value": 0.0}) for a in case.scenario.activity)
    scene = case.scenario.model_copy(update={"goal": goals, "activity": alone})
    slow = {
        name: table.assign(rate_kbps=np.minimum(table["rate_kbps"], rate))
        for name, table in case.platforms.items()
    }
    try:
        made = make_plan(replace(case, scenario=scene, platforms=slow))
    except Infeasible:
        return
    told = goal_table(made)
    assert told["value"].sum() == pytest.approx(made.value)
    assert made.value <= made.bound + 1e-9


def test_a_shortened_run_counts_in_full_and_one_off_the_grid_where_it_began():
    """Reported at 3:56, in a bin that ends at 3:54; 10 of 30 min of another."""
    wanted = goal(over="span_h", edges=[0, 3.9, 8, 12], counted="done")
    environment = world(with_goals(wanted))
    old = slots(("sweep", 60), ("sweep", 236))
    old["end_utc"] = old["start_utc"] + pd.to_timedelta([10, 30], unit="min")
    old["state"] = ["shortened", "done"]
    now = (START + pd.Timedelta(hours=5)).to_pydatetime()
    again = make_replan(environment, old, now).plan
    told = goal_table(again)
    assert again.value == pytest.approx(told["value"].sum()) == pytest.approx(12.0)
    assert again.value <= again.bound + 1e-9


def test_a_required_run_that_a_goal_wants_is_not_given_up_for_a_cheaper_one():
    """One slot is left for two required runs; one of them is worth a hundred times the other."""
    dear = SWEEP | {"name": "dear", "must": 1, "count": 1}
    cheap = dear | {"name": "cheap", "value": 1.0}
    wanted = goal(runs_of=["dear"], value=100.0, counted="done")
    scene = with_goals(wanted, activities=[cheap, dear], hours=2.0)
    scene = scene.model_copy(
        update={
            "platform": tuple(p.model_copy(update={"one_at_a_time": True}) for p in scene.platform)
        }
    )
    old = slots(("cheap", 0), ("dear", 30))
    old["end_utc"] = old["start_utc"] + pd.Timedelta(minutes=30)
    old["state"] = "failed"
    now = (START + pd.Timedelta(minutes=80)).to_pydatetime()
    again = make_replan(world(scene), old, now)
    assert again.plan.value == pytest.approx(100.0)


def test_a_replan_tells_one_value_and_judges_plans_by_what_comes_home():
    """The old plan has the bigger run alone; the smaller one, of lower priority, is worth more."""
    big = SWEEP | {"name": "big", "duration_min": 60, "data_mbit": 6.0, "count": 1, "gap_min": 0}
    small = big | {"name": "small", "data_mbit": 3.0, "priority": 4}
    scene = with_goals(
        goal(runs_of=["big"], value=3.0),
        goal(name="other", runs_of=["small"], value=12.0),
        activities=[big, small],
        hours=2.0,
        platforms=[platform(radio={"transmit_w": 0.0, "rate_kbps": 1.0})],
    )
    old = slots(("big", 60))
    old["end_utc"] = old["start_utc"] + pd.Timedelta(minutes=60)
    old["state"] = "planned"
    again = make_replan(world(scene, rate_kbps=1.0), old, START.to_pydatetime(), keep=0.0)
    (chosen,) = again.price_list[again.price_list["chosen"]].itertuples()
    assert chosen.value == pytest.approx(again.plan.value)
    assert again.old_value == pytest.approx(0.0)
    assert goal_table(again.plan)["value"].sum() == pytest.approx(again.plan.value)
