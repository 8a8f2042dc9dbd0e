"""The best plan of a small problem: the whole mixed-integer model by branch and bound.

Pays up to a few hundred permitted starts; most such problems are proven within a second.
"""

from dataclasses import replace

import numpy as np
from scipy import sparse

from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.definition import (
    Node,
    Problem,
    Task,
    least_worth,
    starts_of,
    worth_of_all,
)
from obsplan.planning.search.model_solution import (
    LATENESS_COST,
    add_tie_break_costs,
    book_solution,
)
from obsplan.planning.search.transmit_windows import with_planned_sending
from obsplan.planning.search.window_by_window import NODE_LIMIT, PLAIN_SEARCH
from obsplan.planning.solver.dual_bound import upper_bound
from obsplan.planning.solver.highs import has_answer, is_optimal, loaded, proven_bound, solution
from obsplan.planning.solver.matrix import LEAST_FIGURE, LinearModel
from obsplan.planning.solver.model import build_model

# So few permitted starts are a small problem; the limit of nodes ends the few that are not
# proven in a second.
SMALL_STARTS = 400
SMALL_NODES = 200
# What rounding in the solver may do to a bound, and so to the proof that a plan is best.
ROUNDING = 2e-6


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


def exact_plan(problem: Problem, relaxed: Problem) -> tuple[Booking | None, float]:
    """The best plan found of a small problem, booked in `problem`, and a bound on them all.

    The bound is one on `relaxed`. For a problem that is not small there is no plan, and the
    bound is the worth of all requested runs.
    """
    if not is_small(relaxed):
        return None, worth_of_all(relaxed)
    plan, bound = best_plan(relaxed, problem)
    if plan is None and _is_stricter(problem, relaxed):
        plan, _ = best_plan(problem, problem)
    return plan, min(bound, worth_of_all(relaxed), upper_bound(relaxed))


def is_proven(plan: Booking, bound: float) -> bool:
    """Whether the plan is optimal, but for rounding in the solver."""
    return plan.value() >= (1 - ROUNDING) * bound


def _is_stricter(problem: Problem, relaxed: Problem) -> bool:
    """Whether the two differ in what a relaxed problem leaves out."""
    return any(
        not np.array_equal(mine, other)
        for part, wide in zip(problem.tasks + problem.nodes, relaxed.tasks + relaxed.nodes)
        for mine, other in zip(_strict_figures(part), _strict_figures(wide))
    )


def _strict_figures(part: Task | Node) -> tuple[np.ndarray, ...]:
    return (part.peak_w,) if isinstance(part, Task) else (part.base_peak_w, part.send_share)


def best_plan(
    question: Problem, problem: Problem, nodes: int = SMALL_NODES
) -> tuple[Booking | None, float]:
    """The best plan found of a small `question`, booked in `problem`, and a bound on them all.

    Unless branch and bound ends at its limit of `nodes`, bound and value meet. The plan is None
    if none was found or if `problem`, being stricter, refuses it; the bound is valid all the
    same. It is the solver's own dual bound. The solver works with tolerances, so the bound is
    raised by ROUNDING of itself, ten times the tolerance of its rows and costs.
    """
    model = build_model(question)
    solver = loaded(model, mixed=True, mip_rel_gap=0.0, mip_max_nodes=nodes)
    solver.run()
    bound = proven_bound(solver)
    bound += ROUNDING * max(1.0, abs(bound)) if np.isfinite(bound) else np.inf
    # The optimum is zero or at least the worth of the first run of some task.
    bound = bound if bound >= least_worth(question) else 0.0
    if not has_answer(solver):
        return None, bound
    proven = is_optimal(solver)
    for chosen in (_preferred(model, question, solver), solver) if proven else (solver,):
        booking = Booking(problem)
        book_solution(chosen, model, booking, 0)
        booking.flow = booking.simulate()
        booking = with_planned_sending(booking) if booking.flow.short else booking
        if not booking.flow.short and booking.fits_bus() and booking.fits_budgets():
            return booking, bound
    return None, bound


def _preferred(model: LinearModel, problem: Problem, solved):
    """Among solutions as good as `solved`, an early one that sends little."""
    x = solution(solved)
    # Coefficients next to nothing would only upset the solver.
    counted = np.where(model.cost >= LEAST_FIGURE, model.cost, 0.0)
    worth = counted @ x
    tied = replace(
        model,
        cost=np.zeros(len(model.cost)),
        matrix=sparse.vstack([model.matrix, sparse.csr_matrix(counted)], format="csr"),
        row_low=np.append(model.row_low, worth - 1e-7 * max(1.0, abs(worth))),
        row_high=np.append(model.row_high, np.inf),
        exclusion_rows=np.append(model.exclusion_rows, False),
        resource_rows=np.append(model.resource_rows, False),
    )
    add_tie_break_costs(tied, problem)
    # Here they are the only costs, so they are scaled up.
    tied.cost /= LATENESS_COST
    solver = loaded(tied, mixed=True, mip_rel_gap=1e-3, mip_max_nodes=NODE_LIMIT, **PLAIN_SEARCH)
    solver.run()
    return solver if has_answer(solver) else solved
