"""Which runs of a timeline count towards which goal, and from when on.

The bins are read from the minute in which a run starts, and the data from the minutes in which the
replay sends: nothing here knows how the planner counts.
"""

from bisect import bisect_right
from math import inf
from typing import NamedTuple

import numpy as np
import pandas as pd

from obsplan.checking.reception import Sent, reception
from obsplan.checking.rules import counted_runs
from obsplan.checking.slots import Run, read_slots
from obsplan.environment.model import Environment
from obsplan.inputs.goal import Goal


class GoalRun(NamedTuple):
    """A run in a bin of a goal, which counts from `counts_min` of the span on; inf if never."""

    goal: str
    bin: int
    slot: str
    activity: str
    counts_min: float


def goal_runs(
    environment: Environment, slots: pd.DataFrame, resources: dict[str, pd.DataFrame]
) -> list[GoalRun]:
    """The runs that start in a bin of a goal that they serve, in order of goal and start.

    `slots` is a timeline and `resources` those of its verdict. A run that failed or cannot run
    counts for nothing, nor does one that was cut short before its first datum.
    """
    scenario = environment.scenario
    if not scenario.goal:
        return []
    runs, _ = read_slots(scenario, slots)
    runs = counted_runs(environment, runs)
    sent = {
        name: Sent(table["sent_mbit"].to_numpy(), table["stored_mbit"].to_numpy())
        for name, table in resources.items()
    }
    received = [each.received_min for each in reception(environment, runs, sent)]
    return [
        GoalRun(
            goal.name,
            place,
            run.slot,
            run.activity.name,
            run.end_min if goal.counted == "done" else on_earth,
        )
        for goal in scenario.goal
        for run, on_earth in zip(runs, received)
        if run.activity.name in goal.runs_of
        for place in [bin_of(environment, goal, run)]
        if place >= 0
    ]


def bin_of(environment: Environment, goal: Goal, run: Run) -> int:
    """The bin of a goal in which a run starts, -1 if none; in a grid the second changes first."""
    place = 0
    for key, edges in zip(goal.over, goal.edges):
        minute = run.first
        if not 0 <= minute < len(environment.sky):
            return -1
        value = minute / 60 if key == "span_h" else float(environment.sky[key].iloc[minute])
        own = bisect_right(edges, value) - 1
        if np.isnan(value) or not 0 <= own < len(edges) - 1:
            return -1
        place = place * (len(edges) - 1) + own
    return place


def uncounted_slots(
    environment: Environment, slots: pd.DataFrame, resources: dict[str, pd.DataFrame]
) -> dict[str, frozenset[str]]:
    """Per goal, the slots in its bins that do not count, as their data stay aboard."""
    found: dict[str, set[str]] = {}
    for run in goal_runs(environment, slots, resources):
        if run.counts_min == inf:
            found.setdefault(run.goal, set()).add(run.slot)
    return {goal: frozenset(slots) for goal, slots in found.items()}
