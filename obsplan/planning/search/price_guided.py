"""Plans guided by the relaxation: by its fractional runs, and by its prices along two lanes.

At the relaxation's dual prices (Lagrangian prices) of the resources a good plan is a good choice
of starts along two lanes, which dynamic programming finds. The prices leave many plans equally
good, so they are perturbed at random, and the plans found are merged. It pays where exclusion is
what limits the plan.
"""

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from random import Random
from threading import Event

import numpy as np

from obsplan.planning.problem.booking import Booking, plan_value
from obsplan.planning.problem.definition import Problem
from obsplan.planning.search.greedy import greedy_plan
from obsplan.planning.search.merging import merged_starts
from obsplan.planning.search.rounding import plan_by_shares
from obsplan.planning.search.two_lane_sweep import Lane, starts_along, two_lanes
from obsplan.planning.solver.dual_bound import Relaxation
from obsplan.planning.solver.transmit_windows import with_planned_sending

# How far a sweep's rewards are moved from the last, as shares of a run's value: towards as many
# runs as the relaxation has, at random for some of the tasks (with probability MOVED), and at
# random day by day.
TOWARDS, RANDOM, MOVED, DAILY = 0.3, 0.02, 0.4, 0.08
# Mean bonus of the incumbent's starts, and its factor after each round without improvement.
NEAR, FARTHER = 0.08, 0.7
# Sweeps of the first round, and of each merged round: few, so that merging is quick.
FIRST_SWEEPS, SWEEPS = 8, 4
# The search ends after this many rounds in a row without improvement.
MOST_UNSUCCESSFUL = 6
# Sweeps run side by side, which is quicker up to this many states together.
MOST_BESIDE = 80_000
# The first round must reach this share of the incumbent's net worth along the lanes.
PROMISING = 0.97
# This share of the net worth must remain once battery, store and bus are checked.
REMAINING = 0.99
# If a sweep has more rows of states than this, fewer rounds are made.
MOST_ROWS = 300_000
# A share of a run below this is rounding of the interior point.
ROUNDING = 0.1


def rounded_plan(problem: Problem, shares: np.ndarray) -> Booking | None:
    """The relaxation rounded and filled up; None if a required run does not fit."""
    plan = greedy_plan(problem, plan_by_shares(problem, shares))
    if plan.flow.short or plan.lacks_required_runs():
        return None
    return greedy_plan(problem, with_planned_sending(plan))


def price_guided_plans(
    booking: Booking, pool: ThreadPoolExecutor, stop: Event, relaxed: Relaxation, rounds: int
) -> Iterator[Booking]:
    """Better plans found along two lanes, where two hold most of the requested time."""
    problem = booking.problem
    lanes = two_lanes(problem)
    if lanes is None:
        return
    rows = problem.steps * sum(lane.states for lane in lanes)
    rounds = max(1, int(rounds * min(1, MOST_ROWS / rows)))
    others = np.setdiff1d(np.arange(len(problem.tasks)), [*lanes[0].tasks, *lanes[1].tasks])
    net = partial(_net_worth, problem, relaxed)
    for starts in _swept_and_merged(booking, lanes, relaxed, rounds, pool, stop):
        if net(starts) <= net(_starts_in(booking, lanes)):
            continue
        shares = starts.astype(float)
        shares[others] = relaxed.shares[others]
        plan = rounded_plan(problem, shares)
        if plan is not None and plan.objective() > booking.objective():
            booking = plan
            yield booking
        if plan is None or net(_starts_in(plan, lanes)) < REMAINING * net(starts):
            return


def _swept_and_merged(
    booking: Booking,
    lanes: tuple[Lane, Lane],
    relaxed: Relaxation,
    rounds: int,
    pool: ThreadPoolExecutor,
    stop: Event,
) -> Iterator[np.ndarray]:
    """Starts (tasks, steps): the best sweep of a first round, then what merging makes of it.

    Each round sweeps near the incumbent and merges the plans found with it, which is quick since
    plans near each other are alike. After a round without improvement the sweeps go farther.
    Only improvements are yielded. Ends after the first round when that is far below `booking`,
    and after some rounds without improvement.
    """
    problem, draw = booking.problem, Random(0)
    net = partial(_net_worth, problem, relaxed)
    shift, starts = _first_round(problem, lanes, relaxed, draw, stop)
    if stop.is_set() or net(starts) < PROMISING * net(_starts_in(booking, lanes)):
        return
    yield starts
    best, unsuccessful = net(starts), 0
    for _ in range(rounds - 1):
        near = NEAR * FARTHER**unsuccessful
        extras = [_extra(problem, relaxed, draw, shift, starts, near) for _ in range(SWEEPS)]
        found = _swept(problem, lanes, relaxed, extras, stop)
        together = sorted([*found, starts], key=net, reverse=True)
        if stop.is_set():
            return
        # In another thread, so that this one hears Ctrl-C.
        merging = pool.submit(merged_starts, problem, together, relaxed.resource_cost, stop)
        starts = merging.result()
        unsuccessful += 1
        if net(starts) > best:
            best, unsuccessful = net(starts), 0
            yield starts
        if unsuccessful == MOST_UNSUCCESSFUL:
            return


