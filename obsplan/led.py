"""Plans led by the relaxed one: by its shares of runs, and by its prices along two lanes."""

from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from functools import partial
from itertools import islice
from random import Random
from threading import Event

import numpy as np

from obsplan.booking import Booking, plan_value
from obsplan.bounds import Relaxation
from obsplan.greedy import greedy_plan
from obsplan.guided import guided_plan
from obsplan.lanes import Lane, starts_along, two_lanes
from obsplan.merge import merged_starts
from obsplan.problem import Problem
from obsplan.stretches import with_planned_sending

# How far one sweep's prices lie from the last: towards as many runs as the relaxed plan has,
# and at random, both as shares of a run's worth; and how many tasks feel chance.
TOWARDS, RANDOM, FELT = 0.3, 0.02, 0.4
# Sweeps of a round, and how many of them are merged: few, of which the solver chooses soon.
SWEEPS, TOGETHER = 8, 3
# So many merges in a row that gain less than this share of the worth are in vain.
VAIN, SMALL_GAIN = 3, 5e-4
# Sweeps are made side by side, at first alone and then ever more, which is quicker as long as
# they have no more states than this together.
MOST_BESIDE = 80_000
# What the first round finds must be worth this share of the plan at hand.
PROMISING = 0.97
# Where a sweep looks at more rows of states than this, fewer rounds are made.
MOST_ROWS = 300_000
# A share of a run below this is rounding of the interior point.
ROUNDING = 0.1


def led_plan(problem: Problem, shares: np.ndarray) -> Booking | None:
    """The plan that follows `shares`, filled up; None when a required run found no place."""
    led = greedy_plan(problem, guided_plan(problem, shares))
    if led.flow.short or any(
        len(runs) < task.must for task, runs in zip(problem.tasks, led.runs)
    ):
        return None
    return greedy_plan(problem, with_planned_sending(led))


def priced(
    booking: Booking, pool: ThreadPoolExecutor, stop: Event, relaxed: Relaxation, rounds: int
) -> Iterator[Booking]:
    """Better plans found along two lanes, where two hold most of what is asked for."""
    problem = booking.problem
    lanes = two_lanes(problem)
    if lanes is None:
        return
    rows = problem.steps * sum(lane.states for lane in lanes)
    rounds = max(1, int(rounds * min(1, MOST_ROWS / rows)))
    inside = np.isin(np.arange(len(problem.tasks)), np.concatenate([l.tasks for l in lanes]))
    sweeping = _swept(problem, lanes, relaxed)
    for starts in _swept_and_merged(booking, sweeping, relaxed.charges, rounds, pool, stop):
        if _worth(problem, starts) > booking.value():
            led = led_plan(problem, np.where(inside[:, None], starts, relaxed.starts))
            if led is not None and led.merit() > booking.merit():
                booking = led
                yield booking


def _swept_and_merged(
    booking: Booking,
    sweeping: Iterator[np.ndarray],
    charges: np.ndarray,
    rounds: int,
    pool: ThreadPoolExecutor,
    stop: Event,
) -> Iterator[np.ndarray]:
    """Starts (tasks, steps) as swept in some rounds, and as merged from the best of them.

    While a round is swept, the best of the last is merged with what came of those before.
    Ends after the first round when that is far below `booking`, and when merging is in vain.
    """
    worth = partial(_worth, booking.problem)
    merging: Future[np.ndarray] | None = None
    merged: list[np.ndarray] = []
    together: list[np.ndarray] = []
    vain = 0
    for _ in range(rounds):
        found = []
        for starts in islice(sweeping, SWEEPS):
            found.append(starts)
            yield starts
            if stop.is_set():
                return
        if merging is None and max(map(worth, found)) < PROMISING * booking.value():
            return
        if merging is not None:
            before, merged = together[0], [merging.result()]
            yield from merged
            vain = vain + 1 if worth(merged[0]) < (1 + SMALL_GAIN) * worth(before) else 0
            if vain == VAIN:
                return
        together = merged + sorted(found, key=worth, reverse=True)[:TOGETHER]
        together.sort(key=worth, reverse=True)
        merging = pool.submit(merged_starts, booking.problem, together, charges, stop)
    yield merging.result()


def _swept(
    problem: Problem, lanes: tuple[Lane, Lane], relaxed: Relaxation
) -> Iterator[np.ndarray]:
    """Starts (tasks, steps) of one way along the lanes after the other, without end.

    The relaxed plan's prices leave much equally good, of which a sweep takes too much or too
    little. So each sweep asks a little more or less for the runs of each task, from where
    the best sweep was: what it had too few of grows cheaper, and chance does the rest.
    """
    offers = relaxed.offers + [task.favour for task in problem.tasks]
    permitted = np.array([task.starts for task in problem.tasks])
    most, wanted = _most_in_bin(problem, relaxed.starts), relaxed.starts.sum(axis=1)
    value = np.array([task.value for task in problem.tasks])
    scale = value / np.maximum(3, [task.count for task in problem.tasks])
    draw = Random(0)
    best, best_worth, best_count = np.zeros(len(value)), 0.0, wanted
    beside, most_beside = 1, max(1, MOST_BESIDE // (lanes[0].states * lanes[1].states))
    while True:
        extras = []
        for _ in range(beside):
            drawn = [draw.gauss() * (draw.random() < FELT) for _ in value]
            towards = TOWARDS * draw.random() * scale * (wanted - best_count)
            extras.append(best + towards + RANDOM * value * drawn)
        asked = permitted * (offers + np.array(extras)[:, :, None])
        for extra, starts in zip(extras, starts_along(problem, lanes, asked, most)):
            if (worth := _worth(problem, starts)) > best_worth:
                best, best_worth, best_count = extra, worth, starts.sum(axis=1)
            yield starts
        beside = min(2 * beside, most_beside)


def _worth(problem: Problem, starts: np.ndarray) -> float:
    """Worth of the runs that begin at `starts` (tasks, steps)."""
    return plan_value(problem, [np.flatnonzero(row).tolist() for row in starts])


def _most_in_bin(problem: Problem, shares: np.ndarray) -> np.ndarray:
    """Runs (tasks, steps) in the bin of each step at most: as many as the relaxed plan has,
    where a run of a bin is worth less the more there are."""
    most = np.zeros(shares.shape)
    for row, task, share in zip(most, problem.tasks, shares):
        used = np.bincount(np.maximum(task.bins, 0), share, minlength=len(task.held))
        row[:] = task.count if task.repeat_worth == 1.0 else np.ceil(used - ROUNDING)[task.bins]
    return most
