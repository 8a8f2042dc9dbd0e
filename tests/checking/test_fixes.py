"""A fix is a change that was tried: applied to the timeline as told, it mends the rule."""

from collections import Counter
from datetime import timedelta

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tools.changed_keys import with_keys
from tools.replayed import START, environment, platform, scenario, slots
from tools.small import cases

from obsplan.checking.check import check_timeline
from obsplan.checking.fixes import MOST_IN_TRIALS
from obsplan.checking.rules_between_slots import why_apart
from obsplan.checking.slot_changes import Drop, End, Fail, Move, Place, Send
from obsplan.checking.slot_fixes import open_starts
from obsplan.checking.slots import read_slots
from obsplan.checking.trials import Trials
from obsplan.checking.user_rules import with_rule
from obsplan.checking.violation import Violation
from obsplan.environment.key_changes import KeyChange
from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.from_scenario import build_problem
from obsplan.planning.problem.timeline_table import timeline_table
from obsplan.planning.search.greedy import greedy_plan
from obsplan.reporting.text.sentences import summary_lines

COLUMNS = ["slot", "activity", "start_utc", "end_utc", "state"]


def edited(environment, table: pd.DataFrame, change) -> pd.DataFrame:
    """The timeline as a person edits the file after reading a change."""
    table = table.copy()
    scene = environment.scenario
    at = table.index[table["slot"] == getattr(change, "slot", None)]
    match change:
        case Move():
            lasts = timedelta(minutes=scene.slot_min(scene.activity_named(change.activity)))
            table.loc[at, "start_utc"] = pd.Timestamp(change.start_utc)
            table.loc[at, "end_utc"] = pd.Timestamp(change.start_utc + lasts)
        case Drop():
            table = table.drop(at)
        case End():
            table.loc[at, "end_utc"] = pd.Timestamp(change.end_utc)
        case Fail():
            table.loc[at, "end_utc"] = min(table.loc[at[0], "end_utc"], pd.Timestamp(change.by_utc))
            table.loc[at, "state"] = "failed"
        case Place():
            lasts = timedelta(minutes=scene.slot_min(scene.activity_named(change.activity)))
            ends = change.start_utc + lasts
            table = added(table, change.activity, change.start_utc, ends)
        case Send():
            table = added(table, change.name, change.start_utc, change.end_utc)
    return table


def added(table: pd.DataFrame, activity: str, start_utc, end_utc) -> pd.DataFrame:
    """The timeline with one more row."""
    row = {"slot": f"new{len(table)}", "activity": activity, "start_utc": start_utc}
    more = pd.DataFrame([row | {"end_utc": end_utc, "state": "planned"}])
    both = pd.concat([table, more], ignore_index=True)
    for column in ("start_utc", "end_utc"):
        both[column] = pd.to_datetime(both[column], utc=True)
    return both


def is_there(violation: Violation, other: Violation) -> bool:
    """Whether a rule is still broken by the same slots, or a limit during the same time."""
    if (violation.rule, violation.platform) != (other.rule, other.platform):
        return False
    if violation.until_utc:
        return other.until_utc > violation.time_utc and other.time_utc < violation.until_utc
    return bool(violation.slots) and violation.slots == other.slots


def count(found: tuple[Violation, ...]) -> Counter:
    return Counter((v.rule, v.platform, v.activity) for v in found)


def times_of(change) -> list:
    """When a change lets something happen."""
    fields = ("start_utc", "end_utc")
    return (
        []
        if isinstance(change, Fail)
        else [getattr(change, f) for f in fields if hasattr(change, f)]
    )


def check_every_fix(environment, table: pd.DataFrame, now_utc=None) -> list:
    """All ways that are told; each was applied, mends its violation and breaks nothing more."""
    found = check_timeline(environment, table, now_utc).found
    ways = []
    for violation in found:
        for way in violation.ways:
            ways.append(way)
            after, rows = environment, table
            for change in way:
                if isinstance(change, KeyChange):
                    after = with_keys(after, change)
                else:
                    rows = edited(after, rows, change)
                    assert now_utc is None or all(t >= now_utc for t in times_of(change)), way
                    was = table[table["slot"] == getattr(change, "slot", "")]
                    if now_utc is not None and len(was) and not isinstance(change, Fail):
                        assert (was["start_utc"] >= now_utc).all(), way
            found_then = check_timeline(after, rows, now_utc, fixes=False).found
            left = count(found_then)
            assert not any(is_there(violation, other) for other in found_then), violation.message
            before = count(found)
            assert (
                left[violation.rule, violation.platform, violation.activity]
                < before[violation.rule, violation.platform, violation.activity]
            ), (violation.message, left)
            assert all(n <= before[key] for key, n in left.items()), (violation.message, left)
    return ways


