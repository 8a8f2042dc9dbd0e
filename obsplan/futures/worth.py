"""What the runs that count in each future are worth, by themselves and to goals."""

from collections.abc import Sequence

import numpy as np

from obsplan.checking.slots import Run
from obsplan.environment.model import Environment
from obsplan.inputs.goal import Goal
from obsplan.inputs.scenario import Activity


def runs_value(
    environment: Environment, runs: Sequence[Run], counts: np.ndarray, start_min: np.ndarray
) -> np.ndarray:
    """Value (f,), without goals, of the runs that count (f, runs) and started then (f, runs).

    In a coverage bin the first run is worth the full value and each further one repeat_worth times
    the one before; a run outside all bins is worth nothing.
    """
    total = np.zeros(len(counts))
    for activity in environment.scenario.activity:
        own = [k for k, run in enumerate(runs) if run.activity.name == activity.name]
        if not own:
            continue
        bins, many = np.zeros((len(counts), len(own)), dtype=int), 1
        if (coverage := activity.coverage) is not None:
            bins = _bins(environment, coverage.over, coverage.edges, start_min[:, own])
            many = len(coverage.edges) - 1
        for place in range(many):
            total += _worth(activity, (counts[:, own] & (bins == place)).sum(axis=1))
    return total


def _bins(
    environment: Environment, key: str, edges: Sequence[float], start_min: np.ndarray
) -> np.ndarray:
    """The bin of a quantity in which each start lies, -1 outside all."""
    minute = np.clip(start_min, 0, len(environment.sky) - 1)
    hours = np.arange(len(environment.sky)) / 60.0
    quantity = hours if key == "span_h" else environment.sky[key].to_numpy(dtype=float)
    value = quantity[minute]
    place = np.searchsorted(np.array(edges), value, side="right") - 1
    return np.where(place < len(edges) - 1, place, -1)


def _worth(activity: Activity, runs: np.ndarray) -> np.ndarray:
    """Worth of so many runs in one bin."""
    worths = activity.value * activity.repeat_worth ** np.arange(runs.max(initial=0))
    return np.concatenate([[0.0], np.cumsum(worths)])[runs]


def goal_counts(
    environment: Environment,
    goal: Goal,
    runs: Sequence[Run],
    counts: np.ndarray,
    start_min: np.ndarray,
) -> np.ndarray:
    """How many runs (f, bins) each bin of a goal has, of those that count (f, runs)."""
    bins = np.zeros(counts.shape, dtype=int)
    for key, edges in zip(goal.over, goal.edges):
        own = _bins(environment, key, edges, start_min)
        bins = np.where((bins >= 0) & (own >= 0), bins * (len(edges) - 1) + own, -1)
    groups = [(name,) for name in goal.runs_of] if goal.together else [goal.runs_of]
    there = []
    for group in groups:
        of_group = counts & np.array([run.activity.name in group for run in runs], dtype=bool)
        in_bins = [(of_group & (bins == place)).sum(axis=1) for place in range(goal.bins)]
        there.append(np.stack(in_bins, axis=1))
    # A bin has another run once every activity has.
    return np.min(there, axis=0)


def goal_value(goal: Goal, there: np.ndarray) -> np.ndarray:
    """What so many runs (f, bins) are worth to a goal (f,)."""
    worth = goal.run_value * np.minimum(there, goal.runs_each).sum(axis=1)
    if (least := goal.minimum) is not None:
        most = np.sort(np.minimum(there, least.runs_each), axis=1)[:, ::-1][:, : least.bins]
        worth = worth + (goal.minimum_run_value - goal.run_value) * most.sum(axis=1)
    return np.asarray(worth, dtype=float)


def minimum_reached(goal: Goal, there: np.ndarray) -> np.ndarray:
    """In which futures (f,) the minimum of a goal that has one is there."""
    assert goal.minimum is not None
    return np.asarray((there >= goal.minimum.runs_each).sum(axis=1) >= goal.minimum.bins)


def all_reached(goal: Goal, there: np.ndarray) -> np.ndarray:
    """In which futures (f,) all that a goal requests is there."""
    return np.asarray((there >= goal.runs_each).all(axis=1))
