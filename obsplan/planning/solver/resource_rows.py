"""Rows of the shared resources in the linear model: bus, battery, store, stations, budgets.

Battery and store are concave relaxations that are tight where it matters: energy may be
spilled at will and sending is a share of the time in contact.
"""

import numpy as np

from obsplan.planning.problem.definition import Node, Problem, Task
from obsplan.planning.problem.tolerances import BUS_TOLERANCE_W
from obsplan.planning.solver.heater_rows import heater_draw
from obsplan.planning.solver.matrix import (
    LEAST_FIGURE,
    MatrixBuilder,
    Starts,
    profile_terms,
    shifted,
    usual_level,
)

# A draw on the battery below this is not charged for: tiny coefficients upset the solver.
LEAST_DRAW_W = 1e-3


def add_supplies(
    builder: MatrixBuilder, problem: Problem, starts: list[Starts], every: int
) -> list[np.ndarray]:
    """Bus, battery and store of every node, and budgets; returns the sending shares' columns.

    Battery and store have one row for `every` so many steps, the sum of theirs.
    """
    shares = [_sending_share(builder, node) for node in problem.nodes]
    for n, node in enumerate(problem.nodes):
        mine = [i for i, task in enumerate(problem.tasks) if task.node == n]
        own = [(problem.tasks[i], starts[i]) for i in mine]
        load: list[tuple] = [
            (np.arange(problem.steps), shares[n], node.transmit_w * node.send_share)
        ]
        for task, its_starts in own:
            load += profile_terms(its_starts, task.load_w, 1.0)
        for heater in node.heaters:
            load.append(heater_draw(builder, problem, heater, starts, node.bus_limit_w, every))
        _bus(builder, node, own, _cliques(mine, problem.exclusive), shares[n])
        _battery(builder, problem, node, own, load, shares[n], every)
        _store(builder, problem, n, own, shares, every)
        _silence(builder, problem, n, starts, shares[n], every)
    _stations(builder, problem, shares)
    _budgets(builder, problem, starts)
    return shares


def _cliques(tasks: list[int], pairs: frozenset[tuple[int, int]]) -> list[list[int]]:
    """Positions in `tasks` in a greedy clique cover: few sets of which each pair excludes."""
    cover: list[list[int]] = []
    for k, i in enumerate(tasks):
        for clique in cover:
            if all((min(i, tasks[m]), max(i, tasks[m])) in pairs for m in clique):
                clique.append(k)
                break
        else:
            cover.append([k])
    return cover


def _bus(
    builder: MatrixBuilder, node: Node, own, cliques: list[list[int]], share: np.ndarray
) -> None:
    """Peak draws fit on the bus, in the steps in which they might not.

    Of each clique (positions in `own`) one can run at a time. The transmitter is on or
    off and draws its full power while on, however short that is.
    """
    room_w = node.bus_limit_w - node.base_peak_w
    most_w = np.where(share >= 0, node.transmit_w, 0.0)
    draws_w = [task.peak_w.max() * (starts.possible(task.length) > 0) for task, starts in own]
    for clique in cliques:
        most_w = most_w + np.max([draws_w[k] for k in clique], axis=0)
    peak = [term for task, starts in own for term in profile_terms(starts, task.peak_w, 1.0)]
    tight = most_w > room_w
    number = np.cumsum(tight) - 1
    switched = np.flatnonzero(tight & (share >= 0) & (node.transmit_w > 0))
    high = room_w[switched] >= node.transmit_w - BUS_TOLERANCE_W
    on = builder.add_columns(len(switched), high=high, integer=True)
    rows = np.arange(len(switched))
    builder.add_rows(len(switched), -np.inf, 0, (rows, share[switched], 1), (rows, on, -1))
    terms = [(number[switched], on, node.transmit_w)] + [
        (number[row[tight[row]]], column[tight[row]], np.broadcast_to(factor, len(row))[tight[row]])
        for row, column, factor in peak
    ]
    builder.add_rows(int(tight.sum()), -np.inf, room_w[tight], *terms)


def _sending_share(builder: MatrixBuilder, node: Node) -> np.ndarray:
    """Share of each step's contact in which the node sends."""
    share = np.full(len(node.send_mbit), -1)
    able = node.send_mbit > 0
    share[able] = builder.add_columns(int(able.sum()))
    return share


