"""A quick first plan: runs as greed places them, required runs by whatever it takes."""

from dataclasses import replace
from itertools import chain
from threading import Event

import numpy as np

from obsplan.booking import Booking
from obsplan.bounds import relaxation
from obsplan.greedy import greedy_plan
from obsplan.guided import guided_plan
from obsplan.highs import is_optimal, loaded
from obsplan.milp import model
from obsplan.problem import Problem
from obsplan.reseat import reseat
from obsplan.stretches import take, with_planned_sending

# The branching solver is asked for required runs up to so many steps of all their tasks;
# beyond, its root alone may take minutes, and nothing can stop it there.
SOLVED_STEPS = 2000
# How long required runs are sought elsewhere, counted as in `reseat`.
ROUNDS = 100


def quick_plan(problem: Problem, stop: Event | None = None) -> Booking:
    """A greedy plan, its sending put where it costs least, and filled up once more.

    Raises LookupError naming the required runs, and those they wait for, when no place is
    found for them; once `stop` is set, nothing but greed is tried.
    """
    booking = greedy_plan(problem)
    if any(len(runs) < task.must for task, runs in zip(problem.tasks, booking.runs)):
        booking = greedy_plan(problem, required_plan(problem, stop or Event()))
    return greedy_plan(problem, with_planned_sending(booking))


def required_plan(problem: Problem, stop: Event) -> Booking:
    """Required runs, and those they wait for, and nothing else; raises as `quick_plan` does."""
    alone = required_alone(problem)
    asked = [task for task in alone.tasks if task.count]
    names = ", ".join(f'"{task.name}"' for task in asked)
    few = len(asked) * problem.steps <= SOLVED_STEPS
    found = None if stop.is_set() else _solved(alone) if few else _sought(alone, stop)
    if found is None:
        raise LookupError(names)
    found.problem = problem
    found.flow = found.simulate()
    found = with_planned_sending(found) if found.flow.short else found
    if found.flow.short:
        raise LookupError(f"{names} ({found.flow.short})")
    return found


def required_alone(problem: Problem) -> Problem:
    """The problem of the required runs, and of one run of each task that they wait for."""
    needed = {i for i, task in enumerate(problem.tasks) if task.must}
    for _ in problem.tasks:
        needed |= {earlier for i in needed for earlier, *_ in problem.tasks[i].earlier}
    tasks = tuple(
        replace(task, count=max(task.must, 1), repeat_worth=1.0)
        if i in needed
        else replace(task, count=0, must=0, starts=np.zeros(problem.steps, bool))
        for i, task in enumerate(problem.tasks)
    )
    return replace(problem, tasks=tasks)


def counted(alone: Problem) -> Problem:
    """The same runs, none of them required, so that a plan is worth as many as it has."""
    tasks = (replace(task, must=0, value=float(task.must > 0)) for task in alone.tasks)
    return replace(alone, tasks=tuple(tasks))


def _solved(alone: Problem) -> Booking | None:
    """All that is required, placed by the branching solver at once."""
    draft = model(alone)
    draft.cost[:] = 0.0
    solver = loaded(draft, mixed=True)
    solver.run()
    if not is_optimal(solver):
        return None
    booking = Booking(alone)
    take(solver, draft, booking, 0)
    return booking


def _sought(alone: Problem, stop: Event) -> Booking | None:
    """All that is required, as the relaxed plan has it or as greed does, and made better."""
    required = sum(task.must for task in alone.tasks)
    eased = counted(alone)
    relaxed = relaxation(eased, stop)
    if relaxed.bound < required:
        return None
    for begun in (greedy_plan(eased, guided_plan(eased, relaxed.starts)), greedy_plan(eased)):
        for booking in chain([begun], reseat(begun, None, stop, seed=0, rounds=ROUNDS)):
            if all(len(runs) >= task.must for task, runs in zip(alone.tasks, booking.runs)):
                return booking
    return None
