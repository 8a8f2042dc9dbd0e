"""Plans made anew hold, leave alone what must stay, and say what they change."""

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from tools.small import START, cases, platform, scenario, slots, world

from obsplan.analysis.command_deadlines import beyond_command
from obsplan.analysis.start_leeway import leeway_table
from obsplan.checking.check import check_timeline
from obsplan.checking.violation import Violation
from obsplan.cli.main import main
from obsplan.common.errors import Infeasible, StateError
from obsplan.environment.model import Reading
from obsplan.inputs.scenario import Uplink
from obsplan.inputs.timeline_csv import AS_RUN_COLUMNS
from obsplan.operations import candidate_plans
from obsplan.operations.fixed_slots import fixed_slots
from obsplan.operations.plan_changes import difference
from obsplan.operations.replan import make_replan
from obsplan.planning.plan import make_plan
from obsplan.planning.search.strategy import better_plans
from obsplan.reporting.page.sections import activity_part
from obsplan.reporting.summary import summary_of
from obsplan.reporting.text.terminal import plan_lines

HOUR = timedelta(hours=1)
MINUTE = timedelta(minutes=1)
COLUMNS = ["slot", "activity", "start_utc", "end_utc", "state"]


def ran(*rows: tuple[str, str, int, int, str]) -> pd.DataFrame:
    """What ran, as (slot, activity, first minute, last minute, outcome)."""
    times = [[START + pd.Timedelta(minutes=m) for m in row[2:4]] for row in rows]
    table = [(*row[:2], *pair, row[4], "") for row, pair in zip(rows, times)]
    return pd.DataFrame(table, columns=list(AS_RUN_COLUMNS))


def timeline(*rows: tuple[str, str, int, int, str]) -> pd.DataFrame:
    """A timeline as (slot, activity, first minute, last minute, state)."""
    return ran(*rows).rename(columns={"outcome": "state"})[COLUMNS]


def again(scene, offered, slots, now_h, **how):
    return make_replan(offered, slots, START.to_pydatetime() + now_h * HOUR, **how)


def alone_breaks(scene, offered, stay) -> list[Violation]:
    """What the fixed slots break when nothing more is planned and all send when they can."""
    rows = stay[COLUMNS]
    end = START + pd.Timedelta(minutes=scene.steps * scene.span.step_min)
    sent = stay[stay["activity"].isin(list(scene.sending_names))]["end_utc"]
    since = max([START, *sent])
    free = [(f"x{k}", name, since, end, "planned") for k, name in enumerate(scene.sending_names)]
    if since < end:
        free = pd.DataFrame(free, columns=COLUMNS)
        rows = free if rows.empty else pd.concat([rows, free], ignore_index=True)
    return check_timeline(offered, rows, fixes=False).found


@settings(max_examples=25)
@given(environment=cases(hours=(3, 5)), data=st.data())
def test_every_replan_holds_and_leaves_alone_what_stays(environment, data):
    check_replan(environment, data)


@pytest.mark.long
@settings(max_examples=1000)
@given(environment=cases(hours=(3, 8)), data=st.data())
def test_a_thousand_replans_hold_and_leave_alone_what_stays(environment, data):
    check_replan(environment, data)


