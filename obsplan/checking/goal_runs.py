"""Which runs of a timeline count towards which goal, and from when on.

The bins are read from the minute in which a run starts, and the data from the minutes in which the
replay sends: nothing here knows how the planner counts.
"""

from collections.abc import Sequence
from math import inf
from typing import NamedTuple

import numpy as np
import pandas as pd

from obsplan.checking.condition_rules import in_turn
from obsplan.checking.reception import Sent, reception
from obsplan.checking.rules import counted_runs
from obsplan.checking.slots import Run, read_slots
from obsplan.environment.model import Environment
from obsplan.inputs.goal import STOP, Goal
from obsplan.inputs.placed import stop_number


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
        for place in [int(goal_bins_at(environment, goal, [run], np.array([run.first]))[0])]
        if place >= 0
    ]


def goal_bins_at(
    environment: Environment, goal: Goal, runs: Sequence[Run], minutes: np.ndarray
) -> np.ndarray:
    """The bin of a goal in which a start of each run at each minute (..., runs) lies, or -1."""
    stops = np.array([stop_number(goal, run.activity) for run in runs], dtype=int)
    bins = np.full(minutes.shape, -1)
    for name in {run.platform for run in runs}:
        own = np.array([run.platform == name for run in runs])
        where = environment.sky_of(name), goal.over, goal.axes
        bins[..., own] = bins_at(*where, minutes[..., own], stops[own])
    return bins


def bins_at(
    sky_table: pd.DataFrame,
    over: Sequence[str],
    edges: Sequence[Sequence[float]],
    minutes: np.ndarray,
    stops: np.ndarray | int = -1,
) -> np.ndarray:
    """The bin in which a start at each minute (any shape) lies, -1 outside all.

    `sky_table` is that of the platform which runs. In a grid of two quantities the second changes
    first. stops: the number of the stop of each.
    """
    inside = (minutes >= 0) & (minutes < len(sky_table))
    minutes, bins = np.where(inside, minutes, 0), np.where(inside, 0, -1)
    for key, own_edges in zip(over, edges):
        value = (
            np.broadcast_to(stops, minutes.shape)
            if key == STOP
            else minutes / 60
            if key == "span_h"
            else in_turn(key, own_edges, sky_table[key].to_numpy()[minutes])
        )
        own = np.searchsorted(own_edges, value, side="right") - 1
        is_in = (bins >= 0) & (own >= 0) & (own < len(own_edges) - 1)
        bins = np.where(is_in, bins * (len(own_edges) - 1) + own, -1)
    return np.asarray(bins)


def uncounted_slots(
    environment: Environment, slots: pd.DataFrame, resources: dict[str, pd.DataFrame]
) -> dict[str, frozenset[str]]:
    """Per goal, the slots in its bins that do not count, as their data stay aboard."""
    found: dict[str, set[str]] = {}
    for run in goal_runs(environment, slots, resources):
        if run.counts_min == inf:
            found.setdefault(run.goal, set()).add(run.slot)
    return {goal: frozenset(slots) for goal, slots in found.items()}
