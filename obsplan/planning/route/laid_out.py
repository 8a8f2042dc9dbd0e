"""A plan of drives and of what is done at the stops, in the order of the visits.

The search never moves a run that others wait for, and drives are such runs. So drives are laid out
first, with what is done at each stop between them; the search then fills the plan around them.
"""

from typing import NamedTuple

import numpy as np

from obsplan.inputs.placed import DriveActivity, PlacedActivity, Route
from obsplan.inputs.scenario import Scenario
from obsplan.inputs.stop import LANDER
from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.definition import Problem, first_worths, with_minimum_first

# Starts that are tried for one run.
MOST_TRIES = 12


class Itinerary(NamedTuple):
    """The route of each rover, and the first step at which it may leave each of its places.

    leave: per route as many steps as it has drives between places. brief: at its stops the rover
    does first what is required, and whatever else fits before it may leave.
    """

    routes: tuple[Route, ...]
    leave: tuple[tuple[int, ...], ...]
    brief: bool = False


class Visit(NamedTuple):
    """A place of a route: the tasks of the drives there, in order, and of what may be done."""

    drives: tuple[int, ...]
    runs: tuple[int, ...]


def visits(scenario: Scenario, problem: Problem, route: Route) -> list[Visit]:
    """The places of a route with their tasks; what is worth most for its time comes first."""
    worth = first_worths(with_minimum_first(problem))
    drives: dict[tuple[str, str], list[int]] = {}
    runs: dict[str, list[int]] = {}
    for i, activity in enumerate(scenario.activity):
        if isinstance(activity, DriveActivity) and activity.visited:
            drives.setdefault((activity.leg.start, activity.leg.end), []).append(i)
        elif isinstance(activity, PlacedActivity):
            runs.setdefault(activity.stop, []).append(i)
    density = [w / task.length for w, task in zip(worth, problem.tasks)]
    legs: list[tuple[int, ...]] = [
        (),
        *(tuple(drives[leg]) for leg in zip(route.places, route.places[1:])),
    ]
    return [
        Visit(legs[k], tuple(sorted(runs.get(place, ()), key=lambda i: (-density[i], i))))
        for k, place in enumerate(route.places)
    ]


def itinerary_of(scenario: Scenario, booking: Booking) -> Itinerary:
    """The way of the rovers in a plan, each leg begun no earlier than there."""
    routes: dict[str, tuple[str, ...]] = {}
    leave: dict[str, tuple[int, ...]] = {}
    begun = sorted(
        (min(booking.runs[i]), i, activity.leg.start, activity.leg.end)
        for i, activity in enumerate(scenario.activity)
        if isinstance(activity, DriveActivity) and activity.part == 1 and booking.runs[i]
    )
    for start, i, origin, goal in begun:
        rover = scenario.platform_of(scenario.activity[i])
        routes[rover] = (*routes.get(rover, (origin,)), goal)
        leave[rover] = (*leave.get(rover, ()), start)
    names = [p.name for p in scenario.platform if p.drive is not None]
    return Itinerary(
        tuple(Route(name, routes.get(name, (LANDER,))) for name in names),
        tuple(leave.get(name, ()) for name in names),
    )


class LaidOut(NamedTuple):
    """Drives and runs at stops, and for each route how many of its places are reached."""

    booking: Booking
    reached: tuple[int, ...]


def laid_out(scenario: Scenario, problem: Problem, itinerary: Itinerary) -> LaidOut:
    """Drives as early as the itinerary lets them be, and at each stop all that can be done.

    A run that does not fit is left out; a rover whose next drive does not fit stays where it is.
    """
    booking = Booking(problem)
    reached = [
        _driven(booking, visits(scenario, problem, route), leave, itinerary.brief)
        for route, leave in zip(itinerary.routes, itinerary.leave)
    ]
    return LaidOut(booking, tuple(reached))


def _driven(booking: Booking, places: list[Visit], leave: tuple[int, ...], brief: bool) -> int:
    """Book what a rover does at its places in order; return how many it reaches."""
    now = 0
    for k, (visit, earliest) in enumerate(zip(places, (0, *leave))):
        now = max(now, earliest)
        for task in visit.drives:
            start = _first_fit(booking, task, now)
            if start is None:
                return k
            now = start + booking.problem.tasks[task].length
        now = _done_at(booking, visit, now, brief)
    return len(places)


def _done_at(booking: Booking, visit: Visit, now: int, brief: bool) -> int:
    """Book what can be done at a stop from step `now` on, or only what is required there; return
    the step at which all is over."""
    tasks, over = booking.problem.tasks, now
    for task in visit.runs:
        for _ in range(tasks[task].count):
            wanted = _required(booking, task) if brief else booking.next_promise(task) > 0
            start = _first_fit(booking, task, now, wanted)
            if start is None:
                break
            over = max(over, start + tasks[task].length)
    return over


def _required(booking: Booking, task: int) -> np.ndarray:
    """Starts (steps,) at which one more run of a task is one of those that are required.

    So is the first that other runs, such as the next drive, wait for.
    """
    problem, runs = booking.problem, booking.runs[task]
    wanted = np.zeros(problem.steps, dtype=bool)
    wanted |= len(runs) < max(problem.tasks[task].must, int(task in problem.prerequisites))
    for goal in (g.minimum_alone() for g in problem.goals if g.required):
        gains = goal.gains(goal.counts(booking.runs), "promise")
        wanted |= goal.gain_of_starts(gains, task) > 0
    return wanted


def _first_fit(
    booking: Booking, task: int, since: int, wanted: np.ndarray | None = None
) -> int | None:
    """Book a run at the first start from `since` on that fits, one of those `wanted`; return it."""
    open_ = booking.open_starts(task)
    open_[:since] = False
    if wanted is not None:
        open_ &= wanted
    for _ in range(MOST_TRIES):
        if not open_.any():
            return None
        start = int(np.argmax(open_))
        if booking.add_if_feasible(task, start):
            return start
        # Neighbouring starts fail for the same reason; look a slot further on.
        open_[start : start + booking.problem.tasks[task].length] = False
    return None
