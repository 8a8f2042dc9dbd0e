"""What can be said of goals before any plan is made: bins that no run can reach or fill."""

from collections.abc import Iterator

import numpy as np

from obsplan.environment.model import Environment
from obsplan.inputs.goal import Goal
from obsplan.planning.problem.goal_bins import goal_bins
from obsplan.planning.problem.start_windows import room_for, start_mask
from obsplan.planning.reasons.finding import Finding, Severity
from obsplan.planning.reasons.goal_reach import Reach, reach_of, why_empty

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
                Severity.INFEASIBLE if goal.required == "minimum" else Severity.WARNING,
                where,
                f"its minimum cannot be reached: {able} of its bins have room for {runs}, it needs "
                f"{least.bins}",
                "other edges, a smaller minimum, or wider conditions of its activities",
            )
        yield from _empty_bins(environment, goal, rooms)


def _empty_bins(environment: Environment, goal: Goal, rooms: np.ndarray) -> Iterator[Finding]:
    """A finding for all bins that are empty for the same reasons."""
    words = goal.bin_words()
    reaches: dict[int, list[Reach]] = {}
    for each in reach_of(environment, goal) if not rooms.all() else ():
        if not rooms[each.place] and not each.permitted_h:
            reaches.setdefault(each.place, []).append(each)
    alike: dict[tuple, list[int]] = {}
    for place, several in reaches.items():
        reasons = ((r.activity, r.offered_h > 0, *(k.key for k in r.alone)) for r in several)
        alike.setdefault(tuple(reasons), []).append(place)
    for places in alike.values():
        named = "; ".join(words[place] for place in places[:MOST_NAMED])
        more = f" and {len(places) - MOST_NAMED} more" if places[MOST_NAMED:] else ""
        why = why_empty(environment, [each for place in places for each in reaches[place]])
        many = f"{len(places)} of its {goal.bins} bins"
        yield Finding(
            Severity.WARNING,
            f'goal "{goal.name}"',
            f"no permitted start reaches {many}: {named}{more}: {why}",
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
