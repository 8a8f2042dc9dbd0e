"""A problem and a plan as the plain arrays of the kernel, and back."""

from collections.abc import Callable

import numpy as np

from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.definition import Node, Problem
from obsplan.planning.problem.goals import ALONE
from obsplan.planning.problem.resource_flow import relays_first
from obsplan.planning.search import kernel
from obsplan.planning.search.greedy import in_order, shares_used

# Seeds of the two generators lie below their moduli.
SEED_1, SEED_2 = 2147483562, 2147483398
# Temperature at the end, as a share of a run's mean worth.
LAST_LOSS = 0.003


def instance_of(problem: Problem, price: np.ndarray | None = None) -> kernel.Instance:
    """The problem as arrays of the kernel."""
    tasks, steps = problem.tasks, problem.steps
    needs = [need for task in tasks for need in task.needs]
    ends = np.cumsum([0] + [len(task.needs) for task in tasks])
    cells, worths = _cells_and_worths(problem)
    longest = max((task.length for task in tasks), default=1)
    count = len(tasks)
    places = range(count)
    bars = [
        bar
        for wait in problem.waits
        for bar in (
            (wait.earlier, wait.later, wait.later_barred),
            (wait.later, wait.earlier, wait.earlier_barred),
        )
    ]
    return kernel.Instance(
        step_h=float(problem.step_h),
        nodes=np.array([_node(node) for node in problem.nodes]).reshape(-1, kernel.NODE_FIGURES),
        supplies=np.array(
            [
                [getattr(node, name) for node in problem.nodes]
                for name in ("generation_w", "send_mbit", "send_share")
            ],
            dtype=float,
        ),
        station=np.array([node.station for node in problem.nodes], dtype=np.int64),
        receiver=np.array([node.receiver for node in problem.nodes], dtype=np.int64),
        order=np.array(relays_first(problem.nodes), dtype=np.int64),
        tasks=_tasks(problem),
        task_order=np.array(in_order(problem), dtype=np.int64),
        profiles=_profiles(problem, longest),
        preference=np.array([task.preference for task in tasks], dtype=float),
        price=np.zeros((count, steps)) if price is None else np.maximum(price, 0.0),
        cells=cells,
        worths=worths,
        shares=np.array([shares_used(problem, i) for i in range(count)]),
        rivals=_rows([[j for j, _ in row] for row in problem.rivals]),
        apart=_rows([[apart for _, apart in row] for row in problem.rivals]),
        silenced=_rows([[silence.node for silence in task.silences] for task in tasks]),
        silence_reach=_rows([[silence.reach for silence in task.silences] for task in tasks]),
        silent=_silent(problem),
        needs_of=np.array([ends[:-1], ends[1:]], dtype=np.int64).T.copy(),
        naming=_rows([[k for k, n in enumerate(needs) if n.task == i] for i in range(count)]),
        reach=_reach([need.served for need in needs], steps),
        use=np.array([b.use for b in problem.budgets], dtype=float).reshape(-1, count),
        teams=_rows([[k for k, t in enumerate(problem.teams) if t.needed_by[i]] for i in places]),
        members=_rows([np.flatnonzero(team.needed_by).tolist() for team in problem.teams]),
        bars=_rows([[k for k, (by, _, _) in enumerate(bars) if by == i] for i in places]),
        bar_of=np.array([of for _, of, _ in bars], dtype=np.int64),
        bar_reach=_reach([barred for _, _, barred in bars], steps),
        at_once=np.array([t.at_once for t in problem.teams], dtype=np.int64).reshape(-1, steps),
        party=np.array([c.party for c in problem.crowds], dtype=np.int64).reshape(-1, count),
        parties=np.array([c.parties for c in problem.crowds], dtype=np.int64),
        crowded=np.array([c.crowded for c in problem.crowds], dtype=np.int64).reshape(-1, steps),
    )


def _silent(problem: Problem) -> np.ndarray:
    """In which steps runs keep another from sending (tasks, silences, steps)."""
    most = max((len(task.silences) for task in problem.tasks), default=0)
    silent = np.zeros((len(problem.tasks), most, problem.steps))
    for i, task in enumerate(problem.tasks):
        for k, silence in enumerate(task.silences):
            silent[i, k] = silence.steps
    return silent


