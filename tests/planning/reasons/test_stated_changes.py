"""Every change that is said to fit a run is applied, and the plan with the run is valid.

The changes are applied to the scenario or its environment, not to the planner's arrays;
the independent check judges the plan with the run, its data sent in one way or another.
"""

from dataclasses import replace
from datetime import timedelta
from functools import singledispatch

import numpy as np
import pandas as pd
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from tools.small import cases, first_days, platform, scenario, world

from obsplan.checking.check import check_timeline
from obsplan.common.intervals import union
from obsplan.environment.model import Environment
from obsplan.inputs.activity import Activity
from obsplan.inputs.timeline_csv import AS_RUN_COLUMNS
from obsplan.operations.replan import make_replan
from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.from_scenario import build_problem
from obsplan.planning.problem.timeline_table import timeline_table
from obsplan.planning.reasons import fix_wording
from obsplan.planning.reasons.unplaced import explain
from obsplan.planning.search.first_plan import quick_plan
from obsplan.planning.search.greedy import greedy_plan
from obsplan.planning.solver.transmit_windows import with_planned_sending


@singledispatch
def applied(fix, environment: Environment, activity: Activity) -> Environment:
    """The environment in which what a fix says is so; most fixes name the activity's own run."""
    raise AssertionError(f"no test applies {type(fix).__name__}")


def with_part(environment: Environment, kind: str, name: str, **fields) -> Environment:
    return replace(environment, scenario=environment.scenario.with_part(kind, name, **fields))


def part_of(environment: Environment, name: str):
    return next(p for p in environment.scenario.platform if p.name == name)


def with_minutes(environment: Environment, name: str, first_utc, minutes: int, **columns):
    """Other values of a platform's columns for some minutes."""
    table = environment.platforms[name].copy()
    first = table.index.get_loc(first_utc)
    for column, value in columns.items():
        table.iloc[first : first + minutes, table.columns.get_loc(column)] = value
    return replace(environment, platforms=environment.platforms | {name: table})


@applied.register(fix_wording.NoFixNeeded)
@applied.register(fix_wording.RemovedSlot)
def _(fix, environment, activity):
    return environment


@applied.register
def _(fix: fix_wording.LargerBattery, environment, activity):
    battery = part_of(environment, fix.platform).battery
    shares = np.array([battery.reserve, battery.start, battery.end or 0.0])
    capacity_wh = battery.capacity_wh + fix.wh
    shares = (shares * battery.capacity_wh + [0.0, fix.wh, 0.0]) / capacity_wh
    changes = dict(zip(("reserve", "start", "end"), shares.tolist()))
    battery = battery.model_copy(update=changes | {"capacity_wh": capacity_wh})
    return with_part(environment, "platform", fix.platform, battery=battery)


@applied.register
def _(fix: fix_wording.LargerStore, environment, activity):
    store = part_of(environment, fix.platform).store
    fields = ["capacity_mbit"] * fix.capacity + ["end_limit_mbit"] * fix.end_limit
    larger = {field: getattr(store, field) + fix.mbit for field in fields}
    store = store.model_copy(update=larger)
    return with_part(environment, "platform", fix.platform, store=store)


@applied.register
def _(fix: fix_wording.MoreContact, environment, activity):
    rate_kbps = environment.platforms[fix.platform]["rate_kbps"]
    usual = rate_kbps[rate_kbps > 0].median()
    columns = {"rate_kbps": usual, "in_contact": True}
    return with_minutes(environment, fix.platform, fix.from_utc, fix.minutes, **columns)


@applied.register
def _(fix: fix_wording.FasterLink, environment, activity):
    table = environment.platforms[fix.platform]
    faster = table.assign(rate_kbps=table["rate_kbps"] * (1 + fix.percent / 100))
    return replace(environment, platforms=environment.platforms | {fix.platform: faster})


@applied.register
def _(fix: fix_wording.MoreBusPower, environment, activity):
    limit_w = part_of(environment, fix.platform).bus_limit_w + fix.watts
    return with_part(environment, "platform", fix.platform, bus_limit_w=limit_w)


@applied.register
def _(fix: fix_wording.ShorterGap, environment, activity):
    gap_min = activity.gap_min - fix.minutes
    return with_part(environment, "activity", activity.name, gap_min=gap_min)


@applied.register
def _(fix: fix_wording.ShorterLead, environment, activity):
    lead_min = environment.scenario.command_lead_min(activity) - fix.minutes
    return with_part(environment, "activity", activity.name, lead_min=lead_min)