def only(environment, table, now_utc=None) -> Violation:
    (violation,) = check_timeline(environment, table, now_utc).found
    return violation


# --- by hand


def test_the_nearest_start_keeps_clear_of_slots_that_exclude_it():
    """The nearest start in contact is taken by another slot of the platform."""
    scene = scenario(
        {"name": "camera", "contact": "whole"},
        {"name": "radar"},
        platforms=[platform(one_at_a_time=True)],
    )
    world, rows = environment(scene), slots(("camera", 60), ("radar", 120))
    assert only(world, rows).fix == 'start "camera" (slot s1) at 2028-07-01T03:00Z'
    check_every_fix(world, rows)


def test_the_nearest_start_keeps_the_gap_and_the_order():
    scene = scenario(
        {"name": "level"},
        {"name": "block", "gap_min": 60, "after": [{"activity": "level", "settle_min": 30}]},
    )
    world = environment(scene)
    rows = slots(("level", 0), ("block", 60), ("block", 180))
    # Free are only starts from 01:30 on, and an hour clear of the block at 03:00 to 04:00.
    assert only(world, rows).fix == 'start "block" (slot s2) at 2028-07-01T05:00Z'
    check_every_fix(world, rows)


def test_the_nearest_start_leaves_charge_for_later_slots():
    """60 Wh to spend; each slot takes 40, and 30 W come in from 10:00 on."""
    sun = np.where(np.arange(1440) >= 600, 30.0, 0.0)
    small = platform(battery={"capacity_wh": 100.0})
    scene = scenario({"name": "drill", "power_w": 40.0}, platforms=[small])
    world, rows = environment(scene, generation_w=sun), slots(("drill", 0), ("drill", 60))
    ways = check_every_fix(world, rows)
    assert [type(change) for way in ways for change in way] == [Move]
    assert ways[0][0].start_utc >= START + pd.Timedelta(hours=10)


def test_a_slot_too_small_for_the_amount_is_not_named_alone():
    """Too much by 60 Mbit; no slot has more than 30."""
    scene = scenario(
        {"name": "camera", "data_mbit": 30.0}, platforms=[platform(store={"capacity_mbit": 50.0})]
    )
    world = environment(scene, rate_kbps=0.0)
    rows = slots(*(("camera", 60 * k) for k in range(4)))
    violation = only(world, rows)
    assert violation.amount == pytest.approx(70.0)
    (way,) = check_every_fix(world, rows)
    assert [type(change) for change in way] == [Drop, Drop, Drop]


def test_what_mends_only_another_violation_of_the_rule_is_no_fix():
    """Two slots at once, twice; the first pair is locked, so only a key can mend it."""
    scene = scenario(
        {"name": "drill", "power_w": 30.0},
        {"name": "radar", "power_w": 30.0},
        platforms=[platform(bus_limit_w=50.0)],
    )
    rows = slots(("drill", 60), ("radar", 60), ("drill", 300), ("radar", 300))
    rows = rows.assign(state=["locked", "locked", "planned", "planned"])
    world = environment(scene)
    first, second = check_timeline(world, rows).found
    assert first.rule == second.rule == "bus power"
    assert "(slot" not in first.fix and "(slot s3)" in second.fix
    check_every_fix(world, rows)


def test_a_key_is_named_where_no_change_of_slots_is_enough():
    """50 W of idling alone break a bus of 40 W, whatever runs."""
    scene = scenario(
        {"name": "camera", "power_w": 5.0}, platforms=[platform(bus_limit_w=40.0, idle_w=50.0)]
    )
    world, rows = environment(scene, base_load_w=50.0, generation_w=60.0), slots(("camera", 60))
    violation = only(world, rows)
    assert violation.rule == "bus power"
    assert 'set bus_limit_w of platform "lander" to 55' in violation.fix
    assert "camera" not in violation.fix
    check_every_fix(world, rows)


