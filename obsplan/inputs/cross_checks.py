"""Checks across the tables of a scenario: names that must exist, values that must agree.

They work on the file as parsed, before the models, so that a mistyped name and a value out of range
are reported together. Values of an unexpected type are skipped here: the models report them.
"""

from collections import Counter
from collections.abc import Iterable, Iterator
from datetime import datetime
from itertools import pairwise
from typing import Any, TypeGuard

from obsplan.common.instants import in_utc, instant_from, stamp
from obsplan.common.text import did_you_mean, shortened
from obsplan.inputs.error_text import shown
from obsplan.inputs.goal_checks import goal_errors
from obsplan.inputs.orbit_checks import orbit_errors
from obsplan.inputs.pin_checks import Pinned, pin_errors
from obsplan.inputs.pointing_checks import pointing_errors
from obsplan.inputs.sky_checks import sky_errors
from obsplan.inputs.split_checks import split_errors
from obsplan.inputs.stop import drive_instrument
from obsplan.inputs.stop_checks import stop_errors, with_stops
from obsplan.inputs.team_checks import team_errors
from obsplan.inputs.uncertainty_checks import uncertainty_errors
from obsplan.inputs.unit_checks import unit_errors

MOST_ACTIVITIES = 300
MOST_DAYS = 90

Table = dict[str, Any]


def reference_errors(raw: Table) -> list[str]:
    """One line for every repeated or unknown name and for every contradiction."""
    kinds = ("station", "platform", "instrument", "stop", "goal", "team", "activity")
    tables = {kind: _tables(raw, kind) for kind in kinds}
    stations, platforms, instruments, stops, goals, teams, activities = tables.values()
    lines = [*_span_errors(raw.get("span")), *_uplink_errors(raw.get("uplink"), raw.get("span"))]
    for key, rows in tables.items():
        lines += _repeated_names(key, rows)
    lines += _reserved_names(platforms, activities)
    for row in instruments:
        where = f"{_titled('instrument', row)}.platform"
        lines += _unknown(where, row.get("platform"), _names(platforms), "platform")
    for row in stations:
        lines += _station_errors(row)
    for row in platforms:
        lines += _radio_errors(row, platforms, stations)
        lines += _track_errors(row, raw.get("span"))
        lines += _level_errors(row)
    lines += orbit_errors(platforms, raw.get("site"))
    lines += sky_errors(platforms, instruments, activities, goals, raw.get("span"))
    lines += unit_errors(platforms, instruments, activities)
    lines += team_errors(teams, activities)
    lines += pointing_errors(platforms, instruments, activities)
    lines += stop_errors(stops, platforms, instruments, teams, activities, goals)
    lines += goal_errors(goals, activities)
    lines += split_errors(activities, goals)
    named = {row["name"]: row for row in activities}
    for row in activities:
        lines += _activity_errors(row, _names(instruments), named)
    runs = with_stops(activities, stops, instruments)
    both = activities + [run for run in runs if run["name"] not in named]
    wheels = [
        {"name": drive_instrument(p["name"])} for p in platforms if p.get("drive") is not None
    ]
    known = {"activity": both, "instrument": instruments + wheels, "platform": platforms}
    for number, row in enumerate(_rows(raw, "keep_out"), start=1):
        lines += _keep_out_errors(f"keep_out {number}", row, known)
    lines += _pin_errors(_rows(raw, "pin"), raw.get("span"), runs)
    uncertain = {**known, "station": stations}
    names = {kind: _names(tables) for kind, tables in uncertain.items()}
    names["instrument"] += [drive_instrument(p["name"]) for p in platforms if p.get("drive")]
    lines += uncertainty_errors(_rows(raw, "uncertainty"), names)
    if len(runs) > MOST_ACTIVITIES:
        each = ", one for each of their stops" if len(runs) > len(activities) else ""
        lines.append(
            f"activity: there are {len(runs)}{each}; at most {MOST_ACTIVITIES} are allowed"
        )
        return lines
    return [*lines, *_order_cycles(activities)]


