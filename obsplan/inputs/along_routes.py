"""The scenario along the routes of its rovers, or along the drives of a timeline.

Drives come one after the other, and runs at a stop between the drive there and that away from it.
"""

from collections.abc import Sequence
from itertools import pairwise

import pandas as pd

from obsplan.inputs.activity import Activity
from obsplan.inputs.after import After
from obsplan.inputs.placed import DriveActivity, PlacedActivity, Route, look_after, name_at
from obsplan.inputs.scenario import Scenario
from obsplan.inputs.stop import LANDER, drive_instrument


def on_route(
    scenario: Scenario,
    routes: Sequence[Route],
    free: bool = False,
    past: Sequence[DriveActivity] = (),
) -> Scenario:
    """The scenario in which each rover follows its route, after the drives of the past.

    Its drives are required, each after the one before, and runs at a stop are between the drive
    there and that away from it. If `free`, there are the same activities without any of that, so
    that every plan of any route is one of it, less its drives. Drives of the past, and those that
    the scenario had before and that are not ahead, stay, but cannot be made.
    """
    ahead = [drive for route in routes for drive in _route_drives(scenario, route)]
    names = {drive.name for drive in ahead}
    before = [
        drive.model_copy(update={"visited": False}) for drive in past if drive.name not in names
    ]
    known = {*names, *(drive.name for drive in before)}
    idle = [
        _idle(drive)
        for drive in scenario.activity
        if isinstance(drive, DriveActivity) and drive.name not in known
    ]
    if free:
        anywhere = [_anywhere(activity) for activity in not_driving(scenario)]
        activities = (*anywhere, *before, *ahead, *idle)
        return scenario.model_copy(update={"activity": activities})
    required = [drive.model_copy(update={"must": 1}) for drive in ahead]
    stands = {route.platform: None if route.begun else route.places[0] for route in routes}
    return _driven(scenario, [*before, *required], stands, idle)


def followed(scenario: Scenario, slots: pd.DataFrame) -> Scenario:
    """The scenario in which rovers drive as a timeline says, in the order of its drives."""
    known = {drive.name: drive for drive in scenario.drive}
    if not known:
        return scenario
    rows = slots[slots["activity"].isin(list(known))].sort_values("start_utc", kind="stable")
    states = rows["state"] if "state" in rows else pd.Series("planned", index=rows.index)
    made = dict.fromkeys(rows.loc[states != "failed", "activity"])
    arrived = set(rows.loc[~states.isin(["failed", "shortened"]), "activity"])
    drives = [known[n].model_copy(update={"is_short": n not in arrived}) for n in made]
    idle = [_idle(known[n]) for n in dict.fromkeys(rows["activity"]) if n not in made]
    return _driven(scenario, drives, idle=idle)


def _driven(
    scenario: Scenario,
    drives: Sequence[DriveActivity],
    stands: dict[str, str | None] | None = None,
    idle: Sequence[DriveActivity] = (),
) -> Scenario:
    """The scenario with these drives, in this order on each rover, and idle ones.

    stands: where a rover is before its first required drive, by its name, None between two places;
    without any of it rovers are where their drives lead.
    """
    stands = stands or {}
    ordered: list[DriveActivity] = []
    arrived: dict[str, DriveActivity | None] = {}
    left: dict[str, str] = {}
    for rover in (p for p in scenario.platform if p.drive is not None):
        own = [d for d in drives if d.instrument == drive_instrument(rover.name)]
        arrived[LANDER if not own or own[0].part > 1 else own[0].leg.start] = None
        links = list(zip(own, [None, *own]))
        done = sum(not drive.must for drive in own)
        ordered += [_linked(scenario, *link, arrived, left) for link in links[:done]]
        if rover.name in stands:
            stops = [stop.name for stop in scenario.stop if stop.platform == rover.name]
            _stand(stands[rover.name], stops, arrived, left)
        ordered += [_linked(scenario, *link, arrived, left) for link in links[done:]]
    activities = [_at_stop(scenario, a, arrived, left) for a in not_driving(scenario)]
    return scenario.model_copy(update={"activity": (*activities, *ordered, *idle)})


def _linked(
    scenario: Scenario,
    drive: DriveActivity,
    before: DriveActivity | None,
    arrived: dict[str, DriveActivity | None],
    left: dict[str, str],
) -> DriveActivity:
    """A drive after the one before it; where it leads is arrived at, and where it begins left."""
    orders = [] if before is None else [look_after(scenario, before)]
    if drive.part == 1:
        # A rover that turns round on its way has nothing to do where it did not get.
        turns = before is not None and before.is_short and before.leg.end == drive.leg.start
        orders += [] if turns else _before_leaving(scenario, drive)
        left[drive.leg.start] = drive.name
    if drive.is_last and not drive.is_short:
        arrived[drive.leg.end] = drive
        left.pop(drive.leg.end, None)
    return drive.model_copy(update={"after": tuple(orders)})


def _stand(
    place: str | None,
    stops: Sequence[str],
    arrived: dict[str, DriveActivity | None],
    left: dict[str, str],
) -> None:
    """From here on a rover is at a place, or at none: it has no other stop that it has not left."""
    for stop in stops:
        if stop != place and stop not in left:
            arrived.pop(stop, None)
    if place is not None and (place in left or place not in arrived):
        # It is there without a drive of the plan.
        left.pop(place, None)
        arrived[place] = None


def _idle(drive: DriveActivity) -> DriveActivity:
    """A drive that is known, but cannot be made."""
    return drive.model_copy(update={"count": 0, "must": 0, "after": (), "visited": False})


def _anywhere(activity: Activity) -> Activity:
    """An activity wherever the rover drives."""
    if not isinstance(activity, PlacedActivity):
        return activity
    changes = {"after": activity.orders, "left_by": None, "visited": True}
    return activity.model_copy(update=changes)


def _at_stop(
    scenario: Scenario,
    activity: Activity,
    arrived: dict[str, DriveActivity | None],
    left: dict[str, str],
) -> Activity:
    """An activity between the drive to its stop and that away from it."""
    if not isinstance(activity, PlacedActivity):
        return activity
    if activity.stop not in arrived:
        return activity.model_copy(
            update={"after": activity.orders, "left_by": None, "visited": False}
        )
    came_by = arrived[activity.stop]
    looks = () if came_by is None else (look_after(scenario, came_by),)
    changes = {"after": (*activity.orders, *looks), "left_by": left.get(activity.stop)}
    return activity.model_copy(update={"visited": True, **changes})


def _before_leaving(scenario: Scenario, drive: DriveActivity) -> list[After]:
    """What must be done at a stop before the rover leaves it by a drive."""
    how = scenario.platform_named(scenario.platform_of(drive)).drive
    assert how is not None
    names = {activity.name for activity in scenario.activity}
    orders = [
        order.model_copy(update={"activity": name_at(order.activity, drive.leg.start)})
        for order in how.after
    ]
    return [order for order in orders if order.activity in names]


def not_driving(scenario: Scenario) -> list[Activity]:
    """The activities without drives."""
    return [a for a in scenario.activity if not isinstance(a, DriveActivity)]


def _route_drives(scenario: Scenario, route: Route) -> list[DriveActivity]:
    """The drives of a route in their order."""
    of_rover = drive_instrument(route.platform)
    known = {
        (drive.leg.start, drive.leg.end, drive.part): drive
        for drive in scenario.drive
        if drive.instrument == of_rover
    }
    return [
        known[start, end, part]
        for k, (start, end) in enumerate(pairwise(route.places))
        for part in range(1 + (0 if k else route.done), known[start, end, 1].leg.parts + 1)
    ]
