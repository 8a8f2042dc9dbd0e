"""The way that rovers take, chosen before the search for the plan along it."""

from collections.abc import Callable
from dataclasses import replace
from threading import Event
from typing import NamedTuple

from obsplan.common.errors import Infeasible
from obsplan.environment.model import Environment
from obsplan.inputs.placed import on_route
from obsplan.planning.problem.booking import Booking
from obsplan.planning.route.route_search import best_found


class Routed(NamedTuple):
    """The environment along the routes, the same with all of it free, and a plan to begin with.

    Without stops both are what there was, and there is no such plan.
    """

    environment: Environment
    free: Environment
    first: Booking | None = None


def routed(
    environment: Environment,
    effort: str,
    stop: Event,
    report: Callable[[str], None],
    starts: dict[str, str] | None = None,
) -> Routed:
    """The routes that make the best plan found (see `route_search`), of rovers that have stops.

    starts: where a rover stands at first, if not at the lander. Raises Infeasible if no route
    is found that keeps what is required.
    """
    scenario = environment.scenario
    if not scenario.drive:
        return Routed(environment, environment)
    report("trying routes ...")
    found = best_found(environment, starts or {}, effort, stop, report)
    if found is None:
        raise Infeasible("no route was found on which all required runs and drives have a place")
    free = on_route(scenario, found.itinerary.routes, free=True)
    return Routed(found.environment, replace(environment, scenario=free), found.plan)
