"""Columns and rows of a linear model while it is written down, and sums over starts."""

from dataclasses import dataclass, replace

import numpy as np
from scipy import sparse

# No instrument has watts, watt-hours or megabits below this; the solver would drop smaller
# coefficients by itself, with a warning.
LEAST_FIGURE = 1e-8


@dataclass
class LinearModel:
    """maximise cost @ x subject to row_low <= A x <= row_high, low <= x <= high.

    start[i] (steps,) maps each step to the column of that start, -1 if there is none;
    cumulative[i] does so for the number of starts up to that step, sending[n] for the share of
    a step in which node n sends. resource_rows (rows,) says which rows are of bus, battery,
    store, stations and budgets.
    """

    cost: np.ndarray
    low: np.ndarray
    high: np.ndarray
    integer: np.ndarray
    matrix: sparse.csr_matrix
    row_low: np.ndarray
    row_high: np.ndarray
    start: list[np.ndarray]
    cumulative: list[np.ndarray]
    sending: list[np.ndarray]
    resource_rows: np.ndarray


def with_rows(model: LinearModel, rows: np.ndarray, low, high) -> LinearModel:
    """The model with more rows: low <= rows @ x <= high."""
    rows = np.atleast_2d(rows)
    return replace(
        model,
        matrix=sparse.vstack([model.matrix, sparse.csr_matrix(rows)], format="csr"),
        row_low=np.append(model.row_low, np.broadcast_to(low, len(rows))),
        row_high=np.append(model.row_high, np.broadcast_to(high, len(rows))),
        resource_rows=np.append(model.resource_rows, np.zeros(len(rows), dtype=bool)),
    )


class MatrixBuilder:
    """Columns and rows while the model is written down."""

    def __init__(self):
        self.columns: list[tuple[np.ndarray, ...]] = []
        self.column_count = 0
        self.rows: list[tuple[np.ndarray, ...]] = []
        self.limits: list[tuple[np.ndarray, ...]] = []
        self.row_count = 0

    def add_columns(self, count: int, cost=0.0, low=0.0, high=1.0, integer=False) -> np.ndarray:
        self.columns.append(
            tuple(np.broadcast_to(v, count).astype(float) for v in (cost, low, high, integer))
        )
        self.column_count += count
        return np.arange(self.column_count - count, self.column_count)

    def add_rows(self, count: int, low, high, *terms) -> None:
        """`terms` are (row within the block, column, coefficient).

        Column -1 is skipped, and a coefficient too small for a solver to keep.
        """
        for row, column, coefficient in terms:
            row, column, coefficient = np.broadcast_arrays(row, column, coefficient)
            used = (column >= 0) & (np.abs(coefficient) >= LEAST_FIGURE)
            self.rows.append((row[used] + self.row_count, column[used], coefficient[used]))
        limits = tuple(np.broadcast_to(v, count).astype(float) for v in (low, high))
        self.limits.append(limits)
        self.row_count += count

    def linear_model(
        self, starts: list["Starts"], sending: list[np.ndarray], resources_from: int
    ) -> LinearModel:
        """The model; its rows from `resources_from` on are of shared resources."""
        cost, low, high, integer = (np.concatenate(part) for part in zip(*self.columns))
        row, column, value = (np.concatenate(part) for part in zip(*self.rows))
        row_low, row_high = (np.concatenate(part) for part in zip(*self.limits))
        shape = (self.row_count, self.column_count)
        # Two terms of one row may be in the same column; they are added.
        matrix = sparse.coo_matrix((value, (row, column)), shape=shape).tocsr()
        # If they cancel, rounding leaves tiny coefficients.
        matrix.data[np.abs(matrix.data) < LEAST_FIGURE] = 0.0
        matrix.eliminate_zeros()
        none = np.full(len(starts[0].columns) if starts else 0, -1)
        return LinearModel(
            cost,
            low,
            high,
            integer > 0,
            matrix,
            row_low,
            row_high,
            start=[s.columns for s in starts],
            cumulative=[none if s.cumulative is None else s.cumulative for s in starts],
            sending=sending,
            resource_rows=np.arange(self.row_count) >= resources_from,
        )


