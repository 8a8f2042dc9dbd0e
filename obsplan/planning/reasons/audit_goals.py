"""What can be said of goals before any plan is made: bins that no run can reach or fill."""

from collections.abc import Iterator

import numpy as np

from obsplan.environment.model import Environment
from obsplan.inputs.goal import Goal
from obsplan.planning.problem.goal_bins import goal_bins
from obsplan.planning.problem.start_windows import room_for, start_mask
from obsplan.planning.reasons.finding import Finding, Severity

# Bins that a finding names.
MOST_NAMED = 3


def goal_findings(environment: Environment) -> Iterator[Finding]:
    """A finding for each goal with bins that no start reaches, or that hold too little."""
    for goal in environment.scenario.goal:
        rooms, where = bin_rooms(environment, goal), f'goal "{goal.name}"'
        least = goal.minimum
        able = int((rooms >= least.runs_each).sum()) if least else 0
        if least and able < least.bins:
            runs = "a run" if least.runs_each == 1 else f"{least.runs_each} runs"
            yield Finding(
                Severity.WARNING,
                where,
                f"its minimum cannot be reached: {able} of its bins have room for {runs}, it needs "
                f"{least.bins}",
                "other edges, a smaller minimum, or wider conditions of its activities",
            )
        if empty := [words for words, room in zip(goal.bin_words(), rooms) if not room]:
            named = "; ".join(empty[:MOST_NAMED])
            more = f" and {len(empty) - MOST_NAMED} more" if empty[MOST_NAMED:] else ""
            yield Finding(
                Severity.WARNING,
                where,
                f"no permitted start reaches {len(empty)} of its {goal.bins} bins: {named}{more}",
                "other edges, or wider conditions of its activities",
            )


def bin_rooms(environment: Environment, goal: Goal) -> np.ndarray:
    """How many runs each bin (bins,) has room for at most, each activity by itself.

    If they count together, what the activity with the least room has.
    """
    scenario, rooms = environment.scenario, np.zeros((len(goal.groups), goal.bins))
    group_of = {name: k for k, names in enumerate(goal.groups) for name in names}
    for name in goal.runs_of:
        activity = scenario.activity_named(name)
        starts, bins = start_mask(environment, activity), goal_bins(environment, goal, activity)
        spacing = -(-(scenario.slot_min(activity) + activity.gap_min) // scenario.span.step_min)
        rooms[group_of[name]] += [
            room_for(starts & (bins == place), spacing) for place in range(goal.bins)
        ]
    return np.asarray(rooms.min(axis=0), dtype=int)
