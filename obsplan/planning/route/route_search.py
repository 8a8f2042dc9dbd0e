"""Which stops a rover visits, in which order and how long it stays: found together with the plan.

Each trial lays out the drives and what is done at the stops, fills the plan around them, and lets
ruin and recreate make the most of it for a moment. The first trials take the most promising routes
with stays of different lengths; then a visit is dropped, inserted or moved, part of a route turned
round, or a departure brought forward or put off, as long as that makes the plan better.
"""

from collections.abc import Callable
from itertools import islice
from threading import Event

from obsplan.environment.model import Environment
from obsplan.planning.problem.definition import Problem
from obsplan.planning.route.first_routes import first_routes, worths
from obsplan.planning.route.laid_out import Itinerary
from obsplan.planning.route.trials import Along, Found, Trials, longer_stays
from obsplan.planning.route.ways import (
    Begin,
    beside_others,
    left_out,
    neighbours,
    over_all_orders,
    places_on,
)
from obsplan.planning.search.compiled import compiling
from obsplan.planning.search.strategy import wait_until_compiled

# Routes to begin with, and trials in vain that end the search, by effort.
FIRST_ROUTES = 6
IN_VAIN = {"low": 4, "normal": 10, "high": 100}
# Ways of either kind through each stop that is left out, and how often all of those are tried.
THROUGH = {"low": 1, "normal": 2, "high": 4}
MOST_ROUNDS = {"low": 1, "normal": 4, "high": 20}


def best_found(
    environment: Environment,
    along: Along,
    begin: Begin,
    effort: str,
    stop: Event,
    report: Callable[[str], None] = lambda line: None,
    keep: float = 0.0,
) -> Found | None:
    """The best plan along routes, until as many trials as the effort says were in vain; None if
    none is found.

    It lacks something that is required only if no plan was found that has it all. The itinerary
    that `begin` names as old is kept if its plan lacks no more and is worth (1 - `keep`) of the
    best. Once `stop` is set the search ends with what it has.
    """
    wait_until_compiled(compiling(), stop, report)
    scenario = environment.scenario
    rovers = [p for p in scenario.platform if p.drive is not None]
    trials = Trials(scenario, along, IN_VAIN[effort], stop)
    old = trials.best if begin.old is not None and trials.take(begin.old) else None
    _, problem = along(tuple(begin.routes[rover.name][0] for rover in rovers))
    worth = worths(problem)
    routes = [
        [
            route
            for start in begin.routes[rover.name]
            for route in first_routes(
                environment, problem, rover, start, begin.first, worth, FIRST_ROUTES
            )
        ]
        for rover in rovers
    ]
    if any(routes):
        # While others drive, a rover that may end nowhere ahead keeps to where it begins.
        routes = [own or [begin.routes[rover.name][0]] for own, rover in zip(routes, rovers)]
    for number in range(max(map(len, routes))):
        chosen = tuple(own[min(number, len(own) - 1)] for own in routes)
        if trials.best is None or trials.is_going_on:
            trials.take(Itinerary(chosen, tuple((0,) * (len(r.places) - 1) for r in chosen)))
    if trials.best is None:
        return None
    _take_longer_stays(trials)
    for _ in range(MOST_ROUNDS[effort]):
        _improve(trials, worth)
        before = trials.best
        _try_stops_left_out(trials, environment, problem, begin, THROUGH[effort])
        if trials.best is before or stop.is_set():
            break
    if old is not None and old.is_worth(trials.best, 1 - keep):
        return old
    _take_longer_stays(trials)
    report(f"routes tried: {trials.made}")
    return trials.surest()


def _take_longer_stays(trials: Trials) -> None:
    assert trials.best is not None
    for itinerary in longer_stays(trials, trials.best.itinerary):
        trials.take(itinerary)


def _improve(trials: Trials, worth: dict[str, float]) -> None:
    """Go on to better neighbours, until there are none or too many trials were in vain."""
    before = None
    while trials.best is not before and trials.is_going_on:
        before = trials.best
        assert before is not None
        for itinerary in neighbours(trials.scenario, worth, before.itinerary):
            if trials.take(itinerary) or not trials.is_going_on:
                break


def _try_stops_left_out(
    trials: Trials, environment: Environment, problem: Problem, begin: Begin, many: int
) -> None:
    """Try ways through each stop that is left out: beside all others, and in place of some.

    The most promising routes are much alike, so none of them may lead to a stop that is worth it.
    """
    assert trials.best is not None
    scenario = trials.scenario
    for stop in left_out(trials.best.itinerary, scenario, worths(problem)):
        way = trials.best.itinerary
        if stop.name in places_on(way):
            continue
        beside = islice(beside_others(scenario, way, stop), many)
        for itinerary in (
            *beside,
            *over_all_orders(environment, problem, begin, way, stop, many),
        ):
            trials.take(itinerary)
    trials.in_vain = 0
