"""What is told of goals: counts and times of the referee, and what is missing and why."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import assume, given, settings
from tools.plans import plan_of
from tools.small import START, cases, scenario, slots, world

from obsplan.analysis.goal_columns import ALL_BINS, GOAL_COLUMNS
from obsplan.analysis.goal_table import counters, goal_course, goal_table
from obsplan.analysis.missing_runs import missing_places, requested_runs
from obsplan.common.errors import Infeasible
from obsplan.inputs.goal import Goal
from obsplan.planning.plan import make_plan

SWEEP = {"name": "sweep", "duration_min": 30, "data_mbit": 1.2, "count": 9, "value": 0.0}
THIRDS = {"over": "span_h", "edges": [0, 4, 8, 12]}


def world_with(*goals, activities=(SWEEP,), **columns):
    scene = scenario(*activities, hours=12.0)
    wanted = [
        Goal.model_validate({"name": f"goal {k}", "runs_of": ["sweep"], "value": 12.0} | keys)
        for k, keys in enumerate(goals)
    ]
    scene = scene.model_copy(update={"goal": tuple(wanted)})
    return world(scene, **columns)


def at(hours: float) -> pd.Timestamp:
    return START + pd.Timedelta(hours=hours)


def with_ends(environment, table):
    lasts = [
        environment.scenario.slot_min(environment.scenario.activity_named(a))
        for a in table["activity"]
    ]
    return table.assign(end_utc=table["start_utc"] + pd.to_timedelta(lasts, unit="min"))


def test_a_run_counts_from_the_minute_in_which_its_last_bit_is_received():
    """1.2 Mbit are taken evenly in 30 min and sent at 20 kbps at once: done and received at 0:30.

    With contact from 2:00 on, they take a minute more to send.
    """
    minute = np.arange(12 * 60)
    late = {"in_contact": minute >= 120, "rate_kbps": np.where(minute >= 120, 20.0, 0.0)}
    for columns, hours in (({}, 0.5), (late, 121 / 60)):
        environment = world_with(THIRDS, **columns)
        table = with_ends(environment, slots(("sweep", 0)))
        found = goal_table(plan_of(environment, table)).set_index("bin")
        first = found.iloc[1]
        assert list(first[["requested", "planned", "counted", "missing"]]) == [1, 1, 1, 0]
        assert first["complete_utc"] == at(hours)
        assert found.loc[ALL_BINS, "value"] == pytest.approx(4.0)
        assert pd.isna(found.loc[ALL_BINS, "complete_utc"])


def test_the_minimum_is_reached_with_the_last_of_its_bins():
    least = THIRDS | {"runs_each": 2, "minimum": {"bins": 2, "runs_each": 2}, "counted": "done"}
    environment = world_with(least)
    rows = [("sweep", 60 * hour) for hour in (0, 1, 4, 9, 10)]
    found = goal_table(plan_of(environment, with_ends(environment, slots(*rows))))
    whole = found[found["bin"] == ALL_BINS].iloc[0]
    assert whole["minimum_utc"] == at(10.5)
    assert list(found["minimum_utc"][1:]) == [at(1.5), pd.NaT, at(10.5)]
    assert whole["counted"] == 5 and whole["state"] == "minimum"
    assert list(found["minimum"]) == ["2 of 2 bins", "2 of 2", "1 of 2", "2 of 2"]


def test_a_bin_without_a_permitted_start_is_out_of_reach_and_says_of_what():
    """The Sun is below 6 deg for the first 2.4 h."""
    asked = SWEEP | {"when": {"sun_elevation_deg": [6.5, 90.0]}}
    environment = world_with({"over": "span_h", "edges": [0, 2, 12]}, activities=[asked])
    found = goal_table(make_plan(environment))
    assert list(found["state"]) == ["out of reach", "out of reach", "planned"]
    why = 'no permitted start of sweep: "sweep" needs Sun elevation 6.5 to 90 deg (there it is '
    assert found["why"].iloc[1].startswith(why)


def test_states_of_a_replan_are_as_of_now():
    environment = world_with(THIRDS | {"counted": "done"})
    table = with_ends(environment, slots(("sweep", 0), ("sweep", 600)))
    plan = plan_of(environment, table, now_utc=at(8.5).to_pydatetime())
    assert list(goal_table(plan)["state"]) == ["out of reach", "reached", "out of reach", "planned"]


def test_no_more_is_requested_of_an_activity_than_its_goals_want():
    environment = world_with(THIRDS)
    made = make_plan(environment)
    assert made.unplaced.empty
    assert requested_runs(made) == {"sweep": 3}


@settings(max_examples=20)
@given(case=cases(hours=(2, 5)))
def test_the_course_of_goals_rises_to_their_value_in_the_timeline(case):
    assume(case.scenario.goal)
    alone = tuple(a.model_copy(update={"value": 0.0}) for a in case.scenario.activity)
    case = replace(case, scenario=case.scenario.model_copy(update={"activity": alone}))
    try:
        made = make_plan(case)
    except Infeasible:
        return
    found, course = goal_table(made), goal_course(made)
    assert list(found) == GOAL_COLUMNS
    whole = found[found["bin"] == ALL_BINS].set_index("goal")
    assert whole["value"].sum() == pytest.approx(
        made.timeline["value"].sum() if len(made.timeline) else 0.0
    )
    for each in counters(made):
        name, share = each.goal.name, course[each.goal.name].to_numpy()
        assert (np.diff(share) >= 0).all() and share[0] >= 0
        ends_min = len(course) - 1
        assert share[-1] * each.goal.value == pytest.approx(each.value_at(ends_min))
        bins = found[(found["goal"] == name) & (found["bin"] != ALL_BINS)]
        assert whole.loc[name, "counted"] == bins["counted"].sum()
        assert (bins["counted"] <= bins["planned"]).all()


def test_missing_runs_are_marked_in_bins_that_want_them():
    """The first third has its run, so that the marks of two more are in the others."""
    environment = world_with(THIRDS)
    plan = plan_of(environment, with_ends(environment, slots(("sweep", 0))), {"sweep": 1})
    unplaced = plan.unplaced.assign(requested=3)
    places = missing_places(replace(plan, unplaced=unplaced))["sweep"]
    assert len(places) == 2 and (places[:, 0] >= 4).all()
