"""Of several plans a better one that has only their starts, found by the branching solver.

Plans that are each good for another reason have parts that go together; a model of their
starts alone is so small that a good choice among them is soon known.
"""

from dataclasses import replace
from threading import Event

import numpy as np

from obsplan.planning.problem.definition import Problem
from obsplan.planning.solver.highs import end_once, loaded, search, solution, start_from
from obsplan.planning.solver.model import model

# The best choice is found to this share of its worth, or as the root of the search has it.
MERGE_GAP = 1e-3
MERGE_NODES = 1


def merged_starts(
    problem: Problem, plans: list[np.ndarray], charges: np.ndarray, unwanted: Event | None = None
) -> np.ndarray:
    """Whether a run begins (tasks, steps) in the best plan found among the starts of `plans`.

    What a start draws on bus, battery, store and stations is paid at `charges` (tasks,
    steps), not looked at, and runs wait for no task of which no plan has a run; all else
    holds. The search begins with the first of the plans, which comes back where nothing was
    found. Once `unwanted` is set it ends where it is.
    """
    if unwanted is not None and unwanted.is_set():
        return plans[0]
    among = np.logical_or.reduce(plans)
    tasks = tuple(
        replace(
            task,
            starts=may,
            must=min(task.must, held),
            earlier=tuple(wait for wait in task.earlier if among[wait[0]].any()),
        )
        for task, may, held in zip(problem.tasks, among, plans[0].sum(axis=1).tolist())
    )
    draft = model(Problem(problem.steps, problem.step_h, tasks, (), problem.exclusive))
    column = np.array(draft.start)
    draft.cost[column[among]] -= charges[among]
    solver = loaded(draft, mixed=True, mip_rel_gap=MERGE_GAP, mip_max_nodes=MERGE_NODES)
    start_from(solver, column[among], plans[0][among])
    if unwanted is not None:
        end_once(solver, unwanted)
    if not search(solver, draft):
        return plans[0]
    chosen = np.zeros_like(among)
    chosen[among] = solution(solver)[column[among]] > 0.5
    return chosen
