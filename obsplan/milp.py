"""The scheduling problem as a mixed-integer linear model: arrays, free of any solver.

One binary per task and step says that a run starts there; which of several equal runs it
is has no variable, so there is no symmetry. Battery and store are concave relaxations
that are tight where it matters: energy may be spilled at will and sending is a share of
the time in contact. So every plan that a replay accepts is feasible in the model of a
relaxed problem, and the best of that bounds them all.
"""

from dataclasses import dataclass

import numpy as np
from scipy import sparse

from obsplan.problem import Node, Problem, Task


# Up to about three days at a quarter of an hour; beyond, sums go by cumulated starts.
SPELL_OUT_STEPS = 320
# Watts, watt-hours and megabits below this are no figures of an instrument; a solver drops
# smaller coefficients by itself, and says so as if the model were in doubt.
LEAST_FIGURE = 1e-8
# Rounding in a sum of loads must not bar a bus that is sized to it exactly.
BUS_ROUNDING_W = 1e-9


@dataclass
class Model:
    """maximise cost @ x subject to row_low <= A x <= row_high, low <= x <= high.

    start[i] (steps,) maps each step to the column of that start, -1 where there is none;
    sharing[n] does so for the share of a step in which node n sends.
    """

    cost: np.ndarray
    low: np.ndarray
    high: np.ndarray
    integer: np.ndarray
    matrix: sparse.csr_matrix
    row_low: np.ndarray
    row_high: np.ndarray
    start: list[np.ndarray]
    sharing: list[np.ndarray]


class _Draft:
    """Columns and rows while the model is written down."""

    def __init__(self):
        self.columns: list[tuple[np.ndarray, ...]] = []
        self.column_count = 0
        self.rows: list[tuple[np.ndarray, ...]] = []
        self.limits: list[tuple[np.ndarray, np.ndarray]] = []
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
        self.limits.append(tuple(np.broadcast_to(v, count).astype(float) for v in (low, high)))
        self.row_count += count

    def model(self, start: list[np.ndarray], sharing: list[np.ndarray]) -> Model:
        cost, low, high, integer = (np.concatenate(part) for part in zip(*self.columns))
        row, column, value = (np.concatenate(part) for part in zip(*self.rows))
        row_low, row_high = (np.concatenate(part) for part in zip(*self.limits))
        shape = (self.row_count, self.column_count)
        # Two terms of one row may meet in a column; the sum is what is meant.
        matrix = sparse.coo_matrix((value, (row, column)), shape=shape).tocsr()
        return Model(cost, low, high, integer > 0, matrix, row_low, row_high, start, sharing)


class _Starts:
    """The start columns of one task and sums over stretches of them.

    A short problem spells each sum out in starts, which a branching solver likes best. In
    a long one cumulated starts keep the model sparse: any stretch is a difference of two.
    """

    def __init__(self, draft: _Draft, columns: np.ndarray):
        self.columns = columns
        self.rows = np.arange(len(columns))
        self.begun = None
        if len(columns) > SPELL_OUT_STEPS and (columns >= 0).any():
            self.begun = draft.add_columns(len(columns), high=(columns >= 0).sum())
            draft.add_rows(
                len(columns),
                0,
                0,
                (self.rows, self.begun, 1),
                (self.rows, _shift(self.begun, 1), -1),
                (self.rows, columns, -1),
            )

    def within(self, back: int, ahead: int = 0, factor: float = 1.0) -> list[tuple]:
        """Terms of factor * starts in steps (t - back, t + ahead], one row per step t."""
        steps = len(self.columns)
        back, ahead = min(back, steps), min(ahead, steps)
        if self.begun is None:
            return [(self.rows, _shift(self.columns, k), factor) for k in range(-ahead, back)]
        last = self.begun[np.minimum(self.rows + ahead, steps - 1)]
        return [(self.rows, last, factor), (self.rows, _shift(self.begun, back), -factor)]

    def possible(self, back: int, ahead: int = 0) -> np.ndarray:
        """Steps t (n,) for which any start lies in (t - back, t + ahead]."""
        total = np.concatenate([[0], np.cumsum(self.columns >= 0)])
        steps = len(self.columns)
        last = np.minimum(self.rows + ahead + 1, steps)
        return total[last] > total[np.maximum(self.rows + 1 - back, 0)]


