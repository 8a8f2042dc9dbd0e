"""The mixed-integer model given to solvers the planner does not use, or not this way."""

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp

from obsplan.planning.solver.matrix import LinearModel

# Charge (Wh), data (Mbit) and shares of sending go in so many steps per unit.
FINENESS = 1000
# An answer so near to the solver's own bound beats ours, or does not, as well as the best.
ENOUGH = 0.05


def by_scipy(model: LinearModel, nodes: int) -> tuple[float | None, np.ndarray | None]:
    """Worth and columns of the best that `scipy.optimize.milp` finds in `nodes` nodes.

    Another interface than the planner's, all rows of the model and the library's own
    settings. None where it found nothing.
    """
    found = milp(
        -model.cost,
        integrality=model.integer.astype(int),
        bounds=Bounds(model.low, model.high),
        constraints=LinearConstraint(model.matrix, model.row_low, model.row_high),
        options={"node_limit": nodes, "mip_rel_gap": ENOUGH},
    )
    return (None, None) if found.x is None else (float(model.cost @ found.x), found.x)


def by_cp_sat(
    model: LinearModel, limit_s: float | None = None, work: float | None = None, workers: int = 1
) -> tuple[float | None, float]:
    """Worth of the best that CP-SAT finds (None: nothing), and its own bound.

    CP-SAT knows whole numbers only; the library scales rows, and cuts continuous columns
    into steps of 1 / FINENESS. That is a restriction, so what it finds holds, but its bound
    is one on plans of that grid alone.
    `limit_s` ends it by the clock, `work` by its deterministic count.
    """
    from ortools.linear_solver.python import model_builder_helper

    asked = model_builder_helper.ModelBuilderHelper()
    asked.fill_model_from_sparse_data(
        model.low, model.high, model.cost, model.row_low, model.row_high, model.matrix
    )
    for column in np.flatnonzero(model.integer):
        asked.set_var_integrality(int(column), True)
    asked.set_maximize(True)
    solver = model_builder_helper.ModelSolverHelper("sat")
    parameters = [f"num_workers:{workers}", f"mip_var_scaling:{FINENESS}"]
    if limit_s is not None:
        solver.set_time_limit_in_seconds(limit_s)
    if work is not None:
        parameters.append(f"max_deterministic_time:{work}")
    solver.set_solver_specific_parameters(" ".join(parameters))
    solver.solve(asked)
    worth = float(model.cost @ solver.variable_values()) if solver.has_solution() else None
    return worth, float(solver.best_objective_bound())
