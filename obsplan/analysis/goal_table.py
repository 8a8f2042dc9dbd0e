"""Goals: what is reached, when, and what is missing and why."""

from collections.abc import Iterator
from math import inf
from typing import NamedTuple

import numpy as np
import pandas as pd

from obsplan.analysis.goal_columns import ALL_BINS, GOAL_COLUMNS
from obsplan.checking.goal_runs import GoalRun, goal_runs
from obsplan.checking.goal_worth import goal_value
from obsplan.environment.model import Environment
from obsplan.inputs.goal import Goal
from obsplan.inputs.placed import name_in_scenario
from obsplan.planning.plan import Plan
from obsplan.planning.problem.goal_bins import goal_bins
from obsplan.planning.problem.start_windows import start_mask
from obsplan.planning.reasons.goal_reach import Reach, reach_of, why_empty

# Rounding of minutes.
ROUNDING = 1e-9


class Counters(NamedTuple):
    """When the runs of a goal count: per bin, from which minute on it has one, two, ... runs.

    `reached` has the minutes that are finite, `planned` how many runs the bins have in all.
    """

    goal: Goal
    reached: list[list[float]]
    planned: list[int]

    def having(self, runs: int, place: int) -> float:
        """The minute from which on a bin has so many runs; inf if it never has."""
        times = self.reached[place]
        return times[runs - 1] if len(times) >= runs else inf

    @property
    def minimum_min(self) -> float:
        """The minute from which on the minimum counts; inf if it never does or there is none."""
        least = self.goal.minimum
        if least is None:
            return inf
        bins = range(self.goal.bins)
        return sorted(self.having(least.runs_each, place) for place in bins)[least.bins - 1]

    @property
    def minimum_bins(self) -> int:
        """How many bins have the runs of the minimum; no more than it needs."""
        least = self.goal.minimum
        if least is None:
            return 0
        have = sum(len(times) >= least.runs_each for times in self.reached)
        return min(have, least.bins)

    @property
    def complete_min(self) -> float:
        """The minute from which on all that is requested counts; inf if it never does."""
        return max(self.having(self.goal.runs_each, place) for place in range(self.goal.bins))

    def counted_by(self, minute: float) -> int:
        """How many of the requested runs count by a minute."""
        return sum(min(n, self.goal.runs_each) for n in self.there(minute))

    def there(self, minute: float) -> list[int]:
        """How many runs of each bin count by a minute."""
        return [sum(time <= minute + ROUNDING for time in times) for times in self.reached]

    def value_at(self, minute: float) -> float:
        """What the runs that count by a minute are worth."""
        return float(goal_value(self.goal, np.array([self.there(minute)]))[0])


def counters(plan: Plan) -> list[Counters]:
    """When the runs of each goal count, in the order of the scenario."""
    return goal_counters(plan.environment, plan.timeline, plan.verdict.resources)


def goal_counters(
    environment: Environment, slots: pd.DataFrame, resources: dict[str, pd.DataFrame]
) -> list[Counters]:
    """The same of slots, and the resources of the verdict on them."""
    runs = goal_runs(environment, slots, resources)
    return [
        _counters(goal, [run for run in runs if run.goal == goal.name])
        for goal in environment.scenario.goal
    ]


def _counters(goal: Goal, runs: list[GoalRun]) -> Counters:
    reached, planned = [], []
    for place in range(goal.bins):
        own = [
            sorted(run.counts_min for run in runs if run.bin == place and run.activity in group)
            for group in goal.groups
        ]
        # A bin has another run once every activity has.
        times = [max(each) for each in zip(*own)]
        planned.append(len(times))
        reached.append([time for time in times if time < inf])
    return Counters(goal, reached, planned)


def goal_table(plan: Plan) -> pd.DataFrame:
    """Every goal and every bin of it: columns `GOAL_COLUMNS`, in the order of the scenario."""
    rows = [row for each in counters(plan) for row in _rows(plan, each)]
    table = pd.DataFrame(rows, columns=GOAL_COLUMNS)
    for column in ("minimum_utc", "complete_utc"):
        table[column] = pd.to_datetime(table[column], utc=True).astype("datetime64[s, UTC]")
    return table.astype(dict.fromkeys(("value", "of_value"), float))


