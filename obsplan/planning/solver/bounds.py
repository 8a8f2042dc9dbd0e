"""What no plan can be worth more than: bounds from the duals of the linear relaxation."""

from dataclasses import dataclass
from threading import Event

import numpy as np

from obsplan.planning.problem.definition import Problem
from obsplan.planning.solver.highs import interior
from obsplan.planning.solver.matrix import Model
from obsplan.planning.solver.model import RIVAL_H, model


@dataclass(frozen=True)
class Relaxation:
    """What the relaxed problem says: no plan is worth more than `bound`.

    starts: per task and step (tasks, steps), what share of a run begins there.
    offers: what a start there is worth beyond the prices of all that it uses but the time
    in which others must keep off.
    charges: the prices of what it draws on bus, battery, store and stations alone.
    """

    bound: float
    starts: np.ndarray
    offers: np.ndarray
    charges: np.ndarray


def relaxation(
    problem: Problem, unwanted: Event | None = None, rival_h: float = RIVAL_H
) -> Relaxation:
    """Bound and shares of runs from the linear relaxation of `problem`.

    Exclusion is asked of every `rival_h` hours together, and gaps of no more; the bound is
    tighter, and takes longer, the fewer they are.

    Interior point without crossover gives duals that are almost optimal; weak duality makes
    a bound of any duals, so their last digits cost tightness, never truth. Once `unwanted`
    is set the solver stops where it is, and the bound is a loose one.
    """
    relaxed = model(problem, coarse=True, rival_h=rival_h)
    columns, duals = interior(relaxed, unwanted)
    shares = [np.where(start >= 0, columns[start], 0.0) for start in relaxed.start]
    prices = np.where(relaxed.drawing, duals, 0.0), np.where(relaxed.apart, 0.0, duals)
    drawn, used = (_of_starts(relaxed, relaxed.matrix.T @ price) for price in prices)
    return Relaxation(
        # Where not even an idle plan holds, the duals run off below what any plan is worth.
        bound=max(0.0, dual_bound(relaxed, duals)),
        starts=np.reshape(shares, (len(problem.tasks), problem.steps)),
        offers=_of_starts(relaxed, relaxed.cost) - used,
        charges=drawn,
    )


def _of_starts(relaxed: Model, of_columns: np.ndarray) -> np.ndarray:
    """What each start comes to (tasks, steps), where a column comes to so much."""
    found = []
    for start, begun in zip(relaxed.start, relaxed.begun):
        # A start counts as begun from then on.
        since = np.cumsum(np.where(begun >= 0, of_columns[begun], 0.0)[::-1])[::-1]
        found.append(np.where(start >= 0, of_columns[start] + since, 0.0))
    return np.array(found)


def upper_bound(problem: Problem) -> float:
    """No plan can be worth more than this."""
    return relaxation(problem).bound


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
    size += np.abs(relaxed.matrix.T) @ np.abs(y) @ np.maximum(abs(relaxed.low), abs(relaxed.high))
    terms = np.bincount(relaxed.matrix.indices, minlength=1).max() + 64
    return float(columns.sum() + rows.sum() + size * np.finfo(float).eps * terms)
