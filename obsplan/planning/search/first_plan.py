"""The first plan: greedy construction, and if that fails a search for the required runs.

Required runs are placed by branch and bound if the problem is small, otherwise by ruin and
recreate with the number of required runs as the objective, unless the relaxation refuses them.
"""

from collections.abc import Iterator
from dataclasses import replace
from itertools import chain
from random import Random
from threading import Event

import numpy as np

from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.definition import Problem
from obsplan.planning.problem.resource_flow import Shortage
from obsplan.planning.search.greedy import greedy_plan
from obsplan.planning.search.ruin_and_recreate import ruin_and_recreate
from obsplan.planning.solver.dual_bound import relaxation
from obsplan.planning.solver.highs import has_answer, is_impossible, loaded
from obsplan.planning.solver.model import build_model
from obsplan.planning.solver.model_solution import book_solution
from obsplan.planning.solver.transmit_windows import with_planned_sending

# Branch and bound is tried up to this many steps of all required tasks, for this many nodes;
# above that, its root alone may take minutes.
SOLVED_STEPS = 2000
MOST_NODES = 500
# Rounds of ruin and recreate, and the fewest tries, as hours with a run are seldom met where there
# are few runs: from a promising plan, and from each of a few in which the prerequisites are placed
# at random.
ROUNDS, DRAWN_ROUNDS = 100, 20
LEAST_TRIES, DRAWN_LEAST_TRIES = 10_000, 1_000
MOST_DRAWN = 10


class NoPlaceFound(Exception):
    """No place was found for the required runs of these tasks, prerequisites included.

    short: the battery or store that fails if they are placed all the same; None if they
    cannot be.
    """

    def __init__(self, problem: Problem, tasks: tuple[str, ...], short: Shortage | None = None):
        named = ", ".join(f'"{name}"' for name in tasks)
        super().__init__(f"{named} ({short.words(problem)})" if short else named)
        self.tasks, self.short = tasks, short


def quick_plan(problem: Problem, stop: Event | None = None) -> Booking:
    """A greedy plan with its sending planned for the least energy, filled up once more.

    Raises NoPlaceFound if no place is found for the required runs; once `stop` is set, only
    greedy construction is tried.
    """
    booking = greedy_plan(problem)
    if booking.lacks_required_runs():
        booking = greedy_plan(problem, required_plan(problem, stop or Event()))
    return greedy_plan(problem, with_planned_sending(booking))


def required_plan(problem: Problem, stop: Event) -> Booking:
    """Required runs and their prerequisites alone; raises as `quick_plan` does."""
    alone = required_alone(problem)
    found = _with_all_required(alone, stop)
    names = tuple(task.name for task in alone.tasks if task.count)
    if found is None:
        raise NoPlaceFound(problem, names)
    found.problem = problem
    found.flow = found.simulate()
    found = with_planned_sending(found) if found.flow.short else found
    if found.flow.short:
        raise NoPlaceFound(problem, names, found.flow.short)
    return found


def required_alone(problem: Problem) -> Problem:
    """The problem of the required runs and one run of each prerequisite alone.

    Activities that serve a goal whose minimum is required have as many runs as that needs.
    """
    goals = tuple(goal for goal in problem.goals if goal.required)
    wanted = np.array([task.must for task in problem.tasks], dtype=int)
    for goal in goals:
        wanted[goal.group >= 0] += goal.minimum_bins * goal.minimum_runs
    needed = set(np.flatnonzero(wanted).tolist())
    for _ in problem.tasks:
        needed |= {need.task for i in needed for need in problem.tasks[i].needs}
    tasks = tuple(
        replace(task, count=min(task.count, max(int(wanted[i]), 1)), repeat_worth=1.0)
        if i in needed
        else replace(task, count=0, must=0, starts=np.zeros(problem.steps, bool))
        for i, task in enumerate(problem.tasks)
    )
    return replace(problem, tasks=tasks, goals=goals)


def valued_by_count(alone: Problem) -> Problem:
    """The same runs, none required: a plan is worth the number of required runs it has."""
    tasks = (
        replace(task, must=0, value=float(task.must > 0), preference=np.zeros(alone.steps))
        for task in alone.tasks
    )
    goals = tuple(goal.minimum_alone() for goal in alone.goals)
    return replace(alone, tasks=tuple(tasks), goals=goals)


def required_runs(alone: Problem) -> int:
    """How many runs are required, those of required minimums of goals with them."""
    return sum(task.must for task in alone.tasks) + sum(
        goal.missing(goal.held) for goal in alone.goals if goal.required
    )


def _with_all_required(alone: Problem, stop: Event) -> Booking | None:
    """All required runs, by branch and bound if that is quick, otherwise by search."""
    if stop.is_set():
        return None
    if sum(task.count > 0 for task in alone.tasks) * alone.steps <= SOLVED_STEPS:
        booking, is_final = _solved(alone)
        if is_final:
            return booking
    return _searched(alone, stop)


def _solved(alone: Problem) -> tuple[Booking | None, bool]:
    """All required runs by branch and bound, and whether that is final."""
    model = build_model(alone)
    model.cost[:] = 0.0
    solver = loaded(model, mixed=True, mip_max_nodes=MOST_NODES)
    solver.run()
    if not has_answer(solver):
        return None, is_impossible(solver)
    booking = Booking(alone)
    book_solution(solver, model, booking, 0)
    return booking, True


def _searched(alone: Problem, stop: Event) -> Booking | None:
    """All required runs by ruin and recreate from some first plans; None if none is found."""
    required = required_runs(alone)
    eased = valued_by_count(alone)
    relaxed = relaxation(eased, stop)
    if relaxed.bound < required:
        return None
    for start, rounds, least_tries in _first_plans(eased):
        tries = max(rounds * required, least_tries)
        rounds = -(-tries // max(1, sum(map(len, start.runs))))
        for booking in chain([start], ruin_and_recreate(start, stop, seed=0, rounds=rounds)):
            if has_required_runs(alone, booking):
                return booking
    return None


def has_required_runs(alone: Problem, booking: Booking) -> bool:
    """Whether the runs of a plan are all that a problem requires."""
    return all(len(runs) >= task.must for task, runs in zip(alone.tasks, booking.runs)) and not any(
        goal.lacks_minimum(booking.runs) for goal in alone.goals
    )


def _first_plans(eased: Problem) -> Iterator[tuple[Booking, int, int]]:
    """Plans to start from, and the rounds and fewest tries spent on each.

    `ruin_and_recreate` never moves the first run of a prerequisite, so that is drawn here.
    """
    yield greedy_plan(eased), ROUNDS, LEAST_TRIES
    awaited = sorted(eased.prerequisites)
    draw = Random(0)
    for _ in range(MOST_DRAWN if awaited else 0):
        booking = Booking(eased)
        for task in awaited:
            open_ = np.flatnonzero(booking.open_starts(task)).tolist()
            if open_:
                booking.add_if_feasible(task, draw.choice(open_))
        yield greedy_plan(eased, booking), DRAWN_ROUNDS, DRAWN_LEAST_TRIES
