"""Checks across the tables of a scenario about stops, drives and parking: names and contradictions.

They work on the file as parsed, as those of cross_checks do. Whether a stop can be reached over its
ground is in ground_checks.
"""

import re
from collections.abc import Iterator, Sequence
from itertools import permutations
from typing import Any

from obsplan.common.text import did_you_mean, shortened
from obsplan.inputs.error_text import shown
from obsplan.inputs.stop import ALL_STOPS, LANDER, drive_instrument

MOST_STOPS = 30
METRES, DEGREES = ("east_m", "north_m"), ("latitude_deg", "longitude_deg")

# A name that ends like that of a part of a way.
PART = re.compile(r"(.+) \(\d+ of \d+\)")

Table = dict[str, Any]


def with_stops(
    activities: list[Table], stops: list[Table], instruments: list[Table]
) -> list[Table]:
    """The activities as runs are named: one for each of their stops, the others as they are."""
    carrier = {i["name"]: i.get("platform") for i in instruments}
    found = []
    for activity in activities:
        own = _names_of(stops, carrier.get(str(activity.get("instrument"))))
        places = _stops_named(activity, own)
        names = [f"{activity['name']} at {name}" for name in own if name in places]
        found += [activity | {"name": name} for name in names or [activity["name"]]]
    return found


def stop_errors(
    stops: list[Table],
    platforms: list[Table],
    instruments: list[Table],
    teams: list[Table],
    activities: list[Table],
    goals: list[Table],
) -> Iterator[str]:
    """One line for every wrong name and every contradiction about places of rovers."""
    rovers = {p["name"]: p["drive"] for p in platforms if isinstance(p.get("drive"), dict)}
    for stop in stops:
        yield from _of_stop(stop, [p["name"] for p in platforms], rovers)
    yield from _same_places(stops)
    if len(stops) > MOST_STOPS:
        yield f"stop: there are {len(stops)}; at most {MOST_STOPS} are allowed"
    carrier = {i["name"]: i.get("platform") for i in instruments}
    at = {}
    for activity in activities:
        own = _names_of(stops, carrier.get(str(activity.get("instrument"))))
        at[activity["name"]] = _stops_named(activity, own)
        yield from _of_activity(activity, own, stops, carrier)
    for activity in activities:
        yield from _orders_between_places(activity, at)
    for platform in platforms:
        where = f'platform "{shortened(platform["name"])}"'
        own = _names_of(stops, platform["name"])
        if platform["name"] in rovers:
            yield from _of_drive(f"{where}.drive", rovers[platform["name"]], own, at, activities)
            yield from _teams(f"{where}.drive.needs", rovers[platform["name"]], teams)
            if not own:
                yield f'{where}.drive: no stop has platform = "{shortened(platform["name"])}"'
        yield from _of_parking(f"{where}.parking", platform, own)
    for goal in goals:
        yield from _of_goal(goal, at, [stop["name"] for stop in stops])
    yield from _made_names(stops, rovers, platforms, instruments, at)
    for rover in rovers:
        yield from _drives_alike(_names_of(stops, rover))


def _of_stop(stop: Table, platforms: list[str], rovers: dict[str, Table]) -> Iterator[str]:
    name, rover = stop["name"], stop.get("platform")
    where = f'stop "{shortened(name)}"'
    if name in (LANDER, ALL_STOPS):
        meaning = "where rovers start" if name == LANDER else "all stops of a rover"
        yield f"{where}: the name stands for {meaning}; choose another"
    if isinstance(rover, str) and rover not in rovers:
        if rover in platforms:
            yield f"{where}.platform = {shown(rover)}: has no [platform.drive], so it cannot drive"
        else:
            yield f"{where}.platform = {shown(rover)}: no such platform; " + did_you_mean(
                rover, platforms
            )
    given = [key for key in (*METRES, *DEGREES) if stop.get(key) is not None]
    if tuple(given) not in (METRES, DEGREES):
        yield (
            f"{where}: give either east_m and north_m or latitude_deg and longitude_deg, not "
            f"{' and '.join(given) or 'none'}"
        )


