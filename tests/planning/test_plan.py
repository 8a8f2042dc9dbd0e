"""Plans are valid when replayed afresh, with a true bound; infeasible scenarios say why."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from tools.brute import accepted_worth
from tools.small import cases, first_days, platform, scenario, world

from obsplan.checking.check import check_timeline
from obsplan.common.csv_file import write_csv
from obsplan.common.errors import Infeasible
from obsplan.inputs.timeline_columns import TIMELINE_COLUMNS
from obsplan.inputs.timeline_csv import read_timeline
from obsplan.planning import plan as plan_room
from obsplan.planning.plan import make_plan


def check_round_trip(environment, folder) -> None:
    """Plan, write, read back, replay afresh: nothing broken, bound not below value."""
    try:
        made = make_plan(environment)
    except Infeasible:
        return
    path = folder / "timeline.csv"
    write_csv(made.timeline, path)
    verdict = check_timeline(environment, read_timeline(path, environment.scenario))
    assert verdict.is_valid and not verdict.margins_used
    assert made.bound >= made.value - 1e-9
    assert made.timeline["value"].sum() == pytest.approx(made.value)


@settings(max_examples=25)
@given(case=cases(hours=(2, 6)))
def test_every_plan_is_valid_when_read_back(case, tmp_path_factory):
    check_round_trip(case, tmp_path_factory.mktemp("plan"))


@pytest.mark.long
@settings(max_examples=5000)
@given(case=cases())
def test_thousands_of_plans_are_valid_when_read_back(case, tmp_path_factory):
    check_round_trip(case, tmp_path_factory.mktemp("plan"))


def check_no_timeline_is_better(environment, tries) -> None:
    """Best first, no timeline above the bound is accepted, nor any where the plan said no."""
    try:
        bound = make_plan(environment).bound
    except Infeasible:
        bound = -1.0
    assert accepted_worth(environment, above=bound + 1e-9, tries=tries) is None


@settings(max_examples=25)
@given(case=cases(hours=(2, 3), activities=(1, 3)))
def test_no_valid_timeline_beats_the_bound(case):
    check_no_timeline_is_better(case, tries=40)


@pytest.mark.long
@settings(max_examples=1000)
@given(case=cases(hours=(2, 3), activities=(1, 3)))
def test_no_timeline_of_a_thousand_small_days_beats_its_bound(case):
    check_no_timeline_is_better(case, tries=400)


def test_a_small_problem_is_solved_exactly():
    scene = scenario({"name": "sweep", "count": 3, "value": 2.0, "repeat_worth": 0.5}, hours=6)
    made = make_plan(world(scene))
    assert made.value == pytest.approx(2 + 1 + 0.5)
    assert made.gap == pytest.approx(0, abs=1e-5)  # the bound keeps 1e-6 for rounding
    assert made.timeline.loc[made.timeline["activity"] == "sweep", "value"].tolist() == [2, 1, 0.5]
    assert tuple(made.timeline.columns) == TIMELINE_COLUMNS
    assert made.unplaced.empty


def test_a_store_smaller_than_a_run_s_data_is_no_room_for_any_plan_nor_any_bound():
    """On the mean of a step 10 Mbit in 20 min of 60 could be sent; by the minute they pile up."""
    part = platform(store={"capacity_mbit": 5.0}, radio={"rate_kbps": 3.0})
    asked = {"name": "a", "duration_min": 20, "data_mbit": 10.0, "value": 4.0}
    scene = scenario(asked, {"name": "b"}, platforms=[part], hours=9, step_min=60)
    made = make_plan(world(scene))
    assert (made.value, made.bound) == (1.0, pytest.approx(1.0, abs=1e-5))


def test_the_same_scenario_gives_the_same_plan():
    scene = scenario({"name": "a", "count": 4, "gap_min": 60}, {"name": "b", "count": 2}, hours=8)
    first, second = (make_plan(world(scene)) for _ in range(2))
    pd.testing.assert_frame_equal(first.timeline, second.timeline)


def test_idle_load_that_empties_the_battery_is_named_with_time_and_amount():
    scene = scenario({"name": "a"}, platforms=[platform(idle_w=200.0, bus_limit_w=500.0)])
    with pytest.raises(Infeasible, match=r'"lander" is [\d.]+ Wh short of its reserve .*2028-07-0'):
        make_plan(world(scene, generation_w=0.0))


def test_required_run_without_window_names_the_condition():
    scene = scenario({"name": "a", "must": 1, "when": {"sun_elevation_deg": [89, 90]}})
    with pytest.raises(Infeasible, match='"a": has no window: no slot .* Sun elevation 89'):
        make_plan(world(scene))


def test_more_required_runs_than_gap_and_span_leave_room_for_are_counted():
    # Hours at 0, 3 and 6 of a span of 8 h: one hour and a gap of two each.
    scene = scenario({"name": "a", "count": 9, "must": 4, "gap_min": 120}, hours=8)
    with pytest.raises(Infeasible, match='"a": .* leave room for 3 runs; 4 are required'):
        make_plan(world(scene))


def test_required_runs_that_cannot_fit_together_are_named():
    wanted = {"duration_min": 200, "count": 1, "must": 1, "instrument": "probe"}
    scene = scenario(
        {"name": "a"} | wanted,
        {"name": "b"} | wanted,
        instruments=[{"name": "probe", "platform": "lander"}],
        hours=6,
    )
    with pytest.raises(Infeasible, match='conflicting rules: "a" must run; "b" must run; "a" and'):
        make_plan(world(scene))


def test_nothing_reaches_standard_output(capfd):
    scene = scenario({"name": "a"}, hours=4)
    make_plan(world(scene))
    assert capfd.readouterr().out == ""


@pytest.mark.parametrize("step_min", [30, 60])
def test_coarse_steps_of_the_demo_still_give_a_plan(demo, step_min):
    made = make_plan(first_days(demo, 2, step_min), gap=0.5, effort="low")
    assert made.verdict.is_valid and made.value > 0


def test_a_dip_inside_a_step_costs_the_run_that_dips_and_not_the_plan():
    """Sun in minutes 8 to 15 alone, battery at its reserve: no run can be in the first step."""
    minute = np.arange(120)
    generation_w = np.where((minute >= 8) & (minute < 15), 60.0, 0.0)
    generation_w[60:] = 30.0
    scene = scenario(
        {"name": "a", "duration_min": 15, "power_w": 10.0, "value": 5.0},
        platforms=[platform(battery={"capacity_wh": 20.0, "reserve": 0.5, "start": 0.5})],
        hours=2,
    )
    made = make_plan(world(scene, generation_w=generation_w))
    assert made.value == 5.0
    assert made.timeline["start_utc"].iloc[0] >= pd.Timestamp("2028-07-01T00:15Z")


def test_a_bus_sized_exactly_for_idle_and_transmitter_is_no_bar():
    # 46.1 + 34.2 is 80.30000000000001 in binary; the replay forgives that, and so must the bound.
    scene = scenario(
        {"name": "a", "duration_min": 15, "data_mbit": 10.0, "value": 5.0},
        platforms=[
            platform(
                idle_w=46.1,
                bus_limit_w=80.3,
                radio={"transmit_w": 34.2},
                store={"end_limit_mbit": 0.0},
            )
        ],
        hours=4,
    )
    made = make_plan(world(scene, generation_w=90.0))
    assert made.value == pytest.approx(5.0)


def test_repeats_worth_next_to_nothing_do_not_upset_the_solver():
    scene = scenario({"name": "a", "count": 12, "repeat_worth": 0.1, "duration_min": 15}, hours=4)
    made = make_plan(world(scene))
    assert made.value == pytest.approx(
        sum(0.1**k for k in range(12)), abs=1e-5
    )  # the search stops 1e-6 short


def test_settling_longer_than_the_span_leaves_no_place():
    scene = scenario(
        {"name": "late", "after": [{"activity": "early", "settle_min": 8000}]},
        {"name": "early"},
        hours=96,
    )
    made = make_plan(world(scene))
    assert made.timeline["activity"].tolist().count("late") == 0


def test_an_effort_that_does_not_exist_is_refused():
    with pytest.raises(ValueError, match="effort = 'lo': allowed are low, normal, high"):
        make_plan(world(scenario({"name": "a"})), effort="lo")


def test_once_patience_ran_out_a_plan_is_neither_tidied_nor_explained_and_says_so(monkeypatch):
    def fail(*_):
        raise AssertionError

    monkeypatch.setattr(plan_room, "tidy_plans", fail)
    scene = scenario({"name": "a", "count": 9}, {"name": "b", "count": 9}, hours=4)
    told = []
    made = make_plan(world(scene), report=told.append, patience_s=1e-6)
    assert made.interrupted and made.verdict.is_valid and made.value > 0
    assert set(made.unplaced["reason"]) == {"not analysed: patience ran out"}
    assert "what would allow more runs is left out for a, b" in told


def test_patience_that_runs_out_while_a_plan_is_filled_says_so(monkeypatch):
    def slowly(plan, replay, stop, is_hopeless):
        assert stop.wait(60)
        return plan

    monkeypatch.setattr(plan_room, "with_last_runs", slowly)
    told = []
    scene = scenario({"name": "a", "count": 9}, hours=4)
    made = make_plan(world(scene), report=told.append, patience_s=3.0)
    assert made.interrupted and made.verdict.is_valid
    assert "patience ran out; another run may give a different plan" in told