def check_replan(environment, data) -> None:
    """A plan made anew at any time, under less Sun or after a failure, is as it must be."""
    scene = environment.scenario
    if lead_min := data.draw(st.sampled_from([None, 0, 20, 60])):
        scene = scene.model_copy(update={"uplink": Uplink(lead_min=lead_min)})
        environment = replace(environment, scenario=scene)
    try:
        made = make_plan(environment)
    except Infeasible:
        assume(False)
    old = made.timeline[COLUMNS].copy()
    minutes = scene.steps * scene.span.step_min
    now = START + pd.Timedelta(minutes=data.draw(st.integers(0, minutes - 1)))
    freeze = data.draw(st.sampled_from([0, 1, 2])) * HOUR
    lock = data.draw(st.lists(st.integers(0, max(0, len(old) - 1)), max_size=1))
    own = ~old["activity"].isin(list(scene.sending_names))
    for row in lock:
        if row < len(old) and own.iloc[row]:
            old.loc[old.index[row], "state"] = "locked"
    over = old[own & (old["end_utc"] <= now)]
    outcome = data.draw(st.sampled_from(["done", "failed"]))
    told = over.head(1).assign(outcome=outcome, reason="")[list(AS_RUN_COLUMNS)]
    minute = int((now - START) / pd.Timedelta(minutes=1))
    weaker = data.draw(st.sampled_from([1.0, 0.85]))
    name = scene.platform[0].name
    table = environment.platforms[name].copy()
    table.loc[table.index[minute:], "generation_w"] *= weaker
    level = made.verdict.resources[name]["stored_wh"].iloc[minute]
    offered = replace(
        environment,
        platforms=environment.platforms | {name: table},
        readings={name: (Reading(minute, level),)},
    )
    keep = data.draw(st.sampled_from([0.0, 0.2]))
    one = make_replan(offered, old, now.to_pydatetime(), ran=told, freeze=freeze, keep=keep)
    verdict = check_timeline(offered, one.plan.timeline, fixes=False)
    # What is broken is what stays, or a required run that is lost; never by a new slot.
    stuck = set(one.fixed["slot"])
    alone = alone_breaks(scene, offered, one.fixed)
    rules_alone = {violation.rule for violation in alone}
    for violation in verdict.found:
        lost = any("required runs" in remark for remark in one.assumptions)
        if violation.unit in ("W", "Wh", "Mbit"):
            assert any(
                (known.rule, known.platform) == (violation.rule, violation.platform)
                and known.time_utc <= violation.time_utc
                and violation.until_utc < known.until_utc + scene.span.step_min * MINUTE
                and known.amount >= violation.amount - 1e-6
                for known in alone
            ), f"{violation}\n{alone}\n{one.plan.timeline}"
        else:
            # A run that stays too early for its order names the new run that it misses as well.
            stays_late = violation.rule in rules_alone and bool(stuck & {*violation.slots})
            own_fault = set(violation.slots) <= stuck or stays_late
            assert own_fault or (violation.rule == "must" and lost), violation
    if weaker == 1.0 and outcome == "done":
        assert verdict.is_valid, verdict.violations["message"].tolist()
    after = one.plan.timeline.set_index("slot")
    firm = one.fixed[~one.fixed["activity"].isin(list(scene.sending_names))]
    for slot in firm.itertuples(index=False):
        assert after.loc[slot.slot, "start_utc"] == slot.start_utc
        assert after.loc[slot.slot, "end_utc"] == slot.end_utc
    new = one.plan.timeline[one.plan.timeline["state"] == "planned"]
    assert not beyond_command(environment, new, now.to_pydatetime())
    frozen = old[own & (old["start_utc"] < now + freeze)]
    assert set(frozen["slot"]) <= set(firm["slot"])
    prices = one.price_list
    assert prices["value"].is_monotonic_increasing and prices["moves"].is_monotonic_increasing
    # What is chosen has the fewest moves of the plans that the list offers at this price.
    assert prices["chosen"].tolist().index(True) == (prices["keep"] <= keep + 1e-9).argmax()
    assert one.plan.value == pytest.approx(one.old_value + one.changes["value_change"].sum())
    assert one.plan.bound >= one.plan.value >= (1 - keep) * prices["value"].max() - 1e-6


def test_each_lock_has_its_reason():
    scene = scenario({"name": "a", "count": 9}, hours=12)
    rows = timeline(
        ("s1", "a", 0, 60, "planned"),
        ("s2", "a", 60, 120, "planned"),
        ("s3", "a", 180, 240, "planned"),
        ("s4", "a", 300, 360, "planned"),
        ("s5", "a", 480, 540, "locked"),
        ("s6", "a", 600, 660, "planned"),
    )
    now = START.to_pydatetime() + timedelta(hours=3.5)
    told = ran(("s1", "a", 2, 61, "done"))
    stay, left = fixed_slots(world(scene), rows, told, now, 2 * HOUR)
    why = dict(zip(stay["slot"], stay["why"]))
    assert why["s1"] == "done" and "not reported" in why["s2"] and why["s3"] == "running"
    assert why["s4"].startswith("frozen: starts before 2028-07-01T05:30Z")
    assert why["s5"] == "locked by hand" and left["slot"].tolist() == ["s6"]
    assert stay.set_index("slot").loc["s1", "start_utc"] == START + pd.Timedelta(minutes=2)


