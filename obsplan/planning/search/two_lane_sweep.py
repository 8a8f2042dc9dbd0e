"""Starts found along the span: of every state of two lanes the best way that leads to it.

A lane is a set of tasks of which each pair excludes each other, so that one run is on at a
time. Two lanes side by side have few states - which run of each is on, and since when - and
one sweep through the steps keeps the best way to each of them (dynamic programming: Bellman
1957, from memory). Exclusion is kept exactly; counts, gaps and orders are kept by what each
way remembers of itself.
"""

from dataclasses import dataclass

import numpy as np

from obsplan.planning.problem.definition import Problem
from obsplan.planning.solver.model import cliques

# More states side by side than this are too many to look at in each step.
MOST_STATES = 200_000
# Lanes that hold a lesser share of the time asked for leave too much out.
LEAST_SHARE = 0.8
# What a way remembers of each task of the lanes: how many runs it has, how many of them in a
# row lie in the bin of the latest, and when the first and the latest began. NEVER is later than
# any step, and small enough for the short numbers that are copied in every step.
COUNT, IN_BIN, FIRST, LATEST = range(4)
NEVER = 30_000


@dataclass(frozen=True)
class Lane:
    """Tasks of which one run is on at a time, and the rows of their states.

    Row 0 is idle. A run of the k-th task (of problem.tasks[tasks[k]]) that begins at step t
    has row first[k] + t modulo its length, which is free again as it ends. remembered[k] is
    where ways remember the task.
    """

    tasks: np.ndarray
    remembered: np.ndarray
    first: np.ndarray
    length: np.ndarray
    reach: np.ndarray
    count: np.ndarray
    bins: np.ndarray

    @property
    def states(self) -> int:
        return 1 + int(self.length.sum())

    def rows_at(self, step: int) -> np.ndarray:
        """Rows (tasks,) of the runs that begin at `step`, and of those that end there."""
        return self.first + step % self.length


@dataclass(frozen=True)
class Ways:
    """The best way to each state: rows are states of one lane, columns those of the other.

    worth (rows, columns, offers); last (rows, columns, offers), the number of its last start;
    memory (rows, columns, offers, kinds, tasks). Each of several offers has ways of its own.
    """

    worth: np.ndarray
    last: np.ndarray
    memory: np.ndarray

    def turned(self) -> "Ways":
        """The same ways, lanes the other way round."""
        return Ways(*(kept.swapaxes(0, 1) for kept in (self.worth, self.last, self.memory)))


def two_lanes(problem: Problem) -> tuple[Lane, Lane] | None:
    """The two lanes that hold most of the time asked for.

    None where they say too little, or would have too many states or steps.
    """
    asked = np.array([task.count * task.length for task in problem.tasks])
    groups = [np.array(group) for group in cliques(len(asked), problem.exclusive)]
    lanes: list[Lane] = []
    held = 0
    for _ in range(2):
        tasks = max(groups, key=lambda group: asked[group].sum(), default=np.arange(0))
        lanes.append(_lane(problem, tasks, sum(len(lane.tasks) for lane in lanes)))
        groups = [np.setdiff1d(group, tasks) for group in groups]
        held += asked[tasks].sum()
    few = lanes[0].states * lanes[1].states <= MOST_STATES and problem.steps < NEVER
    return tuple(lanes) if few and held >= LEAST_SHARE * asked.sum() > 0 else None


def _lane(problem: Problem, tasks: np.ndarray, before: int) -> Lane:
    its = [problem.tasks[i] for i in tasks]
    length = np.array([task.length for task in its], dtype=int)
    return Lane(
        tasks=tasks,
        remembered=before + np.arange(len(tasks)),
        first=1 + np.cumsum(length) - length,
        length=length,
        # A gap longer than the span says no more than one as long.
        reach=length + np.array([min(task.gap, problem.steps) for task in its], dtype=int),
        count=np.array([task.count for task in its], dtype=int),
        bins=np.array([task.bins for task in its]).reshape(-1, problem.steps),
    )


