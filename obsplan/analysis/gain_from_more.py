"""What a plan gains from a little more of each resource: it is improved with that much more.

The search starts from the plan itself, so it is quick. The replay by the minute accepts every plan
whose gain is told.
"""

from collections.abc import Iterable, Iterator
from itertools import chain
from threading import Event
from typing import NamedTuple

import numpy as np
import pandas as pd

from obsplan.environment.model import Environment
from obsplan.planning.plan import Plan
from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.definition import Problem, worth_of_all
from obsplan.planning.problem.from_scenario import build_problem
from obsplan.planning.reasons.fix_wording import (
    FasterLink,
    LargerBattery,
    LargerStore,
    MoreForData,
)
from obsplan.planning.reasons.marginal_worth import resources_of
from obsplan.planning.reasons.what_if import (
    Variant,
    is_valid_with_some_sending,
    replayed,
    simulated,
    with_run,
)
from obsplan.planning.search.exact import best_plan, is_small
from obsplan.planning.search.greedy import greedy_plan
from obsplan.planning.search.ruin_and_recreate import ruin_and_recreate

GAIN_COLUMNS = ("platform", "what", "unit", "more", "gain")
# Share of a resource that is added if no reason of the plan names an amount.
A_LITTLE = 0.1
# Work of the search: rounds for each run.
ROUNDS = 8
# Values that differ by less are the same.
SAME_VALUE = 1e-9


def gain_from_more(plan: Plan, resources: Iterable[tuple[str, str]] | None = None) -> pd.DataFrame:
    """What `plan` gains from a little more of each of the `resources`, most first.

    Resources are pairs of platform and name as in `marginal_worth`; without any, all are tried.
    Columns `platform`, `what`, `unit`, `more` (how much is added) and `gain` of value: by how much
    the best plan found, one that is not possible without that much more, is worth more; 0 if none
    is. What is added is the least amount that `plan.unplaced` names for the resource, so one more
    run fits then, else a tenth of what there is. Raises ValueError for a replan, whose past cannot
    be improved.
    """
    if plan.now_utc is not None:
        raise ValueError("gain_from_more: this is a replan; allowed are plans of the whole span")
    as_it_is = Variant(booked_in_steps(plan), plan.environment)
    problem = as_it_is.booking.problem
    wanted = None if resources is None else set(resources)
    rows = []
    for n, resource in resources_of(problem):
        name = problem.nodes[n].name
        if wanted is not None and (name, resource.what) not in wanted:
            continue
        named = [row for row in _named(plan, problem) if row[:2] == (name, resource.what)]
        least = min((row.amount for row in named), default=None)
        more = A_LITTLE * resource.amount(problem, problem.nodes[n]) if least is None else least
        runs = [(row.task, row.start) for row in named if row.amount == least]
        gain = best_value_near(as_it_is, resource.more(n, as_it_is, more), runs) - plan.value
        rows.append((name, resource.what, resource.unit, more, max(gain, 0.0)))
    rows.sort(key=lambda row: -row[4])
    return pd.DataFrame(rows, columns=list(GAIN_COLUMNS))


def nothing_to_gain(plan: Plan) -> bool:
    """Whether every requested run that adds value is in the plan."""
    return plan.value >= worth_of_all(build_problem(plan.environment)) - SAME_VALUE


def booked_in_steps(plan: Plan) -> Booking:
    """The plan in steps, with its sending."""
    return booked_slots(plan.environment, plan.timeline)


def booked_slots(environment: Environment, slots: pd.DataFrame) -> Booking:
    """A timeline in steps, with its sending; ValueError for a start that is not permitted."""
    scenario, problem = environment.scenario, build_problem(environment)
    booking, step_min = Booking(problem), scenario.span.step_min
    names = {task.name for task in problem.tasks}
    senders = list(scenario.sending_names)
    sends = np.zeros_like(booking.may_send)
    for row in slots.itertuples(index=False):
        first = int(scenario.minutes_of(row.start_utc) // step_min)
        if row.activity in names:
            # A pinned run is a task of its own, and no other task may start then.
            tasks = enumerate(problem.tasks)
            own = [i for i, t in tasks if t.name == row.activity and t.starts[first]]
            if not own:
                raise ValueError(f"{row.activity} may not start at {row.start_utc}")
            booking.add(own[0], first)
        else:
            last = int(scenario.minutes_of(row.end_utc) // step_min)
            sends[senders.index(row.activity), first:last] = True
    booking.may_send &= sends if sends.any() else True
    booking.flow = booking.simulate()
    return booking


class _Named(NamedTuple):
    """An amount of a resource that a reason names, and the run that fits with it."""

    platform: str
    what: str
    amount: float
    task: int
    start: int


def _named(plan: Plan, problem: Problem) -> Iterator[_Named]:
    """What the reasons of the plan name as missing."""
    step_min = plan.environment.scenario.span.step_min
    names = [node.name for node in problem.nodes]
    for i, task in enumerate(problem.tasks):
        fix = plan.answers[task.name].fix if task.name in plan.answers else None
        if task.pinned or not isinstance(fix, MoreForData | LargerBattery):
            continue
        for change in fix.changes if isinstance(fix, MoreForData) else (fix,):
            minute = plan.environment.scenario.minutes_of(fix.start_utc)
            start, node = int(minute // step_min), problem.nodes[names.index(change.platform)]
            match change:
                case LargerBattery():
                    yield _Named(change.platform, "battery", change.wh, i, start)
                case FasterLink():
                    hours = (node.send_mbit > 0).sum() * problem.step_h * change.percent / 100
                    yield _Named(change.platform, "contact", float(hours), i, start)
                case LargerStore(capacity=True, end_limit=False):
                    yield _Named(change.platform, "storage", change.mbit, i, start)
                case LargerStore(capacity=False, end_limit=True):
                    yield _Named(change.platform, "storage at the end", change.mbit, i, start)


def best_value_near(as_it_is: Variant, richer: Variant, runs: list[tuple[int, int]]) -> float:
    """The highest value found near a plan with more of something; its own if none is found.

    The replay accepts that plan, and does not without the more. `runs` are tasks and starts, each
    of which fits the plan as one more run.
    """
    best = as_it_is.booking.value()
    fuller = (with_run(richer.booking, *run) for run in runs)
    for booking in chain(fuller, _candidates(richer.booking, runs)):
        if booking.value() <= best + SAME_VALUE:
            continue
        poorer = booking.copy()
        poorer.problem = as_it_is.booking.problem
        needs_more = not is_valid_with_some_sending(as_it_is.with_booking(poorer), replayed)
        if needs_more and is_valid_with_some_sending(richer.with_booking(booking), replayed):
            best = booking.value()
    return best


def _candidates(start: Booking, runs: list[tuple[int, int]]) -> Iterator[Booking]:
    """A small problem solved exactly; the plan itself, filled up and improved.

    It is filled with sending as it was, and in any contact; with one of the `runs` first, and not.
    """
    problem = start.problem
    if is_small(problem):
        exact, _ = best_plan(problem, problem)
        if exact is not None:
            yield exact
    free = start.copy()
    free.may_send[:] = [node.send_mbit > 0 for node in problem.nodes]
    begun = [with_run(plan, *run) for run in runs[:1] for plan in (start, free)]
    begun += [simulated(start), simulated(free)]
    filled = [greedy_plan(problem, plan) for plan in begun if not plan.flow.short]
    yield from sorted(filled, key=lambda plan: -plan.value())
    if filled:
        best = max(filled, key=lambda plan: plan.value())
        better = list(ruin_and_recreate(best, Event(), seed=0, rounds=ROUNDS))
        yield from reversed(better)