def model(problem: Problem) -> Model:
    """The model of `problem`."""
    draft, steps = _Draft(), problem.steps
    starts = []
    for task in problem.tasks:
        columns = np.full(steps, -1)
        # With equal worth for every run the starts carry it; else _worth ranks the runs.
        cost = task.value if task.repeat_worth == 1.0 else 0.0
        columns[task.starts] = draft.add_columns(int(task.starts.sum()), cost=cost, integer=True)
        starts.append(_Starts(draft, columns))
        _worth(draft, task, columns)
        window = task.length + task.gap
        if window > 1:
            _at_most_one(draft, [(starts[-1], window, 0)])
    _order(draft, problem, starts)
    _exclusion(draft, problem, starts)
    sharing = _resources(draft, problem, starts)
    return draft.model([s.columns for s in starts], sharing)


def _shift(columns: np.ndarray, by: int) -> np.ndarray:
    """columns[t - by], -1 where that lies outside the span."""
    shifted = np.full(len(columns), -1)
    by = max(-len(columns), min(by, len(columns)))
    if by >= 0:
        shifted[by:] = columns[: len(columns) - by]
    else:
        shifted[:by] = columns[-by:]
    return shifted


def _at_most_one(draft: _Draft, stretches: list[tuple[_Starts, int, int]]) -> None:
    """Per step, at most one start among stretches (starts, back, ahead), where two could be."""
    crowd = sum(s.possible(back, ahead).astype(int) for s, back, ahead in stretches)
    if len(stretches) > 1:
        needed = crowd > 1
    else:
        needed = crowd > 0
    number = np.cumsum(needed) - 1
    terms = [
        (number[row[needed[row]]], column[needed[row]], factor)
        for s, back, ahead in stretches
        for row, column, factor in s.within(back, ahead)
    ]
    draft.add_rows(int(needed.sum()), -np.inf, 1, *terms)


def _worth(draft: _Draft, task: Task, start: np.ndarray) -> None:
    """Count, must and value; in a bin the k-th run is worth repeat_worth**(k-1) of the first.

    Falling worth is concave, so shares of the k-th run fill up in the right order.
    """
    columns = start[start >= 0]
    draft.add_rows(1, task.must, task.count, (0, columns, 1))
    if task.repeat_worth == 1.0:
        return  # the starts themselves carry the value
    for chosen in np.unique(task.bins[start >= 0]):
        in_bin = start[(task.bins == chosen) & (start >= 0)]
        ranks = min(task.count, len(in_bin))
        worth = np.array([task.run_value(chosen, k) for k in range(ranks)])
        share = draft.add_columns(ranks, cost=worth)
        draft.add_rows(1, 0, 0, (0, in_bin, 1), (0, share, -1))


def _order(draft: _Draft, problem: Problem, starts: list[_Starts]) -> None:
    """A start needs a run of the earlier task that has ended and settled."""
    for task, own in zip(problem.tasks, starts):
        for earlier, settle, met_from in task.earlier:
            here = own.columns.copy()
            here[met_from:] = -1
            wait = problem.tasks[earlier].length + settle
            other = starts[earlier]
            needed = np.flatnonzero(here >= 0)
            number = np.full(problem.steps, -1)
            number[needed] = np.arange(len(needed))
            terms = [(number[needed], here[needed], 1)]
            if other.begun is not None:
                terms.append((number[needed], _shift(other.begun, wait)[needed], -1))
            else:
                row, start = np.nonzero(
                    (other.columns >= 0) & (needed[:, None] - wait >= other.rows)
                )
                terms.append((row, other.columns[start], -1))
            draft.add_rows(len(needed), -np.inf, 0, *terms)


