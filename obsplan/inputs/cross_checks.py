"""Whether the names inside a scenario lead anywhere.

Works on the file as parsed, before the models, so that a mistyped name and a value out
of range are reported together.
"""

from datetime import datetime
from typing import Any

from obsplan.common.instants import in_utc, instant_from, stamp
from obsplan.common.text import did_you_mean

MOST_ACTIVITIES = 300


def reference_errors(raw: dict[str, Any]) -> list[str]:
    """One line for every name that is doubled or unknown and every contradiction."""
    tables = {key: _tables(raw, key) for key in ("station", "platform", "instrument", "activity")}
    names = {key: [t["name"] for t in rows] for key, rows in tables.items()}
    lines = _span_errors(raw.get("span"))
    for key, all_names in names.items():
        for name in sorted({n for n in all_names if all_names.count(n) > 1}):
            lines.append(
                f'{key} "{name}": the name is used {all_names.count(name)} times; names must differ'
            )

    reserved = {sending_name(n, to) for n in names["platform"] for to in ("earth", "relay")}
    for name in sorted(reserved & set(names["activity"])):
        lines.append(f'activity "{name}": the name is kept for the radio; choose another')
    for row in tables["instrument"]:
        lines += _unknown(
            f'instrument "{row["name"]}".platform',
            row.get("platform"),
            names["platform"],
            "platform",
        )
    for row in tables["station"]:
        lines += _station_errors(row)
    for row in tables["platform"]:
        if row["name"] == "earth":
            lines.append('platform "earth": the name is kept for the Earth itself; choose another')
        lines += _radio_errors(row, tables)
        lines += _track_errors(row, raw.get("span"))
        lines += _level_errors(row)
    for row in tables["activity"]:
        where = f'activity "{row["name"]}"'
        lines += _unknown(
            f"{where}.instrument", row.get("instrument"), names["instrument"], "instrument"
        )
        for name in _list(row.get("not_with")):
            lines += _unknown(f"{where}.not_with", name, names["activity"], "activity")
        for after in _list(row.get("after")):
            if isinstance(after, dict):
                lines += _unknown(
                    f"{where}.after", after.get("activity"), names["activity"], "activity"
                )
        must, count = row.get("must", 0), row.get("count", 1)
        if isinstance(must, int) and isinstance(count, int) and must > count:
            lines.append(
                f"{where}.must = {must}: more runs are required than wanted "
                f"(count = {count}); allowed is 0 to {count}"
            )
    if len(tables["activity"]) > MOST_ACTIVITIES:
        return [
            *lines,
            f"activity: {len(tables['activity'])} are asked for; allowed are at most "
            f"{MOST_ACTIVITIES}",
        ]
    return lines + _order_cycles(tables["activity"])


def sending_name(platform: str, to: str) -> str:
    """The name under which a timeline lists when a platform may send."""
    return f"{platform} downlink" if to == "earth" else f"{platform} relay"


def _tables(raw: dict[str, Any], key: str) -> list[dict[str, Any]]:
    """The named tables; a single table where a list is due counts, its kind is told apart."""
    tables = [raw[key]] if isinstance(raw.get(key), dict) else _list(raw.get(key))
    return [t for t in tables if isinstance(t, dict) and isinstance(t.get("name"), str)]


def _list(value: Any) -> list:
    return list(value) if isinstance(value, list | tuple) else []


def _unknown(where: str, name: Any, known: list[str], what: str) -> list[str]:
    if not isinstance(name, str) or name in known:
        return []
    return [f'{where} = "{name}": no such {what}; {did_you_mean(name, known)}']


def _span_errors(span: Any) -> list[str]:
    if not isinstance(span, dict):
        return []
    start, end = (_instant(span.get(key)) for key in ("start_utc", "end_utc"))
    if start is None or end is None:
        return []
    if end <= start:
        return [f"span.end_utc = {stamp(end)}: must be after span.start_utc"]
    step = span.get("step_min", 15)
    if isinstance(step, int) and (end - start).total_seconds() < 60 * step:
        return [f"span: shorter than one step of {step} min"]
    if (end - start).days > 60:
        return [f"span: {(end - start).days} days long; allowed are at most 60"]
    return []


def _instant(value: Any) -> datetime | None:
    """The instant of a value, or None if it names none: the models tell that."""
    try:
        return in_utc(value) if isinstance(value, datetime) else instant_from(value)
    except (ValueError, TypeError):
        return None


