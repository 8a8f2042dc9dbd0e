"""Marginal values: what one more Wh, W, hour of contact or Mbit of each platform would add.

The primal and dual solution of the relaxation tell how its optimum grows when a figure of the
problem changes, whichever rows and columns the figure enters. The largest gains are then
confirmed: the relaxation of the problem with one whole unit more is solved again.
"""

from dataclasses import replace

import numpy as np
import pandas as pd

from obsplan.environment.model import Environment
from obsplan.inputs.hardware import Platform
from obsplan.planning.problem.definition import Node, Problem
from obsplan.planning.problem.from_scenario import build_problem
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


def marginal_worth(environment: Environment) -> pd.DataFrame:
    """What more of each resource would add to the upper bound, most first.

    Columns `platform`, `what`, `unit`, `worth` (value per unit at the margin, from the duals) and
    `confirmed` (what one whole unit more adds when solved again; NaN beyond the first three and for
    what adds nothing). This is how much the upper bound on all plans grows; the best plan may gain
    less, and an existing plan less still.

    One more Wh of battery brings its share of reserve, start and end charge. One more W of
    array is one at the array's best instant, and as much in proportion at others. One more
    hour of contact is spread over the existing contacts, at no more energy; runs that require
    contact gain no window by it. A platform without array output or contact has no such rows.
    """
    relaxed = build_problem(environment, relaxed=True)
    base = build_model(relaxed, coarse=True)
    columns, duals = interior(base, optimality=SHARP)
    bound = dual_bound(base, duals)
    rows, richer = [], []
    for n, platform in enumerate(environment.scenario.platform):
        for (what, unit), node in _with_more(relaxed, n, platform).items():
            nodes = (*relaxed.nodes[:n], node, *relaxed.nodes[n + 1 :])
            richer.append(replace(relaxed, nodes=nodes))
            gain = _gain(base, build_model(richer[-1], coarse=True), columns, duals, bound)
            rows.append((platform.name, what, unit, gain if gain > LEAST_WORTH else 0.0))
    order = sorted(range(len(rows)), key=lambda k: -rows[k][3])
    confirmed = {
        k: max(0.0, _optimum(build_model(richer[k], coarse=True)) - bound)
        for k in order[:CONFIRMED]
        if rows[k][3] > 0
    }
    return pd.DataFrame(
        [(*rows[k], confirmed.get(k, np.nan)) for k in order], columns=list(WORTH_COLUMNS)
    )


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


def _with_more(relaxed: Problem, n: int, platform: Platform) -> dict[tuple[str, str], Node]:
    """The node with one unit more, by what it is of and its unit."""
    node, battery = relaxed.nodes[n], platform.battery
    end = max(battery.reserve, battery.end or 0.0)
    ends_full = platform.store.end_limit_mbit is None
    more = {
        ("battery", "Wh"): replace(
            node,
            capacity_wh=node.capacity_wh + 1,
            reserve_wh=node.reserve_wh + battery.reserve,
            start_wh=node.start_wh + battery.start,
            end_wh=node.end_wh + end,
        ),
        ("storage", "Mbit"): replace(
            node,
            store_mbit=node.store_mbit + 1,
            store_end_mbit=node.store_end_mbit + ends_full,
        ),
    }
    best_w = node.generation_w.max()
    if best_w > 0:
        generation_w = node.generation_w * (1 + 1 / best_w)
        more["array", "W"] = replace(node, generation_w=generation_w)
    contact_h = (node.send_mbit > 0).sum() * relaxed.step_h
    if contact_h > 0:
        more["contact", "h"] = replace(node, send_mbit=node.send_mbit * (1 + 1 / contact_h))
    return more