def goal_course(plan: Plan) -> pd.DataFrame:
    """The share of each goal's value that is reached, by minute of the span (UTC index)."""
    index = next(iter(plan.verdict.resources.values())).index
    columns = {}
    for each in counters(plan):
        times = sorted({time for bin_ in each.reached for time in bin_})
        worth = np.array([0.0, *(each.value_at(time) for time in times)])
        steps = np.searchsorted(times, np.arange(len(index)), side="right")
        columns[each.goal.name] = worth[steps] / each.goal.value if each.goal.value else 0.0
    return pd.DataFrame(columns, index=index)


def _rows(plan: Plan, each: Counters) -> Iterator[dict]:
    goal, scenario = each.goal, plan.environment.scenario
    now_min = 0.0 if plan.now_utc is None else scenario.minutes_of(plan.now_utc)
    open_ = _open_starts(plan, goal, int(now_min))
    reaches = reach_of(plan.environment, goal)

    def utc(minute: float) -> pd.Timestamp | None:
        return None if minute == inf else pd.Timestamp(scenario.instant_at(minute))

    bins = []
    for place, words in enumerate(goal.bin_words()):
        counted = min(len(each.reached[place]), goal.runs_each)
        missing, complete = goal.runs_each - counted, each.having(goal.runs_each, place)
        closed = [name for name in goal.runs_of if not open_[name][place]]
        shut = [r for r in reaches if r.place == place and r.activity in closed]
        # Of an activity at stops most have nothing to do with a bin.
        is_closed = any(all(name in closed for name in group) for group in goal.groups)
        least = goal.minimum.runs_each if goal.minimum else 0
        bins.append(
            {
                "goal": goal.name,
                "bin": words,
                "requested": goal.runs_each,
                "planned": min(each.planned[place], goal.runs_each),
                "counted": counted,
                "missing": missing,
                "state": _state(missing, complete <= now_min, is_closed),
                "minimum": f"{min(counted, least)} of {least}" if least else "",
                "minimum_utc": utc(each.having(least, place)) if least else None,
                "complete_utc": utc(complete),
                "why": _why(plan, each, place, closed, is_closed, shut) if missing else "",
            }
        )
    sums = pd.DataFrame(bins)[["requested", "planned", "counted", "missing"]].sum()
    states = [row["state"] for row in bins]
    worst = next(s for s in ("out of reach", "short", "planned", "reached") if s in states)
    if worst in ("out of reach", "short") and each.minimum_min < inf:
        worst = "minimum"
    yield {
        "goal": goal.name,
        "bin": ALL_BINS,
        **sums.to_dict(),
        "state": worst,
        "minimum": f"{each.minimum_bins} of {goal.minimum.bins} bins" if goal.minimum else "",
        "minimum_utc": utc(each.minimum_min),
        "complete_utc": utc(each.complete_min),
        "value": each.value_at(inf),
        "of_value": goal.value,
        "why": "",
    }
    yield from bins


def _state(missing: int, is_reached: bool, is_closed: bool) -> str:
    if not missing:
        return "reached" if is_reached else "planned"
    return "out of reach" if is_closed else "short"


def _open_starts(plan: Plan, goal: Goal, now_min: int) -> dict[str, np.ndarray]:
    """How many permitted starts each activity of a goal has in each bin (bins,) from now on."""
    environment = plan.environment
    scenario = environment.scenario
    first = -(-now_min // scenario.span.step_min)
    found = {}
    for name in goal.runs_of:
        activity = scenario.activity_named(name)
        bins = goal_bins(environment, goal, activity)
        open_ = start_mask(environment, activity) & (np.arange(scenario.steps) >= first)
        found[name] = np.bincount(bins[open_ & (bins >= 0)], minlength=goal.bins)
    return found


def _why(
    plan: Plan,
    each: Counters,
    place: int,
    closed: list[str],
    is_closed: bool,
    reaches: list[Reach],
) -> str:
    """Why runs are missing in a bin, in words; `reaches` are those of the `closed` activities."""
    goal = each.goal
    if is_closed:
        left = "" if plan.now_utc is None else " is left"
        known = plan.environment.scenario.activity_named
        names = dict.fromkeys(name_in_scenario(known(name)) for name in closed)
        told = "" if left else why_empty(plan.environment, reaches)
        return f"no permitted start of {' or '.join(names)}{left}{told and f': {told}'}"
    aboard = min(each.planned[place], goal.runs_each) - min(
        len(each.reached[place]), goal.runs_each
    )
    reasons = [f"data of {aboard} still aboard at the end"] if aboard > 0 else []
    if each.planned[place] < goal.runs_each:
        reasons += [
            f"{name}: {plan.answers[name].reason}"
            for name in goal.runs_of
            if name in plan.answers and name not in closed
        ]
    return "; ".join(reasons)
