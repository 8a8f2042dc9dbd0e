"""What the runs that count in each future are worth, by themselves and to goals."""

from collections.abc import Sequence

import numpy as np

from obsplan.checking.goal_runs import bins_at, goal_bins_at
from obsplan.checking.slots import Run
from obsplan.environment.model import Environment
from obsplan.inputs.activity import Activity
from obsplan.inputs.goal import Goal


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
            sky_table = environment.sky_of(environment.scenario.platform_of(activity))
            bins = bins_at(sky_table, [coverage.over], [coverage.edges], start_min[:, own])
            many = len(coverage.edges) - 1
        for place in range(many):
            total += _worth(activity, (counts[:, own] & (bins == place)).sum(axis=1))
    return total


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
    bins = goal_bins_at(environment, goal, runs, start_min)
    there = []
    for group in goal.groups:
        of_group = counts & np.array([run.activity.name in group for run in runs], dtype=bool)
        in_bins = [(of_group & (bins == place)).sum(axis=1) for place in range(goal.bins)]
        there.append(np.stack(in_bins, axis=1))
    # A bin has another run once every activity has.
    return np.min(there, axis=0)
