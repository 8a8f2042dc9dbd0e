"""A plan for a scenario: solved in steps, replayed by the minute, then written as tables.

Only a plan in which the independent replay found no violation is returned.
"""

from collections.abc import Callable, Generator
from contextlib import closing, suppress
from dataclasses import dataclass, field
from datetime import datetime
from functools import partial
from threading import Event

import numpy as np
import pandas as pd

from obsplan.checking.check import Verdict
from obsplan.common.errors import Infeasible
from obsplan.common.interruption import interruptible
from obsplan.common.text import gap_text, proven, raised
from obsplan.environment.model import Environment
from obsplan.planning.as_good import AsGood, as_good, preferred
from obsplan.planning.counted_runs import (
    counted,
    value_of,
    valued_timeline,
    with_counted_runs,
    with_goals,
    worth_by,
)
from obsplan.planning.early_end import EarlyEnd
from obsplan.planning.last_runs import with_last_runs
from obsplan.planning.left_out.why import why_left_out
from obsplan.planning.minute_repair import lighter_plan, valid_plan
from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.definition import worth_of_all
from obsplan.planning.problem.finer_steps import finer_problems
from obsplan.planning.problem.from_scenario import build_problem
from obsplan.planning.problem.pinned_runs import without_pins
from obsplan.planning.problem.tolerances import TOLERANCE
from obsplan.planning.prompt_sending import sent_promptly
from obsplan.planning.reasons.audit import no_room_for_required_runs
from obsplan.planning.reasons.conflicts import find_conflict
from obsplan.planning.reasons.fix_wording import Answer
from obsplan.planning.reasons.idle_energy import why_not_idle
from obsplan.planning.reasons.permitting_changes import permitting_changes
from obsplan.planning.reasons.reason_wording import NotAnalysed
from obsplan.planning.reasons.unplaced import explain, unplaced_table
from obsplan.planning.replayed import Replayed, breaks_own_rules, judge_of, replay_of
from obsplan.planning.routed import Routed, routed
from obsplan.planning.search.exact import above, in_steps, is_small
from obsplan.planning.search.first_plan import NoPlaceFound, quick_plan
from obsplan.planning.search.strategy import Effort, Standing, better_plans, require_effort
from obsplan.planning.tie_breaks import spread_out, tidy_plans

Report = Callable[[str], None]


@dataclass(frozen=True)
class Plan:
    """A valid plan, and how good it is.

    environment: what it was made for. timeline: slots with the columns of timeline.csv.
    unplaced: activities with fewer runs than requested, with the reason. verdict: what the
    replay found (no violation), margins and resources. value: sum over all slots. bound:
    upper bound on the value of any plan on this time grid. interrupted: the search was
    stopped before its end, by hand or because patience ran out. now_utc: the instant from
    which on a replan may change things; None for a plan of the whole span. answers: the facts
    behind the words of `unplaced`, by activity. as_good: what decided between plans worth the
    same; None for a replan.
    """

    environment: Environment = field(repr=False)
    timeline: pd.DataFrame
    unplaced: pd.DataFrame
    verdict: Verdict
    value: float
    bound: float
    interrupted: bool = False
    now_utc: datetime | None = None
    answers: dict[str, Answer] = field(default_factory=dict, repr=False)
    as_good: AsGood | None = None

    @property
    def gap(self) -> float:
        """Upper bound on the gap to the optimum, as a share of the bound, 0..1."""
        return 1 - self.value / self.bound if self.bound > 0 else 0.0

    def _repr_html_(self) -> str:
        # Through the public names: the plan knows nothing of how it is drawn.
        import obsplan

        return obsplan.plan_html(self)


def make_plan(
    environment: Environment,
    gap: float = 0.01,
    report: Report = lambda line: None,
    effort: Effort = "normal",
    patience_s: float | None = None,
) -> Plan:
    """The best plan found for a scenario, within `gap` of the optimum if it can be.

    `effort` ("low", "normal", "high") limits the search in counts of work, so that the same
    input gives the same plan everywhere; `patience_s`, if given, ends search and explanations by
    the clock and says so. `report` hears of progress, a line at a time. Ctrl-C, once there is a
    first plan, ends the search with the best so far; TERM and HUP do the same to a command. Raises
    Infeasible if required runs cannot be placed or a platform cannot even idle through the
    span, ValueError for another effort.
    """
    require_effort(effort)
    end = EarlyEnd()
    with end.clock(patience_s):
        with interruptible():
            if why := why_not_idle(environment):
                raise Infeasible(*why.splitlines())
            if findings := no_room_for_required_runs(environment):
                raise Infeasible(*(finding.line for finding in findings))
            way = routed(environment, effort, end.stop, report)
            search = PlanSearch(way.environment, report, end, way)
        best = search.run(gap, effort)
        return search.plan(search.filled(best))


