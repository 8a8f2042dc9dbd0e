"""From problem to plan: a quick plan, a proven bound, then improvement piece by piece.

This is the only room that imports a solver. Everything stops by deterministic counts,
never by the clock, so the same problem always gives the same plan.
"""

import os
import sys
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import replace
from threading import Event

import highspy
import numpy as np
from scipy import sparse

from obsplan.booking import Booking
from obsplan.excerpt import excerpt
from obsplan.greedy import greedy_plan
from obsplan.milp import LEAST_FIGURE, Model, model
from obsplan.problem import Node, Problem, Task, least_worth

# Hours planned anew at a time: long enough to trade runs, short enough to solve at once;
# every second sweep is shifted by half a stretch, so that no seam stays.
SWEEPS_H = (8, 8)
TAIL_H = 24
NODE_LIMIT = 10
# So few permitted starts are a small problem, whose best plan is looked for at once; most
# are proven in a second, and the limit of nodes ends the others after a few.
SMALL_STARTS = 400
SMALL_NODES = 200
# What rounding in the solver may do to a bound, and so to the proof that a plan is best.
ROUNDING = 2e-6
# A gain below this share of the plan's value is not searched for.
SMALL_GAIN = 5e-4
# Sending costs a little and late starts cost a little, so that of equal plans the one
# that sends least and starts early is found; far below the worth of any run.
SENDING_COST_PER_W = 1e-5
LATENESS_COST = 1e-4
# The stretches are small: solver heuristics take most of the time there and find nothing.
PLAIN_SEARCH = {
    "mip_heuristic_run_rins": False,
    "mip_heuristic_run_rens": False,
    "mip_heuristic_run_root_reduced_cost": False,
}


def better_plans(
    problem: Problem,
    question: Problem,
    gap: float,
    first: Booking | None = None,
    told: Callable[[float], None] = lambda bound: None,
) -> Iterator[tuple[Booking, float]]:
    """Ever better plans, each with an upper bound on what any plan can be worth.

    `problem` is planned in; it may be stricter than `question`, which is bounded, so that
    plans survive a finer replay. A small problem is first looked at whole, and where the
    best plan is proven it is the only one. Otherwise the first plan comes at once with an
    infinite bound, or is `first` where that is given; the last is within `gap` of the
    bound, or no stretch of it could be improved. `told` hears every bound once it is known,
    before the plans are; closing the iterator stops the search for a bound, too. Raises
    LookupError naming the required runs, and those they wait for, when no place is found.
    """
    whole, proven = None, np.inf
    if is_small(question):
        whole, proven = best_plan(question, problem)
        if whole is None and _stricter(problem, question):
            whole, _ = best_plan(problem, problem)
        proven = min(proven, upper_bound(question))
        if whole is not None and whole.value() >= (1 - ROUNDING) * proven:
            yield whole, above(proven, whole)
            return
        told(proven)
    with ThreadPoolExecutor(max_workers=1) as pool:
        unwanted = Event()
        bounded: Future[float] = pool.submit(upper_bound, question, unwanted)
        bounded.add_done_callback(lambda done: done.exception() or told(done.result()))
        try:
            booking = whole or first or quick_plan(problem)
            yield booking, np.inf
            for sweep, hours in enumerate(SWEEPS_H):
                for booking in _sweep(booking, hours, shifted=sweep % 2 == 1):
                    yield booking, np.inf
                # Asked only between sweeps: when the bound arrives must not steer the plan.
                if booking.value() >= (1 - gap) * bounded.result():
                    break
            yield booking, above(min(bounded.result(), proven), booking)
        finally:
            unwanted.set()


def above(bound: float, booking: Booking) -> float:
    """The bound, not below the plan by rounding; raises RuntimeError if it is by more."""
    if booking.value() > bound + ROUNDING * max(1.0, abs(bound)):
        raise RuntimeError(
            f"a plan worth {booking.value()} lies above its bound {bound}: one of them is wrong"
        )
    return max(bound, booking.value())


def is_small(problem: Problem) -> bool:
    """Whether the best plan may well be found and proven in a few seconds."""
    return sum(int(task.starts.sum()) for task in problem.tasks) <= SMALL_STARTS


def _stricter(problem: Problem, question: Problem) -> bool:
    """Whether the two differ in what a relaxed problem leaves out."""
    return any(
        not np.array_equal(mine, other)
        for part, wide in zip(problem.tasks + problem.nodes, question.tasks + question.nodes)
        for mine, other in zip(_strict_figures(part), _strict_figures(wide))
    )