def sending_name(platform: str, to: str) -> str:
    """The name of a platform's transmit windows in a timeline."""
    return f"{platform} downlink" if to == "earth" else f"{platform} relay"


def _tables(raw: Table, key: str) -> list[Table]:
    """The tables that have a name; a single one may be written as [key] instead of [[key]]."""
    return [table for table in _rows(raw, key) if isinstance(table.get("name"), str)]


def _rows(raw: Table, key: str) -> list[Table]:
    """The tables, with a name or without."""
    tables = [raw[key]] if isinstance(raw.get(key), dict) else _list(raw.get(key))
    return [table for table in tables if isinstance(table, dict)]


def _names(rows: list[Table]) -> list[str]:
    return [row["name"] for row in rows]


def _titled(kind: str, row: Table) -> str:
    return f'{kind} "{shortened(row["name"])}"'


def _list(value: Any) -> list[Any]:
    return list(value) if isinstance(value, list | tuple) else []


def _is_number(value: Any) -> TypeGuard[float]:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _instant(value: Any) -> datetime | None:
    """The time in a value, or None if it is not a valid time."""
    try:
        return in_utc(value) if isinstance(value, datetime) else instant_from(value)
    except (ValueError, TypeError):
        return None


def _unknown(where: str, name: Any, known: Iterable[str], what: str) -> Iterator[str]:
    known = list(known)
    if isinstance(name, str) and name not in known:
        yield f"{where} = {shown(name)}: no such {what}; {did_you_mean(name, known)}"


def _repeated_names(kind: str, rows: list[Table]) -> Iterator[str]:
    for name, times in sorted(Counter(_names(rows)).items()):
        if times > 1:
            yield f'{kind} "{shortened(name)}": the name is used {times} times; names must differ'


def _reserved_names(platforms: list[Table], activities: list[Table]) -> Iterator[str]:
    if "earth" in _names(platforms):
        yield 'platform "earth": the name is reserved for the Earth itself; choose another'
    reserved = {sending_name(n, to) for n in _names(platforms) for to in ("earth", "relay")}
    for name in sorted(reserved & set(_names(activities))):
        yield f'activity "{shortened(name)}": the name is reserved for the radio; choose another'


def _span_errors(span: Any) -> Iterator[str]:
    if not isinstance(span, dict):
        return
    start, end = _instant(span.get("start_utc")), _instant(span.get("end_utc"))
    if start is None or end is None:
        return
    step_min = span.get("step_min", 15)
    if end <= start:
        yield f"span.end_utc = {stamp(end)}: must be after span.start_utc, {stamp(start)}"
    elif _is_number(step_min) and (end - start).total_seconds() < 60 * step_min:
        yield f"span: shorter than one step of {step_min} min"
    elif (end - start).days > MOST_DAYS:
        yield f"span: {(end - start).days} days long; at most {MOST_DAYS} are allowed"


def _uplink_errors(uplink: Any, span: Any) -> Iterator[str]:
    if not isinstance(uplink, dict) or not isinstance(span, dict):
        return
    loaded, end = _instant(uplink.get("loaded_until_utc")), _instant(span.get("end_utc"))
    if loaded is not None and end is not None and loaded > end:
        yield (
            f"uplink.loaded_until_utc = {stamp(loaded)}: after the end of the span; allowed is up "
            f"to {stamp(end)}"
        )


def _station_errors(station: Table) -> Iterator[str]:
    where = _titled("station", station)
    if station.get("skyline") is not None and "mask_deg" in station:
        yield f"{where}: give either mask_deg or a skyline file"
    noise, beam = station.get("system_temperature_k"), station.get("beam_width_deg")
    if (noise is None) != (beam is None):
        yield f"{where}: give both system_temperature_k and beam_width_deg, or neither"
    elif noise is not None and station.get("g_over_t_db_k") is None:
        yield f"{where}.g_over_t_db_k: required with system_temperature_k"


