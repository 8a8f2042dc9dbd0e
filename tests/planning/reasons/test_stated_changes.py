"""Every change that is said to let a run in is applied, and the plan with the run holds.

The changes are applied to the scenario or its environment, not to the planner's arrays;
the independent check judges the plan with the run, its data sent in one way or another.
"""

import re
from dataclasses import replace

import numpy as np
import pandas as pd
from hypothesis import given, settings
from tools.explained import explained
from tools.small import cases

from obsplan.checking.check import check_timeline
from obsplan.environment.model import Environment
from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.from_scenario import build_problem
from obsplan.planning.problem.timeline_table import timeline_table
from obsplan.planning.search.first_plan import quick_plan
from obsplan.planning.search.greedy import greedy_plan
from obsplan.planning.search.sending import with_planned_sending

TIME = r"\d{4}-\d\d-\d\dT\d\d:\d\dZ"


def _applied(environment: Environment, name: str, change: str) -> Environment:
    """The environment in which what a sentence says is so."""
    scene = environment.scenario
    activity = next(a for a in scene.activity if a.name == name)
    quoted = (re.findall(r'"(.+?)"', change) or [""])[0]
    part = next((p for p in scene.platform if p.name == quoted), None)
    amount = float((re.findall(r"\d+(?:\.\d+)?", change) or ["0"])[0])
    if " Wh more " in change:
        # A battery that much larger, and that much fuller from the start.
        battery = part.battery
        shares = np.array([battery.reserve, battery.start, battery.end or 0.0])
        capacity_wh = battery.capacity_wh + amount
        shares = (shares * battery.capacity_wh + [0.0, amount, 0.0]) / capacity_wh
        changes = dict(zip(("reserve", "start", "end"), shares.tolist()))
        battery = battery.model_copy(update=changes | {"capacity_wh": capacity_wh})
        return replace(environment, scenario=scene.with_part("platform", quoted, battery=battery))
    if " Mbit more " in change:
        fields = ["capacity_mbit"] * (" more room " in change)
        fields += ["end_limit_mbit"] * (" left " in change)
        larger = {field: getattr(part.store, field) + amount for field in fields}
        store = part.store.model_copy(update=larger)
        return replace(environment, scenario=scene.with_part("platform", quoted, store=store))
    if " min more contact " in change:
        first = pd.Timestamp(re.search(rf"from ({TIME})", change)[1])
        table = environment.platforms[quoted].copy()
        usual = table["rate_kbps"][table["rate_kbps"] > 0].median()
        minutes = slice(first, first + pd.Timedelta(minutes=amount - 1))
        table.loc[minutes, ["rate_kbps", "in_contact"]] = usual, True
        return replace(environment, platforms=environment.platforms | {quoted: table})
    if " % faster" in change:
        percent = amount
        table = environment.platforms[quoted]
        faster = table.assign(rate_kbps=table["rate_kbps"] * (1 + percent / 100))
        return replace(environment, platforms=environment.platforms | {quoted: faster})
    if " W more bus power " in change:
        limit_w = part.bus_limit_w + amount
        return replace(
            environment, scenario=scene.with_part("platform", quoted, bus_limit_w=limit_w)
        )
    if change.startswith("the gap "):
        gap_min = activity.gap_min - int(amount)
        return replace(environment, scenario=scene.with_part("activity", name, gap_min=gap_min))
    if "settling time" in change or "have to wait" in change:
        after = []
        for order in activity.after:
            if order.activity != quoted:
                after.append(order)
            elif "settling" in change:
                less_min = int(re.search(r"were (\d+) min", change)[1])
                after.append(order.model_copy(update={"settle_min": order.settle_min - less_min}))
        return replace(environment, scenario=scene.with_part("activity", name, after=tuple(after)))
    if " might run from " in change:
        low, high = map(float, re.search(r"from (\S+) to (\S+)", change).groups())
        when = activity.when.model_copy(update={change.split()[0]: (low, high)})
        return replace(environment, scenario=scene.with_part("activity", name, when=when))
    if "contact" in change:
        first = pd.Timestamp(re.findall(TIME, change)[0])
        minutes = scene.slot_min(activity) if "longer" in change else 1
        carrier = scene.platform_of(activity)
        table = environment.platforms[carrier].copy()
        table.loc[first : first + pd.Timedelta(minutes=minutes - 1), "in_contact"] = True
        platforms = environment.platforms | {carrier: table}
        return replace(environment, platforms=platforms)
    assert change.startswith(("nothing: it fits", "slot ")), change
    return environment


def _lets_a_run_in(environment, booking: Booking, name: str, changes: str) -> bool:
    """Whether the plan holds with one more run, whichever one of the changes is made."""
    ways, start, _ = changes.partition(" (start ")
    where = start + changes[len(ways + start) :]
    return all(
        _one_lets_a_run_in(environment, booking, name, way + where) for way in ways.split(", or ")
    )


def _one_lets_a_run_in(environment, booking: Booking, name: str, change: str) -> bool:
    scene = environment.scenario
    names = [a.name for a in scene.activity]
    task, runs = names.index(name), [list(starts) for starts in booking.runs]

    def step(stamp: str) -> int:
        since = pd.Timestamp(stamp) - pd.Timestamp(scene.span.start_utc)
        return since // pd.Timedelta(minutes=scene.span.step_min)

    times = [step(stamp) for stamp in re.findall(TIME, change)]
    starts = times[:1] if change.startswith("contact") else times[-1:]
    if change.startswith("slot "):
        runs[names.index(re.match(r"slot \S+ \((.+), ", change)[1])].remove(times[0])
        starts = range(booking.problem.steps - booking.problem.tasks[task].length + 1)
    environment = _applied(environment, name, change)
    changed = Booking(build_problem(environment))
    changed.may_send = booking.may_send.copy()
    for i, taken in enumerate(runs):
        for start in taken:
            changed.add(i, start)
    return any(_holds(environment, changed, task, start) for start in starts)


def _holds(environment, booking: Booking, task: int, start: int) -> bool:
    booking = booking.copy()
    booking.add(task, start)
    free = booking.copy()
    free.may_send[:] = True
    for sending in (booking, free, with_planned_sending(free)):
        sending.flow = sending.simulate()
        if not sending.flow.short:
            verdict = check_timeline(environment, timeline_table(environment, sending))
            if set(verdict.violations["rule"]) <= {"must"}:
                return True
    return False


@settings(max_examples=100)
@given(cases(hours=(2, 6)))
def test_every_stated_change_lets_a_run_in(case):
    environment = case
    scene = environment.scenario
    question = build_problem(environment)
    if Booking(question).flow.short:
        return
    booking = greedy_plan(question)
    for row in explained(scene, environment, booking).itertuples():
        if not row.would_fit_if.startswith("no single change found"):
            assert _lets_a_run_in(environment, booking, row.activity, row.would_fit_if), row


def test_every_stated_change_lets_a_run_into_the_demo(demo):
    environment = demo
    scene = demo.scenario
    booking = quick_plan(build_problem(environment))
    table = explained(scene, environment, booking)
    assert len(table) == sum(len(r) < a.count for r, a in zip(booking.runs, scene.activity))
    for row in table.itertuples():
        if not row.would_fit_if.startswith("no single change found"):
            assert _lets_a_run_in(environment, booking, row.activity, row.would_fit_if), row