@applied.register
def _(fix: fix_wording.OrderLifted, environment, activity):
    after = tuple(order for order in activity.after if order.activity != fix.activity)
    return with_part(environment, "activity", activity.name, after=after)


@applied.register
def _(fix: fix_wording.ShorterSettling, environment, activity):
    after = tuple(
        order.model_copy(update={"settle_min": order.settle_min - fix.minutes})
        if order.activity == fix.activity
        else order
        for order in activity.after
    )
    return with_part(environment, "activity", activity.name, after=after)


@applied.register
def _(fix: fix_wording.QuickerDecision, environment, activity):
    after = list(activity.after)
    quicker = {"decide_min": fix.decide_min}
    after[fix.number] = after[fix.number].model_copy(update=quicker)
    return with_part(environment, "activity", activity.name, after=tuple(after))


@applied.register
def _(fix: fix_wording.LongerLatency, environment, activity):
    return with_part(environment, "activity", activity.name, received_by_h=fix.hours)


@applied.register
def _(fix: fix_wording.WiderRange, environment, activity):
    key, limits = fix.condition.key, (fix.low, fix.high)
    if key == "ground":
        limits = activity.when.ground.model_copy(update={"temperature_k": limits})
    when = activity.when.model_copy(update={key: limits})
    return with_part(environment, "activity", activity.name, when=when)


@applied.register
def _(fix: fix_wording.WiderWindows, environment, activity):
    index = environment.sky.index
    wider = environment.user_windows[activity.name].copy()
    wider[(index >= fix.start_utc) & (index < fix.end_utc)] = True
    return replace(environment, user_windows=environment.user_windows | {activity.name: wider})


@applied.register
def _(fix: fix_wording.ShorterKeepOut, environment, activity):
    pieces = []
    for each in environment.scenario.keep_out:
        for since, until in ((each.from_utc, fix.start_utc), (fix.end_utc, each.until_utc)):
            since, until = max(since, each.from_utc), min(until, each.until_utc)
            if since < until:
                pieces.append(each.model_copy(update={"from_utc": since, "until_utc": until}))
    scene = environment.scenario.model_copy(update={"keep_out": tuple(pieces)})
    return replace(environment, scenario=scene)


@applied.register
def _(fix: fix_wording.LongerHours, environment, activity):
    more = [np.datetime64(utc.tz_localize(None), "s") for utc in (fix.start_utc, fix.end_utc)]
    shifts = union(np.array([*environment.shifts[fix.team], more]))
    return replace(environment, shifts=environment.shifts | {fix.team: shifts})


@applied.register
def _(fix: fix_wording.LargerTeam, environment, activity):
    return with_part(environment, "team", fix.team, at_once=fix.at_once)


@applied.register(fix_wording.ContactInSlot)
@applied.register(fix_wording.ContactAtStart)
def _(fix, environment, activity):
    in_slot = isinstance(fix, fix_wording.ContactInSlot)
    minutes = environment.scenario.slot_min(activity) if in_slot else 1
    carrier = environment.scenario.platform_of(activity)
    return with_minutes(environment, carrier, fix.start_utc, minutes, in_contact=True)


def fits_a_run(environment: Environment, booking: Booking, task: int, fix) -> bool:
    """Whether the plan is valid with one more run, whichever one of the changes is made."""
    if isinstance(fix, fix_wording.MoreForData):
        return all(
            fits_with(environment, booking, task, change, fix.start_utc) for change in fix.changes
        )
    # Another slot makes way for a run somewhere; all other fixes name its start.
    start_utc = None if isinstance(fix, fix_wording.RemovedSlot) else fix.start_utc
    return fits_with(environment, booking, task, fix, start_utc)