def _radio_errors(platform: Table, platforms: list[Table], stations: list[Table]) -> Iterator[str]:
    radio = platform.get("radio")
    if not isinstance(radio, dict):
        return
    where = f"{_titled('platform', platform)}.radio"
    budget, to = radio.get("budget"), radio.get("to", "earth")
    if (radio.get("rate_kbps") is None) == (budget is None):
        yield f"{where}: give either rate_kbps or a budget table"
        return
    others = [p for p in platforms if p["name"] != platform["name"]]
    yield from _unknown(f"{where}.to", to, ["earth", *_names(others)], "receiver")
    if to != "earth":
        yield from _relay_errors(where, radio, next((p for p in others if p["name"] == to), {}))
    elif budget is not None:
        for station in stations:
            if station.get("g_over_t_db_k") is None:
                title = _titled("station", station)
                yield f"{title}.g_over_t_db_k: required, because {where} has a budget"


def _relay_errors(where: str, radio: Table, relay: Table) -> Iterator[str]:
    """Settings that are not allowed for a radio that sends to a relay instead of to Earth."""
    to, onward = radio["to"], relay.get("radio")
    if isinstance(onward, dict) and onward.get("to", "earth") != "earth":
        yield f'{where}.to = {shown(to)}: the relay itself must send to "earth"'
    in_orbit = relay.get("kind") == "orbiter"
    if radio.get("budget") is not None and not in_orbit:
        yield f"{where}.budget: a radio that sends to a relay at the site needs rate_kbps instead"
    needs = "receive_g_over_t_db_k" if in_orbit and radio.get("budget") is not None else None
    if needs and isinstance(onward, dict) and onward.get(needs) is None:
        title = _titled("platform", relay)
        yield f"{title}.radio.{needs}: required, because {where} has a budget"
    if radio.get("range_limit_m") is not None and in_orbit:
        yield f"{where}.range_limit_m: not for a relay in orbit; give minimum_elevation_deg"
    if radio.get("handover_min", 0) != 0:
        yield (
            f"{where}.handover_min = {shown(radio['handover_min'])}: applies only to ground "
            f"stations; for a radio to {shown(to)} it must be 0"
        )


def _track_errors(platform: Table, span: Any) -> Iterator[str]:
    """Range limit and track must come together, and the track must cover the span."""
    radio, track = platform.get("radio"), _list(platform.get("track"))
    where = _titled("platform", platform)
    if not isinstance(radio, dict):
        return
    limited = radio.get("range_limit_m") is not None
    if limited and radio.get("to", "earth") == "earth":
        yield f"{where}.radio.range_limit_m: applies only to a radio that sends to a relay"
        return
    if platform.get("drive") is not None:
        if track:
            yield f"{where}.track: the stops say where the rover is; leave the track out"
        return
    if limited != bool(track):
        yield f"{where}: give both radio.range_limit_m and a track, or neither"
        return
    found = [_instant(point.get("from_utc")) for point in track if isinstance(point, dict)]
    times = [time for time in found if time is not None]
    if not times or len(times) < len(found):
        return
    if any(later <= earlier for earlier, later in pairwise(times)):
        yield f"{where}.track: each from_utc must be after the one before"
    start = _instant(span.get("start_utc")) if isinstance(span, dict) else None
    if start is not None and times[0] > start:
        yield (
            f"{where}.track: begins at {stamp(times[0])}; it must begin at span.start_utc, "
            f"{stamp(start)}, or earlier"
        )


def _level_errors(platform: Table) -> Iterator[str]:
    """Levels of battery and store that contradict each other."""
    where = _titled("platform", platform)
    battery, store = platform.get("battery"), platform.get("store")
    if isinstance(battery, dict):
        if battery.get("taper_above") is not None and battery.get("charge_limit_w") is None:
            yield f"{where}.battery.taper_above: needs charge_limit_w, from which the power falls"
        reserve = battery.get("reserve")
        for key in ("start", "end"):
            level = battery.get(key)
            if _is_number(level) and _is_number(reserve) and 0 <= level < reserve <= 1:
                yield (
                    f"{where}.battery.{key} = {level}: below the reserve; allowed is {reserve} to 1"
                )
    if isinstance(store, dict):
        start, capacity = store.get("start_mbit"), store.get("capacity_mbit")
        if _is_number(start) and _is_number(capacity) and start > capacity > 0:
            yield (
                f"{where}.store.start_mbit = {start}: more than the storage capacity; "
                f"allowed is 0 to {capacity}"
            )


