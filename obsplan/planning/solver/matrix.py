"""Columns and rows of a linear model while it is written down, and sums over starts."""

from dataclasses import dataclass

import numpy as np
from scipy import sparse

# Watts, watt-hours and megabits below this are no figures of an instrument; a solver drops
# smaller coefficients by itself, and says so as if the model were in doubt.
LEAST_FIGURE = 1e-8


@dataclass
class Model:
    """maximise cost @ x subject to row_low <= A x <= row_high, low <= x <= high.

    start[i] (steps,) maps each step to the column of that start, -1 where there is none;
    begun[i] does so for the starts up to that step; sharing[n] for the share of a step in
    which node n sends. apart (rows,) says which rows keep runs off each other, drawing
    (rows,) which are of what runs draw on.
    """

    cost: np.ndarray
    low: np.ndarray
    high: np.ndarray
    integer: np.ndarray
    matrix: sparse.csr_matrix
    row_low: np.ndarray
    row_high: np.ndarray
    start: list[np.ndarray]
    begun: list[np.ndarray]
    sharing: list[np.ndarray]
    apart: np.ndarray
    drawing: np.ndarray


class Draft:
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

    def add_rows(self, count: int, low, high, *terms, apart: bool = False) -> None:
        """`terms` are (row within the block, column, coefficient).

        Column -1 is skipped, and a coefficient too small for a solver to keep. `apart` says
        that these rows keep runs off each other.
        """
        for row, column, coefficient in terms:
            row, column, coefficient = np.broadcast_arrays(row, column, coefficient)
            used = (column >= 0) & (np.abs(coefficient) >= LEAST_FIGURE)
            self.rows.append((row[used] + self.row_count, column[used], coefficient[used]))
        limits = tuple(np.broadcast_to(v, count).astype(float) for v in (low, high, apart))
        self.limits.append(limits)
        self.row_count += count

    def model(self, starts: list["Starts"], sharing: list[np.ndarray], drawn_from: int) -> Model:
        """All of it; the rows from `drawn_from` on are of what runs draw on."""
        cost, low, high, integer = (np.concatenate(part) for part in zip(*self.columns))
        row, column, value = (np.concatenate(part) for part in zip(*self.rows))
        row_low, row_high, apart = (np.concatenate(part) for part in zip(*self.limits))
        shape = (self.row_count, self.column_count)
        # Two terms of one row may meet in a column; the sum is what is meant.
        matrix = sparse.coo_matrix((value, (row, column)), shape=shape).tocsr()
        # Where they cancel, rounding leaves crumbs.
        matrix.data[np.abs(matrix.data) < LEAST_FIGURE] = 0.0
        matrix.eliminate_zeros()
        none = np.full(len(starts[0].columns) if starts else 0, -1)
        return Model(
            cost,
            low,
            high,
            integer > 0,
            matrix,
            row_low,
            row_high,
            start=[s.columns for s in starts],
            begun=[none if s.begun is None else s.begun for s in starts],
            sharing=sharing,
            apart=apart > 0,
            drawing=np.arange(self.row_count) >= drawn_from,
        )


class Starts:
    """The start columns of one task and sums over stretches of them.

    Of no more starts than `spell_out` each sum is spelled out, which a branching solver likes
    best. Of more, cumulated starts keep the model sparse: any stretch is a difference of two.
    """

    def __init__(self, draft: Draft, columns: np.ndarray, spell_out: int):
        self.columns = columns
        self.rows = np.arange(len(columns))
        self.begun = None
        count = int((columns >= 0).sum())
        if count > spell_out:
            self.begun = draft.add_columns(len(columns), high=count)
            draft.add_rows(
                len(columns),
                0,
                0,
                (self.rows, self.begun, 1),
                (self.rows, shifted(self.begun, 1), -1),
                (self.rows, columns, -1),
            )

    def within(self, back: int, ahead: int = 0, factor: float = 1.0) -> list[tuple]:
        """Terms of factor * starts in steps (t - back, t + ahead], one row per step t."""
        steps = len(self.columns)
        back, ahead = min(back, steps), min(ahead, steps)
        if self.begun is None:
            return [(self.rows, shifted(self.columns, k), factor) for k in range(-ahead, back)]
        last = self.begun[np.minimum(self.rows + ahead, steps - 1)]
        return [(self.rows, last, factor), (self.rows, shifted(self.begun, back), -factor)]

    def possible(self, back: int, ahead: int = 0) -> np.ndarray:
        """How many starts could lie in (t - back, t + ahead], for each step t (n,)."""
        total = np.concatenate([[0], np.cumsum(self.columns >= 0)])
        until, since = (np.clip(self.rows + 1 + k, 0, len(self.rows)) for k in (ahead, -back))
        return total[until] - total[since]


def at_most_one(draft: Draft, stretches: list[tuple[Starts, int, int]], summed: int = 1) -> None:
    """At most one start among stretches (starts, back, ahead), where two could be.

    One row for every `summed` steps, the sum of theirs.
    """
    needed = sum(s.possible(back, ahead) for s, back, ahead in stretches) > 1
    if summed == 1:
        # Where none can be added, the row of the step before says as much.
        needed &= sum(s.possible(1 - ahead, ahead) for s, _, ahead in stretches) > 0
    group = np.arange(len(needed)) // summed
    allowed = np.bincount(group, needed)
    number = np.cumsum(allowed > 0) - 1
    terms = [
        (number[group[row[needed[row]]]], column[needed[row]], factor)
        for s, back, ahead in stretches
        for row, column, factor in s.within(back, ahead)
    ]
    draft.add_rows(int((allowed > 0).sum()), -np.inf, allowed[allowed > 0], *terms, apart=True)


def profile_terms(own: Starts, profile: np.ndarray, sign: float) -> list[tuple]:
    """Terms of sign * profile along each run, one row per step.

    A profile is mostly level, with a warm-up in front and a rest at the end, so in a long
    problem the level goes by stretches and only the rest start by start.
    """
    level = usual_level(own, profile)
    terms = own.within(len(profile), factor=sign * level) if level else []
    for k in np.flatnonzero(profile != level):
        if k < len(own.columns):
            terms.append((own.rows, shifted(own.columns, int(k)), sign * (profile[k] - level)))
    return terms


def usual_level(own: Starts, profile: np.ndarray) -> float:
    """The level of a profile that goes by stretches: its usual one in a long problem."""
    return float(np.median(profile)) if own.begun is not None else 0.0


def shifted(columns: np.ndarray, by: int) -> np.ndarray:
    """columns[t - by], -1 where that lies outside the span."""
    moved = np.full(len(columns), -1)
    by = max(-len(columns), min(by, len(columns)))
    if by >= 0:
        moved[by:] = columns[: len(columns) - by]
    else:
        moved[:by] = columns[-by:]
    return moved