def test_a_failed_levelling_opens_nothing_and_is_done_again():
    scene = scenario(
        {"name": "level", "must": 1, "value": 2.0},
        {"name": "listen", "count": 2, "after": [{"activity": "level"}]},
        hours=8,
    )
    rows = timeline(("s1", "level", 0, 60, "planned"), ("s2", "listen", 120, 180, "planned"))
    made = again(
        scene, world(scene), rows, 1.5, freeze=0 * HOUR, ran=ran(("s1", "level", 0, 30, "failed"))
    )
    new = made.plan.timeline[made.plan.timeline["state"] == "planned"]
    levelled = new.loc[new["activity"] == "level", "end_utc"].iloc[0]
    assert made.plan.verdict.is_valid
    assert (new.loc[new["activity"] == "listen", "start_utc"] >= levelled).all()
    assert "replaces slot s1 (failed)" in made.changes["why"].tolist()
    assert made.plan.timeline.set_index("slot").loc["s1", "value"] == 0


def test_what_no_contact_can_command_any_more_stays_and_nothing_new_is_put_there():
    scene = scenario({"name": "a", "count": 9}, hours=12).model_copy(
        update={"uplink": Uplink(lead_min=30)}
    )
    minute = np.arange(720)
    offered = world(scene, in_contact=(minute < 60) | (minute >= 480))
    rows = timeline(
        ("s1", "a", 0, 60, "done"),
        ("s2", "a", 315, 375, "planned"),
        ("s3", "a", 600, 660, "planned"),
    )
    made = again(scene, offered, rows, 2, freeze=0 * HOUR)
    why = made.plan.timeline.set_index("slot")["why"]
    assert why["s2"].startswith("already commanded")
    new = made.plan.timeline[made.plan.timeline["state"] == "planned"]
    new = new[new["activity"] == "a"]
    # The first command goes up in the minute that ends at 481, the lead is over at 511.
    assert len(new) == 3 and new["start_utc"].min() >= START + pd.Timedelta(minutes=511)
    assert made.plan.verdict.is_valid
    # What was loaded before the span is aboard, and cannot be put elsewhere.
    loaded = Uplink(lead_min=30, loaded_until_utc=START + 6 * HOUR)
    scene = scene.model_copy(update={"uplink": loaded})
    silent = world(scene, in_contact=minute >= 480)
    made = again(scene, silent, rows[1:], 2, freeze=0 * HOUR)
    new = made.plan.timeline[made.plan.timeline["state"] == "planned"]
    assert made.fixed.set_index("slot").loc["s2", "why"].startswith("already commanded")
    assert new["start_utc"].min() >= START + pd.Timedelta(minutes=511)


def test_a_failed_run_in_the_timeline_tells_what_it_drew_and_no_data():
    scene = scenario(
        {
            "name": "a",
            "count": 3,
            "warm_up_min": 15,
            "warm_up_w": 8.0,
            "power_w": 4.0,
            "data_mbit": 6.0,
        },
        hours=8,
    )
    rows = timeline(("s1", "a", 0, 75, "planned"), ("s2", "a", 75, 150, "planned"))
    told = ran(("s1", "a", 0, 30, "failed"), ("s2", "a", 75, 120, "shortened"))
    made = again(scene, world(scene), rows, 3, ran=told).plan.timeline.set_index("slot")
    assert made.loc[["s1", "s2"], "energy_wh"].tolist() == [2.0 + 1.0, 2.0 + 2.0]
    assert made.loc[["s1", "s2"], "data_mbit"].tolist() == [0.0, 3.0]


