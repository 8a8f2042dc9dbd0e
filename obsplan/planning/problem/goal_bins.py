"""The bins of goals: where in them each start of each activity counts."""

from collections.abc import Iterator

import numpy as np

from obsplan.environment.model import Environment
from obsplan.inputs.activity import Activity
from obsplan.inputs.goal import STOP
from obsplan.inputs.goal import Goal as GoalTable
from obsplan.inputs.placed import stop_number
from obsplan.planning.problem.decisions import earliest_received_min
from obsplan.planning.problem.goals import Goal
from obsplan.planning.problem.start_windows import bins_at, step_minutes


def goals_of(environment: Environment) -> Iterator[Goal]:
    """The goals of a scenario, as counters of its activities."""
    scenario = environment.scenario
    for goal in scenario.goal:
        group_of = {name: k for k, names in enumerate(goal.groups) for name in names}
        group = np.array([group_of.get(a.name, -1) for a in scenario.activity], dtype=int)
        bins = np.full((len(scenario.activity), scenario.steps), -1)
        for i, activity in enumerate(scenario.activity):
            if group[i] >= 0:
                bins[i] = goal_bins(environment, goal, activity)
        minimum = goal.minimum
        yield Goal(
            name=goal.name,
            bins=bins,
            group=group,
            held=np.zeros((len(goal.groups), goal.bins), dtype=int),
            runs_each=goal.runs_each,
            minimum_bins=minimum.bins if minimum else 0,
            minimum_runs=minimum.runs_each if minimum else 0,
            run_value=goal.run_value,
            bonus=goal.minimum_run_value - goal.run_value if minimum else 0.0,
            required=goal.required == "minimum",
        )


def goal_bins(environment: Environment, goal: GoalTable, activity: Activity) -> np.ndarray:
    """The bin (steps,) in which a run of `activity` counts, by its start; -1 if it does not.

    If it counts when its data are received, those of a start must be able to reach Earth within the
    span.
    """
    return _bins_at(environment, goal, activity, step_minutes(environment))


def bin_at(environment: Environment, goal: Goal, task: int, activity: Activity, minute: int) -> int:
    """The bin in which a run of `task` counts that starts in a minute, on the grid or not."""
    step, late = divmod(minute, environment.scenario.span.step_min)
    if not late and 0 <= step < goal.bins.shape[1]:
        return int(goal.bins[task, step])
    table = next(each for each in environment.scenario.goal if each.name == goal.name)
    if goal.group[task] < 0 or not 0 <= minute < len(environment.sky):
        return -1
    return int(_bins_at(environment, table, activity, np.array([minute]))[0])


def _bins_at(
    environment: Environment, goal: GoalTable, activity: Activity, minutes: np.ndarray
) -> np.ndarray:
    scenario = environment.scenario
    bins = np.zeros(len(minutes), dtype=int)
    sky_table = environment.sky_of(scenario.platform_of(activity))
    for key, edges in zip(goal.over, goal.axes):
        own = (
            np.full(len(minutes), stop_number(goal, activity))
            if key == STOP
            else bins_at(sky_table, key, edges, minutes)
        )
        bins = np.where((bins >= 0) & (own >= 0), bins * (len(edges) - 1) + own, -1)
    if goal.counted == "received" and activity.data_mbit > 0:
        received = earliest_received_min(environment, activity, minutes)
        bins[received > scenario.steps * scenario.span.step_min] = -1
    return bins
