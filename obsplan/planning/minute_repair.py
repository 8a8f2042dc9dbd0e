"""Repair after replay: from a plan in steps to one that the replay by the minute accepts.

Steps average what minutes do not, so a plan may break a limit inside a step. Then the
reserve is tightened and the plan repaired for it; the last resort is to drop the runs at
fault. Only the replay knows user-defined rules: runs that break them are moved or dropped.
"""

from collections.abc import Callable
from dataclasses import replace
from threading import Event
from typing import NamedTuple

import numpy as np

from obsplan.checking.check import Verdict, check_timeline
from obsplan.checking.resource_rules import RESOURCE_RULES
from obsplan.common.errors import Infeasible
from obsplan.environment.model import Environment
from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.definition import Problem
from obsplan.planning.problem.timeline_table import booked_rows, plan_slots, slot_ids
from obsplan.planning.search.exact import best_plan, is_small
from obsplan.planning.search.first_plan import NoPlaceFound, quick_plan
from obsplan.planning.search.greedy import greedy_plan

# How often the reserve is tightened at most, and how many nodes a repaired small plan may take.
MOST_REPAIRS = 12
REPAIR_NODES = 20
# How many other starts are tried for a required run that breaks a user-defined rule.
MOST_MOVES = 48
# The reserve is tightened by this much of the missing charge, and a little more.
MARGIN, MARGIN_WH = 1.5, 0.01
# If data is left by the minute, links and stores are taken to have this share of their capacity.
SLOWER = 0.97

# The verdict on a booking; its slots have the ids of `slot_ids`, in order.
Replay = Callable[[Booking], Verdict]


class Replayed(NamedTuple):
    """A plan and the verdict of the replay on it."""

    booking: Booking
    verdict: Verdict


def replay_of(environment: Environment) -> Replay:
    """The replay of a booking that is all there is in the timeline."""
    return lambda booking: check_timeline(environment, plan_slots(environment.scenario, booking))


def tightened_problem(
    environment: Environment,
    problem: Problem,
    replay: Replay | None = None,
    quick: Callable[[Problem], Booking] = quick_plan,
    stop: Event | None = None,
) -> tuple[Problem, Booking | None]:
    """`problem` with its reserve tightened until the replay accepts a quick plan; and that plan.

    The plan is None if the replay still refuses it, unless `stop` is set by then. Raises
    NoPlaceFound if the problem as it is has no quick plan.
    """
    replay = replay or replay_of(environment)
    tight = problem
    for _ in range(MOST_REPAIRS):
        try:
            booking = quick(tight)
        except NoPlaceFound:
            if tight is problem:
                raise
            break  # it is the tightened reserve that leaves no room for required runs
        verdict = replay(booking)
        if verdict.is_valid or (stop is not None and stop.is_set()):
            return tight, booking
        if not _is_short(verdict):
            break
        tight = _tightened(tight, verdict)
    return problem, None


def valid_plan(
    environment: Environment,
    problem: Problem,
    booking: Booking,
    best: Replayed | None,
    replay: Replay | None = None,
) -> Replayed:
    """`booking` as the replay accepts it, repaired if need be; `best` if its value is higher.

    Raises Infeasible if no repair makes it valid and there is no `best`.
    """
    replay = replay or replay_of(environment)
    tight = problem
    booking = _freely_sending(booking)
    for _ in range(MOST_REPAIRS):
        verdict = replay(booking)
        if verdict.is_valid:
            if best is not None and best.booking.value() >= booking.value():
                return best
            return Replayed(booking, verdict)
        if not _is_short(verdict):
            break
        tight = _tightened(tight, verdict)
        booking = _repaired(booking, tight)
    if best is not None and not environment.user_rules:
        return best
    reduced = _without_runs_at_fault(environment, replay, problem, booking)
    found = [plan for plan in (best, reduced) if plan is not None]
    if found:
        return max(found, key=lambda plan: plan.booking.value())
    for violation in verdict.found:
        if violation.rule in environment.user_rules:
            raise Infeasible(f'no plan keeps the rule "{violation.rule}": {violation.message}')
    raise Infeasible(
        f"no plan passes the replay by the minute: {len(verdict.found)} violations remain, the "
        f"first: {verdict.found[0].message}; fix: a shorter span.step_min, which follows the "
        "minutes more closely"
    )


def lighter_plan(booking: Booking, replay: Replay) -> Booking | None:
    """A plan with less in it that the replay accepts, in a problem with tightened reserve.

    None if it accepts `booking` itself, or no plan light enough was found.
    """
    given = plan = _freely_sending(booking)
    for _ in range(MOST_REPAIRS):
        verdict = replay(plan)
        if verdict.is_valid:
            return None if plan is given else plan
        if not _is_short(verdict):
            return None
        plan = _repaired(plan, _tightened(plan.problem, verdict))
    return None


def _is_short(verdict: Verdict) -> bool:
    """Whether a bus, battery or store exceeds its limit, so that dropping runs helps."""
    return any(violation.rule in RESOURCE_RULES for violation in verdict.found)


