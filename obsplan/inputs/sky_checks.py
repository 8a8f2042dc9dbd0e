"""Checks across the tables of a scenario: who has which quantities of the sky, and its bins."""

from collections.abc import Iterator
from typing import Any

from obsplan.common.text import shortened
from obsplan.inputs.conditions import QUANTITIES
from obsplan.inputs.error_text import shown

Table = dict[str, Any]
# Longest step with a platform in orbit, whose night and contacts last some tens of minutes.
MOST_STEP_MIN = 5


def sky_errors(
    platforms: list[Table],
    instruments: list[Table],
    activities: list[Table],
    goals: list[Table],
    span: Any,
) -> Iterator[str]:
    """One line for every quantity that an activity or a goal asks of a platform without it, for
    bins of longitudes that go round more than once, and for steps too long for an orbit."""
    flying = {p["name"] for p in platforms if p.get("kind") == "orbiter"}
    landed = {p["name"] for p in platforms} - flying
    carriers = {row["name"]: row.get("platform") for row in instruments}
    on: dict[str, str] = {}
    for row in activities:
        instrument = row.get("instrument")
        platform = carriers.get(instrument) if isinstance(instrument, str) else None
        if isinstance(platform, str) and platform in flying | landed:
            on[row["name"]] = platform
    for row in activities:
        where, platform = f'activity "{shortened(row["name"])}"', on.get(row["name"])
        when, coverage = row.get("when"), row.get("coverage")
        over = coverage.get("over") if isinstance(coverage, dict) else None
        edges = coverage.get("edges") if isinstance(coverage, dict) else None
        for key in _told(when) if platform else ():
            yield from _lacking(f"{where}.when.{key}", key, platform, flying)
        if isinstance(over, str) and platform:
            yield from _lacking(f"{where}.coverage.over = {shown(over)}", over, platform, flying)
        yield from _edge_errors(f"{where}.coverage.edges", over, edges)
    for row in platforms:
        drive = row.get("drive")
        when = drive.get("when") if isinstance(drive, dict) else None
        for key in _told(when) if row["name"] in landed else ():
            where = f'platform "{shortened(row["name"])}".drive.when.{key}'
            yield from _lacking(where, key, row["name"], flying)
    for row in goals:
        yield from _goal_errors(f'goal "{shortened(row["name"])}"', row, on, flying)
    yield from _step_errors(span, flying)


def _told(when: Any) -> list[str]:
    """The conditions that a table sets."""
    table = when if isinstance(when, dict) else {}
    return [key for key, value in table.items() if value is not None]


def _goal_errors(where: str, goal: Table, on: dict[str, str], flying: set[str]) -> Iterator[str]:
    over, edges, names = goal.get("over"), goal.get("edges"), goal.get("runs_of")
    keys = [over] if isinstance(over, str) else over if isinstance(over, list | tuple) else []
    for key in keys:
        told: set[str] = set()
        for name in names if isinstance(names, list | tuple) else ():
            platform = on.get(name) if isinstance(name, str) else None
            if platform and platform not in told:
                told.add(platform)
                yield from _lacking(f"{where}.over = {shown(key)}", key, platform, flying)
    if not isinstance(edges, list | tuple):
        return
    rows = edges if all(isinstance(row, list | tuple) for row in edges) else [edges]
    for key, row in zip([key for key in keys if key != "stop"], rows):
        yield from _edge_errors(f"{where}.edges", key, row)


def _lacking(where: str, key: Any, platform: str | None, flying: set[str]) -> Iterator[str]:
    quantity = QUANTITIES.get(key) if isinstance(key, str) else None
    only = quantity.only if quantity else ""
    if only == "orbit" and platform not in flying:
        yield f"{where}: only platforms in orbit have it; platform {shown(platform)} is none"
    elif only == "ground" and platform in flying:
        yield f"{where}: only platforms at the site have it; {shown(platform)} is in orbit"


def _edge_errors(where: str, key: Any, edges: Any) -> Iterator[str]:
    """Edges of longitudes within one turn."""
    if key != "earth_longitude_deg" or not isinstance(edges, list | tuple) or len(edges) < 2:
        return
    first, last = edges[0], edges[-1]
    if not all(isinstance(e, int | float) and not isinstance(e, bool) for e in (first, last)):
        return
    if not (-360 <= first < last <= 360 and last - first <= 360):
        yield (
            f"{where}: earth_longitude_deg starts again after 360 deg; allowed are edges from -360 "
            "to 360 that go round once at most"
        )


def _step_errors(span: Any, flying: set[str]) -> Iterator[str]:
    step_min = span.get("step_min", 15) if isinstance(span, dict) else None
    if flying and isinstance(step_min, int) and step_min > MOST_STEP_MIN:
        yield (
            f"span.step_min = {step_min}: too long for platform {shown(min(flying))}, whose night "
            f"and contacts come with every orbit; allowed is 1 to {MOST_STEP_MIN}"
        )