def fits_with(environment: Environment, booking: Booking, task: int, change, start_utc) -> bool:
    scene, runs = environment.scenario, [list(starts) for starts in booking.runs]

    def step(instant) -> int:
        minutes = (instant - environment.sky.index[0]).total_seconds() / 60
        return int(minutes // scene.span.step_min)

    if isinstance(change, fix_wording.RemovedSlot):
        names = [a.name for a in scene.activity]
        runs[names.index(change.activity)].remove(step(change.slot_utc))
        starts = range(booking.problem.steps - booking.problem.tasks[task].length + 1)
    else:
        starts = [step(start_utc)]
    environment = applied(change, environment, scene.activity[task])
    changed = Booking(build_problem(environment))
    changed.may_send = booking.may_send.copy()
    for i, taken in enumerate(runs):
        for start in taken:
            changed.add(i, start)
    return any(is_valid_with(environment, changed, task, start) for start in starts)


def is_valid_with(environment, booking: Booking, task: int, start: int) -> bool:
    booking = booking.copy()
    booking.add(task, start)
    free = booking.copy()
    free.may_send[:] = True
    free.flow = free.simulate()
    for sending in (booking, free, with_planned_sending(free)):
        sending.flow = sending.simulate()
        if not sending.flow.short:
            table = timeline_table(environment, sending)
            verdict = check_timeline(environment, table, fixes=False)
            if set(verdict.violations["rule"]) <= {"must"}:
                return True
    return False


def check_every_fix(environment: Environment, booking: Booking) -> list[fix_wording.Answer]:
    """All answers; each fix that is stated was applied and fits a run."""
    answers = explain(environment, booking, timeline_table(environment, booking))
    names = [task.name for task in booking.problem.tasks]
    for name, answer in answers.items():
        if not isinstance(answer.fix, fix_wording.NoSingleFix):
            assert fits_a_run(environment, booking, names.index(name), answer.fix), answer
    return list(answers.values())


def times_of(fix) -> list[pd.Timestamp]:
    """Every time that a fix names, but that up to which a store has to hold more."""
    fields = ("start_utc", "end_utc", "from_utc", "slot_utc")
    named = [getattr(fix, field) for field in fields if getattr(fix, field, None) is not None]
    return named + [time for change in getattr(fix, "changes", ()) for time in times_of(change)]


def check_no_fix_lies_in_the_past(environment: Environment, now_min: int) -> int:
    """How many times the fixes of a replan name; none is before now."""
    booking = greedy_plan(build_problem(environment))
    now_utc = environment.sky.index[0] + pd.Timedelta(minutes=now_min)
    slots = timeline_table(environment, booking)
    none_ran = pd.DataFrame(columns=list(AS_RUN_COLUMNS))
    made = make_replan(
        environment, slots, now_utc.to_pydatetime(), ran=none_ran, freeze=timedelta(0)
    )
    times = [t for answer in made.plan.answers.values() for t in times_of(answer.fix)]
    assert all(time >= now_utc for time in times), made.plan.unplaced["would_fit_if"].tolist()
    return len(times)


@settings(max_examples=8)
@given(cases(hours=(3, 5)), st.sampled_from([70, 120, 160]))
def test_no_fix_of_a_replan_lies_in_the_past(case, now_min):
    assume(not Booking(build_problem(case)).flow.short)
    check_no_fix_lies_in_the_past(case, now_min)


@pytest.mark.long
@settings(max_examples=500)
@given(cases(hours=(3, 6)), st.sampled_from([70, 120, 160]))
def test_no_fix_of_hundreds_of_replans_lies_in_the_past(case, now_min):
    assume(not Booking(build_problem(case)).flow.short)
    check_no_fix_lies_in_the_past(case, now_min)


def test_a_contact_that_is_missing_now_is_not_asked_for_earlier():
    """No link until 04:00, and a store of 40 Mbit; now it is 02:00."""
    night = np.arange(360) < 240
    scene = scenario(
        {"name": "a", "data_mbit": 20.0, "count": 4, "gap_min": 30},
        platforms=[platform(store={"capacity_mbit": 40.0}, radio={"rate_kbps": 5.0})],
        hours=6,
    )
    environment = world(scene, rate_kbps=np.where(night, 0.0, 5.0), in_contact=~night)
    assert check_no_fix_lies_in_the_past(environment, 120) > 0


def check_greedy_plan_of(environment: Environment) -> None:
    question = build_problem(environment)
    if not Booking(question).flow.short:
        check_every_fix(environment, greedy_plan(question))


@settings(max_examples=25)
@given(cases(hours=(2, 6)))
def test_every_stated_change_fits_a_run(case):
    check_greedy_plan_of(case)


@pytest.mark.long
@settings(max_examples=3000)
@given(cases(hours=(2, 6)))
def test_every_stated_change_of_thousands_fits_a_run(case):
    check_greedy_plan_of(case)


def test_every_stated_change_fits_a_run_into_the_demo(demo):
    """Of its first days, in which the requests of all of them cannot find room."""
    days = first_days(demo, 3)
    booking = quick_plan(build_problem(days))
    found = check_every_fix(days, booking)
    assert len(found) == sum(len(r) < a.count for r, a in zip(booking.runs, demo.scenario.activity))
    assert not all(isinstance(answer.fix, fix_wording.NoSingleFix) for answer in found)
