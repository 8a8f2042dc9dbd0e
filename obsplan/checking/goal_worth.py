"""What counted runs are worth to a goal, for any number of cases at once."""

import numpy as np

from obsplan.inputs.goal import Goal


def goal_value(goal: Goal, there: np.ndarray) -> np.ndarray:
    """What so many runs (cases, bins) are worth to a goal (cases,).

    Of the runs of the minimum those in the bins that have most of them count.
    """
    worth = goal.run_value * np.minimum(there, goal.runs_each).sum(axis=1)
    if (least := goal.minimum) is not None:
        most = np.sort(np.minimum(there, least.runs_each), axis=1)[:, ::-1][:, : least.bins]
        worth = worth + (goal.minimum_run_value - goal.run_value) * most.sum(axis=1)
    return np.asarray(worth, dtype=float)


def minimum_reached(goal: Goal, there: np.ndarray) -> np.ndarray:
    """In which cases (cases,) the minimum of a goal that has one is there."""
    assert goal.minimum is not None
    return np.asarray((there >= goal.minimum.runs_each).sum(axis=1) >= goal.minimum.bins)


def all_reached(goal: Goal, there: np.ndarray) -> np.ndarray:
    """In which cases (cases,) all that a goal requests is there."""
    return np.asarray((there >= goal.runs_each).all(axis=1))
