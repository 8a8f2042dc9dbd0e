"""Solution merging: the best plan that uses only the starts of some given plans.

Branch and bound over the union of their starts. It pays because the parts in which good plans
differ often go together, and the model of these starts alone is small.
"""

from dataclasses import replace
from threading import Event

import numpy as np

from obsplan.planning.problem.definition import Problem
from obsplan.planning.solver.highs import end_once, loaded, search, solution, start_from
from obsplan.planning.solver.model import build_model

# Relative gap, and nodes: only the root of the search tree.
MERGE_GAP = 1e-3
MERGE_NODES = 1


def merged_starts(
    problem: Problem, plans: list[np.ndarray], resource_cost: np.ndarray, stop: Event | None = None
) -> np.ndarray:
    """Whether a run begins (tasks, steps) in the best plan found among the starts of `plans`.

    Bus, battery, store, stations and budgets are not modelled: a start pays `resource_cost` (tasks,
    steps), their dual prices, instead. Order after a task without a run in any plan is ignored; all
    other rules are kept. The first plan is the warm start and is returned where nothing better is
    found. Once `stop` is set the search ends where it is.
    """
    if stop is not None and stop.is_set():
        return plans[0]
    among = np.logical_or.reduce(plans)
    tasks = tuple(
        replace(
            task,
            starts=may,
            must=min(task.must, held),
            needs=tuple(need for need in task.needs if among[need.task].any()),
        )
        for task, may, held in zip(problem.tasks, among, plans[0].sum(axis=1).tolist())
    )
    chosen_among = replace(problem, tasks=tasks, nodes=(), budgets=())
    model = build_model(chosen_among)
    column = np.array(model.start)
    model.cost[column[among]] -= resource_cost[among]
    solver = loaded(model, mixed=True, mip_rel_gap=MERGE_GAP, mip_max_nodes=MERGE_NODES)
    start_from(solver, column[among], plans[0][among])
    if stop is not None:
        end_once(solver, stop)
    if not search(solver, model):
        return plans[0]
    chosen = np.zeros_like(among)
    chosen[among] = solution(solver)[column[among]] > 0.5
    return chosen
