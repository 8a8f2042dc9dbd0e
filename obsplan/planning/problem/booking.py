"""A plan in steps while runs are booked: loads, exclusions, and where one more run fits.

Searches add and remove runs thousands of times, so loads and exclusions are updated, not
recomputed.
"""

from dataclasses import replace

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from obsplan.planning.problem.definition import (
    Budget,
    Crowd,
    Need,
    Problem,
    Task,
    serves_goals_alone,
)
from obsplan.planning.problem.goals import Measure
from obsplan.planning.problem.resource_flow import (
    Flow,
    Loads,
    Walk,
    change_wh,
    needed_wh,
    relays_first,
    walked,
)
from obsplan.planning.problem.tolerances import BUS_TOLERANCE_W, TOLERANCE

# Starts times steps of a run that are evaluated together: some ten megabytes.
MOST_CELLS = 1_000_000


class Booking:
    """Booked starts per task, with the loads and exclusions that follow from them."""

    def __init__(self, problem: Problem):
        steps, tasks, nodes = problem.steps, problem.tasks, problem.nodes
        self.problem = problem
        self.runs: list[list[int]] = [[] for _ in tasks]
        self.load_w = np.array([n.base_w for n in nodes])
        self.peak_w = np.array([n.base_peak_w for n in nodes])
        self.data_mbit = np.array([n.base_data_mbit for n in nodes])
        self.may_send = np.array([n.send_mbit > 0 for n in nodes])
        # How many booked runs bar each start, by overlap, gap or wait (tasks, steps), as lengths,
        # gaps and waits of the problem were when each was booked.
        self.barred = np.zeros((len(tasks), steps), dtype=np.int16)
        # How many booked runs keep each node from sending (nodes, steps).
        self.muted = np.zeros((len(nodes), steps), dtype=np.int16)
        self.waits = [
            [wait for wait in problem.waits if i in (wait.earlier, wait.later)]
            for i in range(len(tasks))
        ]
        # How many booked runs need each team (teams, steps), and the teams of each task.
        self.watched = np.zeros((len(problem.teams), steps), dtype=np.int16)
        self.teams = [
            [k for k, team in enumerate(problem.teams) if team.needed_by[i]]
            for i in range(len(tasks))
        ]
        self.walk: Walk | None = None
        self.flow = self.simulate()

    def add(self, task: int, start: int, sign: int = 1) -> None:
        """Book a run; `sign` -1 takes it back."""
        what = self.problem.tasks[task]
        inside = slice(start, start + what.length)
        self.load_w[what.node, inside] += sign * what.load_w
        self.peak_w[what.node, inside] += sign * what.peak_w
        self.data_mbit[what.node, inside] += sign * what.data_mbit
        reach = what.length + what.gap
        self.barred[task, max(0, start - reach + 1) : start + reach] += sign
        for rival, apart in self.problem.rivals[task]:
            first = max(0, start - self.problem.tasks[rival].length - apart + 1)
            self.barred[rival, first : inside.stop + apart] += sign
        for silence in what.silences:
            reached = silence.of_run(start, what.length)
            self.muted[silence.node, reached] += sign * silence.steps[reached]
        for wait in self.waits[task]:
            if wait.earlier == task:
                self.barred[wait.later, wait.later_barred(start)] += sign
            else:
                self.barred[wait.earlier, wait.earlier_barred(start)] += sign
        self.watched[self.teams[task], inside] += sign
        if sign > 0:
            self.runs[task].append(start)
        else:
            self.runs[task].remove(start)

    def add_if_feasible(self, task: int, start: int) -> bool:
        """Book a run and update the flow, unless battery or store would fall short."""
        self.add(task, start)
        flow = self.simulate()
        if flow.short:
            self.add(task, start, -1)
            return False
        self.flow = flow
        return True

    def copy(self) -> "Booking":
        """An independent copy with the same runs."""
        twin = Booking.__new__(Booking)
        twin.problem, twin.teams, twin.waits = self.problem, self.teams, self.waits
        twin.flow, twin.walk = self.flow, self.walk
        twin.runs = [list(starts) for starts in self.runs]
        for name in ("load_w", "peak_w", "data_mbit", "may_send", "barred", "watched", "muted"):
            setattr(twin, name, getattr(self, name).copy())
        return twin

    def value(self) -> float:
        """Total worth of the booked runs."""
        return plan_value(self.problem, self.runs)

    def objective(self) -> float:
        """Worth, preference and promise of the booked runs: what the search maximises."""
        preferences = sum(
            task.preference[runs].sum() for task, runs in zip(self.problem.tasks, self.runs) if runs
        )
        promises = sum(
            goal.promise(counts) - goal.value(counts)
            for goal in self.problem.goals
            for counts in [goal.counts(self.runs)]
        )
        return self.value() + float(preferences) + promises

    def next_value(self, task: int) -> np.ndarray:
        """What one more run of `task` would add, by its start (steps,)."""
        worth: np.ndarray = self._own_value(task) + self._of_goals(task, "value")
        return worth

    def next_promise(self, task: int) -> np.ndarray:
        """The same, where a run that still needs others to count is worth a little."""
        worth: np.ndarray = self._own_value(task) + self._of_goals(task, "promise")
        return worth

    def wanted(self, task: int) -> int:
        """How many more runs of `task` are requested: by its count, and if it has no worth of its
        own but serves goals, by these."""
        problem, more = self.problem, self.problem.tasks[task].count - len(self.runs[task])
        if not serves_goals_alone(problem, task):
            return more
        return min(more, sum(goal.wanted(self.runs, task) for goal in problem.goals))

    def _of_goals(self, task: int, measure: Measure) -> np.ndarray:
        worth = np.zeros(self.problem.steps)
        for goal in self.problem.goals:
            if goal.group[task] >= 0:
                gains = goal.gains(goal.counts(self.runs), measure)
                worth += goal.gain_of_starts(gains, task)
        return worth

    def _own_value(self, task: int) -> np.ndarray:
        what = self.problem.tasks[task]
        if what.repeat_worth == 1.0:
            return np.full(self.problem.steps, what.value)
        held = what.held + np.bincount(what.bins[self.runs[task]], minlength=len(what.held))
        worth: np.ndarray = (what.value * what.repeat_worth ** held.astype(float))[what.bins]
        return worth

    def next_gain(self, task: int) -> np.ndarray:
        """What one more run of `task` adds to the objective, by its start (steps,)."""
        gain: np.ndarray = self.next_promise(task) + self.problem.tasks[task].preference
        return gain

    def clear_starts(self, task: int) -> np.ndarray:
        """Starts (steps,) at which a run overlaps no rival, keeps its gap, has team and station."""
        clear: np.ndarray = self.problem.tasks[task].starts & (self.barred[task] == 0)
        for team in self.teams[task]:
            clear &= self.busy_steps(team, task) == 0
        for crowd in self.problem.crowds:
            clear &= self.crowded_steps(crowd, task) == 0
        return clear

    def busy_steps(self, team: int, task: int) -> np.ndarray:
        """In how many steps of a run of `task`, by its start (steps,), the team has no one free."""
        busy = self.watched[team] >= self.problem.teams[team].at_once
        return self.problem.tasks[task].steps_in(busy)

    def crowded_steps(self, crowd: Crowd, task: int) -> np.ndarray:
        """In how many steps of a run of `task`, by its start, a crowd leaves no station."""
        return self.problem.tasks[task].steps_in(crowd.taken(task, self.problem.tasks, self.runs))

    def met(self, need: Need) -> np.ndarray:
        """Starts (steps,) at which a booked run meets the need."""
        return need.with_runs(self.runs[need.task])

    def pinned(self, task: int) -> list[int]:
        """Booked starts of `task` that stay where they are, as runs of others may need them.

        Where any earlier run will do, that is the first alone.
        """
        runs = sorted(self.runs[task])
        if task in self.problem.needed_nearby:
            return runs
        return runs[:1] if task in self.problem.prerequisites else []

    def needs_met(self, task: int) -> np.ndarray:
        """Starts (steps,) at which a run of `task` has all other runs that it needs."""
        met = np.ones(self.problem.steps, dtype=bool)
        for need in self.problem.tasks[task].needs:
            met &= self.met(need)
        return met

    def lacks_required_runs(self) -> bool:
        """Whether a task has fewer runs than it must have, or a required minimum is missing."""
        return self.required_missing() > 0

    def required_missing(self) -> int:
        """How many required runs are missing, those of required minimums of goals with them."""
        tasks, goals = self.problem.tasks, self.problem.goals
        of_tasks = (max(0, task.must - len(runs)) for task, runs in zip(tasks, self.runs))
        of_goals = (goal.missing(goal.counts(self.runs)) for goal in goals if goal.required)
        return sum(of_tasks) + sum(of_goals)

    def left(self, budget: Budget) -> float:
        """What the booked runs leave of a budget."""
        return budget.left([len(starts) for starts in self.runs])

    def open_starts(self, task: int, among: slice = slice(None)) -> np.ndarray:
        """Starts (steps,) at which one more run keeps count, budgets, exclusions, gap and order,
        and at which teams, bus and charge suffice.

        Only starts `among` these are looked at. Data and the energy of sending are judged
        only by `simulate`.
        """
        what, open_ = self.problem.tasks[task], np.zeros(self.problem.steps, dtype=bool)
        if len(self.runs[task]) >= what.count or not self._budgets_allow(task):
            return open_
        open_[among] = self.clear_starts(task)[among]
        open_[max(0, self.problem.steps - what.length + 1) :] = False
        if what.needs:
            open_ &= self.needs_met(task)
        some = np.flatnonzero(open_)
        if len(some):
            part = slice(int(some[0]), int(some[-1]) + 1)
            open_[part] &= self._bus_allows(what, part)
            open_[part] &= self._charge_allows(what, part)
        return open_

    def _budgets_allow(self, task: int) -> bool:
        """Whether every budget has enough left for one more run of `task`."""
        budgets = self.problem.budgets
        return all(self.left(budget) >= budget.use[task] - TOLERANCE for budget in budgets)

    def _bus_allows(self, what: Task, part: slice) -> np.ndarray:
        """Starts in `part` whose run the bus carries at each of its steps."""
        node, last = self.problem.nodes[what.node], part.stop + what.length - 1
        room_w = node.bus_limit_w - self.peak_w[what.node, part.start : last]
        if room_w.min() >= what.peak_w.max() - BUS_TOLERANCE_W:
            return np.ones(part.stop - part.start, dtype=bool)
        enough = sliding_window_view(room_w, what.length) >= what.peak_w - BUS_TOLERANCE_W
        return np.asarray(enough.all(axis=1))

    def _charge_allows(self, what: Task, part: slice) -> np.ndarray:
        """Starts in `part` whose run leaves enough in the battery, then and afterwards."""
        count = part.stop - part.start
        if count > 1 and count * what.length > MOST_CELLS:
            middle = part.start + count // 2
            halves = slice(part.start, middle), slice(middle, part.stop)
            return np.concatenate([self._charge_allows(what, half) for half in halves])
        n, flow, hour = what.node, self.flow, self.problem.step_h
        node, last = self.problem.nodes[n], part.stop + what.length - 1
        ends = slice(part.start + 1, last + 1)
        needed = flow.needed_wh[n, ends] - TOLERANCE
        # A run takes no more from any level than all it draws.
        most_wh = what.load_w.sum() * hour / node.discharge_efficiency
        if (flow.stored_wh[n, ends] - needed).min() >= most_wh:
            return np.ones(count, dtype=bool)
        inside = slice(part.start, last)
        net_w = node.generation_w[inside] - self.load_w[n, inside]
        net_w = sliding_window_view(net_w, what.length) - what.load_w
        on = sliding_window_view(self.sending(n)[inside], what.length)
        gained = np.cumsum(change_wh(node, net_w, on, hour), axis=1)
        # The level is the least of what was stored and of any full battery since, plus gains.
        least = np.minimum(
            flow.stored_wh[n, part, None],
            node.capacity_wh + np.minimum.accumulate(-gained, axis=1),
        )
        enough = gained + least >= sliding_window_view(needed, what.length)
        return np.asarray(enough.all(axis=1))

    def keeps_rules(self) -> bool:
        """Whether the booked runs keep all rules but those of battery, store and sending."""
        for i, (task, starts) in enumerate(zip(self.problem.tasks, self.runs)):
            if (
                len(starts) > task.count
                # A run bars its own start; a second bar there is another's.
                or (self.barred[i, starts] > 1).any()
                or (task.needs and not self.needs_met(i)[starts].all())
                or any(self.crowded_steps(c, i)[starts].any() for c in self.problem.crowds)
            ):
                return False
        return self.fits_bus() and self.fits_budgets() and self.fits_teams()

    def sending(self, n: int) -> np.ndarray:
        """Share (steps,) of each step in which node `n` has its transmitter on, as in the flow."""
        on: np.ndarray = self.flow.sent_share[n] * self.problem.nodes[n].send_share
        return on

    def transmitter_is_free(self, n: int) -> np.ndarray:
        """Steps (steps,) in which no run keeps node `n` from sending, and the bus has room for its
        transmitter.

        While on it draws all it takes, however short that is.
        """
        node = self.problem.nodes[n]
        fits = self.peak_w[n] + node.transmit_w <= node.bus_limit_w + BUS_TOLERANCE_W
        return np.asarray(fits & (self.muted[n] == 0))

    def fits_bus(self) -> bool:
        """Whether no bus carries more than its limit, leaving sending aside."""
        limits_w = np.array([node.bus_limit_w for node in self.problem.nodes])
        return bool((self.peak_w <= limits_w[:, None] + BUS_TOLERANCE_W).all())

    def fits_budgets(self) -> bool:
        """Whether the booked runs use up no more than each budget has."""
        return all(self.left(budget) >= -TOLERANCE for budget in self.problem.budgets)

    def fits_teams(self) -> bool:
        """Whether no team watches more of the booked runs at a time than it can."""
        teams = zip(self.watched, self.problem.teams)
        return all((watched <= team.at_once).all() for watched, team in teams)

    def sends_freely(self) -> bool:
        """Whether every platform may send whenever its link is open."""
        return all(may[n.send_mbit > 0].all() for may, n in zip(self.may_send, self.problem.nodes))

    def simulate(self) -> Flow:
        """Run battery and store of every node through the span.

        If they suffice, the next call recomputes only what changes after this one.
        """
        nodes = self.problem.nodes
        able_mbit = [
            np.where(self.may_send[n] & self.transmitter_is_free(n), node.send_mbit, 0.0)
            for n, node in enumerate(nodes)
        ]
        net_w = np.array([node.generation_w for node in nodes]) - self.load_w
        loads = Loads(net_w, self.data_mbit.copy(), np.array(able_mbit))
        flow = walked(self.problem, loads, self.walk)
        if not flow.short:
            self.walk = Walk(nodes, loads, flow)
        return flow

    def recharged(self, node: int) -> Flow:
        """The flow with the charge of `node` recomputed and sending as it was.

        The charge needed then includes the sending; data and shortage stay as they were.
        """
        what, flow = self.problem.nodes[node], self.flow
        net_w = what.generation_w - self.load_w[node]
        changes = change_wh(what, net_w, self.sending(node), self.problem.step_h)
        gained = np.concatenate([[0.0], np.cumsum(changes)])
        room = what.capacity_wh - gained
        room[0] = what.start_wh
        stored, needed = flow.stored_wh.copy(), flow.needed_wh.copy()
        stored[node] = gained + np.minimum.accumulate(room)
        needed[node] = needed_wh(what, gained)
        return replace(flow, stored_wh=stored, needed_wh=needed)

    def fits_stores(self) -> bool:
        """Whether the data fit the stores with sending as it was, and more where it is free.

        Sending more is free where the battery is full and the arrays yield enough for it.
        A quick test on `flow`, in a fraction of the time of `simulate`, which may send
        otherwise and also sees two platforms compete for one station.
        """
        nodes, relayed = self.problem.nodes, np.zeros_like(self.data_mbit)
        for n in relays_first(nodes):
            node, share = nodes[n], self.flow.sent_share[n]
            net_w = node.generation_w - self.load_w[n]
            yields = change_wh(node, net_w, node.send_share, self.problem.step_h) >= 0
            full = self.flow.stored_wh[n, 1:] >= node.capacity_wh - TOLERANCE
            share = np.where(full & yields & self.may_send[n], 1.0, share)
            share = np.where(self.transmitter_is_free(n), share, 0.0)
            new = self.data_mbit[n] + relayed[n]
            grown = np.concatenate([[0.0], np.cumsum(new - share * node.send_mbit)])
            least = -grown
            least[0] = node.store_start_mbit
            held = grown + np.maximum.accumulate(least)
            if held.max() > node.store_mbit + TOLERANCE:
                return False
            if held[-1] > node.store_end_mbit + TOLERANCE:
                return False
            if node.receiver >= 0:
                relayed[node.receiver] += new - np.diff(held)
        return True


def plan_value(problem: Problem, runs: list[list[int]]) -> float:
    """Worth of all runs: in each bin the k-th run counts repeat_worth**(k-1); and of goals."""
    total = float(sum(goal.planned_value(runs) for goal in problem.goals))
    for task, starts in zip(problem.tasks, runs):
        bins, counts = np.unique(task.bins[list(starts)], return_counts=True)
        total += sum(task.run_value(b, k) for b, count in zip(bins, counts) for k in range(count))
    return total