def _same_places(stops: list[Table]) -> Iterator[str]:
    """Two stops of one rover at one place."""
    seen: dict[tuple[str, ...], str] = {}
    for stop in stops:
        values = [stop.get(key) for key in (*METRES, *DEGREES)]
        if any(isinstance(value, int | float) for value in values):
            numbers = (float(v) if isinstance(v, int | float) else v for v in values)
            place = (str(stop.get("platform")), *map(repr, numbers))
            if place in seen:
                yield (
                    f'stop "{shortened(stop["name"])}": lies where stop "{shortened(seen[place])}" '
                    "does; places must differ"
                )
            seen.setdefault(place, stop["name"])


def _names_of(stops: list[Table], platform: Any) -> list[str]:
    return [stop["name"] for stop in stops if stop.get("platform") == platform]


def _stops_named(activity: Table, own: list[str]) -> set[str]:
    """The stops of a rover that an activity names; none if it may be anywhere."""
    at = activity.get("at")
    named = [at] if isinstance(at, str) else at if isinstance(at, list | tuple) else []
    if ALL_STOPS in named:
        return set(own)
    return {name for name in named if isinstance(name, str) and name in own}


def _of_activity(
    activity: Table, own: list[str], stops: list[Table], carrier: dict[str, Any]
) -> Iterator[str]:
    at = activity.get("at")
    named = [at] if isinstance(at, str) else at if isinstance(at, list | tuple) else []
    where = f'activity "{shortened(activity["name"])}".at'
    platform = carrier.get(str(activity.get("instrument")))
    if len(named) > 1 and ALL_STOPS in named:
        yield f'{where}: give either "{ALL_STOPS}", for all of them, or names'
    for name in named:
        if not isinstance(name, str):
            continue
        if name == ALL_STOPS:
            if not own and isinstance(platform, str):
                yield f'{where} = "{ALL_STOPS}": platform {shown(platform)} has no stops'
        elif name not in own and name in [stop["name"] for stop in stops]:
            yield f"{where} = {shown(name)}: is no stop of platform {shown(platform)}"
        elif name not in own:
            yield f"{where} = {shown(name)}: no such stop; {did_you_mean(name, own)}"


def _orders_between_places(activity: Table, at: dict[str, set[str]]) -> Iterator[str]:
    """An activity at stops may be waited for at the same stops only."""
    orders = activity.get("after")
    for order in orders if isinstance(orders, list | tuple) else ():
        name = order.get("activity") if isinstance(order, dict) else None
        before = at.get(name, set()) if isinstance(name, str) else set()
        here = at[activity["name"]]
        if before and not (here and here <= before):
            yield (
                f'activity "{shortened(activity["name"])}".after = {shown(name)}: is made at '
                f"{_listed(sorted(before))}, but this one {_where(sorted(here - before))}; allowed "
                "are activities at the same stops"
            )


def _where(stops: list[str]) -> str:
    return f"at {_listed(stops)} too" if stops else "anywhere"


def _listed(names: list[str]) -> str:
    shown_ones = ", ".join(map(shortened, names[:3]))
    return f"{shown_ones} and {len(names) - 3} more" if len(names) > 3 else shown_ones


def _of_drive(
    where: str, drive: Table, own: list[str], at: dict[str, set[str]], activities: list[Table]
) -> Iterator[str]:
    if drive.get("detour", 1) != 1 and drive.get("ground", "straight") != "straight":
        yield f'{where}.detour: applies only to ground = "straight"; models tell the length'
    data = {activity["name"]: activity.get("data_mbit", 0) for activity in activities}
    orders = drive.get("after")
    for order in orders if isinstance(orders, list | tuple) else ():
        name = order.get("activity") if isinstance(order, dict) else None
        if not isinstance(name, str):
            continue
        if name not in at:
            yield f"{where}.after = {shown(name)}: no such activity; {did_you_mean(name, [*at])}"
        elif not at[name] & set(own):
            yield f"{where}.after = {shown(name)}: is made at none of this rover's stops"
        elif order.get("received") is True and data[name] == 0:
            yield f"{where}.after: received = true, but {shown(name)} yields no data"


