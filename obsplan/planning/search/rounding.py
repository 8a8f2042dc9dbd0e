"""A plan that follows the relaxed one: where shares of runs add up to a run, it has a run."""

import numpy as np

from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.definition import Problem

# How far from its place in the relaxed plan a run may be put, in hours, and how many
# places are tried for it.
REACH_H = 16
MOST_TRIES = 6


def guided_plan(problem: Problem, shares: np.ndarray) -> Booking:
    """Runs booked where the relaxed plan has them, in order of time.

    `shares` (tasks, steps) says what share of a run the relaxed plan begins at each step.
    The k-th run is due where they add up to k - 1/2. Unless all hold where they are due, a
    run takes the open start nearest to that, or is left out when none near it holds.
    """
    due_runs = sorted(_due(problem, shares))
    if all(problem.tasks[task].starts[due] for due, _, task in due_runs):
        booking = Booking(problem)
        for due, _, task in due_runs:
            booking.add(task, due)
        booking.flow = booking.simulate()
        if booking.is_orderly() and not booking.flow.short:
            return booking
    booking = Booking(problem)
    reach = round(REACH_H / problem.step_h)
    for due, _, task in due_runs:
        length = problem.tasks[task].length
        starts = np.flatnonzero(booking.open_starts(task))
        starts = starts[np.abs(starts - due) <= reach]
        for _ in range(MOST_TRIES):
            if not len(starts):
                break
            start = int(starts[np.argmin(np.abs(starts - due))])
            if booking.add_if_it_holds(task, start):
                break
            # Neighbouring starts fail for the same reason; look a slot further on.
            starts = starts[np.abs(starts - start) >= length]
    return booking


def _due(problem: Problem, shares: np.ndarray) -> list[tuple[int, float, int]]:
    """(step, minus worth, task) of every run that is due."""
    found = []
    for i, (task, begun) in enumerate(zip(problem.tasks, np.cumsum(shares, axis=1))):
        runs = min(task.count, round(begun[-1])) if len(begun) else 0
        for k in range(runs):
            found.append((int(np.searchsorted(begun, k + 0.5)), -task.value, i))
    return found