def test_a_store_that_fixed_slots_overfill_holds_no_more_than_its_capacity_later():
    """180 Mbit of 100 at 03:00; contact from 04:00 to 06:00 and from 10:00 on."""
    scene = scenario(
        {"name": "b", "count": 2, "data_mbit": 90.0},
        {"name": "a", "count": 6, "data_mbit": 60.0, "value": 4.0},
        platforms=[platform(store={"capacity_mbit": 100.0})],
        hours=12,
    )
    minute = np.arange(720)
    contact = ((minute >= 240) & (minute < 360)) | (minute >= 600)
    offered = world(scene, in_contact=contact, rate_kbps=np.where(contact, 100.0, 0.0))
    rows = timeline(("s1", "b", 60, 120, "locked"), ("s2", "b", 120, 180, "locked"))
    made = again(scene, offered, rows, 0.5)
    (violation,) = made.plan.verdict.found
    assert violation.rule == "storage" and violation.amount == pytest.approx(80.0)
    assert violation.until_utc < START + 5 * HOUR
    # Before the gap in the contacts 30 Mbit are left of one run and all of one; then two more.
    assert (made.plan.timeline["activity"] == "a").sum() == 5
    held_mbit = made.plan.verdict.resources["lander"]["stored_mbit"]
    assert held_mbit[START + 5 * HOUR :].max() <= 100.0 + 1e-6


def test_an_unplanned_run_does_not_take_the_id_of_an_earlier_one():
    scene = scenario({"name": "a", "count": 6, "value": 4.0}, hours=12)
    rows = timeline(("unplanned1", "a", 75, 120, "failed"))
    made = again(scene, world(scene), rows, 4, ran=ran(("", "a", 130, 190, "done"))).plan
    own = made.timeline[made.timeline["activity"] == "a"]
    assert own["slot"].is_unique and own["value"].iloc[:2].tolist() == [0, 4]
    assert made.value == 6 * 4


def test_what_would_mend_a_slot_that_stays_lies_ahead():
    scene = scenario({"name": "a", "count": 9}, hours=8)
    offered = world(scene)
    offered.out["a"] = np.arange(480) >= 90
    rows = timeline(("s1", "a", 60, 120, "planned"), ("s2", "a", 180, 240, "locked"))
    first, second = again(scene, offered, rows, 1.75, freeze=0 * HOUR).plan.verdict.violations[
        "message"
    ]
    assert 'fix: "a" (slot s1) has begun: report its outcome in the state' in first
    assert second.endswith("fix: none found")  # it is locked by hand


def test_of_required_runs_as_many_are_placed_as_can_be():
    scene = scenario({"name": "a", "must": 3, "count": 3, "value": 0.0}, hours=8)
    offered = world(scene)
    offered.out["a"] = np.arange(480) >= 210
    made = again(scene, offered, timeline(), 1, freeze=0 * HOUR)
    assert (made.plan.timeline["activity"] == "a").sum() == 2
    assert made.plan.verdict.found[0].fix == "none found"


def test_a_replan_that_nobody_asks_to_explain_is_the_same_plan():
    scene = scenario({"name": "a", "count": 4, "value": 4.0}, hours=3)
    old = timeline(("s1", "a", 0, 60, "planned"))
    told, short = (again(scene, world(scene), old, 1, explained=way) for way in (True, False))
    pd.testing.assert_frame_equal(short.plan.timeline, told.plan.timeline)
    pd.testing.assert_frame_equal(short.changes, told.changes)
    assert len(told.plan.unplaced) == 1 and short.plan.unplaced.empty


def test_a_failed_run_is_in_no_count_of_what_is_placed():
    scene = scenario({"name": "a", "count": 3, "value": 4.0}, hours=3)
    offered = world(scene)
    made = again(
        scene,
        offered,
        timeline(("s1", "a", 0, 60, "planned")),
        1,
        ran=ran(("s1", "a", 0, 60, "failed")),
    )
    assert made.plan.unplaced["placed"].tolist() == [2]
    assert made.plan.now_utc == START + HOUR
    assert summary_of(made.plan)["counts"]["a"] == {"requested": 3, "placed": 2}
    page = activity_part(made.plan, scene.activity[0])
    assert "2 of 3 runs, value 8.0" in page
    (row,) = [line for line in plan_lines(made.plan, Path()) if line.startswith("a ")]
    assert row.split() == ["a", "3", "2", "8.0"]


def test_a_step_that_ran_is_no_next_decision():
    scene = scenario({"name": "level", "must": 1}, {"name": "lift", "must": 1}, hours=8)
    offered = world(scene)
    rows = timeline(("s1", "level", 0, 60, "planned"), ("s2", "lift", 300, 360, "planned"))
    made = again(scene, offered, rows, 2, ran=ran(("s1", "level", 0, 60, "done")))
    assert leeway_table(made.plan)["activity"].tolist() == ["lift"]


