"""Plans led by the relaxed one: by its shares of runs, and by its prices along two lanes."""

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
from obsplan.planning.search.rounding import guided_plan
from obsplan.planning.search.sending import with_planned_sending
from obsplan.planning.search.two_lane_sweep import Lane, starts_along, two_lanes
from obsplan.planning.solver.bounds import Relaxation

# How far one sweep's prices lie from the last, as shares of a run's worth: towards as many
# runs as the relaxed plan has, at random for some of the tasks, and at random day by day.
TOWARDS, RANDOM, FELT, DAILY = 0.3, 0.02, 0.4, 0.08
# What the starts of the plan at hand are worth more, on average; less after vain rounds.
NEAR, FARTHER = 0.08, 0.7
# Sweeps of the first round, and of each that is merged: few, of which the solver chooses soon.
FIRST_SWEEPS, SWEEPS = 8, 4
# So many rounds in a row that find nothing better are the last.
VAIN = 6
# Sweeps are made side by side, which is quicker as long as they have no more states than this
# together.
MOST_BESIDE = 80_000
# What the first round finds must be worth this share of the plan at hand, along the lanes.
PROMISING = 0.97
# This share of what sweeps find must hold once battery, store and bus are looked at.
HELD = 0.99
# Where a sweep looks at more rows of states than this, fewer rounds are made.
MOST_ROWS = 300_000
# A share of a run below this is rounding of the interior point.
ROUNDING = 0.1


def led_plan(problem: Problem, shares: np.ndarray) -> Booking | None:
    """The plan that follows `shares`, filled up; None when a required run found no place."""
    led = greedy_plan(problem, guided_plan(problem, shares))
    if led.flow.short or led.lacks_required_runs():
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
    others = np.setdiff1d(np.arange(len(problem.tasks)), [*lanes[0].tasks, *lanes[1].tasks])
    net = partial(_net_worth, problem, relaxed)
    for starts in _swept_and_merged(booking, lanes, relaxed, rounds, pool, stop):
        if net(starts) <= net(_starts_in(booking, lanes)):
            continue
        shares = starts.astype(float)
        shares[others] = relaxed.starts[others]
        led = led_plan(problem, shares)
        if led is not None and led.merit() > booking.merit():
            booking = led
            yield booking
        if led is None or net(_starts_in(led, lanes)) < HELD * net(starts):
            return


def _swept_and_merged(
    booking: Booking,
    lanes: tuple[Lane, Lane],
    relaxed: Relaxation,
    rounds: int,
    pool: ThreadPoolExecutor,
    stop: Event,
) -> Iterator[np.ndarray]:
    """Starts (tasks, steps): the best swept in a first round, then what merging makes of it.

    Each round sweeps near the plan at hand and merges what it finds with it, soon, since plans
    near each other are alike. Where that is in vain, sweeps go farther. Only what is better
    than before is told. Ends after the first round when that is far below `booking`, and after
    some rounds in vain.
    """
    problem, draw = booking.problem, Random(0)
    net = partial(_net_worth, problem, relaxed)
    shift, starts = _first_round(problem, lanes, relaxed, draw, stop)
    if stop.is_set() or net(starts) < PROMISING * net(_starts_in(booking, lanes)):
        return
    yield starts
    best, vain = net(starts), 0
    for _ in range(rounds - 1):
        near = NEAR * FARTHER**vain
        extras = [_extra(problem, relaxed, draw, shift, starts, near) for _ in range(SWEEPS)]
        found = _swept(problem, lanes, relaxed, extras, stop)
        together = sorted([*found, starts], key=net, reverse=True)
        if stop.is_set():
            return
        # In another thread, so that this one hears Ctrl-C.
        merging = pool.submit(merged_starts, problem, together, relaxed.charges, stop)
        starts = merging.result()
        vain += 1
        if net(starts) > best:
            best, vain = net(starts), 0
            yield starts
        if vain == VAIN:
            return


def _first_round(
    problem: Problem, lanes: tuple[Lane, Lane], relaxed: Relaxation, draw: Random, stop: Event
) -> tuple[np.ndarray, np.ndarray]:
    """Of some sweeps, each from where the best was, the best: its shift and its starts."""
    shift, starts = np.zeros(len(problem.tasks)), relaxed.starts
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
    """What a run of each task is worth more (tasks,) to a sweep, drawn about `shift`.

    The relaxed plan's prices leave much equally good, of which a sweep takes too much or too
    little. So what `starts` (tasks, steps) has too few of grows dearer, and chance does the
    rest.
    """
    value = np.array([task.value for task in problem.tasks])
    missing = relaxed.starts.sum(axis=1) - starts.sum(axis=1)
    drawn = [_about_zero(draw) * (draw.random() < FELT) for _ in value]
    share = missing / np.maximum(3, [task.count for task in problem.tasks])
    return shift + value * (TOWARDS * draw.random() * share + RANDOM * np.array(drawn))


def _about_zero(draw: Random) -> float:
    """A number drawn about zero, with a standard deviation of 1, the same on any machine."""
    return sum(draw.random() for _ in range(12)) - 6


def _extra(
    problem: Problem,
    relaxed: Relaxation,
    draw: Random,
    shift: np.ndarray,
    starts: np.ndarray,
    near: float,
) -> np.ndarray:
    """What a run is worth more (tasks, steps) to a sweep about as far as `near` from `starts`.

    Beside a shift for each task, each day brings a little more or less, and a start of
    `starts` some share of the run's worth, `near` on average.
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
    """Starts (tasks, steps) along the lanes, by prices and each of `extras` (tasks, steps).

    Fewer than asked for once `stop` is set.
    """
    offers = relaxed.offers + [task.favour for task in problem.tasks]
    permitted = np.array([task.starts for task in problem.tasks])
    most = _most_in_bin(problem, relaxed.starts)
    beside = max(1, MOST_BESIDE // (lanes[0].states * lanes[1].states))
    found: list[np.ndarray] = []
    for first in range(0, len(extras), beside):
        if stop.is_set():
            break
        asked = permitted * (offers + np.array(extras[first : first + beside]))
        found += list(starts_along(problem, lanes, asked, most))
    return found


def _starts_in(booking: Booking, lanes: tuple[Lane, Lane]) -> np.ndarray:
    """Whether a booked run of the lanes begins (tasks, steps)."""
    starts = np.zeros((len(booking.runs), booking.problem.steps), dtype=bool)
    for lane in lanes:
        for task in lane.tasks:
            starts[task, booking.runs[task]] = True
    return starts


def _net_worth(problem: Problem, relaxed: Relaxation, starts: np.ndarray) -> float:
    """Worth of the runs that begin at `starts` (tasks, steps) beyond what they draw on."""
    worth = plan_value(problem, [np.flatnonzero(row).tolist() for row in starts])
    return worth - float(relaxed.charges[starts].sum())


def _most_in_bin(problem: Problem, shares: np.ndarray) -> np.ndarray:
    """Runs (tasks, steps) in the bin of each step at most: any number where all are worth
    the same, otherwise as many as the relaxed plan has there."""
    most = np.zeros(shares.shape)
    for row, task, share in zip(most, problem.tasks, shares):
        used = np.bincount(np.maximum(task.bins, 0), share, minlength=len(task.held))
        row[:] = task.count if task.repeat_worth == 1.0 else np.ceil(used - ROUNDING)[task.bins]
    return most
