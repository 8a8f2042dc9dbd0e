"""Greedy construction: required runs first, then always the run of the highest value density.

The density is the worth of a run over the shares of energy, downlink, time and budgets that it
uses.
Milliseconds, so every other search fills its plans up with it.
"""

import numpy as np

from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.definition import Problem, with_minimum_first

# Starts that are tried for one run.
MOST_TRIES = 12


def greedy_plan(problem: Problem, booking: Booking | None = None) -> Booking:
    """Fill `booking` (empty when None) run by run and return it.

    Required runs and prerequisites come first, in order; a required run that does not fit is left
    out, for the caller to notice. Then come required minimums of goals, as if they were worth most.
    Then the task with the highest value density goes next, at the
    earliest of its most valuable starts.
    """
    booking = booking or Booking(problem)
    given, booking.problem = booking.problem, with_minimum_first(booking.problem)
    _fill(problem, booking)
    booking.problem = given
    return booking


def _fill(problem: Problem, booking: Booking) -> None:
    for task in in_order(problem):
        is_awaited = task in problem.prerequisites
        while len(booking.runs[task]) < max(problem.tasks[task].must, int(is_awaited)):
            if not _place(booking, task):
                break
    cost = [shares_used(problem, i).sum() for i in range(len(problem.tasks))]
    open_tasks, density = set(range(len(problem.tasks))), [0.0] * len(problem.tasks)
    changed = open_tasks
    while open_tasks:
        for i in changed & open_tasks:
            worth = booking.next_promise(i)[problem.tasks[i].starts]
            density[i] = (worth / cost[i]).max(initial=0.0)
        best = max(sorted(open_tasks), key=lambda i: density[i])
        # A run worth nothing would only use resources that others need.
        if density[best] <= 0.0 or not _place(booking, best, of_worth=True):
            open_tasks.discard(best)
            changed = set()
        else:
            changed = sharing_goals(problem, best)


def sharing_goals(problem: Problem, task: int) -> set[int]:
    """The tasks whose worth a run of `task` may change: itself, and those of its goals."""
    groups = (goal.group for goal in problem.goals if goal.group[task] >= 0)
    return {task}.union(*(np.flatnonzero(group >= 0).tolist() for group in groups))


def in_order(problem: Problem) -> list[int]:
    """Tasks in topological order: each after those it waits for."""
    order: list[int] = []

    def visit(task: int) -> None:
        if task in order:
            return
        for need in problem.tasks[task].needs:
            if need.task != task:
                visit(need.task)
        order.append(task)

    for task in range(len(problem.tasks)):
        visit(task)
    return order


def shares_used(problem: Problem, i: int) -> np.ndarray:
    """Shares (3 + budgets,) of the span's energy, downlink, time and of budgets that a run uses."""
    task = problem.tasks[i]
    node = problem.nodes[task.node]
    surplus_wh = np.maximum(node.generation_w - node.base_w, 0).sum() * problem.step_h
    energy = task.load_w.sum() * problem.step_h / max(surplus_wh, 1e-9)
    outlet = node if node.receiver < 0 else problem.nodes[node.receiver]
    data = task.data_mbit.sum() / max(outlet.send_mbit.sum(), 1e-9)
    time = task.length * (1 + len(problem.rivals[i])) / len(problem.tasks) / problem.steps
    budgets = (budget.use[i] / max(budget.limit, 1e-9) for budget in problem.budgets)
    return np.array([energy, data, time, *budgets])


def _place(booking: Booking, task: int, of_worth: bool = False) -> bool:
    """Book one run of `task` at the earliest of its most valuable starts that are feasible.

    If it is to be `of_worth`, none that adds nothing.
    """
    open_ = booking.open_starts(task)
    worth = booking.next_promise(task)
    open_ &= (worth > 0) | (not of_worth)
    for _ in range(MOST_TRIES):
        if not open_.any():
            return False
        start = int(np.argmax(np.where(open_, worth, -1.0)))
        if booking.add_if_feasible(task, start):
            return True
        # Neighbouring starts fail for the same reason; look a slot further on.
        open_[start : start + booking.problem.tasks[task].length] = False
    return False