def _teams(where: str, drive: Table, teams: list[Table]) -> Iterator[str]:
    needs, known = drive.get("needs"), [team["name"] for team in teams]
    for name in needs if isinstance(needs, list | tuple) else ():
        if isinstance(name, str) and name not in known:
            yield f"{where} = {shown(name)}: no such team; {did_you_mean(name, known)}"


def _of_parking(where: str, platform: Table, own: list[str]) -> Iterator[str]:
    parking = platform.get("parking")
    if not isinstance(parking, dict) or not any(parking.values()):
        return
    if not isinstance(platform.get("drive"), dict):
        yield f"{where}: applies only to a platform with [platform.drive]"
        return
    ends = parking.get("stop")
    for name in ends if isinstance(ends, list | tuple) else ():
        if isinstance(name, str) and name not in (LANDER, *own):
            known = did_you_mean(name, [LANDER, *own])
            yield f"{where}.stop = {shown(name)}: no such stop; {known}"


def _of_goal(goal: Table, at: dict[str, set[str]], known: list[str]) -> Iterator[str]:
    """The stops that a goal names must be stops of its activities."""
    named, runs_of = (goal.get(key) for key in ("stops", "runs_of"))
    own = [name for name in runs_of if isinstance(name, str)] if isinstance(runs_of, list) else []
    reached = {stop for name in own for stop in at.get(name, ())}
    where = f'goal "{shortened(goal["name"])}".stops'
    for name in named if isinstance(named, list | tuple) else ():
        if isinstance(name, str) and name not in known:
            yield f"{where} = {shown(name)}: no such stop; {did_you_mean(name, known)}"
        elif isinstance(name, str) and own and name not in reached:
            yield f"{where} = {shown(name)}: none of its activities is at this stop"


def _made_names(
    stops: list[Table],
    rovers: dict[str, Table],
    platforms: list[Table],
    instruments: list[Table],
    at: dict[str, set[str]],
) -> Iterator[str]:
    """Names in the file that reading gives to runs at stops and to drives."""
    made = {f"{name} at {stop}": name for name, places in at.items() for stop in places}
    for name in sorted(set(made) & set(at)):
        yield (
            f'activity "{shortened(name)}": the name stands for "{shortened(made[name])}" at a '
            "stop; choose another"
        )
    if rovers and any(name.startswith("drive ") for name in at):
        names: Sequence[str] = sorted({LANDER, *(stop["name"] for stop in stops)})
        for name in at:
            if any(name.startswith(f"drive {a} to {b}") for a in names for b in names):
                yield f'activity "{shortened(name)}": the name stands for a drive; choose another'
    for instrument in instruments:
        if instrument["name"] in set(map(drive_instrument, rovers)):
            yield (
                f'instrument "{shortened(instrument["name"])}": the name stands for the wheels of '
                "a rover; choose another"
            )


def _drives_alike(stops: list[str]) -> Iterator[str]:
    """Stops of a rover of which two drives would have one name, such as "A" and "A to A"."""
    legs: dict[str, tuple[str, str]] = {}
    for start, end in permutations([LANDER, *stops], 2):
        other = legs.setdefault(f"drive {start} to {end}", (start, end))
        part = PART.fullmatch(end)
        if other != (start, end):
            one, two, three = map(shortened, (start, *other))
            yield (
                f'stop "{shortened(end)}": the drive there from {one} and that from {two} to '
                f"{three} would have one name; choose another"
            )
        elif part and part[1] in stops and start == LANDER:
            yield (
                f'stop "{shortened(end)}": the name stands for a part of the way to '
                f"{shortened(part[1])}; choose another"
            )