def test_a_slot_that_is_over_is_not_named_for_moving():
    """Both slots fill the store; the first lies in the past."""
    scene = scenario(
        {"name": "camera", "data_mbit": 30.0}, platforms=[platform(store={"capacity_mbit": 50.0})]
    )
    world, rows = environment(scene, rate_kbps=0.0), slots(("camera", 60), ("camera", 300))
    now_utc = START + pd.Timedelta(hours=3)
    violation = only(world, rows, now_utc)
    assert "(slot s2)" in violation.fix and "(slot s1)" not in violation.fix
    assert only(world, rows, START + pd.Timedelta(hours=7)).fix.startswith(
        "set store.capacity_mbit"
    )
    locked = rows.assign(state=["planned", "locked"])
    assert only(world, locked, now_utc).fix.startswith("set store.capacity_mbit")


def test_a_start_that_is_told_lies_ahead():
    scene = scenario({"name": "camera", "contact": "whole"})
    world, rows = environment(scene), slots(("camera", 495))
    # The nearest contact is that from 02:00 to 08:00, which is over.
    assert "at 2028-07-01T07:00Z" in only(world, rows).fix
    late = only(world, rows, START + pd.Timedelta(hours=8))
    assert late.fix == 'drop "camera" (slot s1), for which no other start was found'


def test_a_fix_lies_after_what_is_over_even_if_no_time_is_given():
    """The radar is out of contact at 08:15; the camera was done until 07:00, or until 08:00."""
    scene = scenario({"name": "camera"}, {"name": "radar", "contact": "whole"})
    world = environment(scene)
    rows = slots(("camera", 360), ("radar", 495)).assign(state=["done", "planned"])
    assert only(world, rows).fix == 'start "radar" (slot s2) at 2028-07-01T07:00Z'
    rows = slots(("camera", 420), ("radar", 495)).assign(state=["done", "planned"])
    assert only(world, rows).fix == 'drop "radar" (slot s2), for which no other start was found'


def test_missing_runs_are_told_where_they_fit_together():
    scene = scenario({"name": "camera", "must": 2, "gap_min": 60, "contact": "whole"})
    world = environment(scene)
    (way,) = check_every_fix(world, slots().assign(slot="", activity="")[:0])
    assert [c.start_utc for c in way] == [START + pd.Timedelta(hours=h) for h in (2, 4)]


def test_a_prerequisite_that_is_missing_is_told_where_it_fits():
    scene = scenario(
        {"name": "level", "when": {"sun_elevation_deg": [6, 90]}},
        {"name": "block", "after": [{"activity": "level", "settle_min": 30}]},
    )
    world, rows = environment(scene), slots(("block", 300))
    assert only(world, rows).fix == 'place "level" at 2028-07-01T03:30Z'
    check_every_fix(world, rows)


def test_runs_beyond_the_count_are_told_to_be_dropped():
    scene = scenario({"name": "camera", "count": 1})
    violation = only(environment(scene), slots(("camera", 0), ("camera", 60)))
    assert violation.fix == 'drop "camera" (slot s2)'


def test_a_contact_that_is_left_unused_is_told_if_sending_then_is_enough():
    scene = scenario(
        {"name": "camera", "data_mbit": 30.0},
        platforms=[platform(store={"end_limit_mbit": 0.0})],
    )
    world = environment(scene)
    rows = slots(("camera", 60), ("lander downlink", 480, 510))
    violation = only(world, rows)
    assert (
        'add a row "lander downlink" from 2028-07-01T02:00Z to 2028-07-01T08:00Z' in violation.fix
    )
    check_every_fix(world, rows)


def test_where_nothing_mends_a_rule_none_is_told():
    scene = scenario({"name": "camera", "must": 20, "count": 20, "duration_min": 120})
    violation = only(environment(scene), slots().assign(slot="", activity="")[:0])
    assert violation.ways == () and violation.message.endswith("; fix: none found")


def test_the_words_of_a_rule_of_the_users_are_kept():
    """The camera starts off the grid; moving it would mend both rules."""
    told = Violation(
        "odd", START + pd.Timedelta(hours=1), 1.0, "min", "odd", fix="ask first", slots=("s1",)
    )

    def odd(_, runs):
        return [told] if (runs["start_utc"].dt.minute % 15 > 0).any() else []

    world = with_rule(environment(scenario({"name": "camera"})), "odd", odd)
    found = check_timeline(world, slots(("camera", 65))).found
    assert {v.rule: v.fix for v in found} == {
        "grid": 'start "camera" (slot s1) at 2028-07-01T01:00Z',
        "odd": "ask first",
    }


