"""Pinned runs: each is a task of its own, with one start and one required run.

A search then plans around it, and places what it needs, as for any required run. Tasks of pins
stand after those of the activities, have the names of theirs, and go again once a plan is found.
"""

from dataclasses import replace
from datetime import datetime

import numpy as np

from obsplan.inputs.scenario import Scenario
from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.definition import Problem, Task


def pinned_step(scenario: Scenario, start_utc: datetime) -> int:
    """The step at which a pinned run starts."""
    return int(scenario.minutes_of(start_utc) // scenario.span.step_min)


def with_pins(scenario: Scenario, problem: Problem) -> Problem:
    """The problem of all activities with the pinned runs as tasks of their own."""
    if not scenario.pin:
        return problem
    names = [task.name for task in problem.tasks]
    owners = [names.index(pin.activity) for pin in scenario.pin]
    steps = [pinned_step(scenario, pin.start_utc) for pin in scenario.pin]
    tasks, pinned = list(problem.tasks), []
    for owner, step in zip(owners, steps):
        whole, rest = problem.tasks[owner], tasks[owner]
        at = np.arange(problem.steps) == step
        pinned.append(
            replace(whole, count=1, must=1, starts=whole.starts & at, held=rest.held, pinned=True)
        )
        tasks[owner] = _without_one(rest, step)
    tasks = [_met_by(task, owners, steps) for task in (*tasks, *pinned)]
    return _with_tasks(problem, tasks, [*range(len(names)), *owners])


def _without_one(task: Task, step: int) -> Task:
    """The task with one run fewer, none of which comes too near to that at `step`."""
    starts, held = task.starts.copy(), task.held.copy()
    apart = task.length + task.gap
    starts[max(0, step - apart + 1) : step + apart] = False
    held[task.bins[step]] += task.bins[step] >= 0
    count, must = task.count - 1, max(0, task.must - 1)
    return replace(task, count=count, must=must, starts=starts, held=held)


def _met_by(task: Task, owners: list[int], steps: list[int], sign: int = 1) -> Task:
    """The task whose needs are met by pinned runs too; `sign` -1 takes that back."""
    needs = []
    for need in task.needs:
        by_pins = need.there([s for o, s in zip(owners, steps) if o == need.task]) - need.met
        needs.append(need._replace(met=need.met + sign * by_pins))
    return replace(task, needs=tuple(needs))


def without_pins(booking: Booking) -> Booking:
    """The same plan in the problem of the activities alone, which request the pinned runs too."""
    problem = booking.problem
    tasks = [task for task in problem.tasks if not task.pinned]
    if len(tasks) == len(problem.tasks):
        return booking
    names = [task.name for task in tasks]
    runs = [list(starts) for starts in booking.runs[: len(tasks)]]
    for pin, starts in zip(problem.tasks[len(tasks) :], booking.runs[len(tasks) :]):
        owner = names.index(pin.name)
        task = tasks[owner]
        held = task.held.copy()
        held[pin.bins[pin.starts]] -= 1
        tasks[owner] = replace(
            task,
            count=task.count + 1,
            must=task.must + 1,
            starts=task.starts | pin.starts,
            held=held,
        )
        runs[owner] += starts
    # From here on pinned runs are booked, and meet needs as such.
    pins = problem.tasks[len(tasks) :]
    owners, steps = [names.index(p.name) for p in pins], [int(p.starts.argmax()) for p in pins]
    tasks = [_met_by(task, owners, steps, -1) for task in tasks]
    merged = Booking(_with_tasks(problem, tasks, list(range(len(tasks)))))
    for i, starts in enumerate(runs):
        for start in sorted(starts):
            merged.add(i, start)
    merged.may_send[:] = booking.may_send
    merged.flow = merged.simulate()
    return merged


def _with_tasks(problem: Problem, tasks: list[Task], owners: list[int]) -> Problem:
    """The problem with these tasks; what holds for task `owners[i]` of it holds for task i."""
    pairs = {
        (i, j)
        for j in range(len(tasks))
        for i in range(j)
        if (min(owners[i], owners[j]), max(owners[i], owners[j])) in problem.exclusive
    }
    nodes = (
        replace(node, heaters=tuple(replace(h, share=h.share[owners]) for h in node.heaters))
        for node in problem.nodes
    )
    return replace(
        problem,
        tasks=tuple(tasks),
        nodes=tuple(nodes),
        exclusive=frozenset(pairs),
        budgets=tuple(replace(budget, use=budget.use[owners]) for budget in problem.budgets),
        goals=tuple(goal.of_tasks(owners) for goal in problem.goals),
        teams=tuple(replace(team, needed_by=team.needed_by[owners]) for team in problem.teams),
        crowds=tuple(replace(crowd, party=crowd.party[owners]) for crowd in problem.crowds),
        waits=tuple(
            wait._replace(earlier=i, later=j)
            for wait in problem.waits
            for i, earlier in enumerate(owners)
            for j, later in enumerate(owners)
            if (earlier, later) == (wait.earlier, wait.later)
        ),
    )