class PlanSearch:
    """A search with what is known of it by now: the best plan and the bounds.

    `bounds` gathers the upper bounds as soon as they are known, which depends on the clock;
    `bound` is the one that came with the last plan, which does not.
    """

    def __init__(
        self,
        environment: Environment,
        report: Report,
        end: EarlyEnd | None = None,
        way: Routed | None = None,
    ):
        self.environment = environment
        # Where rovers choose their way, the bound leaves out where they are.
        self.free = way.free if way else environment
        self.first = way.first if way else None
        self.chosen = way.chosen if way else None
        self.report = report
        self.end = end or EarlyEnd()
        self.problem = self.first.problem if self.first else build_problem(environment)
        self.relaxed = build_problem(self.free, relaxed=True)
        self.replay = replay_of(environment)
        self.judge = judge_of(environment, self.replay)
        self.best: Replayed | None = None
        self.requested_value = worth_of_all(self.relaxed)
        self.bounds: list[float] = []
        self.bound = np.inf
        self.end_is_told = False

    def run(self, gap: float, effort: Effort) -> Replayed:
        """The best plan found until within `gap` of the bound, `effort` is spent, or stopped.

        Raises Infeasible when no place is found for all required runs, KeyboardInterrupt
        when interrupted before there is a plan.
        """
        try:
            with (
                self.end.by_signal(),
                closing(self._plans(gap, effort, self.end.stop)) as plans,
            ):
                for booking, bound in plans:
                    self._take(booking, bound)
        except NoPlaceFound as failure:
            with interruptible():
                raise Infeasible(self._why_no_place(failure, self.end.expired)) from None
        self._tell_end()
        assert self.best is not None  # a search that yields no plan raises
        return self.best

    def filled(self, best: Replayed) -> Replayed:
        """The plan tidied, and filled with what then fits too, if the replay accepts that.

        Nothing is tried once patience ran out.
        """
        value, expired = best.booking.value(), self.end.expired
        try:
            with interruptible():
                if self.problem.goals:
                    best = with_counted_runs(self.environment, best, self.replay, expired)
                    value = self._told_as_counted(value, best)
                for booking in () if expired.is_set() else tidy_plans(best.booking):
                    tidy = Replayed(booking, self.replay(booking))
                    if tidy.verdict.is_valid and self._counts_as_much(tidy, best):
                        best = tidy
                        break
                hopeless = partial(breaks_own_rules, self.environment)
                fuller = with_last_runs(best, self.replay, expired, hopeless)
                best = fuller if self._counts_as_much(fuller, best) else best
                best = best if expired.is_set() else self._arranged(best)
                if best.booking.value() > value:
                    self.report(f"filled: {self._standing(best.booking)}")
        except KeyboardInterrupt:
            self.end.hear()
        self._tell_end()
        return Replayed(with_goals(best.booking, self.problem.goals), best.verdict)

    def _told_as_counted(self, value: float, best: Replayed) -> float:
        """What the plan is worth by what counts, told if that is less than its runs are."""
        if best.booking.value() < value - TOLERANCE:
            standing = self._standing(best.booking)
            self.report(f"without runs whose data would stay aboard: {standing}")
        return best.booking.value()

    def _arranged(self, plan: Replayed) -> Replayed:
        """The same runs as a flight team would rather have them (see `as_good`)."""
        worth = worth_by(self.environment, self.problem.goals)
        plan = sent_promptly(plan, self.replay, worth)
        booking = spread_out(plan.booking)
        spread = Replayed(booking, self.replay(booking))
        if not spread.verdict.is_valid or not self._counts_as_much(spread, plan):
            return plan
        return preferred([plan, sent_promptly(spread, self.replay, worth)])

    def _counts_as_much(self, changed: Replayed, plan: Replayed) -> bool:
        """Whether all data that goals want come home as in `plan`, if they are sent promptly."""
        if not self.problem.goals or changed is plan:
            return True
        goals = self.problem.goals
        prompt = sent_promptly(changed, self.replay, worth_by(self.environment, goals))
        worth = counted(self.environment, prompt, goals).value
        return worth >= plan.booking.value() - TOLERANCE

    def _tell_end(self) -> None:
        """Report once why the search was ended, if it was."""
        if self.end.reason and not self.end_is_told:
            self.end_is_told = True
            self.report(self.end.reason.value)

    def plan(self, best: Replayed) -> Plan:
        """The plan as tables, with the reasons of what is not in it."""
        booking, verdict = without_pins(best.booking), best.verdict
        interrupted = self.end.reason is not None
        timeline = valued_timeline(self.environment, booking, verdict)
        if any(booking.wanted(i) > 0 for i in range(len(booking.runs))):
            self.report("checking what would allow more runs ...")
        bounds = [self.bound, self.requested_value]
        # What is known by now depends on the clock, so it counts only if the search was stopped.
        if interrupted:
            bounds += self.bounds
        value, expired = value_of(best.booking, timeline), self.end.expired
        plan, of_stops = Replayed(booking, verdict), {}
        if self.chosen is not None:
            of_stops = why_left_out(self.chosen, plan, value, replay_of, expired)
        answers = explain(self.environment, booking, timeline, expired=expired, of_stops=of_stops)
        if untold := [name for name, a in answers.items() if isinstance(a.reason, NotAnalysed)]:
            self.report(f"what would allow more runs is left out for {', '.join(untold)}")
        return Plan(
            self.environment,
            timeline,
            unplaced_table(booking, answers),
            verdict,
            value,
            above(min(bounds), booking),
            interrupted,
            answers=answers,
            as_good=as_good(best),
        )

    def _plans(
        self, gap: float, effort: Effort, stop: Event
    ) -> Generator[tuple[Booking, float], None, None]:
        """Ever better plans, in a problem with enough in reserve for the replay to accept them."""
        lighter = partial(lighter_plan, replay=self.replay)
        yield from better_plans(
            self.problem,
            self.relaxed,
            gap,
            self.first,
            self.bounds.append,
            effort,
            stop,
            lighter,
            self._judged,
            finer_problems(self.free, self.relaxed),
            self._hear,
        )

    def _hear(self, line: str) -> None:
        """Report what the search tries, with what there is by now."""
        if self.best is not None and isinstance(line, Standing):
            line = Standing(f"{line}: {self._standing(self.best.booking)}")
        self.report(line)

    def _judged(self, booking: Booking) -> Booking | None:
        """A small problem's best plan as the replay accepts it; None if it does not.

        The first that it refuses is repaired, so that there is a plan while the search goes on.
        """
        accepted = self.judge(booking)
        if accepted is None and self.best is None and (plan := in_steps(booking)):
            with suppress(Infeasible):  # the next may need no repair
                self._take(plan, np.inf)
        return accepted

    def _take(self, booking: Booking, bound: float) -> None:
        """Keep a plan if it is the best; the first and the last are repaired for the replay.

        A plan is kept before it is reported, so that Ctrl-C meanwhile does not lose it.
        """
        self.bound = bound
        if np.isfinite(bound):
            self.bounds.append(bound)
        if self.best is None or np.isfinite(bound):
            self.best = valid_plan(self.environment, self.problem, booking, self.best)
            self.end.has_plan = True
            head = "plan" if np.isfinite(bound) else "first plan"
            standing = self._standing(self.best.booking)
            self.report(f"{head}: {standing}; {self.best.verdict.summary}")
            return
        verdict = self.replay(booking)
        if verdict.is_valid and booking.value() > self.best.booking.value():
            self.best = Replayed(booking, verdict)
            self.report(Standing(f"better: {self._standing(booking)}"))

    def _standing(self, booking: Booking) -> str:
        """The value, and an upper bound on the gap to the optimum, as known by now."""
        value, bound = booking.value(), min([self.requested_value, *self.bounds])
        if proven(value, bound):
            return f"value {value:.1f}, upper bound {raised(bound)}, gap 0.0 %"
        if not self.bounds:
            return f"value {value:.1f} of {raised(bound)} requested, no upper bound yet"
        gap = gap_text(value, bound)
        return f"value {value:.1f}, upper bound {raised(bound)}, gap {gap}"

    def _why_no_place(self, failure: NoPlaceFound, expired: Event) -> str:
        """Which rules conflict, or the required runs if that is not found; and what permits a plan.

        Nothing is tried once patience ran out.
        """
        if not expired.is_set():
            self.report("no place found for all required runs; checking which rules conflict ...")
        conflict = find_conflict(self.environment, expired)
        early = " before patience ran out" if expired.is_set() else ""
        why = str(conflict or f"no place found{early} for all required runs: {failure}")
        if expired.is_set():
            return why
        self.report("trying what would permit a plan ...")
        ways = conflict.ways if conflict else ()
        permitting = permitting_changes(self.environment, ways, partial(has_plan, stop=expired))
        return "; fix: ".join(filter(None, [why, str(permitting)]))


def has_plan(environment: Environment, stop: Event) -> bool:
    """Whether a plan is found quickly that the replay accepts; a large problem only greedily."""
    problem, quick = build_problem(environment), Event()
    if stop.is_set() or not is_small(problem):
        quick.set()
    try:
        booking = quick_plan(problem, quick)
        return valid_plan(environment, problem, booking, None).verdict.is_valid
    except (NoPlaceFound, Infeasible):
        return False
