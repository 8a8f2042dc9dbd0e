"""From the solver's columns to a booking, and costs that break ties between optimal solutions."""

import numpy as np

from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.definition import Problem, first_worths
from obsplan.planning.solver.highs import solution
from obsplan.planning.solver.matrix import LinearModel

# Costs of sending and of late starts, far below the worth of any run: of equal plans the solver
# finds the one that sends least and starts early.
SENDING_COST_PER_W = 1e-5
LATENESS_COST = 1e-4
# A column of a start above this is a run, one of a sending share above this is sending.
CHOSEN, SENDING = 0.5, 1e-6


def book_solution(solver, model: LinearModel, booking: Booking, first: int = 0) -> None:
    """Book what the solver chose; step 0 of the model is step `first` of the booking.

    A model of the whole span may have several steps for one of the booking.
    """
    x, sending = solution(solver), sending_steps(solution(solver), model)
    parts = max(1, sending.shape[1] // booking.problem.steps)
    for i, start in enumerate(model.start):
        for step in np.flatnonzero((start >= 0) & (x[start] > CHOSEN)):
            booking.add(i, int(step) // parts + first)
    in_steps = sending.reshape(len(sending), -1, parts).any(axis=2)
    booking.may_send[:, first : first + in_steps.shape[1]] = in_steps


def sending_steps(x: np.ndarray, model: LinearModel) -> np.ndarray:
    """Whether each node sends (nodes, steps) in columns `x` of the model."""
    return np.array([(share >= 0) & (x[share] > SENDING) for share in model.sending])


def add_tie_break_costs(model: LinearModel, problem: Problem) -> None:
    """Add each task's preference, and small costs of late starts and of sending."""
    for task, worth, start in zip(problem.tasks, first_worths(problem), model.start):
        here = start >= 0
        late = np.arange(problem.steps)[here] / max(problem.steps, 1)
        model.cost[start[here]] += task.preference[here] - LATENESS_COST * worth * late
    for node, share in zip(problem.nodes, model.sending):
        here = share >= 0
        model.cost[share[here]] -= SENDING_COST_PER_W * (node.transmit_w * node.send_share)[here]