def _cells_and_worths(problem: Problem) -> tuple[np.ndarray, kernel.Worths]:
    """The cell of each start (tasks, steps), and what runs are worth by cells."""
    tasks, goals = problem.tasks, problem.goals
    most_runs = max((int(t.held.max()) + t.count for t in tasks), default=0) + 1
    cells, bins_of = [], []
    for i, task in enumerate(tasks):
        own = np.maximum(task.bins, 0)
        if not goals:
            cells.append(own)
            bins_of.append(np.arange(len(task.held))[None])
            continue
        counted = (g.bins[i] if g.group[i] >= 0 else np.full(len(own), -1) for g in goals)
        bins = np.array([own, *counted])
        different, cell = np.unique(bins, axis=1, return_inverse=True)
        cells.append(cell.reshape(-1))
        bins_of.append(different)
    most = max((bins.shape[1] for bins in bins_of), default=1)
    table = np.full((1 + len(goals), len(tasks), most), -1, dtype=np.int64)
    for i, bins in enumerate(bins_of):
        table[:, i, : bins.shape[1]] = bins
    figures = [[len(g.held), g.runs_each, g.minimum_bins, g.minimum_runs] for g in goals]
    worth = [[goal.run_value, goal.bonus, ALONE] for goal in goals]
    worths = kernel.Worths(
        runs=np.array(
            [[t.value * t.repeat_worth**k for k in range(most_runs + 1)] for t in tasks],
            dtype=float,
        ),
        bins=table,
        group=np.array([g.group for g in goals], dtype=np.int64).reshape(-1, len(tasks)),
        figures=np.array(figures, dtype=np.int64).reshape(-1, kernel.GOAL_FIGURES),
        worth=np.array(worth, dtype=float).reshape(-1, kernel.GOAL_WORTHS),
    )
    return np.array(cells, dtype=np.int64).reshape(-1, problem.steps), worths


def _gains(worths: kernel.Worths, taken: np.ndarray, counts: np.ndarray) -> np.ndarray:
    """What one more run adds (tasks, cells) to a plan with these runs."""
    gains = np.zeros(worths.bins.shape[1:])
    if not len(worths.figures):
        own = worths.bins[0]
        there = np.where(own >= 0, np.take_along_axis(taken, np.maximum(own, 0), axis=1), 0)
        return np.take_along_axis(worths.runs, there, axis=1)
    for i in range(len(gains)):
        kernel.reckon(i, worths, taken, counts, gains)
    return gains


def _taken(booking: Booking) -> np.ndarray:
    """The runs in each bin of the tasks' own (tasks, bins), those held elsewhere too."""
    tasks = booking.problem.tasks
    taken = np.zeros((len(tasks), max((len(t.held) for t in tasks), default=1)), dtype=np.int64)
    for i, (task, starts) in enumerate(zip(tasks, booking.runs)):
        taken[i, : len(task.held)] = task.held
        for start in starts:
            taken[i, max(0, task.bins[start])] += 1
    return taken


def _counts(booking: Booking) -> np.ndarray:
    """The runs that goals count (goals, groups, bins)."""
    counts = [goal.counts(booking.runs) for goal in booking.problem.goals]
    most = np.max([c.shape for c in counts], axis=0) if counts else (0, 0)
    table = np.zeros((len(counts), *most), dtype=np.int64)
    for part, own in zip(table, counts):
        part[: own.shape[0], : own.shape[1]] = own
    return table


def _reach(spans: list[Callable[[int], slice]], steps: int) -> np.ndarray:
    """Where each span begins and ends (spans, 2, steps), for a run at each step."""
    found = [[span(start) for start in range(steps)] for span in spans]
    ends = [[[part.start for part in row], [part.stop for part in row]] for row in found]
    return np.clip(np.array(ends, dtype=np.int64).reshape(-1, 2, steps), 0, steps)


def _tasks(problem: Problem) -> np.ndarray:
    rows = [
        [
            task.node,
            task.length,
            min(task.gap, problem.steps),
            task.count,
            task.must,
            i in problem.prerequisites,
            i in problem.needed_nearby,
        ]
        for i, task in enumerate(problem.tasks)
    ]
    return np.array(rows, dtype=np.int64).reshape(-1, 7)


def _profiles(problem: Problem, longest: int) -> np.ndarray:
    profiles = np.zeros((3, len(problem.tasks), longest))
    for i, task in enumerate(problem.tasks):
        for k, profile in enumerate((task.load_w, task.peak_w, task.data_mbit)):
            profiles[k, i, : task.length] = profile
    return profiles


def _node(node: Node) -> list[float]:
    return [
        node.capacity_wh,
        node.reserve_wh,
        node.start_wh,
        node.end_wh,
        node.charge_efficiency,
        node.discharge_efficiency,
        # One that never matters is none, which allows a quicker look at starts.
        node.charge_limit_w
        if node.charge_limit_w < (node.generation_w - node.base_w).max()
        else np.inf,
        node.transmit_w,
        node.bus_limit_w,
        node.store_mbit,
        node.store_start_mbit,
        node.store_end_mbit,
    ]


def _rows(lists: list[list[int]]) -> np.ndarray:
    """The lists as rows (lists, longest), filled up with -1."""
    table = np.full((len(lists), max(map(len, lists), default=0)), -1, dtype=np.int64)
    for row, numbers in zip(table, lists):
        row[: len(numbers)] = numbers
    return table