def starts_along(
    problem: Problem, lanes: tuple[Lane, Lane], offers: np.ndarray, most: np.ndarray
) -> np.ndarray:
    """Whether a run begins (offers, tasks, steps) on the best way found for each of `offers`.

    `offers` (offers, tasks, steps) says what a start is worth there; where that is not
    positive, or outside the lanes, none is tried. A way has at most most[task, step] runs in
    a row in the bin of that step. Orders are kept among tasks of the lanes. Of two ways to one
    state the better goes on, whatever they remember, so this is a good way and seldom the best.
    """
    own = np.concatenate([lane.tasks for lane in lanes])
    shape = lanes[0].states, lanes[1].states, len(offers)
    ways = Ways(
        worth=np.full(shape, -np.inf),
        last=np.full(shape, -1),
        memory=np.zeros((*shape, 4, len(own)), dtype=np.int16),
    )
    ways.worth[0, 0] = 0.0
    ways.memory[:, :, :, FIRST], ways.memory[:, :, :, LATEST] = NEVER, -NEVER
    sides = [
        (lanes[0], ways, _may_run_beside(problem, *lanes)),
        (lanes[1], ways.turned(), _may_run_beside(problem, *lanes[::-1])),
    ]
    # A start is known by its number: the round, the task and the state of the other lane.
    # Of each round: its step, and the last start of the ways from which runs began.
    rounds: list[tuple[int, np.ndarray]] = []
    at_step = np.moveaxis(offers, 0, -1)
    for step in range(problem.steps):
        for lane, seen, _ in sides:
            _end(lane, seen, step)
        for lane, seen, beside in sides:
            idle = seen.last[0].copy()
            if _begin(problem, lane, seen, beside, step, at_step, most, own, len(rounds)):
                rounds.append((step, idle))
    starts = np.zeros(offers.shape, dtype=bool)
    for k in range(len(offers)):
        number = int(ways.last[..., k].flat[ways.worth[..., k].argmax()])
        while number >= 0:
            begun, other = divmod(number, max(shape[:2]))
            round_, task = divmod(begun, len(own))
            step, idle = rounds[round_]
            starts[k, own[task], step] = True
            number = int(idle[other, k])
    return starts


def _may_run_beside(problem: Problem, lane: Lane, other: Lane) -> np.ndarray:
    """Whether a run of each task may be on in each state of the other lane (tasks, states)."""
    may = np.ones((len(lane.tasks), other.states), dtype=bool)
    for k, i in enumerate(lane.tasks):
        for j, first, length in zip(other.tasks, other.first, other.length):
            may[k, first : first + length] = (min(i, j), max(i, j)) not in problem.exclusive
    return may


def _end(lane: Lane, ways: Ways, step: int) -> None:
    """Runs that are over leave the lane idle; the best way to that goes on."""
    over = lane.rows_at(step)
    rows = np.append(0, over)
    best = rows[ways.worth[rows].argmax(axis=0)]
    there = best, *np.ogrid[: best.shape[0], : best.shape[1]]
    ways.worth[0], ways.last[0] = ways.worth[there], ways.last[there]
    ways.memory[0] = ways.memory[there]
    ways.worth[over] = -np.inf


def _begin(
    problem: Problem,
    lane: Lane,
    ways: Ways,
    beside: np.ndarray,
    step: int,
    offers: np.ndarray,
    most: np.ndarray,
    own: np.ndarray,
    round_: int,
) -> bool:
    """Let runs begin where they may, each from the state in which the lane is idle.

    False when none is asked for. What is asked of a start has the shape (tasks, columns,
    offers).
    """
    asked = np.flatnonzero((offers[lane.tasks, step] > 0).any(axis=1))
    if not len(asked):
        return False
    tasks, rows, mine = lane.tasks[asked], lane.rows_at(step)[asked], lane.remembered[asked]
    idle = ways.memory[0]
    count, in_bin, first, latest = np.moveaxis(idle[..., mine], (2, 3), (0, 1))
    bins, offered = lane.bins[asked], offers[tasks, None, step]
    then = bins[np.arange(len(asked))[:, None, None], np.maximum(latest, 0)]
    here = np.where(then == bins[:, step, None, None], in_bin, 0)
    fits = beside[asked, :, None] & (offered > 0) & (count < lane.count[asked, None, None])
    fits &= here < most[tasks, step, None, None]
    fits &= latest <= step - lane.reach[asked, None, None]
    for fit, i in zip(fits, tasks):
        for earlier, settle, met_from in problem.tasks[i].earlier:
            if step < met_from and earlier in own:
                its_first = idle[:, :, FIRST, np.flatnonzero(own == earlier)[0]]
                fit &= its_first <= step - problem.tasks[earlier].length - settle
    ways.worth[rows] = np.where(fits, ways.worth[0] + offered, -np.inf)
    columns = np.arange(ways.worth.shape[1])
    number = (round_ * len(own) + mine[:, None]) * max(ways.worth.shape[:2]) + columns
    ways.last[rows] = number[:, :, None]
    ways.memory[rows] = idle
    begun = np.array([count + 1, here + 1, np.minimum(first, step), np.full_like(first, step)])
    ways.memory[rows, ..., mine] = np.moveaxis(begun, 0, -1)
    return True
