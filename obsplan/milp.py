"""The scheduling problem as a mixed-integer linear model: arrays, free of any solver.

One binary `start[i, s]` says that a run of task i starts in step s; which of several
equal runs it is has no variable, so there is no symmetry. Runs in progress follow by
recurrence. Battery and store are concave relaxations that are tight where it matters:
energy may be spilled at will and sending is a share of the time in contact, so every
plan that a replay accepts is feasible here, and the best of this model bounds them all.
"""

from dataclasses import dataclass

import numpy as np
from scipy import sparse

from obsplan.problem import Node, Problem, Task


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
        """`terms` are (row within the block, column, coefficient); column -1 is skipped."""
        for row, column, coefficient in terms:
            row, column, coefficient = np.broadcast_arrays(row, column, coefficient)
            used = (column >= 0) & (coefficient != 0)
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


def model(problem: Problem, permitted: list[np.ndarray] | None = None) -> Model:
    """The model of `problem`, with starts limited to `permitted` masks where given."""
    draft, steps = _Draft(), problem.steps
    starts, running, begun = [], [], []
    followed = {earlier for task in problem.tasks for earlier, *_ in task.earlier}
    for i, task in enumerate(problem.tasks):
        mask = task.starts if permitted is None else task.starts & permitted[i]
        start = np.full(steps, -1)
        # With equal worth for every run the starts carry it; else _worth ranks the runs.
        cost = task.value if task.repeat_worth == 1.0 else 0.0
        start[mask] = draft.add_columns(int(mask.sum()), cost=cost, integer=True)
        starts.append(start)
        running.append(_running(draft, task, start))
        begun.append(_begun(draft, start) if task.gap or i in followed else None)
        _worth(draft, task, start)
        if task.gap:
            window = task.length + task.gap
            earlier = _shift(begun[i], window)
            draft.add_rows(
                steps, -np.inf, 1, (np.arange(steps), begun[i], 1), (np.arange(steps), earlier, -1)
            )
    _order(draft, problem, starts, begun)
    _exclusion(draft, problem, starts, running, begun)
    sharing = _resources(draft, problem, starts, running)
    return draft.model(starts, sharing)


def _shift(columns: np.ndarray, by: int) -> np.ndarray:
    """columns[t - by], -1 where that lies before the span."""
    shifted = np.full(len(columns), -1)
    if by < len(columns):
        shifted[by:] = columns[: len(columns) - by]
    return shifted


def _running(draft: _Draft, task: Task, start: np.ndarray) -> np.ndarray:
    """running[t] = running[t-1] + start[t] - start[t-length], at most one run at a time."""
    if task.length == 1:
        return start
    steps = len(start)
    possible = np.convolve(start >= 0, np.ones(task.length))[:steps] > 0
    running = np.full(steps, -1)
    running[possible] = draft.add_columns(int(possible.sum()))
    ended = _shift(start, task.length)
    rows = np.arange(steps)
    draft.add_rows(
        steps,
        0,
        0,
        (rows, running, 1),
        (rows, _shift(running, 1), -1),
        (rows, start, -1),
        (rows, ended, 1),
    )
    return running


def _begun(draft: _Draft, start: np.ndarray) -> np.ndarray:
    """begun[t] = runs started in steps 0..t."""
    steps = len(start)
    begun = draft.add_columns(steps, high=max(1, (start >= 0).sum()))
    rows = np.arange(steps)
    draft.add_rows(steps, 0, 0, (rows, begun, 1), (rows, _shift(begun, 1), -1), (rows, start, -1))
    return begun


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


def _order(draft: _Draft, problem: Problem, starts, begun) -> None:
    for i, task in enumerate(problem.tasks):
        for earlier, settle, met_from in task.earlier:
            here = np.flatnonzero(starts[i][:met_from] >= 0)
            done = _shift(begun[earlier], problem.tasks[earlier].length + settle)
            rows = np.arange(len(here))
            draft.add_rows(
                len(here), -np.inf, 0, (rows, starts[i][here], 1), (rows, done[here], -1)
            )


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


