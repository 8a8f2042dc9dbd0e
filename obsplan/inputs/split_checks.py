"""Checks of activities whose runs are made in pieces."""

from collections.abc import Iterator
from typing import Any

from obsplan.common.text import shortened
from obsplan.inputs.error_text import shown

MOST_RUNS = 2000


def split_errors(activities: list[dict[str, Any]], goals: list[dict[str, Any]]) -> Iterator[str]:
    """One line for each activity whose runs cannot be in pieces as it is asked."""
    for row in activities:
        split, duration, count = (row.get(k, 1) for k in ("split_min", "duration_min", "count"))
        if not all(isinstance(n, int) and n > 0 for n in (split, duration, count)):
            continue
        if "split_min" not in row:
            continue
        name = row["name"]
        where = f'activity "{shortened(name)}".split_min = {split}'
        if split > duration:
            yield f"{where}: longer than the run; allowed is 1 to {duration}, the duration_min"
        if count * (duration // split) > MOST_RUNS:
            yield f"{where}: makes more than {MOST_RUNS} pieces; allowed are longer pieces"
        if row.get("repeat_worth", 1) == 0 and count > 1:
            yield f"{where}: with repeat_worth = 0 no further piece has a worth; leave one out"
        for other in activities:
            orders = other.get("after")
            orders = orders if isinstance(orders, list | tuple) else []
            if any(isinstance(o, dict) and o.get("activity") == name for o in orders):
                yield (
                    f"{where}: {shown(other['name'])} comes after it, and a piece is no whole run; "
                    "leave one out"
                )
        named = (goal.get("runs_of") for goal in goals)
        if any(name in names for names in named if isinstance(names, list | tuple)):
            yield f"{where}: a goal counts its runs, and a piece is no whole run; leave one out"