def cliques(count: int, pairs: frozenset[tuple[int, int]]) -> list[list[int]]:
    """Maximal sets of at least two tasks in which every pair excludes each other.

    Bron and Kerbosch 1973 with pivot; sorted, so that the model is always the same.
    """
    near = [set() for _ in range(count)]
    for a, b in pairs:
        near[a].add(b)
        near[b].add(a)
    found: list[list[int]] = []

    def grow(clique: set[int], open_: set[int], closed: set[int]) -> None:
        if not open_ and not closed:
            if len(clique) > 1:
                found.append(sorted(clique))
            return
        pivot = max(sorted(open_ | closed), key=lambda v: len(near[v] & open_))
        for v in sorted(open_ - near[pivot]):
            grow(clique | {v}, open_ & near[v], closed & near[v])
            open_ = open_ - {v}
            closed = closed | {v}

    grow(set(), set(range(count)), set())
    return sorted(found)


def _exclusion(draft: _Draft, problem: Problem, starts: list[_Starts]) -> None:
    """At each step one run of each set of rivals; and rivals keep off short gaps too.

    A run of p keeps q away over its gap, as far as q would reach back into it. With
    d = min(gap of p, length of q - 1), starts of p in (t - length_p, t + d] and starts of
    q in (t - length_q + d, t] exclude each other; this cuts off fractional plans.
    """
    tasks = problem.tasks
    for clique in cliques(len(tasks), problem.exclusive):
        _at_most_one(draft, [(starts[i], tasks[i].length, 0) for i in clique])
    for pair in sorted(problem.exclusive):
        for p, q in (pair, pair[::-1]):
            reach = min(tasks[p].gap, tasks[q].length - 1)
            if reach > 0:
                _at_most_one(
                    draft,
                    [(starts[p], tasks[p].length, reach), (starts[q], tasks[q].length - reach, 0)],
                )


def _profile_terms(own: _Starts, profile: np.ndarray, sign: float) -> list[tuple]:
    """Terms of sign * profile along each run, one row per step.

    A profile is mostly level, with a warm-up in front and a rest at the end, so in a long
    problem the level goes by stretches and only the rest start by start.
    """
    level = float(np.median(profile)) if own.begun is not None else 0.0
    terms = own.within(len(profile), factor=sign * level) if level else []
    for k in np.flatnonzero(profile != level):
        if k < len(own.columns):
            terms.append((own.rows, _shift(own.columns, int(k)), sign * (profile[k] - level)))
    return terms


def _resources(draft: _Draft, problem: Problem, starts: list[_Starts]) -> list[np.ndarray]:
    """Bus, battery and store of every node; returns the columns of the sending shares."""
    sharing = [_sharing(draft, node) for node in problem.nodes]
    for n, node in enumerate(problem.nodes):
        mine = [i for i, task in enumerate(problem.tasks) if task.node == n]
        own = [(problem.tasks[i], starts[i]) for i in mine]
        sending = (np.arange(problem.steps), sharing[n], node.transmit_w * node.send_share)
        load = [sending]
        for task, its_starts in own:
            load += _profile_terms(its_starts, task.load_w, 1.0)
        _bus(draft, node, own, _crowds(mine, problem.exclusive), sharing[n])
        _battery(draft, problem, node, load)
        _store(draft, problem, n, own, sharing)
    _stations(draft, problem, sharing)
    return sharing


def _crowds(tasks: list[int], pairs: frozenset[tuple[int, int]]) -> list[list[int]]:
    """Positions in `tasks` sorted into sets, few but not fewest, of which each pair excludes."""
    crowds: list[list[int]] = []
    for k, i in enumerate(tasks):
        for crowd in crowds:
            if all((min(i, tasks[m]), max(i, tasks[m])) in pairs for m in crowd):
                crowd.append(k)
                break
        else:
            crowds.append([k])
    return crowds


