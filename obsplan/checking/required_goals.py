"""The rule of required goals: no timeline is valid without their minimum."""

from collections.abc import Iterator, Sequence
from math import inf

import numpy as np

from obsplan.checking.goal_runs import goal_bins_at
from obsplan.checking.goal_worth import minimum_reached
from obsplan.checking.reception import Received
from obsplan.checking.slots import Run
from obsplan.checking.violation import Violation
from obsplan.environment.model import Environment
from obsplan.inputs.goal import Goal

REQUIRED_GOAL = "required goal"


def required(environment: Environment) -> list[Goal]:
    """The goals whose minimum is required."""
    return [goal for goal in environment.scenario.goal if goal.required == "minimum"]


def missed_minimums(
    environment: Environment, runs: list[Run], received: Sequence[Received], minutes: int
) -> Iterator[Violation]:
    """Required minimums that the counted `runs` do not reach by the end of the span.

    `received` says when their data are on Earth; it is asked only if a goal counts that.
    """
    for goal in required(environment):
        least = goal.minimum
        assert least is not None  # read_scenario requires it
        counts = np.ones(len(runs), dtype=bool)
        if goal.counted == "received":
            counts = np.array([each.received_min < inf for each in received], dtype=bool)
        starts_min = np.array([run.first for run in runs])
        bins = goal_bins_at(environment, goal, runs, starts_min)
        there = np.array(
            [
                np.bincount(
                    [b for b, c, r in zip(bins, counts, runs) if c and b >= 0 and serves(r, names)],
                    minlength=goal.bins,
                )
                for names in goal.groups
            ]
        ).min(axis=0)
        if minimum_reached(goal, there[None])[0]:
            continue
        able = int((there >= least.runs_each).sum())
        many = "a run" if least.runs_each == 1 else f"{least.runs_each} runs"
        how = "on Earth" if goal.counted == "received" else "done"
        yield Violation(
            REQUIRED_GOAL,
            environment.scenario.instant_at(minutes),
            float(least.bins - able),
            "bin",
            f'goal "{goal.name}" requires its minimum: {able} of its bins have {many} {how} by the '
            f"end of the span, {least.bins} are required",
            goal=goal.name,
        )


def serves(run: Run, names: Sequence[str]) -> bool:
    """Whether a run is of one of these activities."""
    return run.activity.name in names