def _activity_errors(
    activity: Table, instruments: list[str], activities: dict[str, Table]
) -> Iterator[str]:
    where = _titled("activity", activity)
    yield from _unknown(
        f"{where}.instrument", activity.get("instrument"), instruments, "instrument"
    )
    for name in _list(activity.get("not_with")):
        yield from _unknown(f"{where}.not_with", name, list(activities), "activity")
    for after in _list(activity.get("after")):
        if isinstance(after, dict):
            name = after.get("activity")
            yield from _unknown(f"{where}.after", name, list(activities), "activity")
            other = activities.get(name) if isinstance(name, str) else None
            if other and after.get("received") is True and other.get("data_mbit", 0) == 0:
                yield f"{where}.after: received = true, but {shown(name)} yields no data"
            yield from _rising_errors(f"{where}.after", after)
    if activity.get("received_by_h") is not None and activity.get("data_mbit", 0) == 0:
        yield f"{where}.received_by_h: the activity yields no data; data_mbit must be above 0"
    must, count = activity.get("must", 0), activity.get("count", 1)
    if _is_number(must) and _is_number(count) and must > count:
        yield (
            f"{where}.must = {must}: more runs are required than requested (count = {count}); "
            f"allowed is 0 to {count}"
        )


def _keep_out_errors(where: str, row: Table, known: dict[str, list[Table]]) -> Iterator[str]:
    named = [kind for kind in known if row.get(kind) is not None]
    if len(named) != 1:
        given = " and ".join(named) or "none"
        yield f"{where}: give one of {', '.join(known)}, not {given}"
    for kind in named:
        yield from _unknown(f"{where}.{kind}", row[kind], _names(known[kind]), kind)
    yield from _rising_errors(where, row)


def _rising_errors(where: str, row: Table) -> Iterator[str]:
    since, until = _instant(row.get("from_utc")), _instant(row.get("until_utc"))
    if since is not None and until is not None and until <= since:
        yield f"{where}.until_utc = {stamp(until)}: must be after its from_utc, {stamp(since)}"


def _pin_errors(rows: list[Table], span: Any, activities: list[Table]) -> Iterator[str]:
    pins = []
    for number, row in enumerate(rows, start=1):
        name, start = row.get("activity"), _instant(row.get("start_utc"))
        if name is not None:
            yield from _unknown(f"pin {number}.activity", name, _names(activities), "activity")
        if isinstance(name, str) and start is not None:
            where = f'pin {number} "{shortened(name)}".start_utc = {stamp(start)}'
            pins.append(Pinned(where, name, start))
    if not isinstance(span, dict):
        return
    first, end = _instant(span.get("start_utc")), _instant(span.get("end_utc"))
    step_min = span.get("step_min", 15)
    counts = {a["name"]: n for a in activities if isinstance(n := a.get("count", 1), int)}
    if first is not None and end is not None and isinstance(step_min, int) and step_min > 0:
        yield from pin_errors(pins, first, end, step_min, counts)


def _order_cycles(activities: list[Table]) -> Iterator[str]:
    """One line for each cycle of `after`, which starts with its alphabetically first member."""
    before = {
        row["name"]: [a.get("activity") for a in _list(row.get("after")) if isinstance(a, dict)]
        for row in activities
    }
    cycles: set[tuple[str, ...]] = set()
    explored: set[str] = set()

    def walk(name: Any, path: tuple[str, ...]) -> None:
        if name in path:
            cycle = path[path.index(name) :]
            turn = cycle.index(min(cycle))
            cycles.add(cycle[turn:] + cycle[:turn])
        elif isinstance(name, str) and name not in explored:
            for earlier in before.get(name, []):
                walk(earlier, (*path, name))
            explored.add(name)

    for name in before:
        walk(name, ())
    for cycle in sorted(cycles):
        order = " after ".join(map(shortened, (*cycle, cycle[0])))
        yield f"activity.after: circular order, {order}; none of them can run first"
