"""From problem to plan: a quick plan, a proven bound, then improvement window by window.

This is the only room that imports a solver. Everything is stopped by deterministic
counts, so the same problem always gives the same plan.
"""

import highspy
import numpy as np

from obsplan.milp import Model


def _solver(model: Model, mixed: bool, **options) -> highspy.Highs:
    solver = highspy.Highs()
    solver.setOptionValue("output_flag", False)
    solver.setOptionValue("threads", 1)
    for name, value in options.items():
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
        lp.integrality_ = [kinds[int(i)] for i in model.integer]
    if solver.passModel(lp) != highspy.HighsStatus.kOk:
        raise RuntimeError("the solver did not accept the model")
    return solver
