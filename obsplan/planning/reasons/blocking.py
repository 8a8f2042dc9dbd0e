"""Which constraints block one more run of a task at each start, and by how much."""

from collections.abc import Iterator
from enum import StrEnum
from itertools import chain

import numpy as np

from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.resource_flow import gain_wh
from obsplan.planning.problem.tolerances import BUS_TOLERANCE_W, TOLERANCE


class Constraint(StrEnum):
    """What may block a run, budgets and teams aside; the text is its name in sentences."""

    WINDOW = "window"
    EXCLUSION = "exclusion"
    GAP = "gap"
    ORDER = "order"
    BUS_POWER = "bus power"
    ENERGY = "energy"
    STORAGE = "storage"
    OWN_RUNS = "its other runs"
    REPLAY = "the replay by the minute"


def blocking_amounts(booking: Booking, task: int) -> dict[str, np.ndarray]:
    """By how much each constraint blocks one more run of `task` (0: not at all).

    Keys are each Constraint that is judged here, and the names of the budgets and teams.

    Arrays have one entry per start (steps - length + 1,). WINDOW: 1; EXCLUSION: number of
    rival slots; GAP and ORDER: steps too close or too early; BUS_POWER: W over the limit;
    ENERGY: Wh missing from the battery at the start, inf if a full battery is not enough;
    budgets: what is missing, at any start; teams: runs too many at once. Data is judged only by a
    simulation.
    """
    problem, what = booking.problem, booking.problem.tasks[task]
    starts = _all_starts(booking, task)
    exclusion, gap, order, bus_w = np.zeros((4, len(starts)))
    for *_, blocked in rival_runs(booking, task):
        exclusion += blocked
    for own in booking.runs[task]:
        gap = np.maximum(gap, what.length + what.gap - np.abs(starts - own))
    for need in what.needs:
        order = np.maximum(order, _steps_to(booking.met(need))[: len(starts)])
    for wait in booking.waits[task]:
        is_later = wait.later == task
        barred = wait.later_barred if is_later else wait.earlier_barred
        for other in booking.runs[wait.earlier if is_later else wait.later]:
            span = barred(other)
            inside = (starts >= span.start) & (starts < span.stop)
            # A later run may start when the span is over, an earlier one before it begins.
            steps = span.stop - starts if is_later else starts - span.start + 1
            order = np.where(inside, np.maximum(order, steps), order)
    over_w = booking.peak_w[what.node] - problem.nodes[what.node].bus_limit_w
    for k, peak_w in enumerate(what.peak_w if len(starts) else ()):
        bus_w = np.maximum(bus_w, over_w[k : k + len(starts)] + peak_w)
    return (
        {
            Constraint.WINDOW: np.where(what.starts[: len(starts)], 0.0, 1.0),
            Constraint.EXCLUSION: exclusion,
            Constraint.GAP: gap,
            Constraint.ORDER: order,
            Constraint.BUS_POWER: bus_w,
            Constraint.ENERGY: _missing_wh(booking, task),
        }
        | {
            budget.name: np.full(len(starts), max(0.0, budget.use[task] - booking.left(budget)))
            for budget in problem.budgets
        }
        | {
            problem.teams[k].name: _runs_too_many(booking, k, task)[: len(starts)]
            for k in booking.teams[task]
        }
    )


def tolerance_of(constraint: str) -> float:
    """The largest amount of a constraint that is rounding and blocks nothing."""
    return BUS_TOLERANCE_W if constraint == Constraint.BUS_POWER else TOLERANCE


def rival_runs(booking: Booking, task: int) -> Iterator[tuple[int, int, np.ndarray]]:
    """Booked runs of other tasks that `task` may not overlap, or that take its station: task,
    start, starts blocked."""
    what, starts = booking.problem.tasks[task], _all_starts(booking, task)
    length = what.length
    for rival, apart in booking.problem.rivals[task]:
        for start in sorted(booking.runs[rival]):
            end = start + booking.problem.tasks[rival].length + apart
            yield rival, start, (starts > start - length - apart) & (starts < end)
    for crowd in booking.problem.crowds:
        taken = crowd.taken(task, booking.problem.tasks, booking.runs)
        for rival in chain(*crowd.rivals_of(task)):
            for start in sorted(booking.runs[rival]):
                shared = np.zeros_like(taken)
                inside = slice(start, start + booking.problem.tasks[rival].length)
                shared[inside] = taken[inside]
                yield rival, start, what.steps_in(shared)[: len(starts)] > 0


def overflow_estimate_mbit(booking: Booking, task: int) -> np.ndarray:
    """About how far a run would overfill the stores on its data's way, per start.

    All contact time that the plan leaves unused counts, regardless of the energy for sending: good
    enough to try the emptier times first.
    """
    what, starts = booking.problem.tasks[task], _all_starts(booking, task)
    overflow, n = np.zeros(len(starts)), what.node
    while n >= 0 and what.data_mbit.any():
        node, flow = booking.problem.nodes[n], booking.flow
        unused = np.concatenate([[0], np.cumsum(node.send_mbit * (1 - flow.sent_share[n]))])
        over = flow.held_mbit[n] - node.store_mbit
        over[-1] = flow.held_mbit[n, -1] - node.store_end_mbit
        worst = np.maximum.accumulate((over - unused)[::-1])[::-1]
        overflow += np.maximum(0.0, what.data_mbit.sum() + worst[starts + 1] + unused[starts])
        n = node.receiver
    return overflow


def _runs_too_many(booking: Booking, team: int, task: int) -> np.ndarray:
    """By how many runs a team would watch too many at the worst step of a run, per start."""
    beyond = booking.watched[team] + 1 - booking.problem.teams[team].at_once
    length = booking.problem.tasks[task].length
    if length > len(beyond):
        return np.zeros(0)
    worst = np.lib.stride_tricks.sliding_window_view(beyond, length).max(axis=1)
    return np.maximum(0.0, worst)


def _all_starts(booking: Booking, task: int) -> np.ndarray:
    return np.arange(max(0, booking.problem.steps - booking.problem.tasks[task].length + 1))


def _steps_to(met: np.ndarray) -> np.ndarray:
    """Steps (n,) from each start to the nearest that is met; to the end if there is none."""
    steps, where = np.arange(len(met)), np.flatnonzero(met)
    if not len(where):
        return len(met) - steps
    after = where[np.minimum(np.searchsorted(where, steps), len(where) - 1)]
    before = where[np.maximum(np.searchsorted(where, steps, side="right") - 1, 0)]
    return np.minimum(np.abs(after - steps), np.abs(before - steps))


def _missing_wh(booking: Booking, task: int) -> np.ndarray:
    """Charge missing at each start for the run and all that is booked from there on."""
    problem, what = booking.problem, booking.problem.tasks[task]
    node, flow = problem.nodes[what.node], booking.flow
    starts = _all_starts(booking, task)
    if not len(starts):
        return np.zeros(0)
    need_wh = flow.needed_wh[what.node][starts + what.length]
    for k in reversed(range(what.length)):
        net_w = (node.generation_w - booking.load_w[what.node])[starts + k] - what.load_w[k]
        need_wh = np.maximum(node.reserve_wh, need_wh - gain_wh(node, net_w, problem.step_h))
        need_wh[need_wh > node.capacity_wh + TOLERANCE] = np.inf
    return np.maximum(0.0, need_wh - flow.stored_wh[what.node][starts])
