"""The solver HiGHS: a model goes in, columns and duals come out. No other module imports it."""

import os
import sys
from collections.abc import Callable
from functools import cache
from threading import Event, Lock

import highspy
import numpy as np
from highspy.highs import HighsCallbackEvent

from obsplan.planning.solver.matrix import LinearModel

# Accurate enough for a bound that is made safe afterwards, and a quarter faster.
LOOSE_TOLERANCE = 1e-4
# Above this relative gap between primal and dual the solver got stuck.
STUCK = 1e-2
OPTIONS: tuple[dict[str, object], ...] = ({}, {"user_objective_scale": -3}, {"presolve": "off"})
# Solvers are made on several threads; only one may silence the banner.
GREETING = Lock()


def loaded(model: LinearModel, mixed: bool, **options) -> highspy.Highs:
    """A solver loaded with `model`; every refused option or model is an error."""
    solver = _quiet_solver()
    for name, value in {"output_flag": False, "threads": 1, "random_seed": 0, **options}.items():
        if solver.setOptionValue(name, value) != highspy.HighsStatus.kOk:
            raise RuntimeError(f"the solver does not know the option {name} = {value}")
    lp = highspy.HighsLp()
    lp.num_col_, lp.num_row_ = len(model.cost), len(model.row_low)
    lp.sense_ = highspy.ObjSense.kMaximize
    lp.col_cost_, lp.col_lower_, lp.col_upper_ = model.cost, model.low, model.high
    lp.row_lower_, lp.row_upper_ = model.row_low, model.row_high
    lp.a_matrix_.format_ = highspy.MatrixFormat.kRowwise
    lp.a_matrix_.num_col_, lp.a_matrix_.num_row_ = lp.num_col_, lp.num_row_
    lp.a_matrix_.start_ = model.matrix.indptr
    lp.a_matrix_.index_ = model.matrix.indices
    lp.a_matrix_.value_ = model.matrix.data
    if mixed:
        kinds = (highspy.HighsVarType.kContinuous, highspy.HighsVarType.kInteger)
        lp.integrality_ = [kinds[int(integer)] for integer in model.integer]
    # A repeated entry or crossed bounds leave an empty model behind without a warning.
    if solver.passModel(lp) != highspy.HighsStatus.kOk or solver.getNumCol() != lp.num_col_:
        raise RuntimeError("the solver did not accept the model")
    return solver


def solution(solver: highspy.Highs) -> np.ndarray:
    """The columns of the best solution so far."""
    return np.array(solver.getSolution().col_value)


def is_optimal(solver: highspy.Highs) -> bool:
    """Whether the search ended with a proof of optimality."""
    return solver.getModelStatus() == highspy.HighsModelStatus.kOptimal


def is_impossible(solver: highspy.Highs) -> bool:
    """Whether the search ended with a proof that the model is infeasible."""
    # With costs of zero, as for feasibility alone, nothing is unbounded.
    none = highspy.HighsModelStatus.kInfeasible, highspy.HighsModelStatus.kUnboundedOrInfeasible
    return solver.getModelStatus() in none


def has_answer(solver: highspy.Highs) -> bool:
    """Whether any feasible solution was found."""
    feasible = highspy.SolutionStatus.kSolutionStatusFeasible
    return solver.getInfo().primal_solution_status == feasible


def proven_bound(solver: highspy.Highs) -> float:
    """The dual bound of branch and bound, within the solver's tolerances."""
    return float(solver.getInfo().mip_dual_bound)


def end_once(solver: highspy.Highs, stop: Event) -> None:
    """Let the branching end where it is, soon after `stop` is set."""
    solver.cbMipInterrupt += _interrupt_once(stop)


def _interrupt_once(stop: Event) -> Callable[[HighsCallbackEvent], None]:
    def interrupt(event: HighsCallbackEvent) -> None:
        if stop.is_set():
            event.interrupt()

    return interrupt


def interior(
    model: LinearModel, stop: Event | None = None, optimality: float = LOOSE_TOLERANCE
) -> tuple[np.ndarray, np.ndarray]:
    """Columns and row duals of the linear relaxation, by interior point without crossover.

    Both are optimal to about `optimality`, relative, and the columns lie in the interior of the
    optimal face. If the solver gets stuck, it is run again with other options. Once `stop` is set
    it stops where it is. Zeros where there is no answer.
    """
    answers: list[tuple[float, np.ndarray, np.ndarray]] = []
    for options in OPTIONS:
        solver = loaded(
            model,
            mixed=False,
            solver="ipm",
            run_crossover="off",
            ipm_optimality_tolerance=optimality,
            **options,
        )
        if stop is not None:
            solver.cbIpmInterrupt += _interrupt_once(stop)
        solver.run()
        found = solver.getSolution()
        gap = solver.getInfo().primal_dual_objective_error  # type: ignore[attr-defined]
        columns = _usable(found.col_value, len(model.cost))
        duals = _usable(found.row_dual, len(model.row_low))
        answers.append((gap if np.isfinite(gap) else np.inf, columns, duals))
        if gap <= STUCK or (stop is not None and stop.is_set()):
            break
    _, columns, duals = min(answers, key=lambda answer: answer[0])
    return columns, duals


def _usable(values: list[float], count: int) -> np.ndarray:
    numbers = np.array(values)
    usable = len(numbers) == count and np.isfinite(numbers).all()
    return numbers if usable else np.zeros(count)


def _quiet_solver() -> highspy.Highs:
    """A new solver. The first one would print a banner among the tables on standard output."""
    with GREETING:
        _silence_banner()
    return highspy.Highs()


@cache
def _silence_banner() -> None:
    sys.stdout.flush()
    kept = os.dup(1)
    with open(os.devnull, "w") as nowhere:
        os.dup2(nowhere.fileno(), 1)
        try:
            highspy.Highs()
        finally:
            os.dup2(kept, 1)
            os.close(kept)
