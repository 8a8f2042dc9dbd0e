"""Ways of rovers to begin with, and those near a way: other departures, other visits.

A way through a stop that is left out is looked for beside all other visits, and in place of some.
"""

from collections.abc import Callable, Iterator
from itertools import pairwise
from typing import NamedTuple

from obsplan.environment.model import Environment
from obsplan.inputs.legs import places_of
from obsplan.inputs.placed import PlacedActivity, Route
from obsplan.inputs.scenario import Scenario
from obsplan.inputs.stop import LANDER, Stop, drive_instrument
from obsplan.planning.problem.definition import Problem
from obsplan.planning.route.first_routes import REQUIRED, ending_places, first_routes, worths
from obsplan.planning.route.laid_out import Itinerary

# By how many steps a departure is moved.
SHIFTS = (1, 2, 4, 8, 16, 32)
# Labels of a search for routes through a stop.
FEW_LABELS = 5_000
# Ways straight to a stop, of each kind.
MOST_STRAIGHT = 3


class Begin(NamedTuple):
    """Where rovers begin, and when.

    first: step from which on they may drive. routes: per rover its beginnings, each a route of
    what lies ahead of it in any case. old: an itinerary to try first.
    """

    first: int
    routes: dict[str, tuple[Route, ...]]
    old: Itinerary | None = None


class Chosen(NamedTuple):
    """What routes were chosen from, and these.

    environment: before any route. along: an environment along routes, and its problem.
    """

    environment: Environment
    along: Callable[[Environment, tuple[Route, ...]], tuple[Environment, Problem]]
    begin: Begin
    routes: tuple[Route, ...]


def from_lander(scenario: Scenario) -> Begin:
    """All rovers stand at the lander when the span begins."""
    rovers = [p.name for p in scenario.platform if p.drive is not None]
    return Begin(0, {name: (Route(name, (LANDER,)),) for name in rovers})


def neighbours(
    scenario: Scenario, worth: dict[str, float], itinerary: Itinerary
) -> Iterator[Itinerary]:
    """Itineraries that differ in the visits of one rover, or in one departure, by turns."""
    kinds = [_other_visits(scenario, worth, itinerary), _other_departures(itinerary)]
    while kinds:
        for kind in tuple(kinds):
            found = next(kind, None)
            if found is None:
                kinds.remove(kind)
            else:
                yield found


def _other_departures(itinerary: Itinerary) -> Iterator[Itinerary]:
    """Itineraries with a departure put off or brought forward, and those after it with it."""
    for r, own in enumerate(itinerary.leave):
        for k in range(len(own)):
            for shift in (s for step in SHIFTS for s in (step, -step)):
                moved = tuple(max(0, x + shift * (j >= k)) for j, x in enumerate(own))
                yield itinerary._replace(leave=_with(itinerary.leave, r, moved))


def _other_visits(
    scenario: Scenario, worth: dict[str, float], itinerary: Itinerary
) -> Iterator[Itinerary]:
    """Itineraries with other visits of one rover, which leaves when it did before or sooner."""
    routes, leave = itinerary.routes, itinerary.leave
    for r, (route, own) in enumerate(zip(routes, leave)):
        for other in _other_orders(scenario, worth, route):
            drives = len(other.places) - 1
            for departures in ((*own, 0, 0)[:drives], (0,) * drives):
                yield itinerary._replace(
                    routes=_with(routes, r, other), leave=_with(leave, r, departures)
                )


def _with(parts: tuple, index: int, part: object) -> tuple:
    return (*parts[:index], part, *parts[index + 1 :])


def _other_orders(scenario: Scenario, worth: dict[str, float], route: Route) -> Iterator[Route]:
    """The route with a visit inserted or dropped, or with some of them turned round."""
    rover = scenario.platform_named(route.platform)
    ends, begun = ending_places(scenario, rover), 2 if route.begun else 1
    start, visited = route.places[:begun], list(route.places[begun:])
    of_use = {a.stop for a in scenario.activity if isinstance(a, PlacedActivity) and worth[a.name]}
    left_out = [n for n in places_of(scenario, rover.name) if n in of_use - {*route.places}]
    orders = [
        *([*visited[:k], name, *visited[k:]] for name in left_out for k in range(len(visited) + 1)),
        *(
            [*visited[:i], *reversed(visited[i : j + 1]), *visited[j + 1 :]]
            for i in range(len(visited))
            for j in range(i + 1, len(visited))
        ),
        *([*visited[:k], *visited[k + 1 :]] for k in range(len(visited))),
    ]
    legs = {(drive.leg.start, drive.leg.end) for drive in scenario.drive}
    for order in orders:
        places = (*start, *order)
        if all(leg in legs for leg in pairwise(places)) and (ends is None or places[-1] in ends):
            yield route._replace(places=places)