def _radio_errors(platform: dict[str, Any], tables: dict[str, list]) -> list[str]:
    radio = platform.get("radio")
    if not isinstance(radio, dict):
        return []
    where = f'platform "{platform["name"]}".radio'
    rate, budget, to = radio.get("rate_kbps"), radio.get("budget"), radio.get("to", "earth")
    if (rate is None) == (budget is None):
        return [f"{where}: give either rate_kbps or a budget table"]
    others = [p for p in tables["platform"] if p["name"] != platform["name"]]
    lines = _unknown(f"{where}.to", to, ["earth"] + [p["name"] for p in others], "receiver")
    if to != "earth":
        relay = next((p for p in others if p["name"] == to), {})
        onward = relay.get("radio")
        if isinstance(onward, dict) and onward.get("to", "earth") != "earth":
            lines.append(f'{where}.to = "{to}": the relay must itself send to "earth"')
        if budget is not None:
            lines.append(f"{where}.budget: a relay needs rate_kbps; a budget is for Earth")
        if radio.get("handover_min", 0) != 0:
            lines.append(
                f"{where}.handover_min = {radio['handover_min']}: is for stations that "
                f'take over from one another; towards "{to}" allowed is 0'
            )
    elif budget is not None:
        lines += [
            f'station "{s["name"]}".g_over_t_db_k: is needed, since {where} works by a budget'
            for s in tables["station"]
            if s.get("g_over_t_db_k") is None
        ]
    return lines


def _station_errors(station: dict[str, Any]) -> list[str]:
    where = f'station "{station["name"]}"'
    lines = []
    if station.get("skyline") is not None and "mask_deg" in station:
        lines.append(f"{where}: give either mask_deg or a skyline file")
    noise, beam = (station.get(key) for key in ("system_temperature_k", "beam_width_deg"))
    if (noise is None) != (beam is None):
        lines.append(f"{where}: give both system_temperature_k and beam_width_deg, or neither")
    elif noise is not None and station.get("g_over_t_db_k") is None:
        lines.append(f"{where}.g_over_t_db_k: is needed beside system_temperature_k")
    return lines


def _track_errors(platform: dict[str, Any], span: Any) -> list[str]:
    """What keeps a range limit and a track from telling when the relay is in reach."""
    radio, track = platform.get("radio"), _list(platform.get("track"))
    where = f'platform "{platform["name"]}"'
    if not isinstance(radio, dict):
        return []
    limited = radio.get("range_limit_m") is not None
    if limited and radio.get("to", "earth") == "earth":
        return [f"{where}.radio.range_limit_m: is for a relay, not for Earth"]
    if limited != bool(track):
        return [f"{where}: give both radio.range_limit_m and a track, or neither"]
    times = [_instant(stay.get("from_utc")) for stay in track if isinstance(stay, dict)]
    if not times or None in times:
        return []
    lines = []
    if any(later <= earlier for earlier, later in zip(times, times[1:])):
        lines.append(f"{where}.track: from_utc must rise from stay to stay")
    start = _instant(span.get("start_utc")) if isinstance(span, dict) else None
    if start is not None and times[0] > start:
        lines.append(
            f"{where}.track: begins {stamp(times[0])}, after span.start_utc; say "
            "where the platform is from the start"
        )
    return lines


def _level_errors(platform: dict[str, Any]) -> list[str]:
    """Levels of battery and store that contradict each other."""
    where = f'platform "{platform["name"]}"'
    lines = []
    battery, store = platform.get("battery"), platform.get("store")
    if isinstance(battery, dict):
        reserve = battery.get("reserve")
        for key in ("start", "end"):
            level = battery.get(key)
            if _numbers(level, reserve) and 0 <= level < reserve <= 1:
                lines.append(
                    f"{where}.battery.{key} = {level}: below the reserve; allowed is {reserve} to 1"
                )
    if isinstance(store, dict):
        start, capacity = store.get("start_mbit"), store.get("capacity_mbit")
        if _numbers(start, capacity) and start > capacity > 0:
            lines.append(
                f"{where}.store.start_mbit = {start}: more than the store holds; "
                f"allowed is 0 to {capacity}"
            )
    return lines


def _numbers(*values: Any) -> bool:
    return all(isinstance(v, int | float) and not isinstance(v, bool) for v in values)


def _order_cycles(activities: list[dict[str, Any]]) -> list[str]:
    """Each ring of `after` once, named from its alphabetically first member."""
    before = {
        row["name"]: [a.get("activity") for a in _list(row.get("after")) if isinstance(a, dict)]
        for row in activities
    }
    rings = set()
    explored = set()

    def walk(name: str, path: tuple[str, ...]) -> None:
        if name in path:
            ring = path[path.index(name) :]
            turn = ring.index(min(ring))
            rings.add(ring[turn:] + ring[:turn])
        elif isinstance(name, str) and name not in explored:
            for earlier in before.get(name, []):
                walk(earlier, (*path, name))
            explored.add(name)

    for name in before:
        walk(name, ())
    return [
        f"activity.after: a ring of orders: {' after '.join((*r, r[0]))}; no run could be first"
        for r in sorted(rings)
    ]
