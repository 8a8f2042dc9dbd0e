"""What each rule of a scenario imposes on a problem without any."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from obsplan.planning.problem.definition import Budget, Need, Problem, Team, Wait
from obsplan.planning.problem.goals import Goal


def without_rules(required: Problem) -> Problem:
    """The same runs under no rule but the length of the span.

    Limits are set out of reach, not removed, so that the bound stays finite.
    """
    length = required.steps
    tasks = tuple(
        replace(
            task,
            must=0,
            gap=0,
            needs=(),
            points=(),
            silences=(),
            starts=task.starts
            if task.pinned
            else (np.arange(length) + task.length <= length) & (task.count > 0),
        )
        for task in required.tasks
    )
    data_mbit = sum(node.store_start_mbit for node in required.nodes)
    data_mbit += sum(task.count * task.data_mbit.sum() for task in required.tasks)
    all_w = sum(task.peak_w.max() + task.load_w.max() for task in required.tasks)
    nodes = []
    for node in required.nodes:
        most_w = all_w + node.transmit_w + max(node.base_peak_w.max(), node.base_w.max())
        drawn_wh = most_w * length * required.step_h / node.discharge_efficiency
        nodes.append(
            replace(
                node,
                bus_limit_w=most_w,
                reserve_wh=-drawn_wh,
                end_wh=-drawn_wh,
                store_mbit=node.store_mbit + data_mbit,
                store_end_mbit=node.store_mbit + data_mbit,
                send_mbit=np.maximum(node.send_mbit, data_mbit),
                send_share=np.zeros(length),
                transmit_w=0.0,
                station=np.full(length, -1),
            )
        )
    return replace(
        required,
        tasks=tasks,
        nodes=tuple(nodes),
        exclusive=frozenset(),
        budgets=(),
        teams=(),
        waits=(),
        goals=(),
    )


def on_task(i: int, **figures) -> Callable[[Problem], Problem]:
    """Sets figures of a task."""
    return lambda problem: _with_task(problem, i, **figures)


def on_node(n: int, **figures) -> Callable[[Problem], Problem]:
    """Sets figures of a node."""
    return lambda problem: _with_node(problem, n, **figures)


def only_at(i: int, mask: np.ndarray, problem: Problem) -> Problem:
    """Task `i` starts only where `mask` (steps,) permits it."""
    return _with_task(problem, i, starts=problem.tasks[i].starts & mask)


def needing(i: int, need: Need, waits: tuple[Wait, ...], problem: Problem) -> Problem:
    """Task `i` needs other runs, and waits for them."""
    waiting = replace(problem, waits=(*problem.waits, *waits))
    return _with_task(waiting, i, needs=(*problem.tasks[i].needs, need))


def excluding(pair: tuple[int, int], problem: Problem) -> Problem:
    """Two tasks may not overlap."""
    return replace(problem, exclusive=problem.exclusive | {pair})


def pointing(n: int, required: Problem, problem: Problem) -> Problem:
    """Node `n` points at one thing at a time, as the required runs do."""
    for i, task in enumerate(required.tasks):
        known = problem.tasks[i]
        points = (*known.points, *(each for each in task.points if each[0] == n))
        silences = task.silences if task.node == n else known.silences
        problem = _with_task(problem, i, points=points, silences=silences)
    return problem


def reaching(goal: Goal, problem: Problem) -> Problem:
    """A goal reaches its minimum."""
    return replace(problem, goals=(*problem.goals, goal))


def budgeted(budget: Budget, problem: Problem) -> Problem:
    """All runs keep a budget."""
    return replace(problem, budgets=(*problem.budgets, budget))


def watched(team: Team, problem: Problem) -> Problem:
    """Runs keep to what a team can watch."""
    return replace(problem, teams=(*problem.teams, team))


def keeping_reserve(n: int, reserve_wh: float, problem: Problem) -> Problem:
    """The battery of node `n` keeps its reserve."""
    end_wh = max(problem.nodes[n].end_wh, reserve_wh)
    return _with_node(problem, n, reserve_wh=reserve_wh, end_wh=end_wh)


def keeping_end_charge(n: int, end_wh: float, problem: Problem) -> Problem:
    """It has so much left at the end."""
    return _with_node(problem, n, end_wh=max(problem.nodes[n].end_wh, end_wh))


def keeping_storage(n: int, store_mbit: float, problem: Problem) -> Problem:
    """The store of node `n` holds no more."""
    return _with_node(problem, n, store_mbit=store_mbit, store_end_mbit=store_mbit)


def _with_task(problem: Problem, i: int, **figures) -> Problem:
    tasks = list(problem.tasks)
    tasks[i] = replace(tasks[i], **figures)
    return replace(problem, tasks=tuple(tasks))


def _with_node(problem: Problem, n: int, **figures) -> Problem:
    nodes = list(problem.nodes)
    nodes[n] = replace(nodes[n], **figures)
    return replace(problem, nodes=tuple(nodes))
