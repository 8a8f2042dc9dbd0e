"""What is missing to make a way: time or charge."""

from dataclasses import replace

from obsplan.environment.model import Environment
from obsplan.inputs.placed import PlacedActivity
from obsplan.inputs.scenario import Scenario
from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.definition import Problem
from obsplan.planning.reasons.stop_wording import Limit
from obsplan.planning.route.laid_out import Itinerary, laid_out
from obsplan.planning.route.trials import Along

BOUNDLESS_WH = 1e6


def limit_of(problem_of: Along, ways: list[Itinerary]) -> Limit | None:
    """What is missing to make any of these ways and do something at all of its stops; None if
    nothing is."""
    problems = [(*problem_of(way.routes), way) for way in ways]
    if any(is_made(*each) for each in problems):
        return None
    charged = ((on_it, _with_charge(problem), way) for on_it, problem, way in problems)
    return "charge" if any(is_made(*each) for each in charged) else "time"


def is_made(environment: Environment, problem: Problem, way: Itinerary) -> bool:
    """Whether a way can be made to its end, with something done at each stop that wants more."""
    scenario = environment.scenario
    laid = laid_out(scenario, problem, way)
    if laid.reached != tuple(len(route.places) for route in way.routes):
        return False
    wanted = {
        activity.stop
        for activity, task in zip(scenario.activity, problem.tasks)
        if isinstance(activity, PlacedActivity) and activity.visited and task.count
    }
    return all(works_at(scenario, laid.booking, stop) for stop in wanted)


def works_at(scenario: Scenario, plan: Booking, stop: str) -> bool:
    """Whether a plan has any run at a stop."""
    return any(
        runs and isinstance(activity, PlacedActivity) and activity.stop == stop
        for activity, runs in zip(scenario.activity, plan.runs)
    )


def _with_charge(problem: Problem) -> Problem:
    """The problem in which no battery ever runs low."""
    nodes = (
        replace(
            node, capacity_wh=node.capacity_wh + BOUNDLESS_WH, start_wh=node.start_wh + BOUNDLESS_WH
        )
        for node in problem.nodes
    )
    return replace(problem, nodes=tuple(nodes))
