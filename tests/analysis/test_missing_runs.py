"""Hollow marks: as many as runs are missing, inside windows, on no run of their own."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from tools.plans import plan_of
from tools.small import START, cases, scenario, slots, world

from obsplan.analysis.missing_runs import missing_places, missing_text, scheduled_runs
from obsplan.planning.problem.from_scenario import build_problem
from obsplan.planning.problem.start_windows import windows
from obsplan.planning.problem.timeline_table import plan_slots
from obsplan.planning.search.first_plan import NoPlaceFound, quick_plan


def places_of(around, table, now_h=None):
    now_utc = None if now_h is None else START + pd.Timedelta(hours=now_h)
    return missing_places(plan_of(around, table, now_utc=now_utc))


def timeline(scene, *rows):
    table = slots(*rows)
    asked = {a.name: pd.Timedelta(minutes=scene.slot_min(a)) for a in scene.activity}
    table["end_utc"] = [s + asked[a] for a, s in zip(table["activity"], table["start_utc"])]
    return table


@given(cases())
def test_marks_add_up_to_what_is_missing_and_keep_to_their_windows(case):
    around = case
    scene = around.scenario
    try:
        booking = quick_plan(build_problem(around))
    except NoPlaceFound:
        return
    table = plan_slots(scene, booking)
    places = places_of(around, table)
    for activity in scene.activity:
        own = table[table["activity"] == activity.name]
        marks, long_h = places[activity.name], scene.slot_min(activity) / 60
        assert len(own) + len(marks) <= activity.count
        assert np.ptp(marks, axis=1) == pytest.approx(long_h)
        open_h = windows(around, activity) * scene.span.step_min / 60
        starts_h = (own["start_utc"] - START) / pd.Timedelta(hours=1)
        taken = np.concatenate([marks, np.stack([starts_h, starts_h + long_h], axis=1)])
        taken = taken[np.argsort(taken[:, 0])]
        assert (taken[1:, 0] >= taken[:-1, 1] - 1e-9).all()
        for start_h, end_h in marks:
            assert ((open_h[:, 0] <= start_h + 1e-9) & (end_h <= open_h[:, 1] + 1e-9)).any()


def test_marks_spread_over_the_free_places():
    scene = scenario({"name": "sweep", "count": 4}, hours=12)
    places = places_of(world(scene), timeline(scene, ("sweep", 0)))["sweep"]
    assert places[0].tolist() == [1, 2] and places[-1].tolist() == [11, 12]
    assert len(places) == 3


def test_free_places_come_before_those_beside_other_slots():
    device = {"name": "probe", "platform": "lander"}
    one = {"name": "a", "instrument": "probe", "count": 2}
    scene = scenario(
        one,
        {"name": "b", "instrument": "probe", "duration_min": 240},
        instruments=[device],
        hours=6,
    )
    places = places_of(world(scene), timeline(scene, ("b", 0), ("a", 240)))
    assert places["a"].tolist() == [[5, 6]]
    full = scene.model_copy(
        update={"activity": (scene.activity[0].model_copy(update={"count": 4}), scene.activity[1])}
    )
    places = places_of(world(full), timeline(scene, ("b", 0), ("a", 240)))
    assert len(places["a"]) == 3  # beside b, too


def test_marks_keep_the_gap_while_there_is_room_and_then_do_without():
    scene = scenario({"name": "sweep", "count": 3, "gap_min": 120}, hours=6)
    places = places_of(world(scene), timeline(scene, ("sweep", 0)))["sweep"]
    assert [3, 4] in places.tolist()
    assert len(places) == 2


def test_where_the_windows_hold_no_more_there_are_fewer_marks():
    scene = scenario({"name": "sweep", "count": 9}, hours=3)
    assert len(places_of(world(scene), timeline(scene))["sweep"]) == 3
    assert missing_text(9, 3) == "3 + 6" and missing_text(3, 3) == "3"


def test_a_hand_edited_timeline_with_too_many_runs_has_no_marks():
    scene = scenario({"name": "sweep"}, hours=6)
    table = timeline(scene, ("sweep", 0), ("sweep", 120))
    assert len(places_of(world(scene), table)["sweep"]) == 0


def test_nothing_is_missing_before_now():
    scene = scenario({"name": "sweep", "count": 4}, hours=12)
    places = places_of(world(scene), timeline(scene, ("sweep", 0)), now_h=6.5)["sweep"]
    assert len(places) == 3 and places.min() == 6.5


def test_a_run_that_failed_is_missing_too():
    scene = scenario({"name": "sweep", "count": 3}, hours=12)
    table = timeline(scene, ("sweep", 0), ("sweep", 120))
    plan = plan_of(world(scene), table, {"sweep": 1})
    assert scheduled_runs(plan) == {"sweep": 1}
    assert len(missing_places(plan)["sweep"]) == 2
