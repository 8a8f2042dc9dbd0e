"""The best plan of a small problem: the whole mixed-integer model by branch and bound.

Most problems of a few hundred permitted starts are proven within a second, and most of a thousand
within a minute, which pays once there is a good plan.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace
from threading import Event
from typing import NamedTuple

import numpy as np

from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.definition import (
    Node,
    Problem,
    Task,
    least_worth,
    starts_of,
    worth_of_all,
)
from obsplan.planning.solver.dual_bound import upper_bound
from obsplan.planning.solver.highs import (
    end_once,
    has_answer,
    is_optimal,
    loaded,
    proven_bound,
    solution,
)
from obsplan.planning.solver.matrix import LEAST_FIGURE, LinearModel, with_rows
from obsplan.planning.solver.model import build_model
from obsplan.planning.solver.model_solution import (
    LATENESS_COST,
    add_tie_break_costs,
    book_solution,
)
from obsplan.planning.solver.transmit_windows import with_planned_sending

# So few permitted starts are a small problem; the limit of nodes ends the few that are not
# proven in a second.
SMALL_STARTS = 400
SMALL_NODES = 200
# So few permitted starts, and steps times starts, are worth a proof once there is a good plan. It
# takes so many nodes at most, and fewer in a problem of more cells than that.
PROOF_STARTS, PROOF_CELLS = 1000, 130_000
PROOF_NODES, ALL_NODES_CELLS = 4000, 40_000
# Nodes for the choice among equal plans. The solver's heuristics would take most of the time and
# find nothing, and strong branching a third of what is left.
TIE_NODES = 10
PLAIN_SEARCH = {
    "mip_pscost_minreliable": 0,
    "mip_heuristic_run_rins": False,
    "mip_heuristic_run_rens": False,
    "mip_heuristic_run_root_reduced_cost": False,
}
# Steps times permitted starts that are solved again at most if the best plan is refused.
MOST_CELLS = 400_000
# A model is never so small that it counts for less: its solver has to start too.
LEAST_CELLS = 4_000
# A model with heaters takes as long to solve as one of so many times its cells.
HEATED = 4
# What rounding in the solver may do to a bound, and so to the proof that a plan is best.
ROUNDING = 2e-6

Run = tuple[int, int]  # task and start


# What a finer replay makes of a plan: the plan, perhaps with other sending, or None.
Judge = Callable[[Booking], Booking | None]


class Exact(NamedTuple):
    """The best plan found of a small problem, if any.

    bound: no plan that the judge accepts is worth more; bound_in_steps: nor is any of the relaxed
    problem. is_final: the best in steps is proven, so that a search in steps has nothing to add.
    """

    plan: Booking | None
    bound: float
    bound_in_steps: float
    is_final: bool


def above(bound: float, booking: Booking) -> float:
    """The bound, not below the plan by rounding; raises RuntimeError if it is by more."""
    if booking.value() > bound + ROUNDING * max(1.0, abs(bound)):
        raise RuntimeError(
            f"a plan worth {booking.value()} lies above its bound {bound}: one of them is wrong"
        )
    return max(bound, booking.value())


def is_small(problem: Problem) -> bool:
    """Whether the best plan may well be found and proven in a few seconds."""
    return starts_of(problem) <= SMALL_STARTS


def is_worth_a_proof(problem: Problem) -> bool:
    """Whether the best plan of a larger problem may well be proven within a minute or two."""
    few = starts_of(problem) <= PROOF_STARTS and _cells(problem) <= PROOF_CELLS
    return few and not is_small(problem)


def why_unproven(problem: Problem) -> str | None:
    """Why the best plan of a problem of few permitted starts stayed without a proof; None if it
    has so many that none is expected."""
    starts = starts_of(problem)
    if starts > PROOF_STARTS:
        return None
    if not is_small(problem) and _cells(problem) > PROOF_CELLS:
        many = f"{starts} permitted starts in {problem.steps} steps"
        return f"not proven optimal: {many} are too many for branch and bound"
    return "not proven optimal: branch and bound ended at its limit of work"


def proof(
    problem: Problem, relaxed: Problem, judge: Judge | None, nodes: int, stop: Event
) -> tuple[Booking | None, float]:
    """The best plan found by branch and bound, if there is a `judge` that accepts it, and a bound.

    Plans are those of `relaxed`, booked in `problem`. It ends at the limit of `nodes`, of fewer
    where there are many cells, or once `stop` is set.
    """
    nodes = nodes * ALL_NODES_CELLS // max(ALL_NODES_CELLS, _cells(relaxed))
    solutions, bound = best_solutions(relaxed, problem, nodes, stop=stop)
    return next(filter(None, map(judge, solutions)), None) if judge else None, bound


def exact_plan(
    problem: Problem,
    relaxed: Problem,
    judge: Judge | None = None,
    finer: Iterable[Problem] = (),
    stop: Event | None = None,
) -> Exact:
    """The best plan found of a small problem that `judge` accepts; if it accepts none, the best
    in steps.

    Plans are those of `relaxed`, booked in `problem`; see `_judged` for `finer`. For a problem that
    is not small there is none, and the bound is the worth of all requested runs.
    """
    most = worth_of_all(relaxed)
    if not is_small(relaxed):
        return Exact(None, most, most, is_final=False)
    nodes = PROOF_NODES if _cells(relaxed) <= ALL_NODES_CELLS else SMALL_NODES
    solutions, upper = best_solutions(relaxed, problem, nodes, stop=stop)
    most = bound = min(most, upper, upper_bound(relaxed))
    is_final = bool(solutions) and is_proven(solutions[0], most)
    if judge is not None and solutions:
        plan, bound = _judged(problem, relaxed, solutions, most, judge, iter(finer), stop)
        if plan is not None:
            return Exact(plan, above(bound, plan), most, is_final)
    borne = next(filter(None, map(in_steps, solutions)), None)
    if borne is None and _is_stricter(problem, relaxed):
        borne, _ = best_plan(problem, problem)
    is_final &= borne is not None and is_proven(borne, most)
    if borne is not None:
        above(most, borne)
    return Exact(borne, bound, most, is_final)


def _judged(
    problem: Problem,
    question: Problem,
    solutions: list[Booking],
    bound: float,
    judge: Judge,
    finer: Iterator[Problem],
    stop: Event | None,
) -> tuple[Booking | None, float]:
    """The first plan that `judge` accepts of the `solutions` or those found after them.

    If all are refused, the model is solved again: with the next of the `finer` problems, each as
    relaxed as `question`, or once there is none without the refused runs together, until MOST_CELLS
    are solved. More runs than the refused might be accepted, if only in theory (a store may be
    sent empty by then), so from then on the bound stays.
    """
    apart: list[frozenset[Run]] = []
    cells = 0
    while solutions and cells < MOST_CELLS and not (stop is not None and stop.is_set()):
        accepted = next(filter(None, map(judge, solutions)), None)
        if accepted is not None:
            return accepted, bound
        shorter = next(finer, None)
        question = shorter or question
        apart += [] if shorter else map(every_run, solutions)
        solutions, upper = best_solutions(question, problem, apart=apart, stop=stop)
        bound = min(bound, upper) if solutions and not apart else bound
        times = HEATED if any(node.heaters for node in question.nodes) else 1
        cells += max(times * _cells(question), LEAST_CELLS)
    return None, bound


def _cells(problem: Problem) -> int:
    """Steps times permitted starts."""
    return problem.steps * starts_of(problem)


def every_run(booking: Booking) -> frozenset[Run]:
    """All booked runs."""
    return frozenset((i, start) for i, starts in enumerate(booking.runs) for start in starts)


def is_proven(plan: Booking, bound: float) -> bool:
    """Whether the plan is optimal, but for what is added to bounds and rounding in the solver."""
    return plan.value() >= (1 - 2 * ROUNDING) * bound


def _is_stricter(problem: Problem, relaxed: Problem) -> bool:
    """Whether the two differ in what a relaxed problem leaves out."""
    return any(
        not np.array_equal(mine, other)
        for part, wide in zip(problem.tasks + problem.nodes, relaxed.tasks + relaxed.nodes)
        for mine, other in zip(_strict_figures(part), _strict_figures(wide))
    )


def _strict_figures(part: Task | Node) -> tuple[np.ndarray, ...]:
    if isinstance(part, Task):
        return part.peak_w, part.starts, np.array([part.must, len(part.needs)])
    return part.base_peak_w, part.send_share, part.above_mean_w, part.base_w, part.generation_w


def best_plan(
    question: Problem, problem: Problem, nodes: int = SMALL_NODES
) -> tuple[Booking | None, float]:
    """The best plan found of a small `question`, booked in `problem`, and a bound on them all.

    Unless branch and bound ends at its limit of `nodes`, bound and value meet. The plan is None
    if none was found or if `problem`, being stricter, refuses it; the bound is valid all the
    same.
    """
    solutions, bound = best_solutions(question, problem, nodes)
    return next(filter(None, map(in_steps, solutions)), None), bound


def in_steps(booking: Booking) -> Booking | None:
    """`booking` if its problem bears it, with its sending planned anew if need be.

    A relaxed problem may know nothing of where rovers are: orders and required drives with them.
    """
    tasks = booking.problem.tasks
    permitted = all(task.starts[runs].all() for task, runs in zip(tasks, booking.runs))
    if not permitted or booking.lacks_required_runs() or not booking.keeps_rules():
        return None
    sent = with_planned_sending(booking) if booking.flow.short else booking
    return None if sent.flow.short else sent


def best_solutions(
    question: Problem,
    problem: Problem,
    nodes: int = SMALL_NODES,
    apart: Sequence[frozenset[Run]] = (),
    stop: Event | None = None,
) -> tuple[list[Booking], float]:
    """Best solutions of a small `question`, booked in `problem`, and a bound on them all.

    Steps of `question` may be shorter than those of `problem`, which may not bear the plans. Of
    each set of runs in `apart` at least one is left out. The bound is the solver's own dual
    bound. The solver works with tolerances, so the bound is raised by ROUNDING of itself, ten
    times the tolerance of its rows and costs.
    """
    model = _with_apart(build_model(question), apart, question.steps // problem.steps)
    solver = loaded(model, mixed=True, mip_rel_gap=0.0, mip_max_nodes=nodes)
    if stop is not None:
        end_once(solver, stop)
    solver.run()
    bound = proven_bound(solver)
    bound += ROUNDING * max(1.0, abs(bound)) if np.isfinite(bound) else np.inf
    # The optimum is zero or at least the worth of the first run of some task.
    bound = bound if bound >= least_worth(question) else 0.0
    if not has_answer(solver):
        return [], bound
    has_ties = is_optimal(solver) and is_small(question)
    preferred = [_preferred(model, question, solver)] if has_ties else []
    return [_booked(chosen, model, problem) for chosen in (*preferred, solver)], bound


def _with_apart(model: LinearModel, apart: Sequence[frozenset[Run]], parts: int) -> LinearModel:
    """The model with a row for each set of runs: not all of them take place."""
    if not apart:
        return model
    rows = np.zeros((len(apart), len(model.cost)))
    for row, runs in zip(rows, apart):
        row[[model.start[i][start * parts] for i, start in runs]] = 1.0
    return with_rows(model, rows, -np.inf, rows.sum(axis=1) - 1)


def _booked(solver, model: LinearModel, problem: Problem) -> Booking:
    booking = Booking(problem)
    book_solution(solver, model, booking)
    booking.flow = booking.simulate()
    return booking


def _preferred(model: LinearModel, problem: Problem, solved):
    """Among solutions as good as `solved`, an early one that sends little."""
    x = solution(solved)
    # Coefficients next to nothing would only upset the solver.
    counted = np.where(model.cost >= LEAST_FIGURE, model.cost, 0.0)
    worth = counted @ x
    least = worth - 1e-7 * max(1.0, abs(worth))
    tied = with_rows(replace(model, cost=np.zeros(len(model.cost))), counted, least, np.inf)
    add_tie_break_costs(tied, problem)
    # Here they are the only costs, so they are scaled up.
    tied.cost /= LATENESS_COST
    solver = loaded(tied, mixed=True, mip_rel_gap=1e-3, mip_max_nodes=TIE_NODES, **PLAIN_SEARCH)
    solver.run()
    return solver if has_answer(solver) else solved
