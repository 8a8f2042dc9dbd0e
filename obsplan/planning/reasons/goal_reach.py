"""Which bins of goals runs can reach at all, and what keeps them out of the others.

A bin may never occur in the span, as a phase of the Earth that no month has; or it occurs only
while a condition is not met, as a phase at which the Sun is too near, or the Earth behind the Moon.
"""

from collections.abc import Iterable, Iterator
from typing import NamedTuple

import numpy as np
import pandas as pd

from obsplan.common.text import number_text
from obsplan.environment.model import Environment
from obsplan.inputs.activity import Activity
from obsplan.inputs.conditions import QUANTITIES, range_text, requested
from obsplan.inputs.goal import STOP, Goal
from obsplan.inputs.placed import name_in_scenario
from obsplan.planning.problem.goal_bins import goal_bins
from obsplan.planning.problem.start_windows import condition_words, start_masks

REACH_COLUMNS = ["goal", "bin", "activity", "offered_h", "permitted_h", "kept_out_by", "why"]
# A bin occurs, but the data of no run in it can be on Earth within the span.
TOO_LATE = "data on Earth"


class KeptOut(NamedTuple):
    """A condition that starts in a bin do not meet.

    key: that of `start_masks`. words: what it asks for. share: of the starts in the bin that do not
    meet it. low, high: least and greatest value of its quantity at those starts, if it has one.
    """

    key: str
    words: str
    share: float
    low: float = np.nan
    high: float = np.nan

    def __str__(self) -> str:
        if np.isnan(self.low):
            return self.words
        low, high = (number_text(round(value, 1)) for value in (self.low, self.high))
        there = f"only {low}" if low == high else f"{low} to {high}"
        return f"{self.words} (there it is {there})"


class Reach(NamedTuple):
    """What an activity can reach of a bin of a goal.

    place: the number of the bin. offered_h: hours of the span in whose steps a slot could start, by
    the quantities of the bin alone; permitted_h: in which one may. kept_out: conditions that some
    of the starts do not meet, those that most do not first.
    """

    goal: Goal
    place: int
    activity: str
    offered_h: float
    permitted_h: float
    kept_out: tuple[KeptOut, ...]

    @property
    def alone(self) -> tuple[KeptOut, ...]:
        """The conditions that no start in the bin meets."""
        return tuple(each for each in self.kept_out if each.share == 1.0)


def goal_reach(environment: Environment) -> pd.DataFrame:
    """What each activity can reach of each bin of the goals: columns `REACH_COLUMNS`.

    `offered_h`: hours of the span in which the quantities are in the bin; `permitted_h`: those in
    which a run of the activity may start; `kept_out_by`: keys of the conditions that no start in
    the bin meets, if none is permitted; `why`: the same in words, "" if one is.
    """
    rows = [
        (
            each.goal.name,
            each.goal.bin_words()[each.place],
            each.activity,
            each.offered_h,
            each.permitted_h,
            "" if each.permitted_h else " ".join(kept.key for kept in each.alone),
            "" if each.permitted_h else why_empty(environment, [each]),
        )
        for goal in environment.scenario.goal
        for each in reach_of(environment, goal)
    ]
    return pd.DataFrame(rows, columns=REACH_COLUMNS)


def reach_of(environment: Environment, goal: Goal) -> list[Reach]:
    """What each activity of a goal can reach of each bin, bin by bin."""
    each = [list(_reach(environment, goal, name)) for name in goal.runs_of]
    return [reach for of_bin in zip(*each) for reach in of_bin]


def _reach(environment: Environment, goal: Goal, name: str) -> Iterator[Reach]:
    scenario = environment.scenario
    activity = scenario.activity_named(name)
    step_h = scenario.span.step_min / 60
    masks = start_masks(environment, activity)
    in_time = masks.pop("span")
    # By the quantities alone, and by when the data can be on Earth too.
    bins = goal_bins(environment, goal.model_copy(update={"counted": "done"}), activity)
    counted = goal_bins(environment, goal, activity)
    words = condition_words(scenario, activity)
    values = _values(environment, activity)
    masks[TOO_LATE] = counted == bins
    for place in range(goal.bins):
        offered = in_time & (bins == place)
        many, permitted, kept_out = int(offered.sum()), offered.copy(), []
        for key, mask in masks.items():
            permitted &= mask
            if missing := int((offered & ~mask).sum()):
                at = values[key][offered] if key in values else np.array([np.nan])
                reach = float(at.min()), float(at.max())
                kept_out.append(KeptOut(key, words.get(key, key), missing / many, *reach))
        kept_out.sort(key=lambda each: -each.share)
        hours = many * step_h, int(permitted.sum()) * step_h
        yield Reach(goal, place, name, *hours, tuple(kept_out))


def _values(environment: Environment, activity: Activity) -> dict[str, np.ndarray]:
    """The quantities of the activity's ranges at the starts of all steps, by condition."""
    scenario = environment.scenario
    table = environment.sky_of(scenario.platform_of(activity))
    starts = slice(0, scenario.steps * scenario.span.step_min, scenario.span.step_min)
    return {
        condition.key: table[column].to_numpy(dtype=float)[starts]
        for condition, _, column, allowed, _ in requested(activity.when)
        if not isinstance(allowed, bool)
    }


def why_empty(environment: Environment, reaches: Iterable[Reach]) -> str:
    """Why no run may start in bins that are empty for the same reasons, in words."""
    told: dict[str, list[Reach]] = {}
    named = environment.scenario.activity_named
    for each in reaches:
        told.setdefault(name_in_scenario(named(each.activity)), []).append(each)
    parts = []
    for name, bins in told.items():
        if not any(each.offered_h for each in bins):
            parts.append(_never(environment, bins))
            continue
        needs = [_together(kept) for kept in _by_key(each.alone for each in bins)]
        if needs:
            parts.append(f'"{name}" needs {" and ".join(map(str, needs))}')
            continue
        shares = ", ".join(
            f"{kept.words} (not at {100 * kept.share:.0f} % of the starts)"
            for kept in max(bins, key=lambda each: each.offered_h).kept_out
        )
        parts.append(f'"{name}" needs all at once: {shares}')
    return "; ".join(dict.fromkeys(parts))


def _by_key(conditions: Iterable[tuple[KeptOut, ...]]) -> list[list[KeptOut]]:
    """The conditions of several bins, those of one key together."""
    found: dict[str, list[KeptOut]] = {}
    for each in conditions:
        for kept in each:
            found.setdefault(kept.key, []).append(kept)
    return list(found.values())


def _together(kept: list[KeptOut]) -> KeptOut:
    """One condition of several bins."""
    low, high = min(each.low for each in kept), max(each.high for each in kept)
    return kept[0]._replace(low=low, high=high)


def _never(environment: Environment, bins: list[Reach]) -> str:
    """That bins never occur, with what their quantities are in the span."""
    goal, scenario = bins[0].goal, environment.scenario
    table = environment.sky_of(scenario.platform_of(scenario.activity_named(bins[0].activity)))
    ranges = []
    for key in goal.over:
        if key in table:
            quantity, values = QUANTITIES[key], table[key].to_numpy(dtype=float)
            low, high = round(float(values.min()), 1), round(float(values.max()), 1)
            ranges.append(f"{quantity.words} is {range_text(low, high)}{quantity.suffix}")
    what = "at its stop it never occurs" if STOP in goal.over else "it never occurs in the span"
    return f"{what}: {', '.join(ranges)}" if ranges else what
