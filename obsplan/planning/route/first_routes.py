"""Which routes to begin with: the stops as an orienteering problem, in steps of the grid.

A stop is worth all that may be done there, which takes its time one after the other; a drive begins
when Sun, contact and whatever else it needs permit, and the look after it is over when its pictures
are on Earth and people have decided. Charge counts as the time in which the arrays yield what a run
or a drive takes; whether it is there in time, and storage, are left to the plan itself.
"""

from collections.abc import Callable

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
from obsplan.planning.problem.start_windows import start_mask
from obsplan.planning.route.orienteering import best_routes
from obsplan.planning.route.places import one_after_the_other, places

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
    rover: Platform,
    beginning: Route,
    first: int,
    worth: dict[str, float],
    how_many: int,
    most_labels: int = MOST_LABELS,
) -> list[Route]:
    """The most promising routes of a rover that go on from a beginning at step `first`, best first.

    worth: of all runs of an activity that are still wanted, by its name. Without any permitted
    drive the rover stays where it is.
    """
    scenario = environment.scenario
    names = list(places_of(scenario, rover.name))
    recharge = _recharge_steps(environment, rover)
    value, service = np.zeros(len(names)), np.zeros(len(names))
    for activity in scenario.activity:
        if isinstance(activity, PlacedActivity) and activity.stop in names:
            stop = names.index(activity.stop)
            value[stop] += worth[activity.name] + REQUIRED * (activity.must > 0)
            steps = scenario.slot_min(activity) // scenario.span.step_min
            service[stop] += activity.count * max(steps, recharge(activity.energy_wh))
    arrival = _arrivals(environment, rover, names, recharge)
    ends = ending_places(scenario, rover)
    where = places(
        value,
        np.where(np.isfinite(arrival).any(axis=2), 1.0, np.inf),
        latest_end_min=scenario.steps,
        start=names.index(beginning.places[-1]),
        departs_min=first + _left_to_drive(scenario, beginning),
        ends=None if ends is None else tuple(names.index(name) for name in ends),
        service_min=service,
        arrival_min=arrival,
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


def _recharge_steps(environment: Environment, rover: Platform) -> Callable[[float], int]:
    """In how many steps of daylight the arrays yield so many Wh beyond what the rover idles on."""
    table, span = environment.platforms[rover.name], environment.scenario.span
    surplus_w = (table["generation_w"] - table["base_load_w"]).to_numpy()
    surplus_w = surplus_w[surplus_w > 0]
    per_step_wh = surplus_w.mean() * span.step_min / 60 if len(surplus_w) else np.inf
    return lambda needed_wh: int(needed_wh / per_step_wh)


def _arrivals(
    environment: Environment,
    rover: Platform,
    names: list[str],
    recharge: Callable[[float], int],
) -> np.ndarray:
    """When a rover that is ready at each step has arrived, looked and recharged (from, to, steps
    + 1)."""
    scenario = environment.scenario
    arrival = np.full((len(names), len(names), scenario.steps + 1), np.inf)
    own = [d for d in scenario.drive if d.instrument == drive_instrument(rover.name)]
    for drive in sorted(own, key=lambda d: d.part):
        leg = names.index(drive.leg.start), names.index(drive.leg.end)
        ready = _ready(environment, drive, recharge(drive.energy_wh))
        arrival[leg] = ready if drive.part == 1 else one_after_the_other(arrival[leg], ready)
    return arrival


def _ready(environment: Environment, drive: DriveActivity, recharge: int) -> np.ndarray:
    """The step at which a drive is over, looked at and recharged, by the step (steps + 1) at which
    the rover may begin it; inf if it cannot."""
    scenario = environment.scenario
    steps = np.arange(scenario.steps)
    over = ready_steps(environment, drive, look_after(scenario, drive))
    over = np.maximum(over, steps + recharge).astype(float)
    first = np.where(start_mask(environment, drive), steps, scenario.steps)
    first = np.minimum.accumulate(first[::-1])[::-1]
    return np.append(np.append(over, np.inf)[first], np.inf)
