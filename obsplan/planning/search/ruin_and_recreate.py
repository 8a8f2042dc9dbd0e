"""A booked plan made better: some hours are cleared and filled anew, thousands of times.

Which hours, and in which order runs come back, is drawn. A plan a little worse is now and
then gone on with, ever more rarely, so that the search leaves plans that no small change
makes better (ruin and recreate: Schrimpf and others 2000; annealing: Kirkpatrick and others
1983; both from memory).
"""

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from math import log
from random import Random
from threading import Event

import numpy as np

from obsplan.planning.problem.booking import Booking
from obsplan.planning.search.greedy import shares_used
from obsplan.planning.search.sending import COARSE, with_planned_sending

# Hours that are cleared at most, and how far beyond them runs may come back.
CLEARED_H = 12.0
BESIDE_H = 6.0
# How often they come back anywhere in the span.
ANYWHERE = 0.2
# Up to this share of what could be cleared stays.
KEPT = 0.6
# How unlike the order in which runs come back is: spread of a log-normal draw.
SPREAD = 0.4
# The loss gone on with, on average, as a share of a run's mean worth: at first, unless more
# is asked for, and at last.
FIRST_LOSS, LAST_LOSS = 0.03, 0.003
# What a run through battery and store costs, and planning the sending, counted in tries.
FLOW_WORK, SENDING_WORK = 2, 15
# Better plans are told of this often at most.
TELLINGS = 12
SMALLEST_GAIN = 1e-6


def reseat(
    booking: Booking,
    pool: ThreadPoolExecutor | None,
    stop: Event,
    seed: int,
    rounds: int,
    first_loss: float = FIRST_LOSS,
) -> Iterator[Booking]:
    """Clear and fill hours of the plan, `rounds` times for each run; yield what is better.

    Draws come from `seed`; `pool` is not needed, but all searches are called alike. On Ctrl-C
    the best so far is yielded before that goes on. Every plan yielded has been run through
    battery and store; on the way between two of them it is enough that sending as before
    would do. `first_loss` is the loss gone on with at first, as a share of a run's mean worth.
    """
    problem, draw = booking.problem, Random(seed)
    shares = np.array([shares_used(problem, i) for i in range(len(problem.tasks))])
    runs = sum(map(len, booking.runs))
    if not runs:
        return
    work = rounds * runs
    mean_worth = booking.value() / runs
    best = plan = booking
    ahead = best_ahead = 0.0  # of the plan that was given
    spent = told = planned = 0
    try:
        while spent < work and not stop.is_set():
            spent += 1
            other, gain = _reseated(plan, draw, shares)
            loss = mean_worth * first_loss * (LAST_LOSS / first_loss) ** (spent / work)
            if other is None or gain < loss * log(1.0 - draw.random()):
                continue
            better = ahead + gain > best_ahead + SMALLEST_GAIN
            if better or not other.keeps_data():
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
                if spent >= told + work // TELLINGS:
                    told = spent
                    yield best
    except KeyboardInterrupt:
        yield best
        raise
    if best is not booking:
        yield best


def _reseated(plan: Booking, draw: Random, shares: np.ndarray) -> tuple[Booking | None, float]:
    """The plan with some hours cleared and filled anew, and by how much it is better.

    None when nothing has changed or a required run is left out. Sending stays what it was.
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
        gain -= other.next_merit(i)[start]
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
    """Task and start of each run but the first of those that others wait for."""
    awaited = plan.problem.prerequisites
    return [
        (i, start) for i, runs in enumerate(plan.runs) for start in sorted(runs)[i in awaited :]
    ]


def _filled(
    plan: Booking, where: slice, draw: Random, shares: np.ndarray
) -> dict[tuple[int, int], float]:
    """Runs booked in `plan` until none fits `where`: task and start, and what each brought.

    Those worth most for what they use come first, by weights that are drawn.
    """
    weights = np.array([draw.random() for _ in range(shares.shape[1])])
    price = (shares @ weights + 1e-9) ** draw.random()
    liking = [draw.lognormvariate(0.0, SPREAD) / each for each in price.tolist()]
    side = draw.choice((0, -1))
    placed: dict[tuple[int, int], float] = {}
    waiting = [i for i, task in enumerate(plan.problem.tasks) if len(plan.runs[i]) < task.count]
    merits = {i: plan.next_merit(i) for i in waiting}
    offers: dict[int, float] = {}
    changed = waiting
    while waiting:
        for i in changed:
            clear = plan.clear_starts(i)[where]
            offers[i] = liking[i] * merits[i][where].max(initial=0.0, where=clear)
        changed = []
        waiting = sorted((i for i in waiting if offers[i] > 0), key=lambda i: (-offers[i], i))
        for i in waiting.copy():
            starts, merit = np.flatnonzero(plan.open_starts(i, where)), merits[i]
            most = merit[starts].max(initial=0.0)
            if most <= 0.0:
                waiting.remove(i)
                continue
            start = int(starts[merit[starts] >= most - SMALLEST_GAIN][side])
            placed[i, start] = float(merit[start])
            plan.add(i, start)
            plan.flow = plan.recharged(plan.problem.tasks[i].node)
            merits[i] = plan.next_merit(i)
            changed = [j for j in waiting if j == i or j in plan.rivals[i]]
            break
    return placed
