"""A plan for a scenario: solved in steps, replayed by the minute, then written as tables.

A plan leaves this room only after the independent replay has found no broken rule.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from obsplan import intervals
from obsplan.booking import Booking, plan_value
from obsplan.check import Verdict, check
from obsplan.environment import Environment
from obsplan.errors import DoesNotHold
from obsplan.explain import unplaced
from obsplan.greedy import greedy_plan
from obsplan.problem import Problem, problem
from obsplan.scenario import Scenario
from obsplan.solve import best_plan, better_plans, is_small, quick_plan
from obsplan.windows import most_runs, why_no_window

Report = Callable[[str], None]
# A plan that the replay refuses is mended with a little more in reserve, this often.
MOST_MENDS = 12
MEND_NODES = 20
# Where data stays behind by the minute, the steps are taken to send this much of it.
SLOWER = 0.97


@dataclass(frozen=True)
class Plan:
    """A plan that holds, and how good it is.

    timeline: slots with the columns of timeline.csv. unplaced: activities that wanted more
    runs than they got, with the reason. verdict: what the replay found (nothing broken),
    margins and resources. value: worth of all slots; bound: no plan on this grid of steps
    can be worth more.
    """

    timeline: pd.DataFrame
    unplaced: pd.DataFrame
    verdict: Verdict
    value: float
    bound: float

    @property
    def gap(self) -> float:
        """Share of the bound that might still be missing, 0..1."""
        return 1 - self.value / self.bound if self.bound > 0 else 0.0


def plan(
    scenario: Scenario,
    environment: Environment,
    gap: float = 0.01,
    report: Report = lambda line: None,
) -> Plan:
    """The best plan found for `scenario`, within `gap` of the best possible if it can be.

    `report` is told of progress. Raises DoesNotHold when required runs cannot be placed or
    a platform cannot even idle through the span.
    """
    _require_idle(scenario, environment)
    _require_windows(scenario, environment)
    question = problem(scenario, environment)
    relaxed = problem(scenario, environment, relaxed=True)
    best: tuple[Booking, Verdict] | None = None
    bound = np.inf
    try:
        spared, first = question, None
        if not is_small(relaxed):
            spared, first = _bearable(scenario, environment, question)
        for booking, bound in better_plans(spared, relaxed, gap, first):
            if best is None or np.isfinite(bound):
                best = _holding(scenario, environment, question, booking, best)
                report(
                    f"{'first plan' if np.isinf(bound) else 'plan'}: value "
                    f"{best[0].value():.1f}, {best[1].summary}"
                )
                continue
            verdict = check(scenario, environment, plan_slots(scenario, booking))
            if verdict.holds and booking.value() > best[0].value():
                best = booking, verdict
                report(f"better: value {booking.value():.1f}")
    except LookupError as obstacle:
        raise DoesNotHold(
            f"no place was found for all required runs: {obstacle.args[0]}; relax a condition, a "
            "gap or `must`, or give the platform more energy, store or contact"
        ) from None
    booking, verdict = best
    timeline = timeline_table(scenario, environment, booking)
    return Plan(
        timeline,
        unplaced(scenario, environment, booking, timeline),
        verdict,
        plan_value(question, booking.runs),
        bound,
    )


def _require_idle(scenario: Scenario, environment: Environment) -> None:
    """Raise DoesNotHold when a platform breaks a limit with nothing planned at all."""
    idle = check(scenario, environment, slots_table(scenario, []))
    lasting = idle.violations[~idle.violations["rule"].isin(["must", "count"])]
    if not lasting.empty:
        raise DoesNotHold("\n".join(f"with no slot at all: {m}" for m in lasting["message"]))


def _require_windows(scenario: Scenario, environment: Environment) -> None:
    """Raise DoesNotHold when an activity's own windows cannot hold the runs it must have."""
    lines = []
    for activity in scenario.activity:
        if not activity.must:
            continue
        why = why_no_window(scenario, environment, activity)
        room = most_runs(scenario, environment, activity)
        if why:
            lines.append(f'activity "{activity.name}" must run, but has no window: {why}')
        elif room < activity.must:
            lines.append(
                f'activity "{activity.name}" must run {activity.must} times, but its windows and '
                f"its gap of {activity.gap_min} min leave room for {room}"
            )
    if lines:
        raise DoesNotHold("\n".join(lines))


def _bearable(
    scenario: Scenario, environment: Environment, question: Problem
) -> tuple[Problem, Booking | None]:
    """`question` with as much kept in reserve as the replay of a quick plan shows it needs.

    Also that quick plan; None when the replay still refuses it.
    """
    spared = question
    for _ in range(MOST_MENDS):
        try:
            booking = quick_plan(spared)
        except LookupError:
            break  # whether required runs fit is for the question as asked to say
        verdict = check(scenario, environment, plan_slots(scenario, booking))
        if verdict.holds:
            return spared, booking
        spared = _with_spare(spared, verdict)
    return question, None


