"""Plans that differ clearly from a plan, at as little loss as a short search finds, and how so.

The search starts from the plan itself and likes no start that one of the others has.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from functools import partial
from threading import Event
from typing import NamedTuple

import numpy as np
import pandas as pd

from obsplan.analysis.data_latency import latency_table
from obsplan.analysis.gain_from_more import booked_in_steps
from obsplan.analysis.missing_runs import scheduled_runs
from obsplan.common.errors import Infeasible
from obsplan.planning.as_good import as_good
from obsplan.planning.counted_runs import value_of, valued_timeline
from obsplan.planning.last_runs import with_last_runs
from obsplan.planning.minute_repair import valid_plan
from obsplan.planning.plan import Plan
from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.definition import Problem, mean_worth
from obsplan.planning.problem.pinned_runs import without_pins
from obsplan.planning.prompt_sending import sent_promptly
from obsplan.planning.reasons.fix_wording import Answer
from obsplan.planning.reasons.reason_wording import NotAnalysed
from obsplan.planning.reasons.unplaced import unplaced_table
from obsplan.planning.replayed import Replay, Replayed, replay_of
from obsplan.planning.search.greedy import greedy_plan
from obsplan.planning.search.ruin_and_recreate import ruin_and_recreate

ALTERNATIVE_COLUMNS = (
    "plan",
    "value",
    "loss_percent",
    "runs",
    "differs_percent",
    "tightest_margin",
    "tightest_percent",
    "median_latency_h",
    "switches",
    "what_differs",
)
# Plans differ clearly if this share of the slots of each is where the other has none of them.
LEAST_SHARE = 0.3
# More plans side by side would be too many to look at.
MOST_PLANS = 5
# What a start of another plan costs the search, as shares of the mean run's value: the least that
# makes a plan differ clearly counts.
DISLIKES = (0.1, 0.3, 1.0)
ROUNDS = 40
ALTERNATIVE = "this is an alternative plan"
# What the last column names at most.
MOST_NAMED = 3


class Basis(NamedTuple):
    """What alternatives of a plan are made from.

    booking: the plan in steps. replay: what judges them. as_plan: how one becomes a plan.
    """

    booking: Booking
    replay: Replay
    as_plan: Callable[[Replayed], Plan]


def alternative_plans(plan: Plan, count: int, least: float = LEAST_SHARE) -> list[Plan]:
    """Up to `count` plans that differ clearly from `plan` and from each other, in order of value.

    Each passes the replay and keeps all rules. Between any two, at least the share `least` of the
    slots differ (see `share_apart`); fewer plans are given if no more are found. Their bound is
    that of the plan. Raises ValueError for a replan, which has `alternative_replans`.
    """
    if plan.now_utc is not None:
        raise ValueError("alternative_plans: this is a replan; use alternative_replans")
    basis = Basis(booked_in_steps(plan), replay_of(plan.environment), partial(plan_like, plan))
    return plans_apart(plan, basis, count, least)


def plans_apart(plan: Plan, basis: Basis, count: int, least: float) -> list[Plan]:
    """Up to `count` plans that differ from `plan` and each other by `least`, in order of value."""
    found, bookings = [plan], [basis.booking]
    for seed in range(count):
        for dislike in DISLIKES:
            unlike = _unlike(plan, basis, bookings, dislike, seed)
            if unlike is None:
                continue
            made = basis.as_plan(unlike)
            pairs = [pair for other in found for pair in ((made, other), (other, made))]
            if all(share_apart(a, b) >= least for a, b in pairs):
                found.append(made)
                bookings.append(unlike.booking)
                break
    return sorted(found[1:], key=lambda other: -other.value)


def share_apart(one: Plan, other: Plan) -> float:
    """Share of the slots of `one` at whose time `other` has no slot of the same activity, 0..1.

    Of a replan those count that start from its time on.
    """
    apart = slots_apart(one, other).to_numpy()
    if one.now_utc is not None:
        apart = apart[_runs(one)["start_utc"] >= one.now_utc]
    return float(apart.mean()) if len(apart) else 0.0


def slots_apart(one: Plan, other: Plan) -> pd.Series:
    """Which slots of `one`, by activity, overlap no slot of that activity in `other`."""
    theirs = other.timeline
    apart, activities = [], []
    for slot in _runs(one).itertuples(index=False):
        same = theirs[theirs["activity"] == slot.activity]
        overlaps = (same["start_utc"] < slot.end_utc) & (slot.start_utc < same["end_utc"])
        apart.append(not overlaps.any())
        activities.append(slot.activity)
    return pd.Series(apart, index=activities, dtype=bool)


def _runs(plan: Plan) -> pd.DataFrame:
    """The rows of the timeline that are no transmit windows."""
    names = {activity.name for activity in plan.environment.scenario.activity}
    return plan.timeline[plan.timeline["activity"].isin(names)]


def alternatives_table(plans: Sequence[Plan]) -> pd.DataFrame:
    """The plans side by side, columns ALTERNATIVE_COLUMNS; the first is what others differ from.

    `loss_percent` of value and `differs_percent` of slots are against the first plan; the tightest
    margin is that of energy, power, storage or link with the least share left; the latency is the
    median over activities with data; a platform switches where a slot follows one of another
    activity; `what_differs` names the activities with most slots that differ, and how many.
    """
    rows = [(number, *_figures(plans[0], plan)) for number, plan in enumerate(plans, start=1)]
    return pd.DataFrame(rows, columns=list(ALTERNATIVE_COLUMNS))


def _unlike(
    plan: Plan, basis: Basis, others: list[Booking], dislike: float, seed: int
) -> Replayed | None:
    """A plan found with the starts of others disliked; None if the replay accepts none."""
    problem, start = basis.booking.problem, basis.booking.copy()
    start.problem = _disliking(problem, others, dislike)
    start.flow = start.simulate()
    better = list(ruin_and_recreate(start, Event(), seed, ROUNDS))
    best = (better[-1] if better else start).copy()
    best.problem = problem
    best.flow = best.simulate()
    try:
        filled = greedy_plan(problem, best)
        made = valid_plan(plan.environment, problem, filled, None, basis.replay)
    except Infeasible:
        return None
    return sent_promptly(with_last_runs(made, basis.replay, tries=1), basis.replay)


def _disliking(problem: Problem, others: list[Booking], dislike: float) -> Problem:
    """The problem in which a start costs `dislike` if another plan has a run at its time."""
    cost, tasks = dislike * mean_worth(problem), []
    for i, task in enumerate(problem.tasks):
        preference = np.zeros(problem.steps)
        for start in (start for other in others for start in other.runs[i]):
            preference[max(0, start - task.length + 1) : start + task.length] = -cost
        tasks.append(replace(task, preference=preference))
    return replace(problem, tasks=tuple(tasks))


def unanalysed(booking: Booking, why: str = ALTERNATIVE) -> dict[str, Answer]:
    """The answers for what an alternative plan leaves out, which is not analysed: `why`."""
    return {
        task.name: Answer(NotAnalysed(why), None)
        for i, task in enumerate(booking.problem.tasks)
        if booking.wanted(i) > 0
    }


def plan_like(plan: Plan, made: Replayed, why: str = ALTERNATIVE) -> Plan:
    """Another plan of the same scenario; `why` what it leaves out is not analysed."""
    booking = without_pins(made.booking)
    missing = unanalysed(booking, why)
    timeline = valued_timeline(plan.environment, booking, made.verdict)
    return replace(
        plan,
        timeline=timeline,
        unplaced=unplaced_table(booking, missing),
        verdict=made.verdict,
        value=value_of(made.booking, timeline),
        answers=missing,
        as_good=as_good(made),
    )


def _figures(first: Plan, plan: Plan) -> Iterator:
    """The cells of a row, after the number of the plan."""
    yield plan.value
    yield 100 * (1 - plan.value / first.value) if first.value else 0.0
    yield sum(scheduled_runs(plan).values())
    yield 100 * share_apart(plan, first)
    margins = plan.verdict.margins
    margins = margins[(margins["room"] > 0) & margins["unit"].isin(["W", "Wh", "Mbit"])]
    shares = 100 * margins["amount"] / margins["room"]
    tightest = margins.loc[shares.idxmin()] if len(margins) else None
    yield "" if tightest is None else f"{tightest['margin']}, {tightest['where']}"
    yield float(shares.min()) if len(margins) else np.nan
    yield float(latency_table(plan)["median_h"].median())
    yield _switches(plan)
    apart = slots_apart(plan, first)
    most = apart.groupby(level=0).sum().sort_values(ascending=False, kind="stable")
    named = [f"{name} {count}" for name, count in most[most > 0].head(MOST_NAMED).items()]
    yield "; ".join(named)


def _switches(plan: Plan) -> int:
    """How often a platform goes on to another activity."""
    orders = (list(own["activity"]) for _, own in _runs(plan).groupby("platform"))
    return sum(a != b for order in orders for a, b in zip(order, order[1:]))