def _battery(
    builder: MatrixBuilder, problem: Problem, node: Node, own, load, shares: np.ndarray, every: int
) -> None:
    """stored[k+1] <= stored[k] + the gain of row k, concave in its net power.

    What passes through the battery loses on the way, so the gain is
    charge_efficiency * net - (1 / discharge_efficiency - charge_efficiency) * drawn, and
    each run that needs more than the arrays yield draws at least the difference.
    Otherwise fractional runs that add up to the yield would bypass the battery.
    So does the transmitter while it is on: drawn is convex in the load and 0 at none, so what
    several draws take beyond the yield is no less than what each takes beyond it alone.
    """
    row, hour = np.arange(problem.steps) // every, problem.step_h
    hours = np.bincount(row) * hour
    count = len(hours)
    rows = np.arange(count)
    surplus_w = node.generation_w - node.base_w
    surplus = np.bincount(row, surplus_w) * hour
    # On the mean, too, the bus carries no more than its limit.
    surely_w = np.zeros(problem.steps) if node.turns_away else node.generation_w
    lowest = np.bincount(row, surely_w - node.bus_limit_w) * hour
    net = builder.add_columns(count, low=lowest, high=np.maximum(surplus, lowest))
    builder.add_rows(
        count, -np.inf, surplus, (rows, net, 1), *((row[r], c, f * hour) for r, c, f in load)
    )
    low = np.full(count, node.reserve_wh)
    low[-1] = node.end_wh
    stored = builder.add_columns(count, low=low, high=node.capacity_wh)
    before = shifted(stored, 1)
    start = np.where(rows == 0, node.start_wh, 0.0)
    detour = 1 / node.discharge_efficiency - node.charge_efficiency
    # The highest yield of a row for all its steps: slow changes would leave tiny coefficients.
    firsts = np.flatnonzero(np.diff(row, prepend=-1))
    best_w = np.maximum.reduceat(np.maximum(surplus_w, 0.0), firsts)
    drawn = _drawn(own, best_w[row]) + _sent(node, shares, surplus_w)
    for slope, lost in ((node.charge_efficiency, detour), (1 / node.discharge_efficiency, 0.0)):
        losses = ((row[r], c, f * hour * lost) for r, c, f in drawn if lost)
        builder.add_rows(
            count,
            -np.inf,
            start,
            (rows, stored, 1),
            (rows, before, -1),
            (rows, net, -slope),
            *losses,
        )
    most_wh = _most_charged_wh(node, row, hour)
    fast = np.flatnonzero(surplus > most_wh)
    number = np.arange(len(fast))
    builder.add_rows(
        len(fast),
        -np.inf,
        start[fast] + node.charge_efficiency * most_wh[fast],
        (number, stored[fast], 1),
        (number, before[fast], -1),
    )
    if node.taper:
        _taper(builder, node, stored, before, hours)


def _most_charged_wh(node: Node, row: np.ndarray, hour: float) -> np.ndarray:
    """The most that each row can charge, before its losses: nothing while the battery is cold."""
    limit_w = np.full(len(row), node.charge_limit_w)
    if node.charging is not None:
        cold = node.charging == 0
        limit_w = np.where(cold, 0.0, limit_w * np.where(cold, 1.0, node.charging))
    return np.bincount(row, limit_w) * hour


def _taper(
    builder: MatrixBuilder, node: Node, stored: np.ndarray, before: np.ndarray, hours: np.ndarray
) -> None:
    """Rows of a battery that charges more slowly near full.

    In a minute at least the share 1 - taper of what it lacks to be full stays lacking, whatever is
    drawn, so through a row that share to the power of its minutes.
    """
    kept = (1 - node.taper) ** (60 * hours)
    kept[kept < LEAST_FIGURE] = 0.0
    rows = np.arange(len(hours))
    filled_wh = (1 - kept) * node.capacity_wh
    begun_wh = np.where(rows == 0, kept * node.start_wh, 0.0)
    builder.add_rows(
        len(hours), -np.inf, filled_wh + begun_wh, (rows, stored, 1), (rows, before, -kept)
    )


def _drawn(own: list[tuple[Task, Starts]], yield_w: np.ndarray) -> list[tuple]:
    """Terms, one row per step, of the least that every run draws beyond `yield_w`."""

    def missing_w(load_w: float) -> np.ndarray:
        return np.where(load_w - yield_w >= LEAST_DRAW_W, load_w - yield_w, 0.0)

    terms = []
    for task, starts in own:
        level_w = usual_level(starts, task.load_w)
        level = missing_w(level_w)
        if level.any():
            terms += [(r, c, f * level[r]) for r, c, f in starts.within(task.length)]
        for k in np.flatnonzero(task.load_w != level_w):
            beyond = missing_w(task.load_w[k]) - level
            if k < len(yield_w) and beyond.any():
                terms.append((starts.rows, shifted(starts.columns, int(k)), beyond))
    return terms


