"""A plan for a scenario: solved in steps, replayed by the minute, then written as tables.

A plan leaves this room only after the independent replay has found no broken rule.
"""

from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass, field
from datetime import datetime
from functools import partial
from threading import Event, Timer

import numpy as np
import pandas as pd

from obsplan.checking.check import Verdict, check_timeline
from obsplan.common.errors import Infeasible
from obsplan.common.text import raised
from obsplan.environment.model import Environment
from obsplan.planning.minute_repair import holding, lighter, replayed
from obsplan.planning.problem.booking import Booking, plan_value
from obsplan.planning.problem.definition import worth_of_all
from obsplan.planning.problem.from_scenario import build_problem
from obsplan.planning.problem.timeline_table import plan_slots, timeline_table
from obsplan.planning.reasons.audit import no_room_for_required_runs
from obsplan.planning.reasons.conflicts import find_conflict
from obsplan.planning.reasons.idle_energy import why_not_idle
from obsplan.planning.reasons.unplaced import unplaced
from obsplan.planning.search.exact import above, is_small
from obsplan.planning.search.first_plan import quick_plan
from obsplan.planning.search.strategy import better_plans
from obsplan.planning.search.tie_breaks import tidy_plans

Report = Callable[[str], None]


@dataclass(frozen=True)
class Plan:
    """A plan that holds, and how good it is.

    environment: what it was made for. timeline: slots with the columns of timeline.csv.
    unplaced: activities that wanted more runs than they got, with the reason. verdict: what
    the replay found (nothing broken), margins and resources. value: worth of all slots;
    bound: no plan on this grid of steps can be worth more. interrupted: the search was
    stopped before its end, by hand or because patience ran out. now_utc: the instant from
    which on a replan may change things; None for a plan of the whole span.
    """

    environment: Environment = field(repr=False)
    timeline: pd.DataFrame
    unplaced: pd.DataFrame
    verdict: Verdict
    value: float
    bound: float
    interrupted: bool = False
    now_utc: datetime | None = None

    @property
    def gap(self) -> float:
        """Share of the bound that might still be missing, 0..1."""
        return 1 - self.value / self.bound if self.bound > 0 else 0.0


def make_plan(
    environment: Environment,
    gap: float = 0.01,
    report: Report = lambda line: None,
    effort: str = "normal",
    patience_s: float | None = None,
) -> Plan:
    """The best plan found for `scenario`, within `gap` of the best possible if it can be.

    `effort` ("low", "normal", "high") limits the search in counts of work, so that the same
    input gives the same plan everywhere; `patience_s`, where given, ends it by the clock and
    says so. `report` is told of progress, a line at a time. Ctrl-C, once there is a first
    plan, ends the search with the best so far. Raises Infeasible when required runs cannot
    be placed or a platform cannot even idle through the span.
    """
    _require_idle(environment)
    _require_room(environment)
    question = build_problem(environment)
    relaxed = build_problem(environment, relaxed=True)
    best: tuple[Booking, Verdict] | None = None
    bound, interrupted = np.inf, False
    bounds = [worth_of_all(relaxed)]
    stop, struck = Event(), Event()
    clock = _clock(patience_s, stop, struck)
    try:
        lightly = partial(lighter, judge=replayed(environment))
        spared, first = question, None
        if not is_small(relaxed):
            first = quick_plan(question, stop)
            first = first if stop.is_set() else lightly(first) or first
            spared = first.problem
        searching = better_plans(spared, relaxed, gap, first, bounds.append, effort, stop, lightly)
        with closing(searching) as plans:
            for booking, bound in plans:
                if np.isfinite(bound):
                    bounds.append(bound)
                if best is None or np.isfinite(bound):
                    best = holding(environment, question, booking, best)
                    head = "first plan" if np.isinf(bound) else "plan"
                    report(f"{head}: {_standing(best[0], bounds)}, {best[1].summary}")
                    continue
                verdict = check_timeline(environment, plan_slots(environment.scenario, booking))
                if verdict.is_valid and booking.value() > best[0].value():
                    best = booking, verdict
                    report(f"better: {_standing(booking, bounds)}")
    except KeyboardInterrupt:
        if best is None:
            raise
        interrupted = True
        report("interrupted: going on with the best plan so far")
    except LookupError as obstacle:
        if not struck.is_set():
            report("no place found for all required runs; checking which rules conflict ...")
        conflict = find_conflict(environment, struck)
        early = f" within the patience of {patience_s:g} s" if struck.is_set() else ""
        raise Infeasible(
            str(conflict)
            if conflict
            else f"no place found{early} for all required runs: {obstacle.args[0]}; fix: relax "
            "a condition, a gap or `must`, or give the platform more energy, storage or contact"
        ) from None
    finally:
        clock.cancel()
    if struck.is_set():
        interrupted = True
        report(f"patience of {patience_s:g} s ran out: another run may end elsewhere")
    found = best[0].value()
    try:
        best = _filled(environment, *best)
    except KeyboardInterrupt:
        interrupted = True
    booking, verdict = best
    # What was heard by now depends on the clock; it counts only where the search did not end.
    bound = min(bound, *(bounds if interrupted else bounds[:1]))
    if booking.value() > found:
        report(f"filled up: {_standing(booking, bounds)}")
    timeline = timeline_table(environment, booking)
    if any(len(runs) < task.count for task, runs in zip(question.tasks, booking.runs)):
        report("asking what would let more runs in ...")
    return Plan(
        environment,
        timeline,
        unplaced(environment, booking, timeline),
        verdict,
        plan_value(question, booking.runs),
        above(bound, booking),
        interrupted,
    )


def _filled(
    environment: Environment, booking: Booking, verdict: Verdict
) -> tuple[Booking, Verdict]:
    """The plan tidied, and filled with what then fits besides, as far as the replay agrees."""
    for better in tidy_plans(booking):
        judged = check_timeline(environment, plan_slots(environment.scenario, better))
        if judged.is_valid:
            return better, judged
    return booking, verdict


def _clock(patience_s: float | None, stop: Event, struck: Event) -> Timer:
    """A running clock that stops the search when patience ends; a still one without limit."""

    def strike() -> None:
        struck.set()
        stop.set()

    clock = Timer(patience_s or 0.0, strike)
    clock.daemon = True
    if patience_s is not None:
        clock.start()
    return clock


def _standing(booking: Booking, bounds: list[float]) -> str:
    """The value, and how far from the best possible it is at most, as known by now.

    The first of the bounds is the worth of all that is asked, which is seldom possible.
    """
    value, bound = booking.value(), min(bounds)
    if len(bounds) == 1 and value < bound - 1e-9:
        return f"value {value:.1f} of {raised(bound)} asked for, no bound yet"
    missing = 1 - value / bound if value < bound - 1e-9 else 0.0
    return f"value {value:.1f}, at most {raised(bound)} possible ({raised(100 * missing)} % open)"


def _require_idle(environment: Environment) -> None:
    """Raise Infeasible when a platform breaks a limit with nothing planned at all."""
    if why := why_not_idle(environment):
        raise Infeasible(why)


def _require_room(environment: Environment) -> None:
    """Raise Infeasible when an activity's own windows have no room for its required runs."""
    if findings := no_room_for_required_runs(environment):
        raise Infeasible("\n".join(finding.line for finding in findings))