def _first_round(
    problem: Problem, lanes: tuple[Lane, Lane], relaxed: Relaxation, draw: Random, stop: Event
) -> tuple[np.ndarray, np.ndarray]:
    """The best of some sweeps, each perturbed from the best so far: its shift and its starts."""
    shift, starts = np.zeros(len(problem.tasks)), relaxed.shares
    best, done = -np.inf, 0
    while done < FIRST_SWEEPS and not stop.is_set():
        shifts = [_shifted(problem, relaxed, draw, shift, starts) for _ in range(max(1, done))]
        extras = [np.broadcast_to(each[:, None], starts.shape) for each in shifts]
        for each, found in zip(shifts, _swept(problem, lanes, relaxed, extras, stop)):
            if (net := _net_worth(problem, relaxed, found)) > best:
                best, shift, starts = net, each, found
        done += len(shifts)
    return shift, starts


def _shifted(
    problem: Problem, relaxed: Relaxation, draw: Random, shift: np.ndarray, starts: np.ndarray
) -> np.ndarray:
    """A bonus for each run of a task (tasks,) in the next sweep, perturbed from `shift`.

    At the relaxation's prices many plans are equally good, and a sweep takes too many runs of
    one task and too few of another. So the bonus grows where `starts` (tasks, steps) has fewer
    runs than the relaxation, plus random noise.
    """
    value = np.array([task.value for task in problem.tasks])
    missing = relaxed.shares.sum(axis=1) - starts.sum(axis=1)
    drawn = [_about_zero(draw) * (draw.random() < MOVED) for _ in value]
    share = missing / np.maximum(3, [task.count for task in problem.tasks])
    return shift + value * (TOWARDS * draw.random() * share + RANDOM * np.array(drawn))


def _about_zero(draw: Random) -> float:
    """A random number of mean 0 and standard deviation 1, the same on any machine."""
    return sum(draw.random() for _ in range(12)) - 6


def _extra(
    problem: Problem,
    relaxed: Relaxation,
    draw: Random,
    shift: np.ndarray,
    starts: np.ndarray,
    near: float,
) -> np.ndarray:
    """A bonus for each start (tasks, steps) in the next sweep.

    It is a shift for each task, a random one for each day, and for each start of `starts` a
    share of the run's value, `near` on average.
    """
    shift = _shifted(problem, relaxed, draw, shift, starts)
    value = np.array([[task.value] for task in problem.tasks])
    day = (np.arange(problem.steps) * problem.step_h // 24).astype(int)
    nearer = 2 * draw.random() * near * starts
    daily = np.array([[_about_zero(draw) for _ in range(day[-1] + 1)] for _ in problem.tasks])
    return shift[:, None] + value * (nearer + DAILY * daily[:, day])


def _swept(
    problem: Problem,
    lanes: tuple[Lane, Lane],
    relaxed: Relaxation,
    extras: list[np.ndarray],
    stop: Event,
) -> list[np.ndarray]:
    """Starts (tasks, steps) along the lanes, for reduced worth plus each of `extras`.

    Fewer than requested once `stop` is set.
    """
    rewards = relaxed.reduced_worth + [task.preference for task in problem.tasks]
    permitted = np.array([task.starts for task in problem.tasks])
    most = _most_in_bin(problem, relaxed.shares)
    beside = max(1, MOST_BESIDE // (lanes[0].states * lanes[1].states))
    found: list[np.ndarray] = []
    for first in range(0, len(extras), beside):
        if stop.is_set():
            break
        perturbed = permitted * (rewards + np.array(extras[first : first + beside]))
        found += list(starts_along(problem, lanes, perturbed, most))
    return found


def _starts_in(booking: Booking, lanes: tuple[Lane, Lane]) -> np.ndarray:
    """Whether a booked run of the lanes begins (tasks, steps)."""
    starts = np.zeros((len(booking.runs), booking.problem.steps), dtype=bool)
    for lane in lanes:
        for task in lane.tasks:
            starts[task, booking.runs[task]] = True
    return starts


def _net_worth(problem: Problem, relaxed: Relaxation, starts: np.ndarray) -> float:
    """Worth of the runs that begin at `starts` (tasks, steps) less the cost of their resources."""
    worth = plan_value(problem, [np.flatnonzero(row).tolist() for row in starts])
    return worth - float(relaxed.resource_cost[starts].sum())


def _most_in_bin(problem: Problem, shares: np.ndarray) -> np.ndarray:
    """Most runs (tasks, steps) in the bin of each step: any number where all are worth the same,
    otherwise as many as the relaxation has there."""
    most = np.zeros(shares.shape)
    for row, task, share in zip(most, problem.tasks, shares):
        used = np.bincount(np.maximum(task.bins, 0), share, minlength=len(task.held))
        row[:] = task.count if task.repeat_worth == 1.0 else np.ceil(used - ROUNDING)[task.bins]
    return most
