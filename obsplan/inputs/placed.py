"""Activities where the rover stands: one at each stop, and a drive for every leg between places.

An activity `at` stops is read as one activity at each of them, and drives are activities too, so
that all that knows slots knows place as well. A route says which drives are made in which order.
"""

from collections.abc import Iterator
from math import ceil
from typing import Any, NamedTuple

from obsplan.inputs.activity import Activity
from obsplan.inputs.after import After
from obsplan.inputs.goal import Goal
from obsplan.inputs.hardware import Instrument, Platform
from obsplan.inputs.legs import Leg, legs_of
from obsplan.inputs.scenario import Scenario
from obsplan.inputs.stop import ALL_STOPS, LANDER, Stop, drive_instrument


class PlacedActivity(Activity):
    """An activity at one stop.

    of: the activity in the scenario. stop: name of the stop. orders: what it comes after wherever
    the rover drives. visited: whether a route leads there. left_by: the drive after whose start
    none of its runs may start; None if none leaves the stop.
    """

    of: str
    stop: str
    orders: tuple[After, ...] = ()
    visited: bool = True
    left_by: str | None = None


class DriveActivity(Activity):
    """A drive along a leg, or along one of its parts, which are counted from 1.

    visited: whether it is on the route, as for activities at stops. is_short: whether it was made,
    but ended before its end was reached.
    """

    leg: Leg
    part: int = 1
    visited: bool = True
    is_short: bool = False
    not_towards_sun_deg: float = 0.0

    @property
    def azimuth_deg(self) -> float:
        """Straight from where it begins to where it ends, from north through east."""
        return self.leg.part_azimuth_deg[self.part - 1]

    @property
    def is_last(self) -> bool:
        """Whether the rover has reached the end of the leg after it."""
        return self.part == self.leg.parts


class PlacedGoal(Goal):
    """A goal of activities at stops. members: what each activity of the scenario has become."""

    members: tuple[tuple[str, ...], ...]

    @property
    def groups(self) -> tuple[tuple[str, ...], ...]:
        """The activities whose runs count as one; several groups if they count together."""
        return self.members if self.together else (self.runs_of,)


class Route(NamedTuple):
    """The places of a rover in the order of its visits; the first is where it stands at first.

    begun: whether it is on its first leg already, with so many parts of that `done`.
    """

    platform: str
    places: tuple[str, ...]
    begun: bool = False
    done: int = 0


def placed(scenario: Scenario) -> Scenario:
    """The scenario with an activity at each stop and all drives there may be.

    Without stops it stays as it is.
    """
    if not scenario.stop:
        return scenario
    stops = {stop.name: stop for stop in scenario.stop}
    names = {a.name: _stops_of(scenario, a) for a in scenario.activity}
    activities = tuple(
        placed_one
        for activity in scenario.activity
        for placed_one in _at_each(activity, [stops[n] for n in names[activity.name]], names)
    )
    goals = tuple(_of_placed(goal, names) for goal in scenario.goal)
    keep_outs = tuple(
        keep_out.model_copy(update={"activity": name})
        for keep_out in scenario.keep_out
        for name in (_names_at(keep_out.activity, names) if keep_out.activity else [None])
    )
    wheels = tuple(
        Instrument(name=drive_instrument(p.name), platform=p.name, hazard="mechanism")
        for p in scenario.platform
        if p.drive is not None
    )
    return scenario.model_copy(
        update={
            "activity": activities,
            "goal": goals,
            "keep_out": keep_outs,
            "instrument": (*scenario.instrument, *wheels),
            "drive": _all_drives(scenario),
        }
    )


def redriven(scenario: Scenario) -> Scenario:
    """The scenario with drives as its rovers make them now, after another value of a key."""
    return scenario.model_copy(update={"drive": _all_drives(scenario)})


def revalued(scenario: Scenario, before: Stop) -> Scenario:
    """The scenario with runs at a stop worth what its value_factor says now.

    before: the stop as it was. What was worth nothing there stays so.
    """
    now = next(stop for stop in scenario.stop if stop.name == before.name)
    share = now.value_factor / before.value_factor if before.value_factor else 1.0
    activities = tuple(
        activity.model_copy(update={"value": activity.value * share})
        if isinstance(activity, PlacedActivity) and activity.stop == now.name
        else activity
        for activity in scenario.activity
    )
    return scenario.model_copy(update={"activity": activities})


