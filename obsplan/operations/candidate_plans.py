"""Candidate plans of a replan: the old plan repaired, then better ones.

The search first prefers the old starts strongly, then only as a tie-break, then moderately.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import cached_property, partial
from threading import Event
from typing import NamedTuple

import numpy as np
import pandas as pd

from obsplan.checking.check import Verdict, check_timeline
from obsplan.checking.required_goals import REQUIRED_GOAL
from obsplan.checking.resource_rules import RESOURCE_RULES
from obsplan.checking.trials import AMOUNT_SLACK
from obsplan.checking.violation import Violation
from obsplan.environment.model import Environment
from obsplan.inputs.scenario import Scenario
from obsplan.operations.old_plan_repair import repaired
from obsplan.planning.minute_repair import lighter_plan, tightened_problem, valid_plan
from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.definition import Problem, first_worths, mean_worth
from obsplan.planning.replayed import Replayed, remembered
from obsplan.planning.search.compiled import compiling
from obsplan.planning.search.first_plan import NoPlaceFound, quick_plan, required_runs
from obsplan.planning.search.ruin_and_recreate import ruin_and_recreate
from obsplan.planning.search.strategy import Effort, better_plans

# Bonus of an old start in the search, as a share of the mean run's value.
STRONG, TIE_BREAK, MODERATE = 0.5, 0.01, 0.2
# Calls of ruin and recreate that make the most of the plan they are given.
SEED, ROUNDS, COOL = 0, 100, 0.03
# Prefix of the ids of fixed slots, and of no others, while candidates are replayed.
FIXED_MARK = "="


class GivenUp(NamedTuple):
    """Activities whose required runs, and goals whose required minimum, no longer fit."""

    activities: frozenset[str] = frozenset()
    goals: frozenset[str] = frozenset()


@dataclass(frozen=True)
class Situation:
    """What every candidate is replayed with.

    fixed: the fixed slots (see `fixed_slots`). unavoidable: what they break by themselves.
    given_up: what is required and no longer fits.
    """

    environment: Environment
    fixed: pd.DataFrame
    unavoidable: tuple[Violation, ...]
    given_up: "GivenUp"

    def replay(self, booking: Booking) -> Verdict:
        """The verdict on the fixed slots and `booking`, without what is unavoidable."""
        verdict = self.whole_verdict(booking)
        avoidable = tuple(v for v in verdict.found if not self._is_unavoidable(v))
        return replace(verdict, found=avoidable)

    def whole_verdict(self, booking: Booking) -> Verdict:
        """The verdict on the fixed slots and `booking`."""
        return self._verdict_on(self.environment.scenario, booking)

    @cached_property
    def _verdict_on(self) -> Callable[[Scenario, Booking], Verdict]:
        def check(rows: pd.DataFrame) -> Verdict:
            slots = with_fixed(self.fixed, rows)
            return check_timeline(self.environment, slots, fixes=False, keep_margins=True)

        return remembered(check)

    def _is_unavoidable(self, violation: Violation) -> bool:
        """Whether the fixed slots break the same rule by themselves, no less and for as long."""
        if violation.rule in ("must", "pin"):
            return violation.activity in self.given_up.activities
        if violation.rule == REQUIRED_GOAL:
            return violation.goal in self.given_up.goals
        same = [
            known
            for known in self.unavoidable
            if (known.rule, known.platform, known.activity)
            == (violation.rule, violation.platform, violation.activity)
        ]
        if violation.rule == "order":
            return any(_too_early(known) == _too_early(violation) for known in same)
        if violation.slots and violation.rule not in RESOURCE_RULES:
            return any(known.slots == violation.slots for known in same)
        return any(
            known.time_utc <= violation.time_utc
            and self._last_step(violation) <= self._last_step(known)
            and known.amount >= violation.amount - AMOUNT_SLACK
            for known in same
        )

    def _last_step(self, violation: Violation) -> int:
        """The step in which a limit is kept again, since a plan resolves no less."""
        scenario = self.environment.scenario
        end_utc = violation.until_utc or violation.time_utc
        return int(scenario.minutes_of(end_utc) // scenario.span.step_min)


def _too_early(order: Violation) -> tuple[str, ...]:
    """Ids of the runs that start too early; the run they come after, if any, is named first."""
    return order.slots[1:] if order.unit == "min" else order.slots


def with_fixed(fixed: pd.DataFrame, rows: pd.DataFrame) -> pd.DataFrame:
    """Fixed slots and planned rows as one table of slots, each with an id of its own."""
    marked = fixed[["slot", "activity", "start_utc", "end_utc", "state"]]
    marked = marked.assign(slot=FIXED_MARK + marked["slot"].astype(str))
    return pd.concat([marked, rows.assign(state="planned")], ignore_index=True)


def candidate_plans(
    situation: Situation,
    problem: Problem,
    relaxed: Problem,
    old: list[list[int]],
    gap: float,
    effort: Effort,
    stop: Event,
) -> Iterator[tuple[Booking, float]]:
    """Valid plans from now on, beginning with the old one repaired.

    `old` holds the old starts per task. With each plan comes an upper bound on the value of
    any; it is infinite until the search has one. `gap` and `effort` limit the search for new
    plans (see `better_plans`); once `stop` is set, it ends soon after the first plan.
    """
    environment, replay = situation.environment, situation.replay
    process = compiling()
    tight, booking = tightened_problem(
        environment, problem, replay, lambda problem: repaired(problem, old)
    )
    best = valid_plan(environment, problem, booking or repaired(problem, old), None, replay)
    yield best.booking, np.inf
    first_booking = best.booking
    process.wait(stop)
    improved = _improved(first_booking, _preferring(tight, old, STRONG), stop)
    if (verdict := replay(improved)).is_valid:
        best = max(best, Replayed(improved, verdict), key=lambda plan: plan.booking.value())
        yield improved, np.inf
    if stop.is_set():
        return
    weakly = _preferring(tight, old, TIE_BREAK)
    found = _new_plans(situation, weakly, relaxed, first_booking, gap, effort, stop)
    last, bound = found[-1]
    # What the replay accepts may be worth more than the last plan once that is repaired.
    for plan, _ in sorted(found, key=lambda plan: plan[0].value(), reverse=True):
        if plan.value() > best.booking.value() and (verdict := replay(plan)).is_valid:
            best = Replayed(plan, verdict)
            break
    best = valid_plan(environment, problem, last, best, replay)
    yield best.booking, bound
    if best.booking is improved or stop.is_set():
        return  # an improved old plan already prefers the old starts more strongly
    moderate = _improved(best.booking, _preferring(tight, old, MODERATE), stop)
    if replay(moderate).is_valid:
        yield moderate, bound


def _new_plans(
    situation: Situation,
    problem: Problem,
    relaxed: Problem,
    repaired_plan: Booking,
    gap: float,
    effort: Effort,
    stop: Event,
) -> list[tuple[Booking, float]]:
    """Plans made from scratch, and their bounds.

    The old plan may be far from the best that is possible now.
    """
    try:
        start = quick_plan(problem, stop)
    except NoPlaceFound:
        # The repaired plan has places for required runs that greedy construction does not find.
        start = repaired_plan.copy()
        start.problem = problem
    lighter = partial(lighter_plan, replay=situation.replay)
    plans = better_plans(problem, relaxed, gap, start, effort=effort, stop=stop, lighter=lighter)
    return list(plans)


def _improved(booking: Booking, problem: Problem, stop: Event) -> Booking:
    """`booking` improved a little, in a `problem` that prefers some starts."""
    incumbent = booking.copy()
    incumbent.problem = problem
    incumbent.flow = incumbent.simulate()
    if incumbent.flow.short:
        return incumbent
    better = list(ruin_and_recreate(incumbent, stop, SEED, ROUNDS, COOL))
    return better[-1] if better else incumbent


def _preferring(problem: Problem, old: list[list[int]], share: float) -> Problem:
    """The problem in which an old start counts `share` of the mean run's value on top."""
    extra, tasks = share * mean_worth(problem), []
    for task, starts in zip(problem.tasks, old):
        preference = np.zeros(problem.steps)
        preference[starts] = extra
        tasks.append(replace(task, preference=preference))
    return replace(problem, tasks=tuple(tasks))


