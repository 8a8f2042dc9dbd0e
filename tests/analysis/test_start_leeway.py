"""How far a step that comes once may slip: windows, what it waits for, what waits for it."""

import numpy as np
import pandas as pd
from tools.plans import plan_of
from tools.small import START, scenario, slots, world

from obsplan.analysis.start_leeway import leeway_table


def at(minute):
    return START + pd.Timedelta(minutes=minute)


def timeline(scene, *rows):
    table = slots(*rows)
    asked = {a.name: pd.Timedelta(minutes=scene.slot_min(a)) for a in scene.activity}
    table["end_utc"] = [s + asked[a] for a, s in zip(table["activity"], table["start_utc"])]
    return table


STEP = {"name": "dig", "duration_min": 60, "must": 1}
WAITS = {
    "name": "log",
    "duration_min": 30,
    "count": 5,
    "after": [{"activity": "dig", "settle_min": 120}],
}


def test_what_waits_holds_the_step_to_its_end_and_settling():
    scene = scenario(STEP, WAITS, hours=12)
    (row,) = leeway_table(
        plan_of(world(scene), timeline(scene, ("dig", 60), ("log", 300), ("log", 400)))
    ).itertuples()
    assert (row.earliest_utc, row.start_utc) == (at(0), at(60))
    assert row.latest_utc == at(300 - 120 - 60)
    assert (row.limited_by, row.dependants) == ("s2", 2)
    assert row.latest_if_others_move_utc == at(11 * 60)


def test_windows_hold_where_nothing_waits():
    scene = scenario(STEP | {"contact": "whole"}, hours=12)
    contact = np.zeros(720, dtype=bool)
    contact[120:300] = True
    around = world(scene, lander_in_contact=contact)
    (row,) = leeway_table(plan_of(around, timeline(scene, ("dig", 150)))).itertuples()
    assert (row.earliest_utc, row.latest_utc) == (at(120), at(240))
    assert row.limited_by == "its windows" and row.dependants == 0


def test_a_step_starts_after_what_it_waits_for():
    scene = scenario(STEP, WAITS | {"count": 1}, hours=12)
    table = leeway_table(plan_of(world(scene), timeline(scene, ("dig", 0), ("log", 200))))
    log = table.set_index("activity").loc["log"]
    assert log["earliest_utc"] == at(60 + 120)


def test_of_runs_that_others_wait_for_the_first_counts_and_keeps_its_gap():
    many = STEP | {"count": 3, "gap_min": 60}
    scene = scenario(many, WAITS, hours=24)
    table = leeway_table(
        plan_of(world(scene), timeline(scene, ("dig", 0), ("dig", 300), ("log", 900)))
    )
    (row,) = table.itertuples()
    assert row.slot == "s1"
    assert row.latest_utc == at(300 - 60 - 60)  # before the second, with the gap
    assert (row.limited_by, row.dependants) == ("s2", 1)


def test_a_step_that_is_not_placed_has_no_times():
    scene = scenario({"name": "dig"}, hours=12)
    (row,) = leeway_table(plan_of(world(scene), timeline(scene))).itertuples()
    assert row.slot == "" and pd.isna(row.start_utc) and pd.isna(row.latest_utc)


def test_what_comes_often_and_holds_up_nothing_is_left_out():
    scene = scenario({"name": "sweep", "count": 4}, hours=12)
    assert leeway_table(plan_of(world(scene), timeline(scene, ("sweep", 0)))).empty
