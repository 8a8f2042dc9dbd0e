"""The scheduling problem in whole steps: tasks, nodes, budgets, teams and what excludes what.

It knows no scenario, no solver and no clock.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import NamedTuple

import numpy as np

from obsplan.planning.problem.goals import Goal


class Need(NamedTuple):
    """Other runs that a start needs: `runs` of `task` that start `first` to `last` steps later.

    Earlier is negative. met (steps,): how many of them each start has whatever is planned. ready
    (steps,), which never falls: a run at that step serves only starts from then on; None if it
    always serves.
    """

    task: int
    first: int
    last: int
    met: np.ndarray
    runs: int = 1
    ready: np.ndarray | None = None

    def served(self, start: int) -> slice:
        """The starts that a run of its task at `start` serves."""
        low = start - self.last
        if self.ready is not None:
            low = max(low, int(self.ready[start]))
        return slice(max(0, low), max(0, start - self.first + 1))

    def latest(self, starts: np.ndarray) -> np.ndarray:
        """The last start (n,) of a run of its task that serves each of `starts`; -1 if none."""
        latest = np.maximum(starts + self.last, -1)
        if self.ready is not None:
            latest = np.minimum(latest, np.searchsorted(self.ready, starts, side="right") - 1)
        return np.asarray(latest)

    def with_runs(self, starts: list[int]) -> np.ndarray:
        """The starts (steps,) at which the need is met if runs of its task are at `starts`."""
        return self.there(starts) >= self.runs

    def there(self, starts: list[int]) -> np.ndarray:
        """How many runs each start (steps,) has then."""
        there = self.met.astype(int)
        for start in starts:
            there[self.served(start)] += 1
        return there

    @property
    def met_anyway(self) -> np.ndarray:
        """The starts (steps,) at which the need is met whatever is planned."""
        return self.met >= self.runs


class Wait(NamedTuple):
    """After a run of `earlier` has started no run of `later` starts until it is ready.

    ready (steps,), which never falls: the step from which on `later` may start again, by the start
    of `earlier`. Only its starts in `applies` wait. number: which of the needs of `later` says so.
    """

    earlier: int
    later: int
    ready: np.ndarray
    applies: slice
    number: int = 0

    def later_barred(self, start: int) -> slice:
        """The starts of `later` that a run of `earlier` at `start` bars."""
        first = max(start + 1, self.applies.start)
        return slice(first, max(first, min(int(self.ready[start]), self.applies.stop)))

    def earlier_barred(self, start: int) -> slice:
        """The starts of `earlier` that a run of `later` at `start` bars."""
        if not self.applies.start <= start < self.applies.stop:
            return slice(start, start)
        first = int(np.searchsorted(self.ready, start, side="right"))
        return slice(min(first, start), start)


def after(task: int, length: int, settle: int, met: np.ndarray) -> Need:
    """The need that a run of `task`, `length` steps long, has ended `settle` steps before."""
    return Need(task, -len(met), -(length + settle), met)


@dataclass(frozen=True)
class Silence:
    """While a run lasts, and `reach` steps before and after it, a node sends nothing.

    In these `steps` (steps,) alone.
    """

    node: int
    reach: int
    steps: np.ndarray

    def of_run(self, start: int, length: int) -> slice:
        """What a run of that start and length reaches to; it may end beyond the span."""
        return slice(max(0, start - self.reach), start + length + self.reach)


@dataclass(frozen=True)
class Task:
    """One activity. Profiles have one entry per step of a slot (`length` of them).

    load_w is the mean draw of the step, peak_w the highest of its minutes (the lowest in a
    relaxed problem): energy follows the mean, the bus must carry the peak. `needs` are the
    runs of other tasks that a start needs. `held` counts, per coverage bin, runs that are
    fixed elsewhere and take the first places there. `preference` (steps,) is added to the
    worth of a start in the search only; it is no part of the plan's value. `pinned`: it is one run
    of the activity of that name, at its only start (see pinned_runs). points: nodes that point
    at a thing while it runs, and which. silences: who sends nothing while it runs.
    prompt: in how many steps from the start of a run all its data must be on Earth; 0 if whenever.
    """

    name: str
    node: int
    length: int
    load_w: np.ndarray
    peak_w: np.ndarray
    data_mbit: np.ndarray
    count: int
    must: int
    gap: int
    value: float
    repeat_worth: float
    starts: np.ndarray
    bins: np.ndarray
    needs: tuple[Need, ...]
    held: np.ndarray
    preference: np.ndarray
    pinned: bool = False
    points: tuple[tuple[int, int], ...] = ()
    silences: tuple[Silence, ...] = ()
    prompt: int = 0

    def steps_in(self, mask: np.ndarray) -> np.ndarray:
        """How many of the steps in the `mask` (steps,) a run covers, by its start (steps,)."""
        before = np.concatenate([[0], np.cumsum(mask)])
        ends = np.minimum(np.arange(len(mask)) + self.length, len(mask))
        return np.asarray(before[ends] - before[:-1])

    def run_value(self, bin_: int, earlier_in_bin: int) -> float:
        """The worth of a run when `earlier_in_bin` planned runs share its bin."""
        return self.value * self.repeat_worth ** int(self.held[bin_] + earlier_in_bin)


@dataclass(frozen=True)
class Heater:
    """A thermostat heater in a relaxed problem; all in Wh but power_w.

    However it is used, from any step on it draws no less than the sum of least_wh (steps,) less
    the heat that is spared: `share` (tasks,) of what runs draw, and spare_wh (steps,) of the step
    at which one begins to count, which the unit may hold then. It never draws more than power_w.
    """

    power_w: float
    least_wh: np.ndarray
    spare_wh: np.ndarray
    share: np.ndarray


@dataclass(frozen=True)
class Node:
    """One platform; arrays have one entry per step.

    send_mbit is the most that can leave in a step, send_share the part of the step in which
    the transmitter is then on, `receiver` the node it goes to (-1 is Earth). Peak base load
    counts for the bus, mean base load for the battery. In a relaxed problem the best minute of a
    step leaves `above_mean_w` more of generation than its mean does, in a strict one 0. heaters:
    those that runs save power of, which are no part of the base load then; none unless the problem
    is relaxed. What charging loses near full and in the cold is for the relaxed problem alone: in a
    minute the battery takes no more than `taper` of what it lacks to be full (0: as much as comes),
    and it charges in no more than the share `charging` (None: all) of each step. Between runs that
    point at different things it turns for `slew` steps. turns_away: whether runs turn its arrays
    from the Sun, which their load has as generation that is lost.
    """

    name: str
    generation_w: np.ndarray
    above_mean_w: np.ndarray
    base_w: np.ndarray
    base_peak_w: np.ndarray
    base_data_mbit: np.ndarray
    bus_limit_w: float
    capacity_wh: float
    reserve_wh: float
    start_wh: float
    end_wh: float
    charge_efficiency: float
    discharge_efficiency: float
    charge_limit_w: float
    transmit_w: float
    send_mbit: np.ndarray
    send_share: np.ndarray
    receiver: int
    station: np.ndarray
    store_mbit: float
    store_start_mbit: float
    store_end_mbit: float
    heaters: tuple[Heater, ...] = ()
    taper: float = 0.0
    charging: np.ndarray | None = None
    slew: int = 0
    turns_away: bool = False


@dataclass(frozen=True)
class Budget:
    """Something that runs use up and nothing renews within the span, as heat or propellant.

    A run of each task uses `use` (tasks,) of it, none less than 0; all runs together use at
    most `limit`. `name` says in reasons what is used up, each budget another, `rule` in
    conflicts what is not kept: 'propellant of "rover"', 'at most 3 kg of propellant on "rover"'.
    """

    name: str
    rule: str
    use: np.ndarray
    limit: float

    def left(self, counts: list[int]) -> float:
        """What is left of it after so many runs of each task; below 0 if they use too much."""
        return self.limit - float(self.use @ counts)

    def after(self, counts: list[int]) -> "Budget":
        """The budget of further runs after so many of each task; no more than used up."""
        return replace(self, limit=max(0.0, self.left(counts)))


@dataclass(frozen=True)
class Team:
    """People who watch runs: of the tasks that need them, at most `at_once` (steps,) at a time.

    needed_by (tasks,): which tasks need them. `name` and `rule` as of a budget.
    """

    name: str
    rule: str
    needed_by: np.ndarray
    at_once: np.ndarray


@dataclass(frozen=True)
class Crowd:
    """Parties that have too few stations between them: in the `crowded` steps (steps,) not all of
    the `parties` may have a run at a time.

    party (tasks,): for which of them runs of a task need a station, -1 if they need none.
    """

    party: np.ndarray
    parties: int
    crowded: np.ndarray

    def rivals_of(self, task: int) -> list[list[int]]:
        """The tasks of each of the other parties."""
        others = sorted(set(range(self.parties)) - {int(self.party[task])})
        return [np.flatnonzero(self.party == other).tolist() for other in others]

    def taken(self, task: int, tasks: Sequence[Task], runs: list[list[int]]) -> np.ndarray:
        """The steps (steps,) in which no station is left for a run of `task`, as all other parties
        have runs."""
        taken = self.crowded & bool(self.party[task] >= 0)
        for rivals in self.rivals_of(task):
            there = np.zeros(len(taken), dtype=bool)
            for i in rivals:
                for start in runs[i]:
                    there[start : start + tasks[i].length] = True
            taken = taken & there
        return np.asarray(taken)


@dataclass(frozen=True)
class Problem:
    """Tasks, nodes, the pairs of tasks that may not overlap, budgets of all runs, teams, crowds,
    waits.

    goals: what counts runs of several tasks, or in bins of its own.
    awaits_data: whether runs wait for data of others, or data may not wait for long, so that data
    must be sent early.
    """

    steps: int
    step_h: float
    tasks: tuple[Task, ...]
    nodes: tuple[Node, ...]
    exclusive: frozenset[tuple[int, int]]
    budgets: tuple[Budget, ...] = ()
    teams: tuple[Team, ...] = ()
    waits: tuple[Wait, ...] = ()
    goals: tuple[Goal, ...] = ()
    awaits_data: bool = False
    crowds: tuple[Crowd, ...] = ()

    @cached_property
    def turns(self) -> dict[tuple[int, int], int]:
        """Pairs (i < j) of tasks between whose runs a platform turns: for how many steps."""
        found = {}
        tasks = [(i, task) for i, task in enumerate(self.tasks) if task.points]
        for k, (i, one) in enumerate(tasks):
            for j, other in tasks[k + 1 :]:
                there = dict(other.points)
                turning = [n for n, thing in one.points if there.get(n, thing) != thing]
                if turning:
                    found[i, j] = max(self.nodes[n].slew for n in turning)
        return found

    @cached_property
    def rivals(self) -> list[list[tuple[int, int]]]:
        """The tasks that runs of each may not overlap, and how many steps must be between them."""
        apart = dict.fromkeys(self.exclusive, 0) | self.turns
        places = range(len(self.tasks))
        pairs = [[(j, (min(i, j), max(i, j))) for j in places] for i in places]
        return [[(j, apart[pair]) for j, pair in row if pair in apart] for row in pairs]

    @cached_property
    def prerequisites(self) -> frozenset[int]:
        """Tasks of which others need a run."""
        return frozenset(need.task for task in self.tasks for need in task.needs)

    @cached_property
    def needed_nearby(self) -> frozenset[int]:
        """Tasks of which others need several runs, or one at most so many steps before theirs."""
        needs = (need for task in self.tasks for need in task.needs)
        return frozenset(n.task for n in needs if n.first > -self.steps or n.runs > 1)


def worth_of_all(problem: Problem) -> float:
    """The worth of all requested runs at the bins where they are worth most: an upper bound."""
    worth = 0.0
    for task in problem.tasks:
        runs = [task.run_value(b, k) for b in range(len(task.held)) for k in range(task.count)]
        worth += sum(sorted(runs)[-task.count :]) if task.count else 0.0
    return worth + sum(goal.most([t.starts for t in problem.tasks]) for goal in problem.goals)


def with_minimum_first(problem: Problem) -> Problem:
    """The problem in which a run of a required minimum is worth more than all others together.

    A search then never gives one up. Its value is not that of the plan.
    """
    if not any(goal.required for goal in problem.goals):
        return problem
    more = 1.0 + worth_of_all(problem)
    goals = (goal.worth_more(more) if goal.required else goal for goal in problem.goals)
    return replace(problem, goals=tuple(goals))


def least_worth(problem: Problem) -> float:
    """The least worth above zero that a plan can have: the first run of some task."""
    firsts = [task.run_value(b, 0) for task in problem.tasks for b in range(len(task.held))]
    worths = [*firsts, *(goal.least() for goal in problem.goals)]
    return min((worth for worth in worths if worth > 0), default=np.inf)


def mean_worth(problem: Problem) -> float:
    """The mean over the tasks that may run of the most that a run can be worth; 0 without any."""
    worths = zip(problem.tasks, first_worths(problem))
    return float(np.mean([w for task, w in worths if task.count and task.starts.any()] or [0.0]))


def serves_goals_alone(problem: Problem, task: int) -> bool:
    """Whether runs of a task are worth what they add to goals, and nothing by themselves."""
    return problem.tasks[task].value == 0 and any(g.group[task] >= 0 for g in problem.goals)


def first_worths(problem: Problem) -> np.ndarray:
    """The most that a run of each task (tasks,) can be worth."""
    worths = np.array([task.value for task in problem.tasks])
    for goal in problem.goals:
        worths[goal.group >= 0] += goal.run_value + goal.bonus
    return worths


def starts_of(problem: Problem) -> int:
    """How many starts are permitted in all."""
    return sum(int(task.starts.sum()) for task in problem.tasks)