def drive_name(start: str, end: str, part: int = 1, parts: int = 1) -> str:
    """The name of a drive."""
    which = f" ({part} of {parts})" if parts > 1 else ""
    return f"drive {start} to {end}{which}"


def name_at(activity: str, stop: str) -> str:
    """The name of an activity at one stop."""
    return f"{activity} at {stop}"


def look_after(scenario: Scenario, drive: DriveActivity) -> After:
    """What comes after a drive has to wait for: its pictures, and the decision on them."""
    how = scenario.platform_named(scenario.platform_of(drive)).drive
    assert how is not None
    return After(activity=drive.name, received=drive.data_mbit > 0, decide_min=how.decide_min)


def _stops_of(scenario: Scenario, activity: Activity) -> tuple[str, ...]:
    """The stops at which an activity may be, in the order of the scenario; none if anywhere."""
    if not activity.at:
        return ()
    rover = scenario.platform_of(activity)
    own = tuple(stop.name for stop in scenario.stop if stop.platform == rover)
    if ALL_STOPS in activity.at:
        return own
    return tuple(name for name in own if name in activity.at)


def _names_at(name: str, stops: dict[str, tuple[str, ...]]) -> list[str]:
    """The names that an activity has once it is at its stops."""
    return [name_at(name, stop) for stop in stops[name]] if stops.get(name) else [name]


def _of_placed(goal: Goal, stops: dict[str, tuple[str, ...]]) -> Goal:
    """The goal as one of the activities at their stops."""
    members = tuple(tuple(_names_at(name, stops)) for name in goal.runs_of)
    changes = {"runs_of": tuple(n for names in members for n in names), "members": members}
    return PlacedGoal.model_construct(**(dict(goal) | changes))


def name_in_scenario(activity: Activity) -> str:
    """What the scenario file calls an activity: one at stops by one name, all drives of a rover by
    that of its wheels."""
    if isinstance(activity, DriveActivity):
        return activity.instrument
    return activity.of if isinstance(activity, PlacedActivity) else activity.name


def stop_number(goal: Goal, activity: Activity) -> int:
    """Which of the stops of a goal a run of an activity is at, counted from 0; -1 if at none."""
    stop = activity.stop if isinstance(activity, PlacedActivity) else None
    return goal.stops.index(stop) if stop in goal.stops else -1


def _at_each(
    activity: Activity, stops: list[Stop], names: dict[str, tuple[str, ...]]
) -> Iterator[Activity]:
    """The activity at each of its stops, or as it is if it has none."""
    apart = tuple(n for name in activity.not_with for n in _names_at(name, names))
    if not stops:
        yield activity.model_copy(update={"not_with": apart})
    for stop in stops:
        orders = tuple(
            order.model_copy(update={"activity": name_at(order.activity, stop.name)})
            if stop.name in names[order.activity]
            else order
            for order in activity.after
        )
        changes: dict[str, Any] = {
            "name": name_at(activity.name, stop.name),
            "of": activity.name,
            "stop": stop.name,
            "at": (stop.name,),
            "value": activity.value * stop.value_factor,
            "not_with": apart,
            "after": orders,
            "orders": orders,
        }
        yield PlacedActivity.model_construct(**(dict(activity) | changes))


def _all_drives(scenario: Scenario) -> tuple[DriveActivity, ...]:
    rovers = (platform for platform in scenario.platform if platform.drive is not None)
    return tuple(drive for rover in rovers for drive in _drives(scenario, rover))


def _drives(scenario: Scenario, rover: Platform) -> Iterator[DriveActivity]:
    """A drive for every part of every leg of a rover."""
    drive = rover.drive
    assert drive is not None
    for leg in legs_of(scenario, rover).values():
        if leg.end == LANDER and LANDER not in rover.parking.stop and rover.parking.stop:
            continue
        for part in range(1, leg.parts + 1):
            yield DriveActivity(
                name=drive_name(leg.start, leg.end, part, leg.parts),
                instrument=drive_instrument(rover.name),
                duration_min=max(1, ceil(leg.part_min[part - 1] - 1e-9)),
                power_w=drive.power_w,
                data_mbit=drive.data_mbit_per_m * leg.part_m,
                priority=drive.priority,
                value=0.0,
                contact=drive.contact,
                lead_min=drive.lead_min,
                disturbs=drive.disturbs,
                needs=drive.needs,
                when=drive.when,
                not_towards_sun_deg=drive.not_towards_sun_deg,
                leg=leg,
                part=part,
            )
