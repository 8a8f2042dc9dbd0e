"""Rounding of the relaxation: a run is booked where its shares add up to one.

A good start where the relaxation is nearly integral; repaired by taking the nearest feasible
start.
"""

import numpy as np

from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.definition import Problem

# How far from its place in the relaxation a run may be put, in hours, and how many starts are
# tried for it.
REACH_H = 16
MOST_TRIES = 6


def plan_by_shares(problem: Problem, shares: np.ndarray) -> Booking:
    """Runs booked where the relaxation has them, in order of time.

    `shares` (tasks, steps) is the share of a run that the relaxation begins at each step. The
    k-th run is due where they add up to k - 1/2. Unless that plan is feasible, each run takes
    the feasible start nearest to where it is due, or is left out when there is none near it.
    """
    due_runs = sorted(_due(problem, shares))
    if all(problem.tasks[task].starts[due] for due, _, task in due_runs):
        booking = Booking(problem)
        for due, _, task in due_runs:
            booking.add(task, due)
        booking.flow = booking.simulate()
        if booking.keeps_rules() and not booking.flow.short:
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
            if booking.add_if_feasible(task, start):
                break
            # Neighbouring starts fail for the same reason; look a slot further on.
            starts = starts[np.abs(starts - start) >= length]
    return booking


def _due(problem: Problem, shares: np.ndarray) -> list[tuple[int, float, int]]:
    """(step, minus value, task) of every run that is due."""
    found = []
    for i, (task, total) in enumerate(zip(problem.tasks, np.cumsum(shares, axis=1))):
        runs = min(task.count, round(total[-1])) if len(total) else 0
        for k in range(runs):
            found.append((int(np.searchsorted(total, k + 0.5)), -task.value, i))
    return found
