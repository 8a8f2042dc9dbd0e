"""The scheduling problem as a mixed-integer linear model: arrays, free of any solver.

One binary per task and step says that a run starts there; equal runs have no variables of their
own, so there is no symmetry. Battery and store are concave relaxations that are tight where it
matters: energy may be spilled at will and sending is a share of the time in contact. So every plan
that a replay accepts is feasible in the model of a relaxed problem, and the best of that bounds
them all.
"""

from itertools import product

import numpy as np

from obsplan.planning.problem.definition import Problem, Task
from obsplan.planning.solver.matrix import LinearModel, MatrixBuilder, Starts, at_most
from obsplan.planning.solver.resource_rows import add_supplies

# As many starts as three days have at a quarter of an hour; above that, sums are differences of
# cumulative starts.
SPELL_OUT_STARTS = 320
# A coarse model sums its rows over this many hours: battery and store, exclusion, and the gap
# between runs of one task.
SUPPLY_H = 2.0
EXCLUSION_H = 4.0
GAP_H = 1.0


def build_model(problem: Problem, coarse: bool = False) -> LinearModel:
    """The model of `problem`.

    A `coarse` one is a relaxation with the same columns for starts and fewer rows: each is the
    sum of the rows of some hours. Its optimum is no lower, and little higher, in a fraction of the
    time. Sums cut off more fractional plans than a row taken now and then would.
    """
    builder, steps = MatrixBuilder(), problem.steps
    every = steps_summed(problem) if coarse else 1
    together, spaced = (
        max(1, round(hours / problem.step_h)) if coarse else 1 for hours in (EXCLUSION_H, GAP_H)
    )
    rivals = {task for pair in problem.exclusive for task in pair}
    spell_out = 0 if coarse and steps > SPELL_OUT_STARTS else SPELL_OUT_STARTS
    starts = []
    for i, task in enumerate(problem.tasks):
        columns = np.full(steps, -1)
        # If every run has the same value the starts carry it; otherwise _worth ranks the runs.
        cost = task.value if task.repeat_worth == 1.0 else 0.0
        columns[task.starts] = builder.add_columns(int(task.starts.sum()), cost=cost, integer=True)
        starts.append(Starts(builder, columns, spell_out))
        _worth(builder, task, columns)
        window = task.length + task.gap
        # Without a gap the exclusion rows imply this, where there are any.
        if window > 1 and (task.gap or i not in rivals):
            at_most(builder, [(starts[-1], window, 0)], summed=spaced)
    _goals(builder, problem, starts)
    _needs(builder, problem, starts)
    _exclusion(builder, problem, starts, together)
    _teams(builder, problem, starts, together)
    _crowds(builder, problem, starts, together)
    if not coarse:
        _waits(builder, problem, starts)
    _turns(builder, problem, starts, together)
    before = builder.row_count
    sending = add_supplies(builder, problem, starts, every)
    return builder.linear_model(starts, sending, before)


def steps_summed(problem: Problem) -> int:
    """How many steps share one row of battery and store in a coarse model."""
    return max(1, round(SUPPLY_H / problem.step_h))


def _worth(builder: MatrixBuilder, task: Task, start: np.ndarray) -> None:
    """Count, must and value; in a bin the k-th run is worth repeat_worth**(k-1) of the first.

    Diminishing value is concave, so the relaxation fills the k-th runs in the right order.
    """
    columns = start[start >= 0]
    builder.add_rows(1, task.must, task.count, (0, columns, 1))
    if task.repeat_worth == 1.0:
        return  # the starts themselves carry the value
    for chosen in np.unique(task.bins[start >= 0]):
        in_bin = start[(task.bins == chosen) & (start >= 0)]
        ranks = min(task.count, len(in_bin))
        worth = np.array([task.run_value(chosen, k) for k in range(ranks)])
        share = builder.add_columns(ranks, cost=worth)
        builder.add_rows(1, 0, 0, (0, in_bin, 1), (0, share, -1))


def _goals(builder: MatrixBuilder, problem: Problem, starts: list[Starts]) -> None:
    """What goals are worth, by the runs in each bin.

    The worth of requested runs is concave, so the relaxation counts it rightly. Runs of the minimum
    count in the best bins alone, which needs a choice where a bin wants several of them.
    """
    for goal in problem.goals:
        groups, bins = goal.held.shape
        requested = builder.add_columns(bins, cost=goal.run_value, high=goal.runs_each)
        least = builder.add_columns(bins, cost=goal.bonus, high=goal.minimum_runs)
        for group in range(groups):
            terms = [
                (own_bins[here], own.columns[here], -1)
                for own, own_bins, of in zip(starts, goal.bins, goal.group)
                for here in [(own.columns >= 0) & (own_bins >= 0)]
                if of == group
            ]
            for counted in (requested, least):
                own = (np.arange(bins), counted, 1)
                builder.add_rows(bins, -np.inf, goal.held[group], own, *terms)
        most = goal.minimum_bins * goal.minimum_runs
        builder.add_rows(1, most if goal.required else -np.inf, most, (0, least, 1))
        if goal.minimum_runs > 1:
            chosen = builder.add_columns(bins, integer=True)
            own = (np.arange(bins), least, 1)
            builder.add_rows(bins, -np.inf, 0, own, (np.arange(bins), chosen, -goal.minimum_runs))
            builder.add_rows(1, -np.inf, goal.minimum_bins, (0, chosen, 1))
        # Runs that are held are worth nothing more.
        builder.add_columns(1, cost=-goal.value(goal.held), low=1.0)


