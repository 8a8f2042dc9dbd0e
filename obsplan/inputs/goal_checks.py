"""Checks across the tables of a scenario about goals, and what goals request of activities."""

from collections.abc import Iterator
from math import ceil
from typing import Any

from pydantic import ValidationError

from obsplan.common.text import did_you_mean, number_text, shortened
from obsplan.inputs.error_text import shown
from obsplan.inputs.goal import MOST_BINS, STOP, Goal
from obsplan.inputs.stop import ALL_STOPS

MOST_GOALS = 100
MOST_RUNS = 2000  # of one activity

Table = dict[str, Any]


def with_requests_of_goals(raw: Table) -> Table:
    """The file as parsed, in which goals give their activities a count and a value of 0.

    An activity that has them keeps its own.
    """
    raw = _with_stops(raw)
    requested: dict[str, int] = {}
    for goal in filter(None, map(_valid, _tables(raw.get("goal")))):
        # An activity at stops has as many runs at each as a goal wants there.
        runs = goal.runs // max(1, len(goal.stops)) if STOP in goal.over else goal.runs
        for name in set(goal.runs_of):
            requested[name] = min(MOST_RUNS, requested.get(name, 0) + runs)
    activities = raw.get("activity")
    if not isinstance(activities, list):
        return raw
    filled = [
        {"count": requested[row["name"]], "value": 0.0} | row
        if isinstance(row, dict) and _text(row.get("name")) in requested
        else row
        for row in activities
    ]
    return raw | {"activity": filled}


def _with_stops(raw: Table) -> Table:
    """The file as parsed, in which goals over stops name those at which their activities may be."""
    stops = [row["name"] for row in _tables(raw.get("stop")) if _text(row.get("name"))]
    places: dict[str, set[str]] = {}
    for row in _tables(raw.get("activity")):
        at = _listed(row.get("at"))
        places[_text(row.get("name"))] = set(stops) if ALL_STOPS in at else set(map(str, at))
    if not stops or not isinstance(raw.get("goal"), list | dict):
        return raw
    goals = [
        {"stops": [s for s in stops if any(s in places.get(_text(n), ()) for n in named)]} | row
        if STOP in _listed(row.get("over")) and (named := _listed(row.get("runs_of")))
        else row
        for row in _tables(raw.get("goal"))
    ]
    return raw | {"goal": goals}


def goal_errors(goals: list[Table], activities: list[Table]) -> Iterator[str]:
    """One line for every unknown name in a goal and every contradiction."""
    names = [row["name"] for row in activities]
    for row in goals:
        where = f'goal "{shortened(row["name"])}"'
        named = row.get("runs_of")
        found: list[str] = []
        for name in named if isinstance(named, list | tuple) else ():
            if isinstance(name, str) and name not in names:
                yield f"{where}.runs_of = {shown(name)}: no such activity; " + did_you_mean(
                    name, names
                )
            elif name in found:
                yield f"{where}.runs_of = {shown(name)}: named twice"
            found.append(name)
        if (goal := _valid(row)) is not None:
            yield from _contradictions(where, goal)
    if len(goals) > MOST_GOALS:
        yield f"goal: there are {len(goals)}; at most {MOST_GOALS} are allowed"


def _contradictions(where: str, goal: Goal) -> Iterator[str]:
    if not goal.runs_of:
        yield f"{where}.runs_of: must name at least one activity"
    numbered = [key for key in goal.over if key != STOP]
    if STOP in goal.over and not goal.stops:
        yield f'{where}.over: none of its activities is at a stop; give one an "at"'
        return
    if goal.stops and STOP not in goal.over:
        yield f'{where}.stops: needs over = "stop"'
    if len(numbered) != len(goal.edges):
        many = len(numbered)
        wanted = ("needs over, the quantity", "give one list of edges", "give two lists of edges")
        yield (
            f"{where}.edges: {wanted[many]}, not {len(goal.edges)}"
            if many
            else f"{where}.edges: {wanted[0]}"
        )
        return
    for key, edges in zip(numbered, goal.edges):
        if key == "local_time_h" and not 0 <= edges[0] < edges[-1] <= 24:
            yield f"{where}.edges: local_time_h is from 0 to 24 h; allowed are edges within that"
    if goal.bins > MOST_BINS:
        yield f"{where}.edges: {goal.bins} bins; at most {MOST_BINS} are allowed"
    if goal.together and len(goal.runs_of) < 2:
        yield f"{where}.together: needs at least two activities in runs_of"
    if goal.minimum is None:
        if goal.minimum_value is not None:
            yield f"{where}.minimum_value: needs a minimum"
        if goal.required == "minimum":
            yield f'{where}.required = "minimum": needs a minimum'
        return
    if goal.minimum.bins > goal.bins:
        yield f"{where}.minimum.bins = {goal.minimum.bins}: allowed is 1 to {goal.bins}, its bins"
    if goal.minimum.runs_each > goal.runs_each:
        yield (
            f"{where}.minimum.runs_each = {goal.minimum.runs_each}: more than is requested; "
            f"allowed is 1 to {goal.runs_each}, its runs_each"
        )
    elif goal.minimum.bins <= goal.bins and goal.minimum_value is not None:
        yield from _worth_errors(where, goal)


def _worth_errors(where: str, goal: Goal) -> Iterator[str]:
    assert goal.minimum_value is not None
    given = f"{where}.minimum_value = {number_text(goal.minimum_value)}"
    if goal.minimum_value > goal.value:
        yield f"{given}: more than the whole goal; allowed is up to {number_text(goal.value)}"
    elif goal.minimum_runs == goal.runs and goal.minimum_value < goal.value:
        yield (
            f"{given}: the minimum is all that is requested; allowed is "
            f"{number_text(goal.value)}, its value"
        )
    elif goal.minimum_run_value < goal.run_value:
        least = ceil(100 * goal.value * goal.minimum_runs / goal.runs) / 100
        yield (
            f"{where}.minimum_value = {goal.minimum_value:g}: a run would be worth more after the "
            f"minimum than before; allowed is {number_text(least)} to {number_text(goal.value)}"
        )


def _valid(row: Table) -> Goal | None:
    """The goal, None if its table has mistakes that the model reports."""
    try:
        return Goal.model_validate(row)
    except ValidationError:
        return None


def _tables(value: Any) -> list[Table]:
    rows = value if isinstance(value, list | tuple) else [value]
    return [row for row in rows if isinstance(row, dict)]


def _listed(value: Any) -> list[Any]:
    return [value] if isinstance(value, str) else list(value) if _is_list(value) else []


def _is_list(value: Any) -> bool:
    return isinstance(value, list | tuple)


def _text(value: Any) -> str:
    return value if isinstance(value, str) else ""