def beside_others(scenario: Scenario, way: Itinerary, stop: Stop) -> Iterator[Itinerary]:
    """The way with a visit of a stop between all others, the least driving first."""
    route = next(r for r in way.routes if r.platform == stop.platform)
    begun = 2 if route.begun else 1
    orders = [
        (*route.places[:k], stop.name, *route.places[k:])
        for k in range(begun, len(route.places) + 1)
    ]
    yield from (_with_route(way, other) for other in _drivable(scenario, route, orders))


def straight_there(
    scenario: Scenario, begin: Begin, way: Itinerary, stop: Stop
) -> Iterator[Itinerary]:
    """Ways to nothing but a stop, then over one other place, and on to where the rover may end.

    Those with the least driving.
    """
    rover = scenario.platform_named(stop.platform)
    ends = [(end,) for end in ending_places(scenario, rover) or () if end != stop.name]
    others = [(s.name,) for s in scenario.stop if s.platform == rover.name and s != stop]
    for beginning in begin.routes[rover.name]:
        for over in ([()], others):
            orders = [
                (*beginning.places, *via, stop.name, *end) for via in over for end in [(), *ends]
            ]
            found = _drivable(scenario, beginning, orders)
            yield from (_with_route(way, route) for route in found[:MOST_STRAIGHT])


def over_all_orders(
    environment: Environment,
    problem: Problem,
    begin: Begin,
    way: Itinerary,
    stop: Stop,
    how_many: int,
) -> Iterator[Itinerary]:
    """The most promising ways through a stop, whatever else they leave out."""
    scenario, worth = environment.scenario, worths(problem)
    placed = [a for a in scenario.activity if isinstance(a, PlacedActivity)]
    there = next(a.name for a in placed if a.stop == stop.name)
    rover = scenario.platform_named(stop.platform)
    wanted = worth | {there: worth[there] + REQUIRED}
    for start in begin.routes[rover.name]:
        found = first_routes(
            environment, problem, rover, start, begin.first, wanted, how_many, FEW_LABELS
        )
        yield from (_with_route(way, route) for route in found if stop.name in route.places)


def _with_route(way: Itinerary, route: Route) -> Itinerary:
    """The way with another route of one rover, which leaves each place as soon as it can."""
    routes = tuple(route if old.platform == route.platform else old for old in way.routes)
    leave = tuple(
        (0,) * (len(new.places) - 1) if new is route else own for new, own in zip(routes, way.leave)
    )
    return way._replace(routes=routes, leave=leave)


def _drivable(scenario: Scenario, route: Route, orders: list[tuple[str, ...]]) -> list[Route]:
    """Routes over these places, as far as there are legs and ends, the least driving first."""
    ends = ending_places(scenario, scenario.platform_named(route.platform))
    legs = {(d.leg.start, d.leg.end): d.leg.drive_min for d in scenario.drive}
    found = []
    for places in orders:
        pairs = list(pairwise(places))
        if all(leg in legs for leg in pairs) and (ends is None or places[-1] in ends):
            found.append((sum(legs[leg] for leg in pairs), places))
    return [route._replace(places=places) for _, places in sorted(found)]


def left_out(way: Itinerary, scenario: Scenario, worth: dict[str, float]) -> list[Stop]:
    """Stops that are on no route and worth something, those worth most first.

    worth: of all runs of an activity that are still wanted, by its name.
    """
    of_stop = {stop.name: 0.0 for stop in scenario.stop}
    for activity in scenario.activity:
        if isinstance(activity, PlacedActivity):
            of_stop[activity.stop] += worth[activity.name]
    left = [s for s in scenario.stop if of_stop[s.name] > 0 and s.name not in places_on(way)]
    return sorted(left, key=lambda stop: -of_stop[stop.name])


def has_legs(scenario: Scenario, way: Itinerary) -> bool:
    """Whether there is a drive for every leg of a way."""
    legs = {(d.instrument, d.leg.start, d.leg.end) for d in scenario.drive}
    return all(
        (drive_instrument(route.platform), *leg) in legs
        for route in way.routes
        for leg in pairwise(route.places)
    )


def places_on(way: Itinerary) -> set[str]:
    """All places of a way."""
    return {name for route in way.routes for name in route.places}