def test_a_shortened_run_is_worth_its_share_and_takes_a_place():
    scene = scenario({"name": "a", "count": 2, "value": 4.0}, hours=8)
    made = again(
        scene,
        world(scene),
        timeline(("s1", "a", 0, 60, "planned")),
        2,
        ran=ran(("s1", "a", 0, 15, "shortened")),
    )
    assert made.plan.value == pytest.approx(4 * 0.25 + 4)


def test_a_frozen_slot_that_breaks_a_rule_is_named_and_planned_around():
    scene = scenario({"name": "a", "count": 3, "contact": "whole"}, {"name": "b"}, hours=8)
    offered = world(scene, in_contact=np.arange(480) >= 120, rate_kbps=1.0)
    made = again(scene, offered, timeline(("s1", "a", 60, 120, "planned")), 0.5)
    assert [v.rule for v in made.plan.verdict.found] == [
        "contact"
    ] and made.plan.verdict.violations["slots"].tolist() == ["s1"]
    assert (made.plan.timeline["activity"] == "a").sum() == 3
    assert (made.plan.timeline["activity"] == "b").sum() == 1


def test_all_that_the_verdict_names_is_told_as_broken():
    scene = scenario(
        {"name": "a", "count": 3, "contact": "whole"}, {"name": "b", "must": 1}, hours=8
    )
    offered = world(scene, in_contact=np.arange(480) >= 120, rate_kbps=1.0)
    offered.out["b"] = np.ones(480, dtype=bool)
    made = again(scene, offered, timeline(("s1", "a", 60, 120, "planned")), 0.5)
    assert sorted(v.rule for v in made.plan.verdict.found) == ["contact", "must"]


def test_margins_are_those_to_come_and_a_run_that_failed_has_none():
    sweep = {"name": "a", "count": 3, "power_w": 50.0, "when": {"sun_elevation_deg": [5.5, 90.0]}}
    scene = scenario(sweep, hours=8)
    offered = world(scene, rate_kbps=0.0)
    rows = timeline(("s1", "a", 90, 150, "planned"), ("s2", "a", 180, 240, "planned"))
    made = again(scene, offered, rows, 3, ran=ran(("s1", "a", 90, 90, "failed")))
    margins = made.plan.verdict.margins
    now = START + 3 * HOUR
    assert (margins["time_utc"] >= now).all()
    assert not (margins["where"] == "s1").any()


def test_a_battery_below_its_reserve_is_named_and_recovers():
    scene = scenario({"name": "a", "count": 2, "power_w": 5.0}, hours=8)
    offered = world(scene, generation_w=60.0)
    offered.readings["lander"] = (Reading(60, 150.0),)
    made = again(scene, offered, timeline(), 1)
    assert [v.rule for v in made.plan.verdict.found] == ["state of charge"]
    new = made.plan.timeline[made.plan.timeline["activity"] == "a"]
    assert len(new) == 2 and (new["start_utc"] >= START + pd.Timedelta(minutes=105)).all()


def test_a_required_run_without_a_place_is_named_and_the_rest_planned():
    scene = scenario({"name": "a", "must": 1}, {"name": "b"}, hours=8)
    offered = world(scene)
    offered.out["a"] = np.ones(480, dtype=bool)
    made = again(scene, offered, timeline(), 1)
    assert [v.rule for v in made.plan.verdict.found] == ["must"]
    assert any('required runs of "a"' in remark for remark in made.assumptions)
    assert (made.plan.timeline["activity"] == "b").sum() == 1


@pytest.mark.parametrize(
    ("rows", "told", "line"),
    [
        ([("s1", "a", 0, 60, "done")], [("s1", "a", 0, 60, "failed")], "one outcome"),
        ([("s1", "a", 300, 360, "done")], [], "start_utc = 2028-07-01T05:00Z: after now"),
        (
            [("s1", "a", 60, 180, "planned")],
            [("s1", "a", 60, 180, "done")],
            "end_utc = 2028-07-01T03:00Z: after now",
        ),
    ],
)
def test_what_ran_may_not_contradict_the_timeline(rows, told, line):
    scene = scenario({"name": "a"}, hours=8)
    with pytest.raises(StateError, match=line):
        again(scene, world(scene), timeline(*rows), 2, ran=ran(*told))


