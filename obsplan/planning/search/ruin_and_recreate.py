"""Ruin and recreate with simulated annealing: hours are cleared and refilled, thousands of times.

The hours and the order in which runs come back are random. A slightly worse plan is sometimes
accepted, ever more rarely as the temperature falls, so that the search escapes local optima. It
finds most of the improvement, and pays on every problem that is too large to solve exactly.
"""

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from math import log
from random import Random
from threading import Event

import numpy as np

from obsplan.planning.problem.booking import Booking
from obsplan.planning.search.greedy import shares_used
from obsplan.planning.search.transmit_windows import COARSE, with_planned_sending

# Most hours cleared at once, and how far beyond them runs may come back.
CLEARED_H = 12.0
BESIDE_H = 6.0
# Probability that they may come back anywhere in the span.
ANYWHERE = 0.2
# Up to this share of the runs in the cleared hours is kept.
KEPT = 0.6
# Noise in the order in which runs come back: standard deviation of a log-normal draw.
SPREAD = 0.4
# Temperature at the start and at the end, as a share of a run's mean worth.
FIRST_LOSS, LAST_LOSS = 0.03, 0.003
# Cost of simulating battery and store, and of planning the sending, counted in tries.
FLOW_WORK, SENDING_WORK = 2, 15
# Better plans are yielded at most about this often.
MOST_YIELDED = 12
SMALLEST_GAIN = 1e-6


def ruin_and_recreate(
    booking: Booking,
    pool: ThreadPoolExecutor | None,
    stop: Event,
    seed: int,
    rounds: int,
    first_loss: float = FIRST_LOSS,
) -> Iterator[Booking]:
    """Clear and refill hours of the plan, `rounds` times for each run; yield what is better.

    Random numbers come from `seed`; `pool` is unused: all stages have the same arguments. On
    Ctrl-C the best plan so far is yielded before the exception is raised. Every plan yielded is
    feasible for battery and store; plans in between only pass the quick test with sending as
    before. `first_loss` is the temperature at the start, as a share of a run's mean worth.
    """
    problem, draw = booking.problem, Random(seed)
    shares = np.array([shares_used(problem, i) for i in range(len(problem.tasks))])
    runs = sum(map(len, booking.runs))
    if not runs:
        return
    work = rounds * runs
    mean_worth = booking.value() / runs
    best = plan = booking
    ahead = best_ahead = 0.0  # in objective, of the plan that was given
    spent = yielded = planned = 0
    try:
        while spent < work and not stop.is_set():
            spent += 1
            other, gain = _recreated(plan, draw, shares)
            temperature = mean_worth * first_loss * (LAST_LOSS / first_loss) ** (spent / work)
            if other is None or gain < temperature * log(1.0 - draw.random()):
                continue
            better = ahead + gain > best_ahead + SMALLEST_GAIN
            if better or not other.fits_stores():
                spent += FLOW_WORK
                other.flow = other.simulate()
                if other.flow.short and better and spent >= planned:
                    spent += SENDING_WORK
                    planned = spent + SENDING_WORK
                    other = with_planned_sending(other, (COARSE,))
                if other.flow.short:
                    continue
            plan, ahead = other, ahead + gain
            if better:
                best, best_ahead = plan, ahead
                if spent >= yielded + work // MOST_YIELDED:
                    yielded = spent
                    yield best
    except KeyboardInterrupt:
        yield best
        raise
    if best is not booking:
        yield best


def _recreated(plan: Booking, draw: Random, shares: np.ndarray) -> tuple[Booking | None, float]:
    """The plan with some hours cleared and refilled, and the change of its objective.

    None if nothing has changed or a required run is left out. Sending stays as it was.
    """
    problem = plan.problem
    middle = draw.randrange(problem.steps)
    reach = draw.random() * CLEARED_H / 2 / problem.step_h
    every = range(len(problem.nodes))
    nodes = set(every) if draw.random() < 0.5 else {draw.choice(every)}
    kept = draw.random() * KEPT
    cleared = [
        (i, start)
        for i, start in _movable(plan)
        if abs(start - middle) < reach and problem.tasks[i].node in nodes and draw.random() >= kept
    ]
    if not cleared:
        return None, 0.0
    other = plan.copy()
    gain = 0.0
    for i, start in cleared:
        other.add(i, start, -1)
        gain -= other.next_gain(i)[start]
    for n in every:
        other.flow = other.recharged(n)
    low = int(max(0, middle - reach - BESIDE_H / problem.step_h))
    high = int(min(problem.steps, middle + reach + BESIDE_H / problem.step_h))
    where = slice(None) if draw.random() < ANYWHERE else slice(low, high)
    placed = _filled(other, where, draw, shares)
    if set(placed) == set(cleared):
        return None, 0.0
    return (None, 0.0) if other.lacks_required_runs() else (other, gain + sum(placed.values()))


def _movable(plan: Booking) -> list[tuple[int, int]]:
    """Task and start of each run that may move: no run of another task can need it there."""
    return [
        (i, start)
        for i, runs in enumerate(plan.runs)
        for start in sorted(set(runs) - set(plan.pinned(i)))
    ]


def _filled(
    plan: Booking, where: slice, draw: Random, shares: np.ndarray
) -> dict[tuple[int, int], float]:
    """Book runs in `plan` until none fits `where`: task and start, and the gain of each.

    Randomised greedy construction: the highest value density first, with random weights of the
    resources and random noise.
    """
    weights = np.array([draw.random() for _ in range(shares.shape[1])])
    cost = (shares @ weights + 1e-9) ** draw.random()
    weight = [draw.lognormvariate(0.0, SPREAD) / each for each in cost.tolist()]
    side = draw.choice((0, -1))
    placed: dict[tuple[int, int], float] = {}
    waiting = [i for i, task in enumerate(plan.problem.tasks) if len(plan.runs[i]) < task.count]
    gains = {i: plan.next_gain(i) for i in waiting}
    density: dict[int, float] = {}
    changed = waiting
    while waiting:
        for i in changed:
            clear = plan.clear_starts(i)[where]
            density[i] = weight[i] * gains[i][where].max(initial=0.0, where=clear)
        changed = []
        waiting = sorted((i for i in waiting if density[i] > 0), key=lambda i: (-density[i], i))
        for i in waiting.copy():
            starts, gain = np.flatnonzero(plan.open_starts(i, where)), gains[i]
            most = gain[starts].max(initial=0.0)
            if most <= 0.0:
                waiting.remove(i)
                continue
            start = int(starts[gain[starts] >= most - SMALLEST_GAIN][side])
            placed[i, start] = float(gain[start])
            plan.add(i, start)
            plan.flow = plan.recharged(plan.problem.tasks[i].node)
            gains[i] = plan.next_gain(i)
            changed = [j for j in waiting if j == i or j in plan.rivals[i]]
            break
    return placed
