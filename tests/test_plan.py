"""Plans that leave the planner hold, say what they are worth, and fail in words."""

import pandas as pd
import pytest
from hypothesis import given, settings
from small import cases, platform, scenario, world

from obsplan.check import check
from obsplan.errors import DoesNotHold
from obsplan.plan import TIMELINE_COLUMNS, plan
from obsplan.tables import read_timeline, write_csv


def round_trip_holds(scene, environment, folder) -> None:
    """Plan, write, read back, replay afresh: nothing broken, bound not below value."""
    try:
        made = plan(scene, environment)
    except DoesNotHold:
        return
    path = folder / "timeline.csv"
    write_csv(made.timeline, path)
    assert check(scene, environment, read_timeline(path, scene)).holds
    assert made.bound >= made.value - 1e-9
    assert made.timeline["value"].sum() == pytest.approx(made.value)


@settings(max_examples=60)
@given(case=cases())
def test_every_plan_holds_when_read_back(case, tmp_path_factory):
    round_trip_holds(*case, tmp_path_factory.mktemp("plan"))


@pytest.mark.long
@settings(max_examples=3000)
@given(case=cases())
def test_thousands_of_plans_hold_when_read_back(case, tmp_path_factory):
    round_trip_holds(*case, tmp_path_factory.mktemp("plan"))


def test_a_small_question_is_answered_exactly():
    scene = scenario({"name": "sweep", "count": 3, "value": 2.0, "repeat_worth": 0.5}, hours=6)
    made = plan(scene, world(scene))
    assert made.value == pytest.approx(2 + 1 + 0.5)
    assert made.gap == pytest.approx(0, abs=1e-5)  # the bound keeps 1e-6 for rounding
    assert made.timeline.loc[made.timeline["activity"] == "sweep", "value"].tolist() == [2, 1, 0.5]
    assert tuple(made.timeline.columns) == TIMELINE_COLUMNS
    assert made.unplaced.empty


def test_the_same_question_gives_the_same_plan():
    scene = scenario({"name": "a", "count": 4, "gap_min": 60}, {"name": "b", "count": 2}, hours=8)
    first, second = (plan(scene, world(scene)) for _ in range(2))
    pd.testing.assert_frame_equal(first.timeline, second.timeline)


def test_idle_load_that_empties_the_battery_is_named_with_time_and_amount():
    scene = scenario({"name": "a"}, platforms=[platform(idle_w=200.0, bus_limit_w=500.0)])
    with pytest.raises(DoesNotHold, match=r'"lander" is [\d.]+ Wh below its reserve .*2028-07-0'):
        plan(scene, world(scene, generation_w=0.0))


def test_required_run_without_window_names_the_condition():
    scene = scenario({"name": "a", "must": 1, "when": {"sun_elevation_deg": [89, 90]}})
    with pytest.raises(DoesNotHold, match='"a" must run, but has no window: sun_elevation_deg'):
        plan(scene, world(scene))


def test_more_required_runs_than_gap_and_span_leave_room_for_are_counted():
    # Hours at 0, 3 and 6 of a span of 8 h: one hour and a gap of two each.
    scene = scenario({"name": "a", "count": 9, "must": 4, "gap_min": 120}, hours=8)
    with pytest.raises(DoesNotHold, match='"a" must run 4 times, .* leave room for 3'):
        plan(scene, world(scene))


def test_required_runs_that_cannot_fit_together_are_named():
    wanted = {"duration_min": 200, "count": 1, "must": 1, "instrument": "probe"}
    scene = scenario(
        {"name": "a"} | wanted,
        {"name": "b"} | wanted,
        instruments=[{"name": "probe", "platform": "lander"}],
        hours=6,
    )
    with pytest.raises(DoesNotHold, match='"a", "b"'):
        plan(scene, world(scene))


def test_nothing_reaches_standard_output(capfd):
    scene = scenario({"name": "a"}, hours=4)
    plan(scene, world(scene))
    assert capfd.readouterr().out == ""


@pytest.mark.parametrize("step_min", [30, 60])
def test_coarse_steps_of_the_demo_still_give_a_plan(demo, step_min):
    scene, environment = demo
    coarse = scene.model_copy(
        update={"span": scene.span.model_copy(update={"step_min": step_min})}
    )
    made = plan(coarse, environment, gap=0.5)
    assert made.verdict.holds and made.value > 0