def _sent(node: Node, shares: np.ndarray, surplus_w: np.ndarray) -> list[tuple]:
    """The term, one row per step, of the least that the transmitter draws beyond the yield.

    In the best minute of a step the arrays yield most for it.
    """
    yield_w = np.maximum(surplus_w + node.above_mean_w, 0.0)
    beyond_w = node.send_share * np.maximum(node.transmit_w - yield_w, 0.0)
    return [(np.arange(len(shares)), shares, np.where(beyond_w >= LEAST_DRAW_W, beyond_w, 0.0))]


def _store(builder: MatrixBuilder, problem: Problem, n: int, own, share, every: int) -> None:
    """held[k+1] >= held[k] + data taken and relayed in - data sent.

    If all runs are fixed and every step has its row, both sides are equal: no data leave before
    they are there, which would make no plan better but mislead about when to send.
    """
    node, steps = problem.nodes[n], np.arange(problem.steps)
    row = steps // every
    count = row[-1] + 1
    rows = np.arange(count)
    high = np.full(count, node.store_mbit)
    high[-1] = min(node.store_mbit, node.store_end_mbit)
    held = builder.add_columns(count, high=high)
    terms = [(steps, share[n], node.send_mbit)]
    for task, its_starts in own:
        terms += profile_terms(its_starts, task.data_mbit, -1.0)
    for m, other in enumerate(problem.nodes):
        if other.receiver == n:
            terms.append((steps, share[m], -other.send_mbit))
    before = np.bincount(row, node.base_data_mbit)
    before[0] += node.store_start_mbit
    builder.add_rows(
        count,
        before,
        before if every == 1 and not problem.tasks else np.inf,
        (rows, held, 1),
        (rows, shifted(held, 1), -1),
        *((row[r], c, f) for r, c, f in terms),
    )


def _silence(
    builder: MatrixBuilder,
    problem: Problem,
    n: int,
    starts: list[Starts],
    share: np.ndarray,
    every: int,
) -> None:
    """Node `n` sends nothing while a run keeps it from sending, nor in its reach before and after.

    Of each task one run at a time can be in progress at a step so far before or after.
    """
    steps = np.arange(problem.steps)
    for task, its_starts in zip(problem.tasks, starts):
        in_progress = its_starts.possible(task.length) > 0
        for silence in task.silences:
            if silence.node != n:
                continue
            for offset in (*range(-silence.reach, silence.reach, task.length), silence.reach):
                at = steps + offset
                inside = (at >= 0) & (at < problem.steps) & silence.steps & (share >= 0)
                inside[inside] = in_progress[at[inside]]
                rows, number = np.unique(steps[inside] // every, return_inverse=True)
                numbers = np.full(problem.steps, -1)
                numbers[at[inside]] = number
                terms = [
                    (numbers[r], np.where(numbers[r] >= 0, column, -1), factor)
                    for r, column, factor in its_starts.within(task.length)
                ]
                most = np.bincount(number, minlength=len(rows))
                own = (number, share[inside], 1.0)
                builder.add_rows(len(rows), -np.inf, most, own, *terms)


def _stations(builder: MatrixBuilder, problem: Problem, share) -> None:
    """A station receives one platform at a time."""
    direct = [n for n, node in enumerate(problem.nodes) if node.receiver < 0]
    for station in sorted({k for n in direct for k in problem.nodes[n].station.tolist() if k >= 0}):
        using = [np.where(problem.nodes[n].station == station, share[n], -1) for n in direct]
        crowded = np.flatnonzero((np.array(using) >= 0).sum(axis=0) > 1)
        rows = np.arange(len(crowded))
        builder.add_rows(
            len(crowded),
            -np.inf,
            1,
            *(
                (rows, u[crowded], problem.nodes[n].send_share[crowded])
                for n, u in zip(direct, using)
            ),
        )


def _budgets(builder: MatrixBuilder, problem: Problem, starts: list[Starts]) -> None:
    """All runs together use no more of a budget than there is."""
    for budget in problem.budgets:
        terms = [(0, its_starts.columns, use) for its_starts, use in zip(starts, budget.use)]
        builder.add_rows(1, -np.inf, budget.limit, *terms)