def state_of(booking: Booking, seed: int, tries: int, first_loss: float) -> kernel.State:
    """The booked plan as arrays of the kernel, before the first of `tries`."""
    problem = booking.problem
    tasks, steps, platforms = problem.tasks, problem.steps, len(problem.nodes)
    count = len(tasks)
    most = max((task.count for task in tasks), default=0)
    runs = np.zeros((count, most + 1), dtype=np.int64)
    placed = np.array([len(starts) for starts in booking.runs], dtype=np.int64)
    for i, starts in enumerate(booking.runs):
        runs[i, : len(starts)] = sorted(starts)
    taken, counts = _taken(booking), _counts(booking)
    needs = [need for task in tasks for need in task.needs]
    met = np.array([need.met - (need.runs - 1) for need in needs], dtype=np.int64)
    met = met.reshape(-1, steps)
    for row, need in zip(met, needs):
        for start in booking.runs[need.task]:
            row[need.served(start)] += 1
    now = np.zeros((kernel.FIGURES, platforms, steps + 1))
    now[kernel.LOAD, :, :steps] = booking.load_w
    now[kernel.PEAK, :, :steps] = booking.peak_w
    now[kernel.DATA, :, :steps] = booking.data_mbit
    now[kernel.MAY, :, :steps] = booking.may_send
    now[kernel.MUTED, :, :steps] = booking.muted
    counters = np.zeros(kernel.COUNTERS, dtype=np.int64)
    counters[kernel.SEED_1] = 1 + (seed * 7919 + 12345) % SEED_1
    counters[kernel.SEED_2] = 1 + (seed * 104729 + 67890) % SEED_2
    counters[kernel.WORK] = tries
    sums = np.zeros(kernel.SUMS)
    sums[kernel.MEAN_WORTH] = booking.value() / max(1, placed.sum())
    sums[kernel.FIRST_LOSS], sums[kernel.LAST_LOSS] = first_loss, LAST_LOSS
    stations = max((int(node.station.max(initial=-1)) for node in problem.nodes), default=-1)
    resources = 3 + len(problem.budgets)
    return kernel.State(
        now=now,
        kept=now.copy(),
        runs=runs,
        placed=placed,
        taken=taken,
        counts=counts,
        gains=_gains(_cells_and_worths(problem)[1], taken, counts),
        barred=_barred(booking),
        met=met,
        left=np.array([booking.left(budget) for budget in problem.budgets]),
        watched=booking.watched.astype(np.int64),
        present=_present(booking),
        best_runs=runs.copy(),
        best_placed=placed.copy(),
        best_may=now[kernel.MAY, :, :steps].copy(),
        counters=counters,
        sums=sums,
        moves=np.zeros((6 * sum(task.count for task in tasks) + 8, 3), dtype=np.int64),
        touched=np.zeros((platforms, 2), dtype=np.int64),
        changed=np.zeros((platforms, 2), dtype=np.int64),
        weights=np.zeros((3, max(count, resources))),
        work=np.zeros((3, platforms, steps + 1)),
        busy=np.zeros(stations + 1),
        classes=np.zeros((platforms, kernel.CLASSES + 3)),
    )


def _present(booking: Booking) -> np.ndarray:
    """How many runs each party has under way (crowds, parties, steps)."""
    crowds, tasks = booking.problem.crowds, booking.problem.tasks
    most = max((crowd.parties for crowd in crowds), default=0)
    present = np.zeros((len(crowds), most, booking.problem.steps), dtype=np.int64)
    for crowd, table in zip(crowds, present):
        for i in np.flatnonzero(crowd.party >= 0).tolist():
            for start in booking.runs[i]:
                table[crowd.party[i], start : start + tasks[i].length] += 1
    return present


def _barred(booking: Booking) -> np.ndarray:
    """How many runs, steps of busy teams or without a station, windows and ends of the span bar
    each start (tasks, steps)."""
    barred = booking.barred.astype(np.int64)
    for i, task in enumerate(booking.problem.tasks):
        for team in booking.teams[i]:
            barred[i] += booking.busy_steps(team, i)
        for crowd in booking.problem.crowds:
            barred[i] += booking.crowded_steps(crowd, i)
        barred[i, ~task.starts] += 1
        barred[i, max(0, booking.problem.steps - task.length + 1) :] += 1
    return barred


def best_of(problem: Problem, state: kernel.State) -> Booking:
    """The best plan of a search."""
    booking = Booking(problem)
    for i, (starts, placed) in enumerate(zip(state.best_runs, state.best_placed)):
        for start in sorted(starts[:placed].tolist()):
            booking.add(i, start)
    booking.may_send = state.best_may > 0
    booking.flow = booking.simulate()
    return booking