def test_a_timeline_that_is_wrong_as_a_whole_is_told_fixes_for_what_comes_first(monkeypatch):
    """A thousand runs where nine are wanted; so many are replayed only a few times."""
    trials = []
    mends = Trials.mends

    def counting(self, violation, changes):
        if self.left:
            trials.append(changes)
        return mends(self, violation, changes)

    monkeypatch.setattr(Trials, "mends", counting)
    world = environment(scenario({"name": "camera"}, {"name": "radar"}))
    rows = slots(*((("camera", "radar")[k % 2], 7 * k % 1380) for k in range(1000)))
    verdict = check_timeline(world, rows)
    many = len(verdict.found)
    assert many > 2000 and len(trials) == MOST_IN_TRIALS // (1000 + many) > 3
    sought = [bool(violation.fix) for violation in verdict.found]
    assert 0 < sum(sought) <= len(trials) and sought == sorted(sought, reverse=True)
    assert f"fixes were sought for {sum(sought)} of {many} violations" in summary_lines(verdict)


# --- random timelines


@st.composite
def hand_edits(draw):
    """A small plan with a few slots moved, stretched, dropped or doubled, and the time now."""
    environment = draw(cases(hours=(2, 5)))
    booking = Booking(build_problem(environment))
    table = timeline_table(
        environment, booking if booking.flow.short else greedy_plan(booking.problem)
    )
    table = table[COLUMNS] if len(table) else pd.DataFrame(columns=COLUMNS)
    sends = table["activity"].isin(list(environment.scenario.sending_names))
    for k in table.index[~sends]:
        kind = draw(st.sampled_from(["kept", "kept", "moved", "longer", "dropped", "doubled"]))
        shift = timedelta(minutes=draw(st.sampled_from([-60, -45, -30, -10, 15, 30, 45, 90])))
        if kind == "moved":
            table.loc[k, ["start_utc", "end_utc"]] += shift
        elif kind == "longer":
            table.loc[k, "end_utc"] += abs(shift)
        elif kind == "dropped":
            table = table.drop(k)
        elif kind == "doubled":
            row = table.loc[k].copy()
            row["slot"] = f"{row['slot']}x"
            row[["start_utc", "end_utc"]] += shift
            table.loc[len(table) + 1000 + k] = row
    now = draw(st.sampled_from([None, None, 60, 100]))
    now_utc = None if now is None else (START + pd.Timedelta(minutes=now)).to_pydatetime()
    return environment, table.reset_index(drop=True), now_utc


@settings(max_examples=25)
@given(hand_edits())
def test_starts_that_are_open_are_those_that_no_other_slot_excludes(case):
    environment, table, _ = case
    scene = environment.scenario
    runs, sending = read_slots(scene, table)
    minutes = scene.steps * scene.span.step_min
    trials = Trials(environment, runs, sending, [], minutes, 0, 0, False)
    others = [run for run in runs if run.state != "failed"]
    for activity in scene.activity:
        length = scene.slot_min(activity)

        def clear(start, other, activity=activity, length=length):
            gap = activity.gap_min if other.activity.name == activity.name else 0
            overlap = start < other.end_min + gap and other.start_min < start + length + gap
            return not overlap or not why_apart(scene, activity, other.activity)

        def has_come(start, after):
            if not after.applies_at(scene.instant_at(start)):
                return True
            ends = [run.end_min for run in others if run.activity.name == after.activity]
            wait_min = after.settle_min + after.decide_min
            return any(end + wait_min <= start for end in ends)

        def watched(start, name, length=length):
            team = scene.team_named(name)
            watching = [run for run in others if name in run.activity.needs]
            return all(
                sum(run.start_min <= minute < run.end_min for run in watching) < team.at_once
                for minute in range(int(start), int(start + length))
            )

        alone = open_starts(trials, activity.model_copy(update={"after": ()}), [])
        assert list(open_starts(trials, activity, runs)) == [
            start
            for start in alone
            if all(clear(start, other) for other in others)
            and all(has_come(start, after) for after in activity.after)
            and all(watched(start, name) for name in activity.needs)
        ]


@settings(max_examples=25)
@given(hand_edits())
def test_every_fix_of_an_edited_plan_mends_its_rule(case):
    check_every_fix(*case)


@pytest.mark.long
@settings(max_examples=3000)
@given(hand_edits())
def test_every_fix_of_thousands_of_edited_plans_mends_its_rule(case):
    check_every_fix(*case)
