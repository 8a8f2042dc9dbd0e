"""Repair after replay: from a plan in steps to one that the replay by the minute accepts.

Steps average what minutes do not, so a plan may break a limit inside a step. Then the
reserve is tightened and the plan repaired for it; the last resort is to drop the runs at
fault. Only the replay knows user-defined rules: runs that break them are moved or dropped.
"""

from collections.abc import Callable
from dataclasses import replace
from threading import Event

import numpy as np

from obsplan.checking.check import Verdict
from obsplan.checking.required_goals import REQUIRED_GOAL
from obsplan.checking.resource_rules import RESOURCE_RULES
from obsplan.common.errors import Infeasible
from obsplan.environment.model import Environment
from obsplan.inputs.scenario import Scenario
from obsplan.planning.last_runs import with_last_runs
from obsplan.planning.late_data import without_late_starts
from obsplan.planning.later_decisions import in_time, with_later_decisions
from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.definition import Problem, first_worths
from obsplan.planning.replayed import Replay, Replayed, replay_of, runs_by_slot
from obsplan.planning.search.exact import best_plan, is_small
from obsplan.planning.search.first_plan import NoPlaceFound, quick_plan
from obsplan.planning.search.greedy import greedy_plan

# How often the reserve is tightened at most, and how many nodes a repaired small plan may take.
MOST_REPAIRS = 12
REPAIR_NODES = 20
# So many other starts are tried first for a required run that breaks a user-defined rule.
SPREAD_MOVES = 48
# The reserve is tightened by this much of the missing charge, and a little more.
MARGIN, MARGIN_WH = 1.5, 0.01
# If data is left by the minute, links and stores are taken to have this share of their capacity.
SLOWER = 0.97


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
        if not is_short(verdict):
            break
        tight = tightened(tight, verdict)
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
    verdict = replay(booking)
    for _ in range(MOST_REPAIRS):
        if verdict.is_valid or not is_short(verdict):
            break
        tight = tightened(tight, verdict)
        booking = _repaired(booking, tight)
        verdict = replay(booking)
    if verdict.is_valid:
        made = Replayed(booking, verdict)
        return best if best is not None and best.booking.value() >= booking.value() else made
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
        if not is_short(verdict):
            return None
        plan = _repaired(plan, tightened(plan.problem, verdict))
    return None


def is_short(verdict: Verdict) -> bool:
    """Whether a bus, battery or store exceeds its limit, so that dropping runs helps, a run starts
    before the decision on it, or its data are late."""
    return (
        any(violation.rule in (*RESOURCE_RULES, REQUIRED_GOAL) for violation in verdict.found)
        or any(decision.is_late for decision in verdict.decisions)
        or any(wait.is_late for wait in verdict.data_waits)
    )


def tightened(problem: Problem, verdict: Verdict) -> Problem:
    """The problem with more in reserve, less on the bus, slower links, data that are received
    later, or without starts whose data are late, where a replay says so.

    Charge comes first: a battery that runs short also delays sending, so that data that are unsent
    or late may not be due to the link.
    """
    # A user-defined rule may also have the unit Wh, but it is not about the battery.
    limits = [violation for violation in verdict.found if violation.rule in RESOURCE_RULES]
    charge_is_short = any(violation.unit == "Wh" for violation in limits)
    goal_is_short = not limits and any(v.rule == REQUIRED_GOAL for v in verdict.found)
    nodes = []
    for node in problem.nodes:
        own = [violation for violation in limits if violation.platform == node.name]
        missing_wh = max((v.amount for v in own if v.unit == "Wh"), default=0.0)
        more_wh = MARGIN * missing_wh + MARGIN_WH if missing_wh else 0.0
        is_slow = not charge_is_short and any(v.unit == "Mbit" for v in own)
        # Data that a goal needs stay aboard: first none may, then less can be sent.
        is_slow |= goal_is_short and node.store_end_mbit == 0
        slower = SLOWER if is_slow else 1.0
        excess_w = max((v.amount for v in own if v.unit == "W"), default=0.0)
        nodes.append(
            replace(
                node,
                reserve_wh=node.reserve_wh + more_wh,
                end_wh=node.end_wh + more_wh,
                bus_limit_w=node.bus_limit_w - excess_w,
                send_mbit=node.send_mbit * slower,
                store_mbit=node.store_mbit * slower,
                store_end_mbit=0.0 if goal_is_short else node.store_end_mbit,
            )
        )
    tightened = replace(problem, nodes=tuple(nodes))
    if charge_is_short:
        return tightened
    return with_later_decisions(without_late_starts(tightened, verdict), verdict)