def _tightened(problem: Problem, verdict: Verdict) -> Problem:
    """The problem with more in reserve, or slower links, on platforms that a replay names.

    Charge comes first: a battery that runs short also delays sending, so that unsent data may not
    be due to the link.
    """
    # A user-defined rule may also have the unit Wh, but it is not about the battery.
    limits = [violation for violation in verdict.found if violation.rule in RESOURCE_RULES]
    charge_is_short = any(violation.unit == "Wh" for violation in limits)
    nodes = []
    for node in problem.nodes:
        own = [violation for violation in limits if violation.platform == node.name]
        missing_wh = max((v.amount for v in own if v.unit == "Wh"), default=0.0)
        more_wh = MARGIN * missing_wh + MARGIN_WH if missing_wh else 0.0
        is_slow = not charge_is_short and any(v.unit == "Mbit" for v in own)
        slower = SLOWER if is_slow else 1.0
        nodes.append(
            replace(
                node,
                reserve_wh=node.reserve_wh + more_wh,
                end_wh=node.end_wh + more_wh,
                send_mbit=node.send_mbit * slower,
                store_mbit=node.store_mbit * slower,
            )
        )
    return replace(problem, nodes=tuple(nodes))


def _repaired(booking: Booking, tight: Problem) -> Booking:
    """A plan feasible in `tight`: a new one if it is small, else `booking` with less in it."""
    best = best_plan(tight, tight, nodes=REPAIR_NODES)[0] if is_small(tight) else None
    if best is not None:
        return _freely_sending(best)
    lighter = booking.copy()
    lighter.problem = tight
    lighter.flow = lighter.simulate()
    while short := lighter.flow.short:
        droppable = [
            (task.value * task.repeat_worth ** len(lighter.runs[i]) / task.length, i)
            for i, task in enumerate(tight.tasks)
            if len(lighter.runs[i]) > max(task.must, int(i in tight.prerequisites))
            and (task.node == short.node or task.data_mbit.any())
        ]
        if not droppable:
            return booking
        _, least = min(droppable)
        lighter.add(least, max(lighter.runs[least]), -1)
        lighter.flow = lighter.simulate()
    return greedy_plan(tight, lighter)


def _freely_sending(booking: Booking) -> Booking:
    """`booking`, sending when it can if it would not send at all, as a replay does then."""
    if booking.flow.sent_share.any():
        return booking
    free = booking.copy()
    free.may_send[:] = True
    free.flow = free.simulate()
    return booking if free.flow.short else free


def _without_runs_at_fault(
    environment: Environment, replay: Replay, problem: Problem, booking: Booking
) -> Replayed | None:
    """`booking` less runs at fault in a violation, one by one, then refilled.

    Required runs that break a user-defined rule are moved. None if only required runs are left
    and there are still violations.
    """
    names = [task.name for task in problem.tasks]
    reduced = booking.copy()
    reduced.problem = problem
    while True:
        reduced.flow = reduced.simulate()
        rows = booked_rows(environment.scenario, reduced)
        verdict = replay(reduced)
        if verdict.is_valid:
            return _refilled(replay, Replayed(reduced, verdict))
        runs = [
            (slot not in verdict.slots_at_fault, problem.tasks[i].value, -start, i)
            for slot, (name, start, _) in zip(slot_ids(len(rows)), rows)
            if name in names
            and len(reduced.runs[i := names.index(name)]) > problem.tasks[i].must
            and not _is_last_awaited(reduced, i)
        ]
        is_at_fault = bool(runs) and not min(runs)[0]
        if environment.user_rules and not is_at_fault:
            moved = _with_a_required_run_moved(environment, replay, reduced, verdict)
            if moved is not None:
                reduced = moved
                continue
        if not runs:
            return None
        *_, start, task = min(runs)
        reduced.add(task, -start, -1)


def _with_a_required_run_moved(
    environment: Environment, replay: Replay, booking: Booking, verdict: Verdict
) -> Booking | None:
    """`booking` with one run at fault at another start, so that there are fewer violations.

    Runs that wait for it are left out if they may be; they come back when the plan is refilled.
    """
    tasks, names = booking.problem.tasks, [task.name for task in booking.problem.tasks]
    rows = booked_rows(environment.scenario, booking)
    for slot, (name, start, _) in zip(slot_ids(len(rows)), rows):
        if slot not in verdict.slots_at_fault or name not in names:
            continue
        without, i = booking.copy(), names.index(name)
        without.add(i, start, -1)
        for k, task in enumerate(tasks):
            if not task.must and any(need.task == i for need in task.needs):
                for waiting in list(without.runs[k]):
                    without.add(k, waiting, -1)
        starts = np.flatnonzero(without.open_starts(i)).tolist()
        for other in starts[:: max(1, len(starts) // MOST_MOVES)]:
            moved = without.copy()
            moved.add(i, other)
            moved.flow = moved.simulate()
            if not moved.flow.short and len(replay(moved).found) < len(verdict.found):
                return moved
    return None


def _refilled(replay: Replay, plan: Replayed) -> Replayed:
    """`plan` with more runs that the replay accepts, the most valuable tasks first."""
    tasks = plan.booking.problem.tasks
    for i in sorted(range(len(tasks)), key=lambda i: -tasks[i].value):
        starts = np.flatnonzero(plan.booking.open_starts(i)).tolist()
        for start in starts[:: max(1, len(starts) // MOST_REPAIRS)]:
            fuller = plan.booking.copy()
            if not fuller.open_starts(i)[start]:
                continue
            fuller.add(i, start)
            fuller.flow = fuller.simulate()
            verdict = replay(fuller)
            if verdict.is_valid and not fuller.flow.short:
                plan = Replayed(fuller, verdict)
    return plan


def _is_last_awaited(booking: Booking, task: int) -> bool:
    """Whether `task` has a single run, and booked runs of other tasks wait for it."""
    return len(booking.runs[task]) == 1 and any(
        booking.runs[i] and any(need.task == task for need in other.needs)
        for i, other in enumerate(booking.problem.tasks)
    )
