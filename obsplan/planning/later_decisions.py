"""Decisions that come later than the steps know, as a replay by the minute says.

When data are received depends on all that is sent, which the problem in steps leaves out.
"""

from dataclasses import replace
from math import ceil, inf

import numpy as np

from obsplan.checking.check import Verdict
from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.definition import Need, Problem
from obsplan.planning.search.greedy import in_order

# Runs that start up to so much before one that is received late are taken to be as late.
NEAR_H = 6.0


def with_later_decisions(problem: Problem, verdict: Verdict) -> Problem:
    """The problem in which runs that a replay found to be decided on too late are ready later."""
    for decision in verdict.decisions:
        other = decision.looked_at
        if not decision.is_late or other is None:
            continue
        # A pinned run is a task of the same name, with the same needs, after that of its activity.
        own = [i for i, t in enumerate(problem.tasks) if t.name == decision.run.activity.name]
        step_min, need = 60 * problem.step_h, problem.tasks[own[0]].needs[decision.number]
        start = min(max(int(other.start_min // step_min), 0), problem.steps - 1)
        since = decision.ready_min / step_min
        ready = problem.steps if since == inf else min(ceil(since - 1e-9), problem.steps)
        later = _later(need.ready, start, ready, round(NEAR_H / problem.step_h))
        tasks = list(problem.tasks)
        for i in own:
            needs = list(tasks[i].needs)
            needs[decision.number] = _ready_later(problem, needs[decision.number], later)
            starts = tasks[i].starts.copy()
            if other.state != "planned" and not tasks[i].pinned:
                # It is fixed, and no run of the problem.
                starts[start + 1 : ready] = False
            tasks[i] = replace(tasks[i], needs=tuple(needs), starts=starts)
        waits = tuple(
            wait._replace(ready=later)
            if wait.later in own and wait.number == decision.number
            else wait
            for wait in problem.waits
        )
        problem = replace(problem, tasks=tuple(tasks), waits=waits)
    return problem


def _ready_later(problem: Problem, need: Need, ready: np.ndarray) -> Need:
    """The need with its runs ready later, pinned ones too, which it counts as met."""
    earlier = problem.tasks[need.task].name
    pinned = [t.starts for t in problem.tasks if t.pinned and t.name == earlier]
    steps = [int(starts.argmax()) for starts in pinned if starts.any()]
    later = need._replace(ready=ready)
    return later._replace(met=need.met - need.there(steps) + later.there(steps))


def _later(known: np.ndarray | None, start: int, ready: int, near: int) -> np.ndarray:
    """Steps from which on runs are ready, if that at `start` is at step `ready`.

    Later ones are ready no earlier, and those shortly before as much later.
    """
    assert known is not None  # only decisions have what can be late
    first = max(0, start - near)
    later = known.copy()
    later[first:start] = np.minimum(known[first:start] + max(0, ready - known[start]), ready)
    later[first:start] = np.maximum(later[first:start], known[first:start])
    later[start] = max(ready, known[start])
    return np.asarray(np.maximum.accumulate(later))


def in_time(booking: Booking, problem: Problem) -> Booking:
    """The runs of `booking` in another problem, without those that start too early there."""
    kept = Booking(problem)
    kept.may_send = booking.may_send.copy()
    for i in in_order(problem):
        for start in sorted(booking.runs[i]):
            if kept.clear_starts(i)[start] and kept.needs_met(i)[start]:
                kept.add(i, start)
    return kept