def test_ten_thousand_rows_and_none_are_planned_from():
    scene = scenario({"name": "a", "count": 4}, {"name": "b", "count": 2}, hours=24)
    rows = [
        (f"s{k}", "ab"[k % 2], 15 * (k % 90), 15 * (k % 90) + 60, "planned") for k in range(10_000)
    ]
    made = again(scene, world(scene), timeline(*rows), 0, freeze=0 * HOUR)
    # What starts now is running, and stays.
    assert (made.changes["change"] == "dropped").sum() > 9000
    empty = again(scene, world(scene), timeline(), 0)
    assert empty.plan.verdict.is_valid and empty.plan.value == pytest.approx(6)


def test_each_moved_run_is_the_nearest_old_one():
    parts = difference([0, 60, 240], [60, 255, 600, 700])
    assert parts.kept == (60,) and parts.moved == ((0, 600), (240, 255)) and parts.added == (700,)
    assert difference([0.0, 0.0], [0.0]).dropped == (0.0,)


def test_patience_ends_the_search_with_a_valid_plan_and_says_so():
    scene = scenario({"name": "look", "count": 9, "duration_min": 60}, hours=24)
    environment = world(scene)
    slots = make_plan(environment).timeline
    said: list[str] = []
    made = again(scene, environment, slots, 3.0, patience_s=1e-6, report=said.append)
    assert made.plan.interrupted and made.plan.verdict.is_valid
    assert "patience ran out; another run may give a different plan" in said
    assert not again(scene, environment, slots, 3.0, patience_s=1e4).plan.interrupted


def test_effort_and_gap_reach_the_search_for_new_plans(monkeypatch):
    scene = scenario({"name": "look", "count": 9, "duration_min": 60}, hours=24)
    environment, asked = world(scene), []

    def recorded(problem, relaxed, gap, first, **how):
        asked.append((gap, how["effort"]))
        return better_plans(problem, relaxed, gap, first, **how)

    monkeypatch.setattr(candidate_plans, "better_plans", recorded)
    slots = make_plan(environment).timeline
    again(scene, environment, slots, 3.0)
    again(scene, environment, slots, 3.0, gap=0.2, effort="high")
    assert asked == [(0.01, "low"), (0.2, "high")]


@pytest.mark.parametrize(
    ("now", "line"),
    [
        ("2028-07-06T12:00:00", "the time has no zone"),
        ("2031-01-01T00:00:00Z", "outside the span"),
        ("noon", "not a time"),
    ],
)
def test_now_must_be_an_instant_of_the_span(tmp_path, now, line):
    (tmp_path / "t.csv").write_text("activity,start_utc\n")
    asked = ["replan", "examples/demo.toml", str(tmp_path / "t.csv"), "--now", now]
    told = CliRunner().invoke(main, [*asked, "-o", str(tmp_path / "out")])
    assert told.exit_code == 2 and line in told.output and "--now" in told.output
    assert not (tmp_path / "out").exists()


def test_a_failed_predecessor_of_a_fixed_run_is_planned_again():
    scene = scenario(
        {"name": "first", "duration_min": 5, "must": 1},
        {"name": "next", "duration_min": 5, "after": [{"activity": "first"}]},
        hours=3,
    )
    old = slots(("first", 0), ("next", 15)).assign(state="planned")
    old["end_utc"] = old["start_utc"] + pd.Timedelta(minutes=15)
    ran = old.head(1).assign(outcome="failed", reason="")[list(AS_RUN_COLUMNS)]
    now = START + pd.Timedelta(minutes=15)
    made = make_replan(world(scene), old, now.to_pydatetime(), ran=ran, freeze=HOUR)
    assert made.plan.verdict.violations["rule"].tolist() == ["order"]
    again = made.plan.timeline.query("activity == 'first' and state == 'planned'")
    assert len(again) == 1