class Starts:
    """The start columns of one task and sums over stretches of them.

    With no more starts than `spell_out` each sum lists its columns, which suits branch and
    bound best. With more, cumulative starts keep the model sparse: a sum is a difference of two.
    """

    def __init__(self, builder: MatrixBuilder, columns: np.ndarray, spell_out: int):
        self.columns = columns
        self.rows = np.arange(len(columns))
        self.cumulative = None
        count = int((columns >= 0).sum())
        if count > spell_out:
            self.cumulative = builder.add_columns(len(columns), high=count)
            builder.add_rows(
                len(columns),
                0,
                0,
                (self.rows, self.cumulative, 1),
                (self.rows, shifted(self.cumulative, 1), -1),
                (self.rows, columns, -1),
            )

    def within(self, back: int, ahead: int = 0, factor: float = 1.0) -> list[tuple]:
        """Terms of factor * starts in steps (t - back, t + ahead], one row per step t."""
        steps = len(self.columns)
        back, ahead = min(back, steps), min(ahead, steps)
        if self.cumulative is None:
            return [(self.rows, shifted(self.columns, k), factor) for k in range(-ahead, back)]
        last = self.cumulative[np.minimum(self.rows + ahead, steps - 1)]
        return [(self.rows, last, factor), (self.rows, shifted(self.cumulative, back), -factor)]

    def possible(self, back: int, ahead: int = 0) -> np.ndarray:
        """How many starts could lie in (t - back, t + ahead], for each step t (n,)."""
        total = np.concatenate([[0], np.cumsum(self.columns >= 0)])
        until, since = (np.clip(self.rows + 1 + k, 0, len(self.rows)) for k in (ahead, -back))
        return total[until] - total[since]


def at_most(
    builder: MatrixBuilder,
    intervals: list[tuple[Starts, int, int]],
    most: np.ndarray | int = 1,
    summed: int = 1,
) -> None:
    """At most so many starts, at each step or (steps,), within all `intervals` (starts, back,
    ahead), where there could be more.

    One row for every `summed` steps, the sum of theirs.
    """
    could = np.sum([s.possible(back, ahead) for s, back, ahead in intervals], axis=0)
    most = np.broadcast_to(most, could.shape)
    needed = could > most
    if summed == 1:
        # If no start can be added, the row of the step before implies this one.
        added = np.sum([s.possible(1 - ahead, ahead) for s, _, ahead in intervals], axis=0) > 0
        needed &= added | (most < np.append(most[:1], most[:-1]))
    group = np.arange(len(needed)) // summed
    allowed, rows = np.bincount(group, needed * most), np.bincount(group, needed) > 0
    number = np.cumsum(rows) - 1
    terms = [
        (number[group[row[needed[row]]]], column[needed[row]], factor)
        for s, back, ahead in intervals
        for row, column, factor in s.within(back, ahead)
    ]
    builder.add_rows(int(rows.sum()), -np.inf, allowed[rows], *terms)


def profile_terms(own: Starts, profile: np.ndarray, sign: float) -> list[tuple]:
    """Terms of sign * profile along each run, one row per step.

    A profile is mostly level, with a warm-up in front and idle minutes at the end, so in a long
    problem the level is a sum over starts and only what differs goes start by start.
    """
    level = usual_level(own, profile)
    terms = own.within(len(profile), factor=sign * level) if level else []
    for k in np.flatnonzero(profile != level):
        if k < len(own.columns):
            terms.append((own.rows, shifted(own.columns, int(k)), sign * (profile[k] - level)))
    return terms


def usual_level(own: Starts, profile: np.ndarray) -> float:
    """The level of a profile that is a sum over starts: its median in a long problem."""
    return float(np.median(profile)) if own.cumulative is not None else 0.0


def shifted(columns: np.ndarray, by: int) -> np.ndarray:
    """columns[t - by], -1 if that lies outside the span."""
    moved = np.full(len(columns), -1)
    by = max(-len(columns), min(by, len(columns)))
    if by >= 0:
        moved[by:] = columns[: len(columns) - by]
    else:
        moved[:by] = columns[-by:]
    return moved