def _repaired(booking: Booking, tight: Problem) -> Booking:
    """A plan feasible in `tight`: a new one if it is small, else `booking` with less in it."""
    best = best_plan(tight, tight, nodes=REPAIR_NODES)[0] if is_small(tight) else None
    if best is not None:
        return _freely_sending(best)
    lighter = in_time(booking, tight) if tight.awaits_data else booking.copy()
    lighter.problem = tight
    lighter.flow = lighter.simulate()
    while lighter.flow.short or not lighter.fits_bus():
        droppable = [
            (_worth_without(lighter, i, max(runs)) / task.length, i, max(runs))
            for i, task in enumerate(tight.tasks)
            if len(lighter.runs[i]) > max(task.must, int(i in tight.prerequisites))
            and (runs := _runs_in_the_way(lighter, i))
            and not _is_needed(lighter, i, max(runs))
        ]
        if not droppable:
            return booking
        _, least, start = min(droppable)
        lighter.add(least, start, -1)
        lighter.flow = lighter.simulate()
    repaired = greedy_plan(tight, lighter)
    if not repaired.lacks_required_runs():
        return repaired
    # A run that is in time by itself may keep a required one from being so.
    try:
        return quick_plan(tight)
    except NoPlaceFound:
        return repaired


def _is_needed(booking: Booking, i: int, start: int) -> bool:
    """Whether a required minimum of a goal needs the run of task `i` at `start`."""
    runs = booking.runs
    without = [[s for s in own if (k, s) != (i, start)] for k, own in enumerate(runs)]
    return any(
        goal.missing(goal.counts(without)) > goal.missing(goal.counts(runs))
        for goal in booking.problem.goals
        if goal.required
    )


def _worth_without(booking: Booking, i: int, start: int) -> float:
    """What a plan loses, about, without the run of task `i` at `start`."""
    task, runs = booking.problem.tasks[i], booking.runs
    without = [[s for s in own if (k, s) != (i, start)] for k, own in enumerate(runs)]
    goals = booking.problem.goals
    lost = sum(goal.planned_value(runs) - goal.planned_value(without) for goal in goals)
    return task.value * task.repeat_worth ** len(runs[i]) + lost


def _runs_in_the_way(booking: Booking, i: int) -> list[int]:
    """Runs of task `i` that use what is short: charge or storage, else power on the bus."""
    task, runs = booking.problem.tasks[i], booking.runs[i]
    if short := booking.flow.short:
        return runs if task.node == short.node or task.data_mbit.any() else []
    over = booking.peak_w[task.node] > booking.problem.nodes[task.node].bus_limit_w
    return [start for start in runs if over[start : start + task.length].any()]


def _freely_sending(booking: Booking) -> Booking:
    """`booking`, sending when it can if it would not send at all, as a replay does then, or if runs
    wait for data."""
    if booking.flow.sent_share.any() and not booking.problem.awaits_data:
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
    reduced, worths = booking.copy(), first_worths(problem)
    reduced.problem = problem
    while True:
        reduced.flow = reduced.simulate()
        verdict = replay(reduced)
        if verdict.is_valid:
            made = Replayed(reduced, verdict)
            return with_last_runs(made, replay, tries=MOST_REPAIRS)
        runs = [
            (slot not in verdict.slots_at_fault, worths[i], -start, i)
            for slot, (i, start) in runs_by_slot(environment.scenario, reduced).items()
            if len(reduced.runs[i]) > problem.tasks[i].must
            and not _is_last_awaited(reduced, i)
            and not _is_needed(reduced, i, start)
        ]
        is_at_fault = bool(runs) and not min(runs)[0]
        if environment.user_rules and not is_at_fault:
            moved = _with_a_required_run_moved(environment.scenario, replay, reduced, verdict)
            if moved is not None:
                reduced = moved
                continue
        if not runs:
            return None
        *_, start, task = min(runs)
        reduced.add(task, -start, -1)


def _with_a_required_run_moved(
    scenario: Scenario, replay: Replay, booking: Booking, verdict: Verdict
) -> Booking | None:
    """`booking` with one run at fault at another start, so that there are fewer violations.

    Runs that wait for it are left out if they may be; they come back when the plan is refilled.
    """
    tasks = booking.problem.tasks
    for slot, (i, start) in runs_by_slot(scenario, booking).items():
        if slot not in verdict.slots_at_fault:
            continue
        without = booking.copy()
        without.add(i, start, -1)
        for k, task in enumerate(tasks):
            if k != i and not task.must and any(need.task == i for need in task.needs):
                for waiting in list(without.runs[k]):
                    without.add(k, waiting, -1)
        for other in _spread(np.flatnonzero(without.open_starts(i)).tolist()):
            moved = without.copy()
            moved.add(i, other)
            moved.flow = moved.simulate()
            if not moved.flow.short and len(replay(moved).found) < len(verdict.found):
                return moved
    return None


def _spread(starts: list[int]) -> list[int]:
    """All starts, first some that are spread evenly, then those between them."""
    first = starts[:: max(1, len(starts) // SPREAD_MOVES)]
    return first + sorted(set(starts) - set(first))


def _is_last_awaited(booking: Booking, task: int) -> bool:
    """Whether `task` has a single run, and booked runs of other tasks wait for it."""
    return len(booking.runs[task]) == 1 and any(
        i != task and booking.runs[i] and any(need.task == task for need in other.needs)
        for i, other in enumerate(booking.problem.tasks)
    )