def _bus(draft: _Draft, node: Node, own, crowds: list[list[int]], share: np.ndarray) -> None:
    """Peak draws fit on the bus, in the steps in which they might not.

    Of each crowd (positions in `own`) one can run at a time. The transmitter is on or
    off and draws all it takes while on, however short that is.
    """
    room_w = node.bus_limit_w - node.base_peak_w
    most_w = np.where(share >= 0, node.transmit_w, 0.0)
    draws_w = [task.peak_w.max() * starts.possible(task.length) for task, starts in own]
    for crowd in crowds:
        most_w = most_w + np.max([draws_w[k] for k in crowd], axis=0)
    peak = [
        term for task, starts in own for term in _profile_terms(starts, task.peak_w, 1.0)
    ]
    tight = most_w > room_w
    number = np.cumsum(tight) - 1
    switched = np.flatnonzero(tight & (share >= 0) & (node.transmit_w > 0))
    high = room_w[switched] >= node.transmit_w - BUS_ROUNDING_W
    on = draft.add_columns(len(switched), high=high, integer=True)
    rows = np.arange(len(switched))
    draft.add_rows(len(switched), -np.inf, 0, (rows, share[switched], 1), (rows, on, -1))
    terms = [(number[switched], on, node.transmit_w)] + [
        (number[row[tight[row]]], column[tight[row]], np.broadcast_to(factor, len(row))[tight[row]])
        for row, column, factor in peak
    ]
    draft.add_rows(int(tight.sum()), -np.inf, room_w[tight], *terms)


def _sharing(draft: _Draft, node: Node) -> np.ndarray:
    """Share of each step's contact in which the node sends."""
    share = np.full(len(node.send_mbit), -1)
    able = node.send_mbit > 0
    share[able] = draft.add_columns(int(able.sum()))
    return share


def _battery(draft: _Draft, problem: Problem, node: Node, load) -> None:
    """stored[t+1] <= stored[t] + the gain of the step, concave in its net power."""
    steps, hour = problem.steps, problem.step_h
    surplus = node.generation_w - node.base_w
    # On the mean of a step, too, the bus carries no more than its limit.
    lowest = node.generation_w - node.bus_limit_w
    net = draft.add_columns(steps, low=lowest, high=np.maximum(surplus, lowest))
    rows = np.arange(steps)
    draft.add_rows(steps, -np.inf, surplus, (rows, net, 1), *load)
    low = np.full(steps, node.reserve_wh)
    low[-1] = node.end_wh
    stored = draft.add_columns(steps, low=low, high=node.capacity_wh)
    before = _shift(stored, 1)
    start = np.where(rows == 0, node.start_wh, 0.0)
    for slope in (node.charge_efficiency * hour, hour / node.discharge_efficiency):
        draft.add_rows(steps, -np.inf, start, (rows, stored, 1), (rows, before, -1),
                       (rows, net, -slope))  # fmt: skip
    fast = np.flatnonzero(surplus > node.charge_limit_w)
    if len(fast):
        gain = node.charge_limit_w * node.charge_efficiency * hour
        number = np.arange(len(fast))
        draft.add_rows(len(fast), -np.inf, start[fast] + gain, (number, stored[fast], 1),
                       (number, before[fast], -1))  # fmt: skip


def _store(draft: _Draft, problem: Problem, n: int, own, share) -> None:
    """held[t+1] >= held[t] + data taken and relayed in - data sent."""
    node, steps = problem.nodes[n], problem.steps
    rows = np.arange(steps)
    high = np.full(steps, node.store_mbit)
    high[-1] = min(node.store_mbit, node.store_end_mbit)
    held = draft.add_columns(steps, high=high)
    terms = [(rows, held, 1), (rows, _shift(held, 1), -1), (rows, share[n], node.send_mbit)]
    for task, its_starts in own:
        terms += _profile_terms(its_starts, task.data_mbit, -1.0)
    for m, other in enumerate(problem.nodes):
        if other.receiver == n:
            terms.append((rows, share[m], -other.send_mbit))
    before = node.base_data_mbit + np.where(rows == 0, node.store_start_mbit, 0.0)
    draft.add_rows(steps, before, np.inf, *terms)


def _stations(draft: _Draft, problem: Problem, share) -> None:
    """A station receives one platform at a time."""
    direct = [n for n, node in enumerate(problem.nodes) if node.receiver < 0]
    for station in sorted({k for n in direct for k in problem.nodes[n].station.tolist() if k >= 0}):
        using = [np.where(problem.nodes[n].station == station, share[n], -1) for n in direct]
        crowded = np.flatnonzero((np.array(using) >= 0).sum(axis=0) > 1)
        rows = np.arange(len(crowded))
        draft.add_rows(
            len(crowded),
            -np.inf,
            1,
            *((rows, u[crowded], problem.nodes[n].send_share[crowded])
              for n, u in zip(direct, using)),
        )  # fmt: skip
