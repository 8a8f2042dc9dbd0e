"""A quick first plan: runs as greed places them, required runs by whatever it takes."""

from collections.abc import Iterator
from dataclasses import replace
from itertools import chain
from random import Random
from threading import Event

import numpy as np

from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.definition import Problem
from obsplan.planning.search.greedy import greedy_plan
from obsplan.planning.search.model_solution import book_solution
from obsplan.planning.search.rounding import guided_plan
from obsplan.planning.search.ruin_and_recreate import reseat
from obsplan.planning.search.sending import with_planned_sending
from obsplan.planning.solver.bounds import relaxation
from obsplan.planning.solver.highs import has_answer, is_impossible, loaded
from obsplan.planning.solver.model import model

# The branching solver is asked for required runs up to so many steps of all their tasks, and
# for so many nodes; beyond, its root alone may take minutes.
SOLVED_STEPS = 2000
MOST_NODES = 500
# How long required runs are sought elsewhere, counted as in `reseat`: from a promising plan,
# and from each of a few in which the runs that others wait for are drawn.
ROUNDS, DRAWN_ROUNDS = 100, 20
MOST_DRAWN = 10


def quick_plan(problem: Problem, stop: Event | None = None) -> Booking:
    """A greedy plan, its sending put where it costs least, and filled up once more.

    Raises LookupError naming the required runs, and those they wait for, when no place is
    found for them; once `stop` is set, they are not sought where greed fails.
    """
    booking = greedy_plan(problem)
    if booking.lacks_required_runs():
        booking = greedy_plan(problem, required_plan(problem, stop or Event()))
    return greedy_plan(problem, with_planned_sending(booking))


def required_plan(problem: Problem, stop: Event) -> Booking:
    """Required runs, and those they wait for, and nothing else; raises as `quick_plan` does."""
    alone = required_alone(problem)
    found = _placed(alone, stop)
    names = ", ".join(f'"{task.name}"' for task in alone.tasks if task.count)
    if found is None:
        raise LookupError(names)
    found.problem = problem
    found.flow = found.simulate()
    found = with_planned_sending(found) if found.flow.short else found
    if found.flow.short:
        raise LookupError(f"{names} ({found.flow.short.words(problem)})")
    return found


def required_alone(problem: Problem) -> Problem:
    """The problem of the required runs, and of one run of each task that they wait for."""
    needed = {i for i, task in enumerate(problem.tasks) if task.must}
    for _ in problem.tasks:
        needed |= {earlier for i in needed for earlier, *_ in problem.tasks[i].earlier}
    tasks = tuple(
        replace(task, count=min(task.count, max(task.must, 1)), repeat_worth=1.0)
        if i in needed
        else replace(task, count=0, must=0, starts=np.zeros(problem.steps, bool))
        for i, task in enumerate(problem.tasks)
    )
    return replace(problem, tasks=tasks)


def counted(alone: Problem) -> Problem:
    """The same runs, none of them required, so that a plan is worth as many as it has."""
    tasks = (
        replace(task, must=0, value=float(task.must > 0), favour=np.zeros(alone.steps))
        for task in alone.tasks
    )
    return replace(alone, tasks=tuple(tasks))


def _placed(alone: Problem, stop: Event) -> Booking | None:
    """All that is required, by the branching solver where that is quick, or else sought."""
    if stop.is_set():
        return None
    if sum(task.count > 0 for task in alone.tasks) * alone.steps <= SOLVED_STEPS:
        booking, is_settled = _solved(alone)
        if is_settled:
            return booking
    return _sought(alone, stop)


def _solved(alone: Problem) -> tuple[Booking | None, bool]:
    """All that is required, placed by the branching solver, and whether its word is final."""
    draft = model(alone)
    draft.cost[:] = 0.0
    solver = loaded(draft, mixed=True, mip_max_nodes=MOST_NODES)
    solver.run()
    if not has_answer(solver):
        return None, is_impossible(solver)
    booking = Booking(alone)
    book_solution(solver, draft, booking, 0)
    return booking, True


def _sought(alone: Problem, stop: Event) -> Booking | None:
    """All that is required, as the relaxed plan has it or as greed does, and made better."""
    required = sum(task.must for task in alone.tasks)
    eased = counted(alone)
    relaxed = relaxation(eased, stop)
    if relaxed.bound < required:
        return None
    for begun, rounds in _begun(eased, relaxed.starts):
        runs = sum(map(len, begun.runs))
        rounds = -(-rounds * required // max(1, runs))
        for booking in chain([begun], reseat(begun, None, stop, seed=0, rounds=rounds)):
            if all(len(runs) >= task.must for task, runs in zip(alone.tasks, booking.runs)):
                return booking
    return None


def _begun(eased: Problem, shares: np.ndarray) -> Iterator[tuple[Booking, int]]:
    """Plans to begin with, and the rounds that each is worth.

    `reseat` leaves the first run that others wait for where it is, so that is drawn too.
    """
    yield greedy_plan(eased, guided_plan(eased, shares)), ROUNDS
    yield greedy_plan(eased), ROUNDS
    awaited = sorted(eased.prerequisites)
    draw = Random(0)
    for _ in range(MOST_DRAWN if awaited else 0):
        booking = Booking(eased)
        for task in awaited:
            open_ = np.flatnonzero(booking.open_starts(task)).tolist()
            if open_:
                booking.add_if_it_holds(task, draw.choice(open_))
        yield greedy_plan(eased, booking), DRAWN_ROUNDS
