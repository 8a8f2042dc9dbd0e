"""Runs that count towards a goal only with their data on Earth, which the steps know too late.

When data are received depends on all that is sent. So what the replay finds still aboard at the end
no longer counts in the problem, and the search goes on from there; and it starts anew with all data
sent by the end.
"""

from collections.abc import Iterator
from dataclasses import replace
from threading import Event
from typing import NamedTuple

import pandas as pd

from obsplan.checking.check import Verdict
from obsplan.checking.goal_runs import uncounted_slots
from obsplan.environment.model import Environment
from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.definition import Problem, serves_goals_alone
from obsplan.planning.problem.goals import Goal
from obsplan.planning.problem.timeline_table import described, plan_slots
from obsplan.planning.prompt_sending import Worth, sent_promptly
from obsplan.planning.replayed import Replay, Replayed, runs_by_slot
from obsplan.planning.search.exact import best_plan, is_small
from obsplan.planning.search.first_plan import NoPlaceFound, quick_plan
from obsplan.planning.search.ruin_and_recreate import ruin_and_recreate
from obsplan.planning.solver.transmit_windows import COARSE, ways_to_send

# How often the search goes on, and tries for each run then.
MOST_TRIALS, ROUNDS = 3, 200
# What a run that is worth nothing adds, at most.
NOTHING = 1e-9


class Counted(NamedTuple):
    """A plan in a problem in which runs whose data stay aboard do not count; whether any do."""

    plan: Replayed
    some_stay: bool

    @property
    def value(self) -> float:
        """What the plan is worth by what counts."""
        return self.plan.booking.value()


def with_counted_runs(
    environment: Environment, plan: Replayed, replay: Replay, stop: Event
) -> Replayed:
    """The best plan found by what counts, in a problem in which what stays aboard does not.

    Runs that add nothing then are left out. Once `stop` is set, that is `plan` itself.
    """
    if stop.is_set():
        return plan
    goals = plan.booking.problem.goals
    worth = worth_by(environment, goals)
    best = counted(environment, sent_promptly(plan, replay, worth), goals)
    if best.some_stay:
        others = (*_going_on(environment, best, replay, stop), _anew(plan.booking.problem, stop))
        for booking in filter(None, others):
            if accepted := _accepted(booking, replay):
                other = counted(environment, sent_promptly(accepted, replay, worth), goals)
                best = other if other.value > best.value else best
    lighter = without_idle_runs(best.plan.booking)
    pruned = counted(environment, Replayed(lighter, replay(lighter)), goals)
    is_better = pruned.plan.verdict.is_valid and pruned.value >= best.value - NOTHING
    return pruned.plan if is_better else best.plan


def counted(environment: Environment, plan: Replayed, goals: tuple[Goal, ...]) -> Counted:
    """The plan as it counts towards `goals`, those of the whole problem.

    Where the data of a run stay aboard, those of later runs of its activity would stay behind them.
    """
    slots = plan_slots(environment.scenario, plan.booking)
    aboard = uncounted_slots(environment, slots, plan.verdict.resources)
    runs = runs_by_slot(environment.scenario, plan.booking)
    left = []
    for goal in goals:
        bins = goal.bins.copy()
        for slot in aboard.get(goal.name, ()):
            task, start = runs[slot]
            bins[task, start:] = -1
        left.append(replace(goal, bins=bins))
    return Counted(
        Replayed(with_goals(plan.booking, tuple(left)), plan.verdict), some_stay=bool(aboard)
    )


def worth_by(environment: Environment, goals: tuple[Goal, ...]) -> Worth | None:
    """What plans are worth by what counts towards `goals`; None if there are none."""
    return (lambda plan: counted(environment, plan, goals).value) if goals else None


def with_goals(booking: Booking, goals: tuple[Goal, ...]) -> Booking:
    """The same plan in the problem with these goals."""
    other = booking.copy()
    other.problem = replace(booking.problem, goals=goals)
    return other


def without_idle_runs(booking: Booking) -> Booking:
    """The plan without runs of activities that serve goals alone and add nothing to any.

    Required runs stay, and those that others may need; of runs that do as well the latest go.
    """
    lighter, problem = booking.copy(), booking.problem
    for i, task in enumerate(problem.tasks):
        if not serves_goals_alone(problem, i) or i in problem.prerequisites:
            continue
        for start in sorted(lighter.runs[i], reverse=True):
            value = lighter.value()
            lighter.add(i, start, -1)
            if len(lighter.runs[i]) < task.must or lighter.value() < value - NOTHING:
                lighter.add(i, start)
    lighter.flow = lighter.simulate()
    return lighter


def valued_timeline(environment: Environment, booking: Booking, verdict: Verdict) -> pd.DataFrame:
    """The timeline of a plan, in which runs count towards goals as the referee finds."""
    slots = plan_slots(environment.scenario, booking)
    uncounted = uncounted_slots(environment, slots, verdict.resources)
    return described(environment, booking.problem, slots, uncounted=uncounted)


def value_of(booking: Booking, timeline: pd.DataFrame) -> float:
    """What a plan is worth; less than its runs if data that a goal wants stay aboard."""
    return float(timeline["value"].sum()) if booking.problem.goals else booking.value()


def _going_on(
    environment: Environment, best: Counted, replay: Replay, stop: Event
) -> Iterator[Booking]:
    """What the search finds from a plan in which some data stay aboard, and then from that."""
    goals, current = best.plan.booking.problem.goals, best
    for trial in range(MOST_TRIALS):
        better = ruin_and_recreate(current.plan.booking, stop, seed=trial, rounds=ROUNDS)
        found = list(better)[-1:] if current.some_stay else []
        if not found:
            return
        yield found[0]
        accepted = _accepted(found[0], replay)
        if accepted is None:
            return
        worth = worth_by(environment, goals)
        current = counted(environment, sent_promptly(accepted, replay, worth), goals)


def _anew(problem: Problem, stop: Event) -> Booking | None:
    """A plan after which all stores are empty; None if none is found."""
    nodes = tuple(replace(node, store_end_mbit=0.0) for node in problem.nodes)
    strict = replace(problem, nodes=nodes)
    try:
        start = quick_plan(strict, stop)
    except NoPlaceFound:
        return None
    exact = best_plan(strict, strict)[0] if is_small(strict) else None
    start = exact or start
    found = [start, *ruin_and_recreate(start, stop, seed=0, rounds=ROUNDS)][-1]
    found.problem = problem
    found.flow = found.simulate()
    return found


def _accepted(booking: Booking, replay: Replay) -> Replayed | None:
    """The plan as the replay accepts it, sent in some way; None if it does not."""
    replayed = (Replayed(way, replay(way)) for way in ways_to_send(booking, (COARSE,)))
    return next((way for way in replayed if way.verdict.is_valid), None)