def _needs(builder: MatrixBuilder, problem: Problem, starts: list[Starts]) -> None:
    """A start needs a run of another task that starts within a range of steps before or after
    it."""
    for task, own in zip(problem.tasks, starts):
        for need in task.needs:
            here = np.where(need.met_anyway, -1, own.columns)
            needed, other = np.flatnonzero(here >= 0), starts[need.task]
            number = np.full(problem.steps, -1)
            number[needed] = np.arange(len(needed))
            terms = [(number[needed], here[needed], need.runs)]
            latest = need.latest(needed)
            if other.cumulative is not None:
                for at, sign in ((latest, -1), (needed + need.first - 1, 1)):
                    column = other.cumulative[np.clip(at, 0, problem.steps - 1)]
                    terms.append((number[needed], np.where(at >= 0, column, -1), sign))
            else:
                row, start = np.nonzero(
                    (other.columns >= 0)
                    & (other.rows >= needed[:, None] + need.first)
                    & (other.rows <= latest[:, None])
                )
                terms.append((row, other.columns[start], -1))
            builder.add_rows(len(needed), -np.inf, need.met[needed], *terms)


def cliques(count: int, pairs: frozenset[tuple[int, int]]) -> list[list[int]]:
    """Maximal sets of at least two tasks in which every pair excludes each other.

    Bron and Kerbosch 1973 with pivot; sorted, so that the model is always the same.
    """
    near: list[set[int]] = [set() for _ in range(count)]
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


def _exclusion(builder: MatrixBuilder, problem: Problem, starts: list[Starts], summed: int) -> None:
    """At each step one run of each clique; short gaps exclude rivals too.

    A run of p excludes q during its gap, as far as q would reach back into it. With
    d = min(gap of p, length of q - 1), starts of p in (t - length_p, t + d] and starts of
    q in (t - length_q + d, t] exclude each other; this cuts off fractional plans of a short
    problem, and only costs time in a long one.
    """
    tasks = problem.tasks
    for clique in cliques(len(tasks), problem.exclusive):
        at_most(builder, [(starts[i], tasks[i].length, 0) for i in clique], summed=summed)
    if problem.steps > SPELL_OUT_STARTS:
        return
    for pair in sorted(problem.exclusive):
        for p, q in (pair, pair[::-1]):
            reach = min(tasks[p].gap, tasks[q].length - 1)
            if reach > 0:
                at_most(
                    builder,
                    [(starts[p], tasks[p].length, reach), (starts[q], tasks[q].length - reach, 0)],
                )


def _turns(builder: MatrixBuilder, problem: Problem, starts: list[Starts], summed: int) -> None:
    """Between runs that point at different things there is a turn.

    Starts of p in (t - length_p, t] and of q in (t - length_q + d, t + d] exclude each other for
    any d up to the turn, and so with p and q exchanged. Of each there is one run at most.
    """
    for pair in sorted(problem.turns):
        slew, lengths = problem.turns[pair], [problem.tasks[k].length for k in pair]
        offsets = {*range(-slew, slew, sum(lengths) - 1), slew}
        for d in sorted(offsets):
            ahead = max(-d, 0), max(d, 0)
            intervals = [(starts[k], n - a, a) for k, n, a in zip(pair, lengths, ahead)]
            at_most(builder, intervals, summed=summed)


def _teams(builder: MatrixBuilder, problem: Problem, starts: list[Starts], summed: int) -> None:
    """At each step no more runs that need a team than it can watch."""
    for team in problem.teams:
        needing = np.flatnonzero(team.needed_by).tolist()
        intervals = [(starts[i], problem.tasks[i].length, 0) for i in needing]
        if intervals:
            at_most(builder, intervals, team.at_once, summed)


def _crowds(builder: MatrixBuilder, problem: Problem, starts: list[Starts], summed: int) -> None:
    """Where parties are crowded not all have runs at a time.

    Of two parties, tasks that exclude each other share a row. Of more, each choice of a task of
    every party has one.
    """
    tasks = problem.tasks
    for crowd in problem.crowds:
        members = [np.flatnonzero(crowd.party == p).tolist() for p in range(crowd.parties)]
        together = [sorted(some) for some in product(*members)]
        if crowd.parties == 2:
            taking = {i for some in members for i in some}
            known = {pair for pair in problem.exclusive if taking.issuperset(pair)}
            apart = frozenset(known | {(i, j) for i, j in together})
            together = [c for c in cliques(len(tasks), apart) if len(set(crowd.party[c])) == 2]
        for some in together:
            intervals = [(starts[i], tasks[i].length, 0) for i in some]
            most = np.where(crowd.crowded, max(crowd.parties - 1, 0), len(some))
            at_most(builder, intervals, most, summed)


def _waits(builder: MatrixBuilder, problem: Problem, starts: list[Starts]) -> None:
    """A start excludes those before it of a run for which it waits, of which one at a time can be
    within the length and gap of a run.
    """
    for wait in problem.waits:
        earlier, columns = problem.tasks[wait.earlier], starts[wait.earlier].columns
        reach = earlier.length + earlier.gap
        terms: tuple[list[np.ndarray], list[np.ndarray]] = ([], [])
        rows = 0
        for start in np.flatnonzero(starts[wait.later].columns >= 0).tolist():
            barred = wait.earlier_barred(start)
            for first in range(barred.start, barred.stop, reach):
                some = columns[first : min(first + reach, barred.stop)]
                some = np.append(some[some >= 0], starts[wait.later].columns[start])
                if len(some) > 1:
                    terms[0].append(np.full(len(some), rows))
                    terms[1].append(some)
                    rows += 1
        if rows:
            numbers, used = (np.concatenate(part) for part in terms)
            builder.add_rows(rows, -np.inf, 1, (numbers, used, 1))
