"""Starts along the span by dynamic programming over two lanes.

A lane is a set of tasks of which each pair excludes each other, so that one run is on at a
time. Two lanes have few joint states - which run of each is on, and since when - and one sweep
through the steps keeps the best partial plan that leads to each of them, its label. Exclusion is
exact; counts, gaps and orders follow from what each label remembers, so the result is a good
choice and seldom the best. It pays where two lanes hold most of the requested time.
"""

from dataclasses import dataclass

import numpy as np

from obsplan.planning.problem.definition import Problem
from obsplan.planning.solver.model import cliques

# More joint states than this are too many to look at in each step.
MOST_STATES = 200_000
# Lanes that hold a lesser share of the requested time leave too much out.
LEAST_SHARE = 0.8
# What a label remembers of each task of the lanes: how many runs it has, how many of them in a
# row lie in the bin of the latest, and when the first and the latest began. NEVER is later than
# any step, and small enough for the short numbers that are copied in every step.
COUNT, IN_BIN, FIRST, LATEST = range(4)
NEVER = 30_000


@dataclass(frozen=True)
class Lane:
    """Tasks of which one run is on at a time, and the rows of their states.

    Row 0 is idle. A run of the k-th task (of problem.tasks[tasks[k]]) that begins at step t
    has row first[k] + t modulo its length, which is free again as it ends. remembered[k] is
    where labels remember the task. reach is length plus gap.
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
class Labels:
    """The best partial plan to each state: rows are states of one lane, columns of the other.

    worth (rows, columns, rewards), -inf where none leads; last (rows, columns, rewards), the
    number of its last start; memory (rows, columns, rewards, kinds, tasks). Each of several sets
    of rewards has labels of its own.
    """

    worth: np.ndarray
    last: np.ndarray
    memory: np.ndarray

    def transposed(self) -> "Labels":
        """The same labels, lanes the other way round."""
        return Labels(*(kept.swapaxes(0, 1) for kept in (self.worth, self.last, self.memory)))


def two_lanes(problem: Problem) -> tuple[Lane, Lane] | None:
    """The two lanes that hold most of the requested time.

    None where they hold too little of it, or would have too many states or steps.
    """
    requested = np.array([task.count * task.length for task in problem.tasks])
    groups = [np.array(group) for group in cliques(len(requested), problem.exclusive)]

    def taken_out(before: int) -> Lane:
        tasks = max(groups, key=lambda group: requested[group].sum(), default=np.arange(0))
        groups[:] = [np.setdiff1d(group, tasks) for group in groups]
        return _lane(problem, tasks, before)

    one = taken_out(0)
    two = taken_out(len(one.tasks))
    held = requested[one.tasks].sum() + requested[two.tasks].sum()
    few = one.states * two.states <= MOST_STATES and problem.steps < NEVER
    return (one, two) if few and held >= LEAST_SHARE * requested.sum() > 0 else None


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
    problem: Problem, lanes: tuple[Lane, Lane], rewards: np.ndarray, most_in_bin: np.ndarray
) -> np.ndarray:
    """Whether a run begins (rewards, tasks, steps) in the best plan found for each of `rewards`.

    `rewards` (rewards, tasks, steps) is what a start is worth there; where that is not positive,
    or outside the lanes, none is tried. A plan has at most most_in_bin[task, step] runs in a row
    in the bin of that step. Orders are kept among tasks of the lanes.
    """
    sweep = Sweep(problem, lanes, rewards, most_in_bin)
    for step in range(problem.steps):
        sweep.advance(step)
    return sweep.starts()


@dataclass(frozen=True)
class Side:
    """One lane, the labels with its states as rows, and which of its tasks may run (tasks,
    columns) beside each state of the other lane."""

    lane: Lane
    labels: Labels
    may_run: np.ndarray


class Sweep:
    """The labels of all states, step by step, and the starts behind them.

    A start is known by its number: the round (a step and lane in which runs began), the task
    and the state of the other lane.
    """

    def __init__(
        self,
        problem: Problem,
        lanes: tuple[Lane, Lane],
        rewards: np.ndarray,
        most_in_bin: np.ndarray,
    ):
        one, two = lanes
        self.problem, self.rewards, self.most_in_bin = problem, rewards, most_in_bin
        self.tasks = np.concatenate([one.tasks, two.tasks])
        # (tasks, steps, rewards): the labels of all rewards lie side by side.
        self.at_step = np.moveaxis(rewards, 0, -1)
        shape = one.states, two.states, len(rewards)
        self.labels = Labels(
            worth=np.full(shape, -np.inf),
            last=np.full(shape, -1),
            memory=np.zeros((*shape, 4, len(self.tasks)), dtype=np.int16),
        )
        self.labels.worth[0, 0] = 0.0
        self.labels.memory[:, :, :, FIRST] = NEVER
        self.labels.memory[:, :, :, LATEST] = -NEVER
        self.most_states = max(one.states, two.states)
        self.sides = (
            Side(one, self.labels, _may_run_beside(problem, one, two)),
            Side(two, self.labels.transposed(), _may_run_beside(problem, two, one)),
        )
        # Of each round: its step, and the last start of the labels from which runs began.
        self.rounds: list[tuple[int, np.ndarray]] = []

    def advance(self, step: int) -> None:
        """Let runs end, then begin, at `step`."""
        for side in self.sides:
            _end(side, step)
        for side in self.sides:
            before = side.labels.last[0].copy()
            if self._begin(side, step):
                self.rounds.append((step, before))

    def _begin(self, side: Side, step: int) -> bool:
        """Let runs begin where they may, from the states in which the lane is idle.

        False if no reward is positive there.
        """
        lane, labels = side.lane, side.labels
        tried = np.flatnonzero((self.at_step[lane.tasks, step] > 0).any(axis=1))
        if not len(tried):
            return False
        tasks, rows, mine = lane.tasks[tried], lane.rows_at(step)[tried], lane.remembered[tried]
        idle, reward = labels.memory[0], self.at_step[tasks, None, step]
        # Each of these, and each condition on a start, is (tasks, columns, rewards).
        count, in_bin, first, latest = np.moveaxis(idle[..., mine], (2, 3), (0, 1))
        bins = lane.bins[tried]
        latest_bin = bins[np.arange(len(tried))[:, None, None], np.maximum(latest, 0)]
        here = np.where(latest_bin == bins[:, step, None, None], in_bin, 0)
        fits = side.may_run[tried, :, None] & (reward > 0)
        fits &= count < lane.count[tried, None, None]
        fits &= here < self.most_in_bin[tasks, step, None, None]
        fits &= latest <= step - lane.reach[tried, None, None]
        for fit, task in zip(fits, tasks):
            self._keep_order(fit, int(task), step, idle)
        labels.worth[rows] = np.where(fits, labels.worth[0] + reward, -np.inf)
        number = (len(self.rounds) * len(self.tasks) + mine[:, None]) * self.most_states
        number = number + np.arange(labels.worth.shape[1])
        labels.last[rows] = number[:, :, None]
        labels.memory[rows] = idle
        begun = np.array([count + 1, here + 1, np.minimum(first, step), np.full_like(first, step)])
        labels.memory[rows, ..., mine] = np.moveaxis(begun, 0, -1)
        return True

    def _keep_order(self, fit: np.ndarray, task: int, step: int, idle: np.ndarray) -> None:
        """Unset `fit` (columns, rewards) where the label has no run that `task` waits for."""
        for need in self.problem.tasks[task].needs:
            if not need.met[step] and need.task in self.tasks:
                its_first = idle[:, :, FIRST, np.flatnonzero(self.tasks == need.task)[0]]
                fit &= its_first <= step + need.last

    def starts(self) -> np.ndarray:
        """Whether a run begins (rewards, tasks, steps), traced back from the best label."""
        starts = np.zeros(self.rewards.shape, dtype=bool)
        for k in range(len(self.rewards)):
            number = int(self.labels.last[..., k].flat[self.labels.worth[..., k].argmax()])
            while number >= 0:
                begun, other = divmod(number, self.most_states)
                round_, task = divmod(begun, len(self.tasks))
                step, before = self.rounds[round_]
                starts[k, self.tasks[task], step] = True
                number = int(before[other, k])
        return starts


def _may_run_beside(problem: Problem, lane: Lane, other: Lane) -> np.ndarray:
    """Whether a run of each task may be on in each state of the other lane (tasks, states)."""
    may = np.ones((len(lane.tasks), other.states), dtype=bool)
    for k, i in enumerate(lane.tasks):
        for j, first, length in zip(other.tasks, other.first, other.length):
            may[k, first : first + length] = (min(i, j), max(i, j)) not in problem.exclusive
    return may


def _end(side: Side, step: int) -> None:
    """Runs that are over leave the lane idle; the best label of the idle state goes on."""
    labels, over = side.labels, side.lane.rows_at(step)
    rows = np.append(0, over)
    best = rows[labels.worth[rows].argmax(axis=0)]
    there = best, *np.ogrid[: best.shape[0], : best.shape[1]]
    labels.worth[0], labels.last[0] = labels.worth[there], labels.last[there]
    labels.memory[0] = labels.memory[there]
    labels.worth[over] = -np.inf