def _exclusion(draft: _Draft, problem: Problem, starts, running, begun) -> None:
    for clique in cliques(len(problem.tasks), problem.exclusive):
        columns = np.array([running[i] for i in clique])
        crowded = np.flatnonzero((columns >= 0).sum(axis=0) > 1)
        rows = np.arange(len(crowded))
        draft.add_rows(
            len(crowded), -np.inf, 1, *((rows, column[crowded], 1) for column in columns)
        )
    for pair in sorted(problem.exclusive):
        for p, q in (pair, pair[::-1]):
            _gap_exclusion(draft, problem, p, q, starts, begun)


def _gap_exclusion(draft, problem, p, q, starts, begun) -> None:
    """A run of p keeps q away over its gap too, as far as q would reach back into it.

    With d = min(gap of p, length of q - 1): starts of p in (t-length_p, t+d] and starts
    of q in (t-length_q+d, t] exclude each other; cuts off much of the fractional middle.
    """
    first, second = problem.tasks[p], problem.tasks[q]
    reach = min(first.gap, second.length - 1)
    if reach == 0 or begun[p] is None:
        return
    if begun[q] is None:
        begun[q] = _begun(draft, starts[q])
    steps = problem.steps
    ahead = begun[p][np.minimum(np.arange(steps) + reach, steps - 1)]
    rows = np.arange(steps)
    draft.add_rows(
        steps,
        -np.inf,
        1,
        (rows, ahead, 1),
        (rows, _shift(begun[p], first.length), -1),
        (rows, begun[q], 1),
        (rows, _shift(begun[q], second.length - reach), -1),
    )


def _profile_terms(rows_of, task: Task, profile: np.ndarray, start, running, sign: float):
    """Terms of sign * profile along each run: the level by `running`, the rest by starts.

    A profile is mostly level, with a warm-up in front and a rest at the end, so this has
    far fewer entries than one for each step of each start.
    """
    level = float(np.median(profile))
    terms = [(rows_of, running, sign * level)]
    for k in np.flatnonzero(profile != level):
        terms.append((rows_of, _shift(start, int(k)), sign * (profile[k] - level)))
    return terms


def _resources(draft: _Draft, problem: Problem, starts, running) -> list[np.ndarray]:
    rows = np.arange(problem.steps)
    share = [_sharing(draft, node) for node in problem.nodes]
    for n, node in enumerate(problem.nodes):
        own = [i for i, task in enumerate(problem.tasks) if task.node == n]
        sending = (rows, share[n], node.transmit_w * node.send_share)
        load = [sending]
        peak = [sending]
        for i in own:
            task = problem.tasks[i]
            load += _profile_terms(rows, task, task.load_w, starts[i], running[i], 1.0)
            peak += _profile_terms(rows, task, task.peak_w, starts[i], running[i], 1.0)
        draft.add_rows(problem.steps, -np.inf, node.bus_limit_w - node.base_peak_w, *peak)
        _battery(draft, problem, node, load)
        _store(draft, problem, n, own, share, starts, running)
    _stations(draft, problem, share)
    return share


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
    heaviest = node.bus_limit_w + node.generation_w
    net = draft.add_columns(steps, low=-heaviest, high=np.maximum(surplus, -heaviest))
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
    if np.isfinite(node.charge_limit_w):
        gain = node.charge_limit_w * node.charge_efficiency * hour
        draft.add_rows(steps, -np.inf, start + gain, (rows, stored, 1), (rows, before, -1))


def _store(draft: _Draft, problem: Problem, n: int, own, share, starts, running) -> None:
    """held[t+1] >= held[t] + data taken and relayed in - data sent."""
    node, steps = problem.nodes[n], problem.steps
    rows = np.arange(steps)
    high = np.full(steps, node.store_mbit)
    high[-1] = node.store_end_mbit
    held = draft.add_columns(steps, high=high)
    terms = [(rows, held, 1), (rows, _shift(held, 1), -1), (rows, share[n], node.send_mbit)]
    for i in own:
        task = problem.tasks[i]
        terms += _profile_terms(rows, task, task.data_mbit, starts[i], running[i], -1.0)
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
