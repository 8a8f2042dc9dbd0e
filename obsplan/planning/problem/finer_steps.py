"""The same problem with its resources in shorter steps, down to the minute.

Whole steps average what minutes do not. Starts, gaps, orders and bins stay on the grid of the
plan, so a plan of the finer problem is one of the plan's grid too.
"""

from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta

import numpy as np

from obsplan.environment.model import Environment
from obsplan.planning.problem.definition import Problem, Task, starts_of
from obsplan.planning.problem.from_scenario import build_problem

# Steps times permitted starts up to which a finer problem is solved in seconds.
MOST_CELLS = 100_000
# Each problem has steps at least this many times as short as the one before.
SHORTER = 3


def finer_problems(environment: Environment, relaxed: Problem) -> Iterator[Problem]:
    """`relaxed`, the problem of the whole span, with ever shorter steps for its resources."""
    step_min = last_min = environment.scenario.span.step_min
    for shorter_min in range(step_min - 1, 0, -1):
        parts = step_min // shorter_min
        if step_min % shorter_min or starts_of(relaxed) * relaxed.steps * parts > MOST_CELLS:
            continue
        if last_min >= SHORTER * shorter_min or shorter_min == 1:
            last_min = shorter_min
            yield with_steps(environment, relaxed, shorter_min)


def with_steps(environment: Environment, relaxed: Problem, step_min: int) -> Problem:
    """`relaxed` with its resources in steps of `step_min`, a divisor of the plan's own."""
    scenario = environment.scenario
    parts = scenario.span.step_min // step_min
    whole_min = scenario.steps * scenario.span.step_min
    span = scenario.span.model_copy(
        update={
            "step_min": step_min,
            "end_utc": scenario.span.start_utc + timedelta(minutes=whole_min),
        }
    )
    finer = replace(environment, scenario=scenario.model_copy(update={"span": span}))
    problem = build_problem(finer, relaxed=True)
    tasks = (_on_grid(short, task, parts) for short, task in zip(problem.tasks, relaxed.tasks))
    teams = (replace(t, at_once=np.repeat(t.at_once, parts)) for t in relaxed.teams)
    crowds = (replace(c, crowded=np.repeat(c.crowded, parts)) for c in relaxed.crowds)
    waits = (
        wait._replace(
            ready=_on_fine_steps(wait.ready, parts),
            applies=slice(wait.applies.start * parts, wait.applies.stop * parts),
        )
        for wait in relaxed.waits
    )
    return replace(
        problem,
        tasks=tuple(tasks),
        budgets=relaxed.budgets,
        teams=tuple(teams),
        crowds=tuple(crowds),
        waits=tuple(waits),
        goals=tuple(goal.in_parts(parts) for goal in relaxed.goals),
    )


def _on_fine_steps(ready: np.ndarray, parts: int) -> np.ndarray:
    """Steps from which on something is ready, in steps that have `parts`."""
    return np.repeat(ready * parts, parts)


def _on_grid(short: Task, task: Task, parts: int) -> Task:
    """`short`, in short steps, with the starts and rules of `task`, whose steps have `parts`."""
    starts = np.zeros(len(task.starts) * parts, dtype=bool)
    starts[::parts] = task.starts
    idle = (0, task.length * parts - short.length)
    return replace(
        task,
        length=task.length * parts,
        load_w=np.pad(short.load_w, idle),
        peak_w=np.pad(short.peak_w, idle),
        data_mbit=np.pad(short.data_mbit, idle),
        gap=task.gap * parts,
        starts=starts,
        bins=np.repeat(task.bins, parts),
        needs=tuple(
            need._replace(
                first=need.first * parts,
                last=need.last * parts,
                met=np.repeat(need.met, parts),
                ready=None if need.ready is None else _on_fine_steps(need.ready, parts),
            )
            for need in task.needs
        ),
        preference=np.repeat(task.preference, parts),
        silences=short.silences,
    )
