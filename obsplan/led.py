"""Plans led by the relaxed one: by its shares of runs, and by its prices along two lanes."""

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from random import Random
from threading import Event

import numpy as np

from obsplan.booking import Booking, plan_value
from obsplan.bounds import Relaxation
from obsplan.greedy import greedy_plan
from obsplan.guided import guided_plan
from obsplan.lanes import starts_along, two_lanes
from obsplan.problem import Problem
from obsplan.stretches import with_planned_sending

# How far one sweep's prices lie from the last: towards as many runs as the relaxed plan has,
# and at random, both as shares of a run's worth; and how many tasks feel chance.
TOWARDS, RANDOM, FELT = 0.3, 0.02, 0.4
# After so many sweeps, which are made in any case, what they found must be worth this share
# of the plan at hand.
TRIAL, PROMISING = 10, 0.97
# Where a sweep looks at more rows of states than this, fewer are made.
MOST_ROWS = 160_000
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
    booking: Booking,
    pool: ThreadPoolExecutor | None,
    stop: Event,
    relaxed: Relaxation,
    sweeps: int,
) -> Iterator[Booking]:
    """Better plans found along two lanes, where two hold most of what is asked for.

    The relaxed plan's prices leave much equally good, of which a sweep takes too much or too
    little. So each sweep asks a little more or less for the runs of each task, from where
    the best sweep was: what it had too few of grows cheaper, and chance does the rest.
    """
    problem = booking.problem
    lanes = two_lanes(problem)
    if lanes is None:
        return
    in_lanes = np.isin(np.arange(len(problem.tasks)), np.concatenate([l.tasks for l in lanes]))
    offers = relaxed.offers + [task.favour for task in problem.tasks]
    permitted = np.array([task.starts for task in problem.tasks])
    most, wanted = _most_in_bin(problem, relaxed.starts), relaxed.starts.sum(axis=1)
    value = np.array([task.value for task in problem.tasks])
    scale = value / np.maximum(3, [task.count for task in problem.tasks])
    draw = Random(0)
    best, best_worth, best_count = np.zeros(len(value)), 0.0, wanted
    rows = problem.steps * sum(lane.states for lane in lanes)
    for sweep in range(max(TRIAL, int(sweeps * min(1, MOST_ROWS / rows)))):
        if stop.is_set() or sweep == TRIAL and best_worth < PROMISING * booking.value():
            return
        drawn = [draw.gauss() * (draw.random() < FELT) for _ in value]
        extra = best + TOWARDS * draw.random() * scale * (wanted - best_count)
        extra += RANDOM * value * drawn
        starts = starts_along(problem, lanes, permitted * (offers + extra[:, None]), most)
        worth = plan_value(problem, [np.flatnonzero(row).tolist() for row in starts])
        if worth <= best_worth:
            continue
        best, best_worth, best_count = extra, worth, starts.sum(axis=1)
        if worth > booking.value():
            led = led_plan(problem, np.where(in_lanes[:, None], starts, relaxed.starts))
            if led is not None and led.merit() > booking.merit():
                booking = led
                yield booking


def _most_in_bin(problem: Problem, shares: np.ndarray) -> np.ndarray:
    """Runs (tasks, steps) in the bin of each step at most: as many as the relaxed plan has,
    where a run of a bin is worth less the more there are."""
    most = np.zeros(shares.shape)
    for row, task, share in zip(most, problem.tasks, shares):
        used = np.bincount(np.maximum(task.bins, 0), share, minlength=len(task.held))
        row[:] = task.count if task.repeat_worth == 1.0 else np.ceil(used - ROUNDING)[task.bins]
    return most