def _holding(
    scenario: Scenario,
    environment: Environment,
    question: Problem,
    booking: Booking,
    best: tuple[Booking, Verdict] | None,
) -> tuple[Booking, Verdict]:
    """`booking` as the replay accepts it, mended if need be; `best` if that is worth more."""
    spared = question
    booking = _freely_sending(booking)
    for _ in range(MOST_MENDS):
        verdict = check(scenario, environment, plan_slots(scenario, booking))
        if verdict.holds:
            if best is not None and best[0].value() >= booking.value():
                return best
            return booking, verdict
        spared = _with_spare(spared, verdict)
        booking = _mended(booking, spared)
    if best is not None:
        return best
    thinned = _thinned(scenario, environment, question, booking)
    if thinned is not None:
        return thinned
    raise DoesNotHold(
        f"no plan survived the replay by the minute; {len(verdict.violations)} rules stayed "
        f"broken, the first: {verdict.violations['message'].iloc[0]}; a shorter span.step_min "
        "follows the minutes more closely"
    )


def _thinned(
    scenario: Scenario, environment: Environment, question: Problem, booking: Booking
) -> tuple[Booking, Verdict] | None:
    """`booking` less the runs that the replay finds at each broken rule, one by one.

    None when only required runs are left and rules are still broken.
    """
    names = [task.name for task in question.tasks]
    followed = {earlier for task in question.tasks for earlier, *_ in task.earlier}
    thinner = booking.copy()
    thinner.problem = question
    while True:
        thinner.flow = thinner.simulate()
        rows = _rows(scenario, thinner)
        verdict = check(scenario, environment, slots_table(scenario, rows))
        if verdict.holds:
            return _refilled(scenario, environment, thinner, verdict)
        at_fault = set(" ".join(verdict.violations["slots"]).split())
        runs = [
            (slot not in at_fault, question.tasks[i].value, -start, i)
            for slot, (name, start, _) in zip(_slot_ids(len(rows)), rows)
            if name in names
            and len(thinner.runs[i := names.index(name)]) > question.tasks[i].must
            and not (i in followed and len(thinner.runs[i]) == 1 and _waited_for(thinner, i))
        ]
        if not runs:
            return None
        *_, start, task = min(runs)
        thinner.add(task, -start, -1)


