"""Which routes to begin with: the stops as an orienteering problem, in steps of the grid.

A stop is worth all that may be done there, which takes its time one after the other and begins
while any of it is permitted; a drive begins when Sun, contact and whatever else it needs permit,
and the look after it is over when its pictures are on Earth and people have decided. Charge is
followed from stop to stop; storage, and what else draws on the battery, are left to the plan.
"""

import numpy as np

from obsplan.environment.model import Environment
from obsplan.inputs.hardware import Platform
from obsplan.inputs.legs import places_of
from obsplan.inputs.placed import (
    DriveActivity,
    PlacedActivity,
    Route,
    look_after,
)
from obsplan.inputs.scenario import Scenario
from obsplan.inputs.stop import drive_instrument
from obsplan.planning.problem.decisions import ready_steps
from obsplan.planning.problem.definition import Problem, first_worths, with_minimum_first
from obsplan.planning.problem.resource_flow import gain_wh
from obsplan.planning.problem.start_windows import start_mask
from obsplan.planning.route.orienteering import best_routes
from obsplan.planning.route.places import Charge, one_after_the_other, places

# What a stop with required runs is worth more than all that need not be.
REQUIRED = 1e6
# Routes of one length that are looked at: with so many some twelve stops are exact.
MOST_LABELS = 50_000


def worths(problem: Problem) -> dict[str, float]:
    """The most that all runs of each activity that are still wanted can be worth, those of required
    minimums of goals more than all others."""
    return {
        task.name: task.count * float(worth)
        for task, worth in zip(problem.tasks, first_worths(with_minimum_first(problem)))
    }


def first_routes(
    environment: Environment,
    problem: Problem,
    rover: Platform,
    beginning: Route,
    first: int,
    worth: dict[str, float],
    how_many: int,
    most_labels: int = MOST_LABELS,
) -> list[Route]:
    """The most promising routes of a rover that go on from a beginning at step `first`, best first.

    problem: along any route, for what the rover has of charge. worth: of all runs of an activity
    that are still wanted, by its name. Without any permitted drive the rover stays where it is.
    """
    scenario = environment.scenario
    names = list(places_of(scenario, rover.name))
    value, service, visit_wh = np.zeros((3, len(names)))
    opens, closes = np.full(len(names), np.inf), np.full(len(names), -np.inf)
    for activity in scenario.activity:
        if isinstance(activity, PlacedActivity) and activity.stop in names:
            stop = names.index(activity.stop)
            value[stop] += worth[activity.name] + REQUIRED * (activity.must > 0)
            steps = scenario.slot_min(activity) // scenario.span.step_min
            service[stop] += activity.count * steps
            visit_wh[stop] += activity.count * activity.energy_wh
            starts = np.flatnonzero(start_mask(environment, activity))
            opens[stop] = min(opens[stop], starts.min(initial=scenario.steps))
            closes[stop] = max(closes[stop], starts.max(initial=-1))
    arrival, travel, drive_wh = _legs(environment, rover, names)
    ends = ending_places(scenario, rover)
    where = places(
        value,
        travel,
        latest_end_min=scenario.steps,
        start=names.index(beginning.places[-1]),
        departs_min=first + _left_to_drive(scenario, beginning),
        ends=None if ends is None else tuple(names.index(name) for name in ends),
        service_min=service,
        opens_min=np.where(value > 0, opens, -np.inf),
        closes_min=np.where(value > 0, closes, np.inf),
        arrival_min=arrival,
        charge=_charge(problem, rover, visit_wh, drive_wh),
    )
    routes = (
        (names[route.start], *(names[k] for k in route.stops), names[route.end])
        for route in best_routes(where, how_many, most_labels).routes
    )
    return [
        beginning._replace(places=(*beginning.places[:-1], *_without_repeats(route)))
        for route in routes
    ]


def _left_to_drive(scenario: Scenario, beginning: Route) -> int:
    """Steps that the rest of a leg takes at least, on which the rover is."""
    leg = beginning.places[:2]
    steps = (
        scenario.slot_min(drive) // scenario.span.step_min
        for drive in scenario.drive
        if (drive.leg.start, drive.leg.end) == leg and drive.part > beginning.done
    )
    return sum(steps) if beginning.begun else 0


def _without_repeats(names: tuple[str, ...]) -> tuple[str, ...]:
    """The names without those that follow themselves."""
    return tuple(name for k, name in enumerate(names) if not k or name != names[k - 1])


def ending_places(scenario: Scenario, rover: Platform) -> list[str] | None:
    """Where the rover may stand at the end; None if anywhere."""
    parking = rover.parking
    if not parking.stop and parking.within_m is None:
        return None
    return [
        name
        for name, (east_m, north_m) in places_of(scenario, rover.name).items()
        if (not parking.stop or name in parking.stop)
        and (parking.within_m is None or np.hypot(east_m, north_m) <= parking.within_m)
    ]


def _charge(
    problem: Problem, rover: Platform, visit_wh: np.ndarray, drive_wh: np.ndarray
) -> Charge:
    """What the battery of a rover has, and what its arrays yield beyond idling, step by step."""
    node = next(node for node in problem.nodes if node.name == rover.name)
    surplus_wh = gain_wh(node, node.generation_w - node.base_w, problem.step_h)
    return Charge(
        max(0.0, node.start_wh - node.reserve_wh),
        node.capacity_wh - node.reserve_wh,
        drive_wh,
        visit_wh,
        np.append(0.0, np.cumsum(surplus_wh)),
    )


def _legs(
    environment: Environment, rover: Platform, names: list[str]
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """When a rover that is ready at each step has arrived and looked (from, to, steps + 1), how
    many steps it is on the move (from, to), and what that takes."""
    scenario = environment.scenario
    count, step_min = len(names), scenario.span.step_min
    arrival = np.full((count, count, scenario.steps + 1), np.inf)
    travel, drive_wh = np.full((count, count), np.inf), np.zeros((count, count))
    own = [d for d in scenario.drive if d.instrument == drive_instrument(rover.name)]
    for drive in sorted(own, key=lambda d: d.part):
        leg = names.index(drive.leg.start), names.index(drive.leg.end)
        ready = _ready(environment, drive)
        arrival[leg] = ready if drive.part == 1 else one_after_the_other(arrival[leg], ready)
        travel[leg] = drive.leg.drive_min / step_min
        drive_wh[leg] += drive.energy_wh
    return arrival, travel, drive_wh


def _ready(environment: Environment, drive: DriveActivity) -> np.ndarray:
    """The step at which a drive is over and looked at, by the step (steps + 1) at which the rover
    may begin it; inf if it cannot."""
    scenario = environment.scenario
    steps = np.arange(scenario.steps)
    over = ready_steps(environment, drive, look_after(scenario, drive)).astype(float)
    first = np.where(start_mask(environment, drive), steps, scenario.steps)
    first = np.minimum.accumulate(first[::-1])[::-1]
    return np.append(np.append(over, np.inf)[first], np.inf)