def without_impossible_runs(
    problem: Problem, relaxed: Problem, old: list[list[int]]
) -> tuple[Problem, Problem, GivenUp]:
    """Both problems without what is required and no longer fits, and what that is."""
    given_up: dict[int, int] = {}
    goals_given_up: list[str] = []

    def eased(problem: Problem) -> Problem:
        tasks = (replace(t, must=t.must - given_up.get(i, 0)) for i, t in enumerate(problem.tasks))
        goals = (
            replace(goal, required=goal.required and goal.name not in goals_given_up)
            for goal in problem.goals
        )
        return replace(problem, tasks=tuple(tasks), goals=tuple(goals))

    while True:
        asked = eased(problem)
        try:
            if required_runs(asked):
                repaired(asked, old)
            names = frozenset(problem.tasks[i].name for i in given_up)
            return asked, eased(relaxed), GivenUp(names, frozenset(goals_given_up))
        except NoPlaceFound:
            required = [(i, t) for i, t in enumerate(asked.tasks) if t.must]
            # Unless a run has no start left, goals go first, of these what is worth least.
            goals = [goal for goal in asked.goals if goal.required]
            if goals and all(task.starts.any() for _, task in required):
                least_goal = min(goals, key=lambda g: (g.bonus + g.run_value, g.name))
                goals_given_up.append(least_goal.name)
                continue
            # First what has no start left at all, then what is worth least, a run at a time.
            worth = first_worths(problem)
            i, least = min(
                required, key=lambda r: (bool(r[1].starts.any()), worth[r[0]], r[1].name)
            )
            lost = 1 if least.starts.any() else least.must
            given_up[i] = given_up.get(i, 0) + lost


def old_starts(scenario: Scenario, problem: Problem, movable: pd.DataFrame) -> list[list[int]]:
    """Per task, the steps at which the old plan starts runs that are on the time grid."""
    step = scenario.span.step_min
    names = [task.name for task in problem.tasks]
    starts: list[list[int]] = [[] for _ in names]
    for name, minute in zip(movable["activity"], scenario.minutes_of(movable["start_utc"])):
        if minute % step == 0 and 0 <= minute < problem.steps * step:
            at = int(minute // step)
            pins = (i for i, t in enumerate(problem.tasks) if t.pinned and t.name == name)
            pinned = next((i for i in pins if problem.tasks[i].starts[at]), None)
            starts[names.index(name) if pinned is None else pinned].append(at)
    return starts
