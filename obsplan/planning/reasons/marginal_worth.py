"""Marginal values: what one more Wh, W, hour of contact or Mbit of each platform would add.

The primal and dual solution of the relaxation tell how its optimum grows when a figure of the
problem changes, whichever rows and columns the figure enters. The largest gains are then
confirmed: the relaxation of the problem with one whole unit more is solved again.
"""

import numpy as np
import pandas as pd

from obsplan.environment.model import Environment
from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.definition import Problem, worth_of_all
from obsplan.planning.problem.from_scenario import build_problem
from obsplan.planning.reasons.resources import RESOURCES, Resource
from obsplan.planning.reasons.what_if import Variant
from obsplan.planning.solver.dual_bound import dual_bound
from obsplan.planning.solver.highs import interior
from obsplan.planning.solver.matrix import LinearModel
from obsplan.planning.solver.model import build_model

WORTH_COLUMNS = ("platform", "what", "unit", "worth", "confirmed")
CONFIRMED = 3
# The solver's optimality tolerance: differences of two bounds are compared to a thousandth of
# a run's value and less.
SHARP = 1e-8
# Values below this are rounding errors of the solver.
LEAST_WORTH = 1e-6
# A bound that is below the worth of all requests by less than this share counts them all.
ALL_COUNTED = 1e-6


def marginal_worth(environment: Environment) -> pd.DataFrame:
    """What more of each resource would add to the upper bound, most first.

    Columns `platform`, `what`, `unit`, `worth` (value per unit at the margin, from the duals) and
    `confirmed` (what one whole unit more adds when solved again; NaN beyond the first three and for
    what adds nothing). This is how much the upper bound on all plans grows; a plan, which is below
    the bound, may gain more or less. If the bound counts every requested run as placed, it cannot
    grow and gives no price: then `worth` is NaN. `gain_from_more` tells what a plan gains.

    With one more Wh of battery, both its capacity and its charge at the start grow by one. One more
    W of array is one at the array's best instant, and as much in proportion at others. One more
    hour of contact is spread over the existing contacts, at no more energy; runs that require
    contact gain no window by it. Storage at the end is what may be left on board then. A platform
    without array output, contact or limit at the end has no such row.
    """
    relaxed = build_problem(environment, relaxed=True)
    base = build_model(relaxed, coarse=True)
    columns, duals = interior(base, optimality=SHARP)
    bound = dual_bound(base, duals)
    requested = worth_of_all(relaxed)
    has_prices = bound < requested * (1 - ALL_COUNTED)
    as_it_is = Variant(Booking(relaxed), environment)
    rows, richer = [], []
    for n, resource in resources_of(relaxed):
        problem = resource.more(n, as_it_is, 1.0).booking.problem
        richer.append(problem)
        gain = np.nan
        if has_prices:
            gain = _gain(base, build_model(problem, coarse=True), columns, duals, bound)
            gain = gain if gain > LEAST_WORTH else 0.0
        rows.append((relaxed.nodes[n].name, resource.what, resource.unit, gain))
    order = sorted(range(len(rows)), key=lambda k: -rows[k][3]) if has_prices else range(len(rows))
    confirmed = {
        k: max(0.0, _optimum(build_model(richer[k], coarse=True)) - bound)
        for k in list(order)[:CONFIRMED]
        if rows[k][3] > 0
    }
    return pd.DataFrame(
        [(*rows[k], confirmed.get(k, np.nan)) for k in order], columns=list(WORTH_COLUMNS)
    )


def resources_of(problem: Problem) -> list[tuple[int, Resource]]:
    """The resources that each node has some of: its index, and the resource."""
    return [
        (n, resource)
        for n, node in enumerate(problem.nodes)
        for resource in RESOURCES
        if resource.amount(problem, node) > 0
    ]


def _gain(
    base: LinearModel, more: LinearModel, columns: np.ndarray, duals: np.ndarray, bound: float
) -> float:
    """By how much the optimum of `more` exceeds `bound`, the optimum of `base`, to first order.

    The change of the Lagrangian cost @ x + y @ (b - A x) + r @ (limits - x) at the optimal x,
    its duals y and reduced costs r. The Lagrangian is stationary in all three there, so their
    own changes count only to second order.
    """
    if base.matrix.shape != more.matrix.shape:
        return _optimum(more) - bound
    reduced = base.cost - base.matrix.T @ duals
    limits = np.where(reduced > 0, more.high - base.high, more.low - base.low)
    # A row without a limit on one side has no dual of that sign, but for rounding.
    rows = np.where(
        duals > 0, _rise(base.row_high, more.row_high), _rise(base.row_low, more.row_low)
    )
    rows = rows - (more.matrix - base.matrix) @ columns
    return float((more.cost - base.cost) @ columns + duals @ rows + reduced @ limits)


def _rise(before: np.ndarray, after: np.ndarray) -> np.ndarray:
    return np.subtract(after, before, out=np.zeros(len(before)), where=np.isfinite(before))


def _optimum(more: LinearModel) -> float:
    return dual_bound(more, interior(more, optimality=SHARP)[1])