def test_rows_of_one_run_count_once_even_if_nobody_reported_them():
    scene = scenario({"name": "a", "count": 4, "value": 4.0}, hours=6)
    rows = timeline(*((f"s{k}", "a", 0, 60, "planned") for k in range(3)))
    made = again(scene, world(scene), rows, 2)
    over = made.plan.timeline.query("state == 'locked'")
    assert over["value"].tolist() == [4, 0, 0] and made.plan.value == 4 * 4
    assert {v.rule for v in made.plan.verdict.found} == {"instrument", "repeat"}
    assert sum("another run of it is then in progress" in line for line in made.assumptions) == 2


def test_planner_and_check_agree_that_a_run_lost_to_an_outage_does_not_count():
    scene = scenario(
        {"name": "a", "count": 2, "must": 2, "gap_min": 120},
        {"name": "b", "after": [{"activity": "a"}]},
        hours=8,
    )
    offered = world(scene)
    offered.out["a"] = np.arange(480) < 70
    rows = timeline(("s1", "a", 0, 60, "planned"))
    made = again(scene, offered, rows, 1.25, freeze=0 * HOUR)
    runs = made.plan.timeline.query("activity == 'a'")
    assert len(runs) == 3 and runs["start_utc"].iloc[1] < START + 3 * HOUR
    # The slot itself breaks a rule; that it does not count breaks no other.
    assert [(v.rule, v.slots) for v in made.plan.verdict.found] == [("outage", ("s1",))]
    assert made.plan.unplaced.query("activity == 'a'").empty
    first = runs["end_utc"].iloc[1]
    assert made.plan.timeline.query("activity == 'b'")["start_utc"].iloc[0] >= first


def test_a_reported_reason_stays_with_its_slot_in_later_replans():
    scene = scenario({"name": "a", "count": 4}, hours=12)
    told = ran(("s1", "a", 0, 20, "failed")).assign(reason="jammed")
    first = again(scene, world(scene), timeline(("s1", "a", 0, 60, "planned")), 2, ran=told)
    second = again(scene, world(scene), first.plan.timeline, 6)
    row = second.plan.timeline.set_index("slot").loc["s1"]
    assert (row["state"], row["reason"], row["why"]) == ("failed", "jammed", "failed: jammed")


def test_a_growing_list_of_what_ran_counts_an_unplanned_run_once():
    scene = scenario({"name": "a", "count": 6, "value": 4.0}, hours=12)
    told = ran(("", "a", 75, 135, "done"), ("", "a", 135, 135, "failed"))
    first = again(scene, world(scene), timeline(), 4, ran=told)
    second = again(scene, world(scene), first.plan.timeline, 5, ran=told)
    over = second.plan.timeline.query("state in ('done', 'failed') and activity == 'a'")
    assert over["slot"].tolist() == ["unplanned1", "unplanned2"]


def test_transmit_windows_before_the_span_leave_no_trace():
    scene = scenario({"name": "a"}, hours=6)
    rows = timeline(
        ("r1", "lander downlink", -600, -60, "planned"),
        ("r2", "lander downlink", -60, 600, "planned"),
    )
    made = again(scene, world(scene), rows, 2)
    sent = made.fixed.query("activity == 'lander downlink'")
    assert sent["slot"].tolist() == ["r2"] and sent["start_utc"].tolist() == [START]
    assert made.plan.verdict.is_valid


def test_data_stay_where_they_were_to_stay_if_no_link_could_carry_them():
    """The rover may keep its data, and the lander none; the last hour carries 7 of 15 Mbit."""
    platforms = [
        platform(store={"capacity_mbit": 50.0, "end_limit_mbit": 2.0}, radio={"rate_kbps": 2.0}),
        platform("rover", kind="rover", radio={"to": "lander", "rate_kbps": 5.0}),
    ]
    look = {"name": "look", "platform": "rover", "data_mbit": 15.0, "received_by_h": 100.0}
    scene = scenario(look, platforms=platforms, hours=6, step_min=30)
    heard = np.arange(360) >= 300
    offered = world(scene, lander_in_contact=heard, lander_rate_kbps=np.where(heard, 2.0, 0.0))
    now = (START + timedelta(hours=4)).to_pydatetime()
    rows = make_plan(offered).timeline
    assert "look" in set(rows["activity"])
    made = make_replan(offered, rows, now, freeze=timedelta(0))
    assert made.plan.verdict.is_valid
