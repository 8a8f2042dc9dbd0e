"""Plans that differ clearly from a plan, at as little loss as a short search finds, and how so.

The search starts from the plan itself and likes no start that one of the others has.
"""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from threading import Event

import numpy as np
import pandas as pd

from obsplan.analysis.data_latency import latency_table
from obsplan.analysis.gain_from_more import booked_in_steps
from obsplan.analysis.missing_runs import scheduled_runs
from obsplan.common.errors import Infeasible
from obsplan.planning.as_good import as_good
from obsplan.planning.last_runs import with_last_runs
from obsplan.planning.minute_repair import valid_plan
from obsplan.planning.plan import Plan, value_of, valued_timeline
from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.definition import Problem, first_worths
from obsplan.planning.problem.pinned_runs import without_pins
from obsplan.planning.prompt_sending import sent_promptly
from obsplan.planning.reasons.fix_wording import Answer
from obsplan.planning.reasons.reason_wording import NotAnalysed
from obsplan.planning.reasons.unplaced import unplaced_table
from obsplan.planning.replayed import Replayed, replay_of
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
# What the last column names at most.
MOST_NAMED = 3


def alternative_plans(plan: Plan, count: int, least: float = LEAST_SHARE) -> list[Plan]:
    """Up to `count` plans that differ clearly from `plan` and from each other, in order of value.

    Each passes the replay and keeps all rules. Between any two, at least the share `least` of the
    slots differ (see `share_apart`); fewer plans are given if no more are found. Their bound is
    that of the plan. Raises ValueError for a replan.
    """
    if plan.now_utc is not None:
        raise ValueError("alternative_plans: this is a replan; allowed are plans of the whole span")
    found: list[Plan] = []
    for seed in range(count):
        others = [plan, *found]
        tried = (_unlike(plan, others, dislike, seed) for dislike in DISLIKES)
        clear = (
            made
            for made in tried
            if made is not None
            and all(share_apart(a, b) >= least for o in others for a, b in ((made, o), (o, made)))
        )
        if (made := next(clear, None)) is not None:
            found.append(made)
    return sorted(found, key=lambda other: -other.value)


def share_apart(one: Plan, other: Plan) -> float:
    """Share of the slots of `one` at whose time `other` has no slot of the same activity, 0..1."""
    apart = slots_apart(one, other)
    return float(apart.mean()) if len(apart) else 0.0


def slots_apart(one: Plan, other: Plan) -> pd.Series:
    """Which slots of `one`, by activity, overlap no slot of that activity in `other`."""
    names = {activity.name for activity in one.environment.scenario.activity}
    theirs = other.timeline
    apart, activities = [], []
    for slot in one.timeline[one.timeline["activity"].isin(names)].itertuples(index=False):
        same = theirs[theirs["activity"] == slot.activity]
        overlaps = (same["start_utc"] < slot.end_utc) & (slot.start_utc < same["end_utc"])
        apart.append(not overlaps.any())
        activities.append(slot.activity)
    return pd.Series(apart, index=activities, dtype=bool)


def alternatives_table(plans: Sequence[Plan]) -> pd.DataFrame:
    """The plans side by side, columns ALTERNATIVE_COLUMNS; the first is what others differ from.

    `loss_percent` of value and `differs_percent` of slots are against the first plan; the tightest
    margin is that of energy, power, storage or link with the least share left; the latency is the
    median over activities with data; a platform switches where a slot follows one of another
    activity; `what_differs` names the activities with most slots that differ, and how many.
    """
    rows = [(number, *_figures(plans[0], plan)) for number, plan in enumerate(plans, start=1)]
    return pd.DataFrame(rows, columns=list(ALTERNATIVE_COLUMNS))


def _unlike(plan: Plan, others: list[Plan], dislike: float, seed: int) -> Plan | None:
    """A plan found with the starts of others disliked; None if the replay accepts none."""
    booking = booked_in_steps(plan)
    problem = booking.problem
    start = booking.copy()
    start.problem = _disliking(problem, [booked_in_steps(other) for other in others], dislike)
    start.flow = start.simulate()
    better = list(ruin_and_recreate(start, Event(), seed, ROUNDS))
    best = (better[-1] if better else start).copy()
    best.problem = problem
    best.flow = best.simulate()
    replay = replay_of(plan.environment)
    try:
        made = valid_plan(plan.environment, problem, greedy_plan(problem, best), None, replay)
    except Infeasible:
        return None
    return _as_plan(plan, sent_promptly(with_last_runs(made, replay, tries=1), replay))


def _disliking(problem: Problem, others: list[Booking], dislike: float) -> Problem:
    """The problem in which a start costs `dislike` if another plan has a run at its time."""
    tasks_worth = zip(problem.tasks, first_worths(problem))
    values = [worth for task, worth in tasks_worth if task.count and task.starts.any()]
    cost, tasks = dislike * float(np.mean(values or [0.0])), []
    for i, task in enumerate(problem.tasks):
        preference = np.zeros(problem.steps)
        for start in (start for other in others for start in other.runs[i]):
            preference[max(0, start - task.length + 1) : start + task.length] = -cost
        tasks.append(replace(task, preference=preference))
    return replace(problem, tasks=tuple(tasks))


def _as_plan(plan: Plan, made: Replayed) -> Plan:
    booking = without_pins(made.booking)
    missing = {
        task.name: Answer(NotAnalysed("this is an alternative plan"), None)
        for i, task in enumerate(booking.problem.tasks)
        if booking.wanted(i) > 0
    }
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
    yield plan.as_good.switches if plan.as_good else np.nan
    apart = slots_apart(plan, first)
    most = apart.groupby(level=0).sum().sort_values(ascending=False, kind="stable")
    named = [f"{name} {count}" for name, count in most[most > 0].head(MOST_NAMED).items()]
    yield "; ".join(named)