def _strict_figures(part: Task | Node) -> tuple[np.ndarray, ...]:
    return (part.peak_w,) if isinstance(part, Task) else (part.base_peak_w, part.send_share)


def best_plan(
    question: Problem, problem: Problem, nodes: int = SMALL_NODES
) -> tuple[Booking | None, float]:
    """The best plan found of a small `question`, booked in `problem`, and a bound on them all.

    The whole model goes to the branching solver at once; unless the search ended at its
    limit of `nodes`, bound and value meet. There is no plan (None) when none was found or
    when `problem`, being stricter, refuses it; the bound is true all the same. It is the
    solver's own: the best value found plus what its search tree left open. The solver
    computes in floating point and with tolerances, so its bound is raised by ROUNDING of
    itself, ten times the tolerance to which its rows and costs hold.
    """
    draft = model(question)
    solver = _solver(draft, mixed=True, mip_rel_gap=0.0, mip_max_nodes=nodes)
    solver.run()
    bound = solver.getInfo().mip_dual_bound
    bound += ROUNDING * max(1.0, abs(bound)) if np.isfinite(bound) else np.inf
    # A plan that is worth anything is worth the first run of some task.
    bound = bound if bound >= least_worth(question) else 0.0
    if not _has_plan(solver):
        return None, bound
    proven = solver.getModelStatus() == highspy.HighsModelStatus.kOptimal
    for chosen in (_preferred(draft, question, solver), solver) if proven else (solver,):
        booking = Booking(problem)
        _take(chosen, draft, booking, 0)
        booking.flow = booking.simulate()
        booking = with_planned_sending(booking) if booking.flow.short else booking
        if not booking.flow.short and booking.fits_bus():
            return booking, bound
    return None, bound


def _preferred(draft: Model, problem: Problem, solved: highspy.Highs) -> highspy.Highs:
    """Of the plans worth as much as what `solved` found, an early one that sends little."""
    x = np.array(solved.getSolution().col_value)
    # Shares of a run that are worth next to nothing would only upset the solver's rows.
    counted = np.where(draft.cost >= LEAST_FIGURE, draft.cost, 0.0)
    worth = counted @ x
    alike = replace(
        draft,
        cost=np.zeros(len(draft.cost)),
        matrix=sparse.vstack([draft.matrix, sparse.csr_matrix(counted)], format="csr"),
        row_low=np.append(draft.row_low, worth - 1e-7 * max(1.0, abs(worth))),
        row_high=np.append(draft.row_high, np.inf),
    )
    _prefer(alike, problem)
    # These costs stand alone here, so they need not be small, and are better not.
    alike.cost /= LATENESS_COST
    solver = _solver(
        alike, mixed=True, mip_rel_gap=1e-3, mip_max_nodes=NODE_LIMIT, **PLAIN_SEARCH
    )
    solver.run()
    return solver if _has_plan(solver) else solved


def _returns_what_it_found(solver: highspy.Highs, draft: Model) -> bool:
    """Whether objective and solution agree.

    Where presolve alone solves the model, the library may hand back the hint instead.
    """
    info = solver.getInfo()
    worth = draft.cost @ np.array(solver.getSolution().col_value)
    return abs(worth - info.objective_function_value) <= 1e-6 * max(1.0, abs(worth))


def _has_plan(solver: highspy.Highs) -> bool:
    feasible = highspy.SolutionStatus.kSolutionStatusFeasible
    return solver.getInfo().primal_solution_status == feasible


def quick_plan(problem: Problem) -> Booking:
    """A greedy plan, its sending put where it costs least, and filled up once more."""
    booking = greedy_plan(problem)
    missing = [
        task.name for task, runs in zip(problem.tasks, booking.runs) if len(runs) < task.must
    ]
    if missing:
        booking = _required_only(problem)
        booking = greedy_plan(problem, booking)
    return greedy_plan(problem, with_planned_sending(booking))


