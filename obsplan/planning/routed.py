"""The way that rovers take, chosen before the search for the plan along it."""

from collections.abc import Callable, Container
from dataclasses import replace
from functools import partial
from threading import Event
from typing import NamedTuple

from obsplan.common.errors import Infeasible
from obsplan.environment.model import Environment
from obsplan.inputs.along_routes import on_route
from obsplan.inputs.placed import Route
from obsplan.planning.minute_repair import is_short, tightened
from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.definition import Problem
from obsplan.planning.problem.from_scenario import build_problem
from obsplan.planning.problem.tolerances import TOLERANCE
from obsplan.planning.reasons.audit_stops import stop_findings
from obsplan.planning.reasons.finding import Severity
from obsplan.planning.replayed import Replay, replay_of
from obsplan.planning.route.laid_out import Itinerary, itinerary_of
from obsplan.planning.route.route_search import best_found
from obsplan.planning.route.trials import Found, plan_along
from obsplan.planning.route.ways import Chosen, from_lander

# How often a plan along a route is mended at most.
MOST_MENDS = 12
# Shares of all batteries that are kept besides, at most so often, where data are sent too late.
SPARED, MOST_SPARED = 0.02, 4
# Shares of its battery that a rover keeps above its reserve if that costs nothing.
SPARE_CHARGE = (0.2, 0.15, 0.1, 0.05)
NO_ROUTE = "no route was found on which all required runs and drives have a place"


class Routed(NamedTuple):
    """The environment along the routes, the same with all of it free, and a plan to begin with.

    The plan's problem has enough in reserve for the replay, as far as that was found. Without stops
    both are what there was, and there is no such plan, and nothing was chosen.
    """

    environment: Environment
    free: Environment
    first: Booking | None = None
    chosen: Chosen | None = None


def routed(
    environment: Environment, effort: str, stop: Event, report: Callable[[str], None]
) -> Routed:
    """The routes that make the best plan found (see `route_search`), of rovers that have stops.

    Raises Infeasible if no route is found that keeps what is required.
    """
    scenario = environment.scenario
    if not scenario.drive:
        return Routed(environment, environment)

    begin = from_lander(scenario)
    report("trying routes ...")
    found = best_found(environment, partial(_along, environment), begin, effort, stop, report)
    if found is None or found.plan.lacks_required_runs():
        findings = stop_findings(environment)
        why = [each.line for each in findings if each.severity == Severity.INFEASIBLE]
        raise Infeasible(*(why or [NO_ROUTE]))
    free = on_route(scenario, found.itinerary.routes, free=True)
    plan = _with_charge_to_spare(found, stop)
    first = mended(found.environment, found.itinerary, plan, stop)
    chosen = Chosen(environment, _along, begin, found.itinerary.routes)
    return Routed(found.environment, replace(environment, scenario=free), first, chosen)


def _along(environment: Environment, routes: tuple[Route, ...]) -> tuple[Environment, Problem]:
    """The environment along routes, and its problem."""
    on_it = replace(environment, scenario=on_route(environment.scenario, routes))
    return on_it, build_problem(on_it)


def _with_charge_to_spare(found: Found, stop: Event) -> Booking:
    """The plan laid out so that rovers keep more than their reserve, if it is worth as much."""
    rovers = {p.name for p in found.environment.scenario.platform if p.drive is not None}
    for share in SPARE_CHARGE:
        with_spare = _with_more_reserve(found.plan.problem, share, rovers)
        if stop.is_set() or any(node.start_wh < node.reserve_wh for node in with_spare.nodes):
            continue
        plan = plan_along(found.environment, with_spare, found.itinerary, found.plan, stop)
        if plan is not None and plan.objective() >= found.plan.objective() - TOLERANCE:
            return plan
    return found.plan


def mended(
    environment: Environment,
    itinerary: Itinerary,
    plan: Booking,
    stop: Event,
    replay: Replay | None = None,
) -> Booking:
    """The plan laid out again with more in reserve, later decisions and so on, as long as the
    replay asks for that: without another the replay of a timeline with no more in it."""
    replay, spared = replay or replay_of(environment), 0
    for _ in range(MOST_MENDS):
        verdict = replay(plan)
        if verdict.is_valid or not is_short(verdict) or stop.is_set():
            break
        # Where charge only just lasts, the replay sends late, and so people look late.
        more = spared < MOST_SPARED and not any(v.unit == "Wh" for v in verdict.found)
        spared += more
        problem = (
            _with_more_reserve(plan.problem, SPARED) if more else tightened(plan.problem, verdict)
        )
        again = plan_along(environment, problem, itinerary, plan, stop)
        if again is None:
            break
        plan = again
    return plan


def _with_more_reserve(problem: Problem, share: float, nodes: Container[str] = ()) -> Problem:
    """The problem in which these nodes, or all, keep more of their capacity as a reserve."""
    return replace(
        problem,
        nodes=tuple(
            replace(
                node,
                reserve_wh=node.reserve_wh + share * node.capacity_wh,
                end_wh=max(node.end_wh, node.reserve_wh + share * node.capacity_wh),
            )
            if not nodes or node.name in nodes
            else node
            for node in problem.nodes
        ),
    )


def same_way(environment: Environment, problem: Problem, plan: Booking) -> Booking | None:
    """A plan along the same way in another environment, no drive earlier; None without stops, or
    if some drive has no place."""
    scenario = environment.scenario
    if not scenario.drive:
        return None
    itinerary = itinerary_of(scenario, plan)
    again = plan_along(environment, problem, itinerary, plan, Event())
    return None if again is None else mended(environment, itinerary, again, Event())
