"""Where the rovers stand after what is fixed, and which way they take from there.

A drive that failed or was cut short has not brought the rover on: it may begin the same part again,
or turn round. Telemetry may say where it stands instead.
"""

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from threading import Event
from typing import NamedTuple

import numpy as np
import pandas as pd

from obsplan.analysis.traverse import driven_share
from obsplan.environment.model import Environment
from obsplan.environment.rover_telemetry import read_of, seen_at, unreachable_since
from obsplan.inputs.along_routes import not_driving, on_route
from obsplan.inputs.placed import DriveActivity, Route
from obsplan.inputs.scenario import Scenario
from obsplan.inputs.stop import LANDER, drive_instrument
from obsplan.operations.remaining_problem import remaining_problem
from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.definition import Problem
from obsplan.planning.route.laid_out import Itinerary
from obsplan.planning.route.route_search import best_found
from obsplan.planning.route.ways import Begin, Chosen


class Ahead(NamedTuple):
    """The environment along the routes from now on, the same with all of it free, and a plan.

    Without stops nothing was chosen, and there is no plan; nor if none was found.
    """

    environment: Environment
    free: Environment
    plan: Booking | None = None
    chosen: Chosen | None = None


class Aims(NamedTuple):
    """How long to try, what share of the value keeping the old way may cost, and who hears."""

    effort: str
    keep: float
    stop: Event
    report: Callable[[str], None]


class Standing(NamedTuple):
    """Where a rover stands: at a place, or on the leg between two.

    onward: parts of the leg behind it if it drives on, back: if it turns round.
    """

    places: tuple[str, ...]
    onward: int = 0
    back: int = 0


def route_ahead(
    environment: Environment,
    fixed: pd.DataFrame,
    movable: pd.DataFrame,
    first: int,
    levels: dict[str, tuple[float, float]],
    aims: Aims,
) -> Ahead:
    """The best way found from step `first` on, as `best_found`; the old one if it is as good.

    `fixed`, `movable` and `levels` are those of `remaining_problem`.
    """
    scenario = environment.scenario
    if not scenario.drive:
        return Ahead(environment, environment)
    known = {drive.name: drive for drive in scenario.drive}
    rovers = [platform.name for platform in scenario.platform if platform.drive is not None]
    stands = {name: standing(environment, fixed, name) for name in rovers}
    reachable = _reachable(environment)
    ways = {name: _beginnings(reachable, name, where) for name, where in stands.items()}
    stuck = {drive_instrument(name) for name in rovers if not ways[name]}
    past = _made(known, fixed)
    # Drives that failed, and those of the old plan, are known too.
    others = [
        known[n] for n in dict.fromkeys([*fixed["activity"], *movable["activity"]]) if n in known
    ]
    scenario = scenario.model_copy(update={"activity": (*not_driving(scenario), *others)})
    open_ = tuple(drive for drive in reachable if drive.instrument not in stuck)
    base = replace(environment, scenario=scenario.model_copy(update={"drive": open_}))

    def along(known: Environment, routes: tuple[Route, ...]) -> tuple[Environment, Problem]:
        named = {drive.name for drive in known.scenario.drive}
        closed = (drive for drive in scenario.drive if drive.name not in named)
        whole = known.scenario.model_copy(update={"drive": (*known.scenario.drive, *closed)})
        on_it = replace(known, scenario=on_route(whole, routes, past=past))
        return on_it, remaining_problem(on_it, fixed, first, levels)[0]

    here = {name: _staying(name, where) for name, where in stands.items()}
    begin = Begin(
        first,
        {name: ways[name] or (here[name],) for name in rovers},
        _old_itinerary(base.scenario, movable, stands),
    )
    aims.report("trying routes from where the rover stands ...")
    on_base = partial(along, base)
    found = best_found(base, on_base, begin, aims.effort, aims.stop, aims.report, aims.keep)
    routes = found.itinerary.routes if found else tuple(here.values())
    free = replace(environment, scenario=on_route(scenario, routes, True, past))
    chosen = Chosen(base, along, begin, routes)
    return Ahead(on_base(routes)[0], free, found.plan if found else None, chosen)


def _made(known: dict[str, DriveActivity], fixed: pd.DataFrame) -> list[DriveActivity]:
    """The drives that the fixed slots made, each once, in the order in which they were begun."""
    arrived = set(fixed.loc[fixed["share"] > 0, "activity"])
    moved = fixed.loc[(fixed["share"] > 0) | (fixed["state"] == "shortened"), "activity"]
    return [
        known[name].model_copy(update={"is_short": name not in arrived})
        for name in dict.fromkeys(moved)
        if name in known
    ]


def standing(environment: Environment, fixed: pd.DataFrame, rover: str) -> Standing:
    """Where a rover stands after the fixed slots, or where telemetry has last seen it since."""
    scenario = environment.scenario
    known = {d.name: d for d in scenario.drive if d.instrument == drive_instrument(rover)}
    where, since = Standing((LANDER,)), pd.Timestamp(scenario.span.start_utc)
    for slot in fixed.sort_values("end_utc", kind="stable").itertuples(index=False):
        drive = known.get(slot.activity)
        if drive is not None and (slot.share > 0 or slot.state == "shortened"):
            where, since = _after(drive, slot.state == "shortened"), slot.end_utc
    later = [place for read_utc, place in seen_at(environment, rover) if read_utc >= since]
    return Standing((later[-1],)) if later else where