def _required_only(problem: Problem) -> Booking:
    """Required runs, and those they wait for, placed by the solver where greed failed."""
    needed = {i for i, task in enumerate(problem.tasks) if task.must}
    for _ in problem.tasks:
        needed |= {earlier for i in needed for earlier, *_ in problem.tasks[i].earlier}
    tasks = tuple(
        replace(task, count=max(task.must, 1), value=0.0)
        if i in needed
        else replace(task, count=0, starts=np.zeros(problem.steps, bool))
        for i, task in enumerate(problem.tasks)
    )
    names = ", ".join(f'"{problem.tasks[i].name}"' for i in sorted(needed))
    draft = model(replace(problem, tasks=tasks))
    solver = _solver(draft, mixed=True)
    solver.run()
    if solver.getModelStatus() != highspy.HighsModelStatus.kOptimal:
        raise LookupError(names)
    booking = Booking(problem)
    _take(solver, draft, booking, 0)
    booking.flow = booking.simulate()
    booking = with_planned_sending(booking) if booking.flow.short else booking
    if booking.flow.short:
        raise LookupError(f"{names} ({booking.flow.short})")
    return booking


def _sweep(booking: Booking, hours: float, shifted: bool) -> Iterator[Booking]:
    """Plan every stretch of `hours` anew in turn, the rest as it is; yield what is better."""
    steps, hour = booking.problem.steps, booking.problem.step_h
    width, tail = max(1, round(hours / hour)), round(TAIL_H / hour)
    for first in range(-(width // 2) if shifted else 0, steps, width):
        free = max(0, first), min(steps, first + width)
        better = improved(booking, free, min(steps, free[1] + tail))
        if better is not booking:
            booking = better
            yield booking


def improved(booking: Booking, free: tuple[int, int], last: int) -> Booking:
    """`booking` with the starts of steps `free` planned anew, or itself when none is better."""
    part, rest = excerpt(booking, free, last)
    draft = model(part)
    _prefer(draft, part)
    solver = _solver(
        draft,
        mixed=True,
        mip_rel_gap=0.0,
        mip_abs_gap=max(SMALL_GAIN * booking.value(), 1e-6),
        mip_max_nodes=NODE_LIMIT,
        **PLAIN_SEARCH,
    )
    hint = [
        draft.start[i][start - free[0]]
        for i, runs in enumerate(booking.runs)
        for start in sorted(set(runs) - set(rest.runs[i]))
    ]
    if hint and min(hint) >= 0:
        solver.setSolution(len(hint), np.array(hint, dtype=np.int32), np.ones(len(hint)))
    solver.run()
    if _has_plan(solver) and not _returns_what_it_found(solver, draft):
        solver.clearSolver()
        solver.run()
    if not _has_plan(solver):
        return booking
    _take(solver, draft, rest, free[0])
    rest.flow = rest.simulate()
    if rest.merit() <= booking.merit() + 1e-9:
        return booking
    if rest.flow.short:
        # The piece was judged by shares of steps; let the sending settle over the whole.
        rest = with_planned_sending(rest)
        if rest.flow.short:
            return booking
    return rest


def _prefer(draft: Model, problem: Problem) -> None:
    for task, start in zip(problem.tasks, draft.start):
        here = start >= 0
        late = np.arange(problem.steps)[here] / max(problem.steps, 1)
        draft.cost[start[here]] += task.favour[here] - LATENESS_COST * task.value * late
    for node, share in zip(problem.nodes, draft.sharing):
        here = share >= 0
        draft.cost[share[here]] -= SENDING_COST_PER_W * (node.transmit_w * node.send_share)[here]


def _take(solver: highspy.Highs, draft: Model, booking: Booking, first: int) -> None:
    """Book what the solver chose; step 0 of the draft is step `first` of the booking."""
    x = np.array(solver.getSolution().col_value)
    for i, start in enumerate(draft.start):
        for step in np.flatnonzero((start >= 0) & (x[start] > 0.5)):
            booking.add(i, int(step) + first)
    for n, share in enumerate(draft.sharing):
        part = slice(first, first + len(share))
        booking.may_send[n, part] = (share >= 0) & (x[share] > 1e-6)


def with_planned_sending(booking: Booking) -> Booking:
    """The same runs, sending where it takes least energy; `booking` when that fails."""
    problem = booking.problem
    nodes = tuple(
        replace(
            node,
            base_w=booking.load_w[n],
            base_peak_w=booking.peak_w[n],
            base_data_mbit=booking.data_mbit[n],
        )
        for n, node in enumerate(problem.nodes)
    )
    draft = model(Problem(problem.steps, problem.step_h, (), nodes, frozenset()))
    for node, share in zip(nodes, draft.sharing):
        here = share >= 0
        late = 1 + 1e-3 * np.arange(problem.steps)[here] / problem.steps
        draft.cost[share[here]] = -late * (1e-3 + (node.transmit_w * node.send_share)[here])
    solver = _solver(draft, mixed=False)
    solver.run()
    if solver.getModelStatus() != highspy.HighsModelStatus.kOptimal:
        return booking
    planned = booking.copy()
    _take(solver, draft, planned, 0)
    planned.flow = planned.simulate()
    return booking if planned.flow.short else planned


def upper_bound(problem: Problem, unwanted: Event | None = None) -> float:
    """No plan can be worth more: a bound from the duals of the linear relaxation.

    Interior point without crossover gives duals that are almost optimal; weak duality
    makes a bound of any duals, so their last digits cost tightness, never truth. Once
    `unwanted` is set the solver stops where it is, and the bound is a loose one.
    """
    relaxed = model(problem)
    solver = _solver(relaxed, mixed=False, solver="ipm", run_crossover="off")
    if unwanted is not None:
        solver.cbIpmInterrupt += lambda event: unwanted.is_set() and event.interrupt()
    solver.run()
    duals = np.array(solver.getSolution().row_dual)
    if len(duals) != len(relaxed.row_low) or not np.isfinite(duals).all():
        duals = np.zeros(len(relaxed.row_low))
    return dual_bound(relaxed, duals)


def dual_bound(relaxed: Model, duals: np.ndarray) -> float:
    """max cost @ x <= sum over columns and rows of the best each can add, for any `duals`.

    cost @ x = (cost - y A) @ x + y @ (A x), each term at its best within its limits.
    Directed slack: the sum is raised by a bound on its own rounding, which is at most one
    unit in the last place for each of the terms that are summed one after the other.
    """
    y = np.where((duals > 0) & np.isinf(relaxed.row_high), 0.0, duals)
    y = np.where((y < 0) & np.isinf(relaxed.row_low), 0.0, y)
    reduced = relaxed.cost - relaxed.matrix.T @ y
    columns = np.maximum(reduced * relaxed.low, reduced * relaxed.high)
    with np.errstate(invalid="ignore"):
        rows = np.where(y > 0, y * relaxed.row_high, np.where(y < 0, y * relaxed.row_low, 0.0))
    size = np.abs(columns).sum() + np.abs(rows).sum()
    size += (np.abs(relaxed.matrix.T) @ np.abs(y) @ np.maximum(abs(relaxed.low), abs(relaxed.high)))
    terms = np.bincount(relaxed.matrix.indices, minlength=1).max() + 64
    return float(columns.sum() + rows.sum() + size * np.finfo(float).eps * terms)


def _solver(draft: Model, mixed: bool, **options) -> highspy.Highs:
    """A solver loaded with `draft`; every refused option or model is an error."""
    solver = _quiet_solver()
    for name, value in {"output_flag": False, "threads": 1, "random_seed": 0, **options}.items():
        if solver.setOptionValue(name, value) != highspy.HighsStatus.kOk:
            raise RuntimeError(f"the solver does not know the option {name} = {value}")
    lp = highspy.HighsLp()
    lp.num_col_, lp.num_row_ = len(draft.cost), len(draft.row_low)
    lp.sense_ = highspy.ObjSense.kMaximize
    lp.col_cost_, lp.col_lower_, lp.col_upper_ = draft.cost, draft.low, draft.high
    lp.row_lower_, lp.row_upper_ = draft.row_low, draft.row_high
    lp.a_matrix_.format_ = highspy.MatrixFormat.kRowwise
    lp.a_matrix_.num_col_, lp.a_matrix_.num_row_ = lp.num_col_, lp.num_row_
    lp.a_matrix_.start_ = draft.matrix.indptr
    lp.a_matrix_.index_ = draft.matrix.indices
    lp.a_matrix_.value_ = draft.matrix.data
    if mixed:
        kinds = (highspy.HighsVarType.kContinuous, highspy.HighsVarType.kInteger)
        lp.integrality_ = [kinds[int(whole)] for whole in draft.integer]
    # A doubled entry or a bound crossed leaves an empty model behind without a word.
    if solver.passModel(lp) != highspy.HighsStatus.kOk or solver.getNumCol() != lp.num_col_:
        raise RuntimeError("the solver did not accept the model")
    return solver


def _quiet_solver() -> highspy.Highs:
    """A new solver. The library greets on standard output, which belongs to the tables."""
    sys.stdout.flush()
    kept = os.dup(1)
    with open(os.devnull, "w") as nowhere:
        os.dup2(nowhere.fileno(), 1)
        try:
            return highspy.Highs()
        finally:
            os.dup2(kept, 1)
            os.close(kept)
