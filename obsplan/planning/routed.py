"""The way that rovers take, chosen before the search for the plan along it."""

from collections.abc import Callable
from dataclasses import replace
from threading import Event
from typing import NamedTuple

from obsplan.common.errors import Infeasible
from obsplan.environment.model import Environment
from obsplan.inputs.placed import Route, on_route
from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.definition import Problem
from obsplan.planning.problem.from_scenario import build_problem
from obsplan.planning.route.route_search import best_found, from_lander


class Routed(NamedTuple):
    """The environment along the routes, the same with all of it free, and a plan to begin with.

    Without stops both are what there was, and there is no such plan.
    """

    environment: Environment
    free: Environment
    first: Booking | None = None


def routed(
    environment: Environment, effort: str, stop: Event, report: Callable[[str], None]
) -> Routed:
    """The routes that make the best plan found (see `route_search`), of rovers that have stops.

    Raises Infeasible if no route is found that keeps what is required.
    """
    scenario = environment.scenario
    if not scenario.drive:
        return Routed(environment, environment)

    def along(routes: tuple[Route, ...]) -> tuple[Environment, Problem]:
        on_it = replace(environment, scenario=on_route(scenario, routes))
        return on_it, build_problem(on_it)

    report("trying routes ...")
    found = best_found(environment, along, from_lander(scenario), effort, stop, report)
    if found is None:
        raise Infeasible("no route was found on which all required runs and drives have a place")
    free = on_route(scenario, found.itinerary.routes, free=True)
    return Routed(found.environment, replace(environment, scenario=free), found.plan)
