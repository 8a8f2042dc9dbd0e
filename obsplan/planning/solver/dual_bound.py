"""Upper bounds on the value of any plan: dual bounds of the linear relaxation.

Weak duality makes a valid bound of any duals, however inexact, once rounding is allowed for.
"""

from dataclasses import dataclass
from threading import Event

import numpy as np

from obsplan.planning.problem.definition import Problem
from obsplan.planning.solver.highs import interior
from obsplan.planning.solver.matrix import LinearModel
from obsplan.planning.solver.model import build_model


@dataclass(frozen=True)
class Relaxation:
    """Solution of the linear relaxation; no plan is worth more than `bound`.

    Arrays are (tasks, steps). shares: the fraction of a run that begins there. price: what a start
    there costs others, the dual prices of bus, battery, store, stations and budgets.
    """

    bound: float
    shares: np.ndarray
    price: np.ndarray


def relaxation(problem: Problem, stop: Event | None = None) -> Relaxation:
    """Bound, fractional plan and prices from the linear relaxation of `problem`.

    Interior point without crossover gives duals that are almost optimal; weak duality makes a bound
    of any duals, so inexact duals make the bound less tight but never wrong. Once `stop` is set the
    solver stops where it is, and the bound is loose.
    """
    relaxed = build_model(problem, coarse=True)
    columns, duals = interior(relaxed, stop)
    shares = [np.where(start >= 0, columns[start], 0.0) for start in relaxed.start]
    of_resources = np.where(relaxed.resource_rows, duals, 0.0)
    return Relaxation(
        # If not even the idle plan is feasible, the dual is unbounded below.
        bound=max(0.0, dual_bound(relaxed, duals)),
        shares=np.reshape(shares, (len(problem.tasks), problem.steps)),
        price=_of_starts(relaxed, relaxed.matrix.T @ of_resources),
    )


def _of_starts(relaxed: LinearModel, of_columns: np.ndarray) -> np.ndarray:
    """Sum (tasks, steps) of `of_columns` over the columns that a start sets."""
    found = []
    for start, cumulative in zip(relaxed.start, relaxed.cumulative):
        # A start counts in all cumulative columns from then on.
        since = np.cumsum(np.where(cumulative >= 0, of_columns[cumulative], 0.0)[::-1])[::-1]
        found.append(np.where(start >= 0, of_columns[start] + since, 0.0))
    return np.array(found)


def upper_bound(problem: Problem) -> float:
    """No plan can be worth more than this."""
    return relaxation(problem).bound


def dual_bound(relaxed: LinearModel, duals: np.ndarray) -> float:
    """Upper bound on max cost @ x by weak duality, valid for any `duals`.

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
    size += abs(relaxed.matrix.T) @ np.abs(y) @ np.maximum(abs(relaxed.low), abs(relaxed.high))
    terms = np.bincount(relaxed.matrix.indices, minlength=1).max() + 64
    return float(columns.sum() + rows.sum() + size * np.finfo(float).eps * terms)