def _refilled(
    scenario: Scenario, environment: Environment, booking: Booking, verdict: Verdict
) -> tuple[Booking, Verdict]:
    """`booking` with what more the replay lets in, the worthiest tasks first."""
    tasks = booking.problem.tasks
    for i in sorted(range(len(tasks)), key=lambda i: -tasks[i].value):
        starts = np.flatnonzero(booking.open_starts(i)).tolist()
        for start in starts[:: max(1, len(starts) // MOST_MENDS)]:
            fuller = booking.copy()
            if not fuller.open_starts(i)[start]:
                continue
            fuller.add(i, start)
            fuller.flow = fuller.simulate()
            judged = check(scenario, environment, plan_slots(scenario, fuller))
            if judged.holds and not fuller.flow.short:
                booking, verdict = fuller, judged
    return booking, verdict


def _waited_for(booking: Booking, task: int) -> bool:
    """Whether booked runs of other tasks wait for a run of `task`."""
    return any(
        booking.runs[i] and any(earlier == task for earlier, *_ in other.earlier)
        for i, other in enumerate(booking.problem.tasks)
    )


def _with_spare(problem: Problem, verdict: Verdict) -> Problem:
    """The problem with more kept in the batteries, or sent more slowly, where a replay broke.

    Charge comes first: a battery that runs short holds back the sending too, so that data
    left behind may be no fault of the link.
    """
    broken = verdict.violations
    charge = broken[broken["unit"] == "Wh"]
    nodes = []
    for node in problem.nodes:
        named = broken["message"].str.contains(f'"{node.name}"', regex=False)
        spare_wh = 1.5 * charge["amount"][named].max() + 0.01 if named[charge.index].any() else 0.0
        slower = SLOWER if charge.empty and (broken["unit"][named] == "Mbit").any() else 1.0
        nodes.append(
            replace(
                node,
                reserve_wh=node.reserve_wh + spare_wh,
                end_wh=node.end_wh + spare_wh,
                send_mbit=node.send_mbit * slower,
                store_mbit=node.store_mbit * slower,
            )
        )
    return replace(problem, nodes=tuple(nodes))


def _freely_sending(booking: Booking) -> Booking:
    """`booking`, sending when it can if it would not send at all, as a replay does then."""
    if booking.flow.sent_share.any():
        return booking
    free = booking.copy()
    free.may_send[:] = True
    free.flow = free.simulate()
    return booking if free.flow.short else free


def _mended(booking: Booking, tighter: Problem) -> Booking:
    """A plan that `tighter` can bear: a new one if it is small, else `booking` made lighter."""
    best = best_plan(tighter, tighter, nodes=MEND_NODES)[0] if is_small(tighter) else None
    if best is not None:
        return _freely_sending(best)
    lighter = booking.copy()
    lighter.problem = tighter
    lighter.flow = lighter.simulate()
    followed = {earlier for task in tighter.tasks for earlier, *_ in task.earlier}
    while lighter.flow.short:
        droppable = [
            (task.value * task.repeat_worth ** len(lighter.runs[i]) / task.length, i)
            for i, task in enumerate(tighter.tasks)
            if len(lighter.runs[i]) > max(task.must, int(i in followed))
            and (f"of {tighter.nodes[task.node].name}" in lighter.flow.short or task.data_mbit.any())
        ]
        if not droppable:
            return booking
        _, least = min(droppable)
        lighter.add(least, max(lighter.runs[least]), -1)
        lighter.flow = lighter.simulate()
    return greedy_plan(tighter, lighter)


def _rows(scenario: Scenario, booking: Booking) -> list[tuple[str, int, int]]:
    """Activity, first and last step of every slot and of every stretch of sending."""
    rows = [
        (task.name, start, start + task.length)
        for task, starts in zip(booking.problem.tasks, booking.runs)
        for start in starts
    ]
    sends, held = booking.flow.sent_share > 1e-9, booking.flow.held_mbit > 0
    if held.any() and not sends.any():
        # Without a row all would send: so one is permitted to, while it has nothing to send.
        empty = ~held[:, :-1] & ~held[:, 1:]
        sends.flat[int(np.argmax(empty))] = empty.any()
    for name, mask in zip(scenario.sending_names, sends):
        rows += [(name, *stretch) for stretch in intervals.from_mask(mask).tolist()]
    return sorted(rows, key=lambda row: (row[1], row[2], row[0]))


def plan_slots(scenario: Scenario, booking: Booking) -> pd.DataFrame:
    """The booked runs, and when platforms may send, as slots that a check understands."""
    return slots_table(scenario, _rows(scenario, booking))


def slots_table(scenario: Scenario, rows: list[tuple[str, int, int]]) -> pd.DataFrame:
    """Rows (activity, first step, last step) as slots that a check understands."""
    step = pd.Timedelta(minutes=scenario.span.step_min)
    start = pd.Timestamp(scenario.span.start_utc)
    return pd.DataFrame(
        {
            "slot": pd.Series(_slot_ids(len(rows)), dtype="str"),
            "activity": pd.Series([row[0] for row in rows], dtype="str"),
            "start_utc": pd.DatetimeIndex([start + row[1] * step for row in rows], tz="UTC"),
            "end_utc": pd.DatetimeIndex([start + row[2] * step for row in rows], tz="UTC"),
        }
    )


def _slot_ids(count: int) -> list[str]:
    digits = max(3, len(str(count)))
    return [f"s{k:0{digits}d}" for k in range(1, count + 1)]


def timeline_table(scenario: Scenario, environment: Environment, booking: Booking) -> pd.DataFrame:
    """The timeline with what a reader wants beside each slot: Sun, ground, contact, worth."""
    slots = plan_slots(scenario, booking)
    activities = {a.name: a for a in scenario.activity}
    platforms = {p.name: p for p in scenario.platform}
    tasks = {task.name: task for task in booking.problem.tasks}
    start = environment.sky.index[0]
    held: dict[tuple[str, int], int] = {}
    rows = []
    for slot in slots.itertuples(index=False):
        first = int((slot.start_utc - start) / pd.Timedelta(minutes=1))
        minutes = int((slot.end_utc - slot.start_utc) / pd.Timedelta(minutes=1))
        row = {"slot": slot.slot, "activity": slot.activity, "duration_min": minutes}
        if slot.activity in activities:
            activity, task = activities[slot.activity], tasks[slot.activity]
            bin_ = int(task.bins[first // scenario.span.step_min])
            earlier = held.get((task.name, bin_), 0)
            held[task.name, bin_] = earlier + 1
            energy_wh = (
                activity.warm_up_min * activity.warm_up_w + activity.duration_min * activity.power_w
            ) / 60
            row |= {
                "platform": scenario.platform_of(activity),
                "instrument": activity.instrument,
                "power_w": activity.power_w,
                "energy_wh": energy_wh,
                "data_mbit": activity.data_mbit,
                "value": task.run_value(bin_, earlier),
            }
        else:
            platform = platforms[scenario.sending_names[slot.activity]]
            row |= {"platform": platform.name, "instrument": "radio",
                    "power_w": platform.radio.transmit_w, "value": 0.0}  # fmt: skip
        sky = environment.sky.iloc[first]
        in_contact = environment.platforms[row["platform"]]["in_contact"].to_numpy(dtype=bool)
        inside = in_contact[first : first + minutes]
        row |= {
            "start_utc": slot.start_utc,
            "end_utc": slot.end_utc,
            "state": "planned",
            "sun_elevation_deg": sky["sun_elevation_deg"],
            "local_time_h": sky["local_time_h"],
            "surface_temperature_k": sky["surface_temperature_k"],
            "contact": "whole" if inside.all() else "part" if inside.any() else "none",
        }
        rows.append(row)
    return pd.DataFrame(rows, columns=list(TIMELINE_COLUMNS))


TIMELINE_COLUMNS = (
    "slot",
    "platform",
    "instrument",
    "activity",
    "start_utc",
    "end_utc",
    "duration_min",
    "state",
    "sun_elevation_deg",
    "local_time_h",
    "surface_temperature_k",
    "contact",
    "power_w",
    "energy_wh",
    "data_mbit",
    "value",
)