def odometer_notes(environment: Environment, fixed: pd.DataFrame) -> list[str]:
    """How far the odometers of rovers, when last read, are from what their drives make."""
    scenario, notes = environment.scenario, []
    for rover in (p for p in scenario.platform if p.drive is not None):
        read = [r for r in read_of(environment, rover.name) if r[1].odometer_m is not None]
        if not read:
            continue
        read_utc, told = read[-1]
        drives = {d.name: d for d in scenario.drive if d.instrument == drive_instrument(rover.name)}
        made = fixed[(fixed["end_utc"] <= read_utc) & fixed["activity"].isin(list(drives))]
        made_m = sum(
            driven_share(drives[slot.activity], slot) * drives[slot.activity].leg.part_m
            for slot in made.itertuples(index=False)
        )
        notes.append(
            f'the odometer of "{rover.name}" says {told.odometer_m:.0f} m, '
            f"its drives by then make {made_m:.0f} m"
        )
    return notes


def _after(drive: DriveActivity, is_short: bool) -> Standing:
    """Where a rover stands after a drive, or within it if that ended short."""
    leg = drive.leg
    if drive.is_last and not is_short:
        return Standing((leg.end,))
    # The way back is as long, and in as many parts.
    return Standing((leg.start, leg.end), drive.part - is_short, leg.parts - drive.part)


def _beginnings(drives: Sequence[DriveActivity], rover: str, where: Standing) -> tuple[Route, ...]:
    """The ways to go on: from a place, or along the leg that the rover is on, or back.

    There is none if the rover is between two places, and these drives lead to neither.
    """
    if len(where.places) == 1:
        return (Route(rover, where.places),)
    legs = {(drive.leg.start, drive.leg.end) for drive in drives}
    ways = (where.places, where.onward), (where.places[::-1], where.back)
    return tuple(Route(rover, leg, True, done) for leg, done in ways if leg in legs)


def _staying(rover: str, where: Standing) -> Route:
    """The route of a rover that stays where it is."""
    return Route(rover, where.places[:1], len(where.places) > 1)


def _old_itinerary(
    scenario: Scenario, movable: pd.DataFrame, stands: dict[str, Standing]
) -> Itinerary | None:
    """The way of the old plan from where the rovers stand; None if it begins elsewhere."""
    routes, departures = [], []
    rows = movable.sort_values("start_utc", kind="stable")
    steps = dict(zip(rows["activity"], _steps(scenario, rows)))
    for rover, where in stands.items():
        own = [
            d for d in scenario.drive if d.instrument == drive_instrument(rover) and d.name in steps
        ]
        own.sort(key=lambda d: steps[d.name])
        places, leave = list(where.places[:1]), []
        for drive in own:
            if places[-1] != drive.leg.start:
                continue
            places.append(drive.leg.end)
            leave.append(steps[drive.name])
        is_on_leg = len(where.places) > 1
        route = Route(rover, tuple(places), is_on_leg, where.onward)
        if not _makes(scenario, route, own) or (is_on_leg and len(places) < 2):
            return None
        routes.append(route)
        departures.append(tuple(leave))
    return Itinerary(tuple(routes), tuple(departures))


def _makes(scenario: Scenario, route: Route, drives: list[DriveActivity]) -> bool:
    """Whether a route consists of just these drives, in this order."""
    parts = {(d.leg.start, d.leg.end): d.leg.parts for d in scenario.drive}
    legs = list(zip(route.places, route.places[1:]))
    wanted = [
        (leg, part)
        for k, leg in enumerate(legs)
        for part in range(1 + (0 if k else route.done), parts[leg] + 1)
    ]
    return wanted == [((d.leg.start, d.leg.end), d.part) for d in drives]


def _steps(scenario: Scenario, rows: pd.DataFrame) -> np.ndarray:
    minutes = scenario.minutes_of(rows["start_utc"]) // scenario.span.step_min
    return np.asarray(minutes).astype(int)


def _reachable(environment: Environment) -> list[DriveActivity]:
    """The drives there may be, without those to stops that telemetry calls unreachable."""
    closed = {
        stop
        for rover in environment.scenario.platform
        for stop in unreachable_since(environment, rover.name)
    }
    return [drive for drive in environment.scenario.drive if drive.leg.end not in closed]


def wanted_starts(
    plan: Booking | None, old: list[list[int]], scenario: Scenario
) -> list[list[int]]:
    """The starts that a replan begins with: those of the way ahead at stops and for drives."""
    if plan is None:
        return old
    return [
        list(plan.runs[i]) if isinstance(activity, DriveActivity) else own
        for i, (activity, own) in enumerate(zip(scenario.activity, old))
    ]
