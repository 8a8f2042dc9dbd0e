"""The best of tiny problems by trying every plan. Shares no arithmetic with the planner."""

from functools import cache
from itertools import combinations, pairwise, product

import numpy as np
from scipy.optimize import linprog

from obsplan.checking.check import check_timeline
from obsplan.checking.goal_runs import uncounted_slots
from obsplan.planning.problem.definition import Node, Problem
from obsplan.planning.problem.goals import Goal
from tools.small import slots
from tools.tiny import tiny_problem


def best_value(problem: Problem) -> float | None:
    """The worth of the best plan, None when no plan holds."""
    plans = sorted(_plans(problem), key=lambda plan: -plan[0])
    return next((value for value, runs in plans if resources_hold(problem, runs)), None)


@cache
def best_of_tiny(seed: int) -> float | None:
    """The worth of the best plan of the tiny problem of that seed."""
    return best_value(tiny_problem(seed))


def _plans(problem: Problem):
    """Worth and starts of every plan that keeps count, must, gap, exclusion and order."""
    options = [
        [
            chosen
            for k in range(task.must, task.count + 1)
            for chosen in combinations(np.flatnonzero(task.starts).tolist(), k)
            if all(b - a >= task.length + task.gap for a, b in zip(chosen, chosen[1:]))
        ]
        for task in problem.tasks
    ]
    for runs in product(*options):
        if _watched(problem, runs) and not _exclusive(problem, runs) and _ordered(problem, runs):
            yield plan_worth(problem, runs), runs


def plan_worth(problem: Problem, runs) -> float:
    total = 0.0
    for task, starts in zip(problem.tasks, runs):
        seen = {}
        for start in starts:
            place = int(task.bins[start])
            rank = int(task.held[place]) + seen.get(place, 0)
            seen[place] = seen.get(place, 0) + 1
            total += task.value if rank == 0 else task.value * task.repeat_worth**rank
    return total + sum(_goal_worth(goal, runs) - _goal_worth(goal, []) for goal in problem.goals)


def _goal_worth(goal: Goal, runs) -> float:
    """What a goal is worth, with the best choice of the bins of its minimum."""
    counters = goal.held.tolist()
    for task, starts in enumerate(runs):
        for place in (int(goal.bins[task, start]) for start in starts):
            if place >= 0 and goal.group[task] >= 0:
                counters[goal.group[task]][place] += 1
    runs_in = [min(column) for column in zip(*counters)]
    least = max(
        sum(min(runs_in[b], goal.minimum_runs) for b in chosen)
        for chosen in combinations(range(len(runs_in)), goal.minimum_bins)
    )
    return goal.run_value * sum(min(n, goal.runs_each) for n in runs_in) + goal.bonus * least


def _exclusive(problem: Problem, runs) -> bool:
    busy = [
        {step for start in starts for step in range(start, start + task.length)}
        for task, starts in zip(problem.tasks, runs)
    ]
    if any(busy[i] & busy[j] for i, j in problem.exclusive):
        return True
    for one, its_starts in zip(problem.tasks, runs):
        for other, other_starts in zip(problem.tasks, runs):
            for n, thing in one.points:
                turns = any(n == m and thing != that for m, that in other.points)
                for a in its_starts if turns else ():
                    if any(a <= b < a + one.length + problem.nodes[n].slew for b in other_starts):
                        return True
    return False


def _watched(problem: Problem, runs) -> bool:
    for team in problem.teams:
        watched = np.zeros(problem.steps, dtype=int)
        for task, starts, needs in zip(problem.tasks, runs, team.needed_by):
            for start in starts if needs else ():
                watched[start : start + task.length] += 1
        if (watched > team.at_once).any():
            return False
    return True


def within_budgets(problem: Problem, runs) -> bool:
    return all(
        sum(each * len(starts) for each, starts in zip(budget.use, runs)) <= budget.limit + 1e-9
        for budget in problem.budgets
    )


def _ordered(problem: Problem, runs) -> bool:
    for task, starts in zip(problem.tasks, runs):
        for need in task.needs:
            for start in starts:
                others = [s for s in runs[need.task] if need.first <= s - start <= need.last]
                if need.ready is not None:
                    others = [s for s in others if need.ready[s] <= start]
                if len(others) + need.met[start] < need.runs:
                    return False
    return not any(
        before < start < wait.ready[before] and wait.applies.start <= start < wait.applies.stop
        for wait in problem.waits
        for before in runs[wait.earlier]
        for start in runs[wait.later]
    )


def resources_hold(problem: Problem, runs) -> bool:
    """Whether bus, batteries, stores and budgets suffice, for some choice of what is sent when.

    Given the runs this is a linear programme: per node and step the share sent, the charge
    and the data at the step's end.
    """
    count, steps, hour = len(problem.nodes), problem.steps, problem.step_h
    load, peak, data = (np.zeros((count, steps)) for _ in range(3))
    for n, node in enumerate(problem.nodes):
        load[n], peak[n], data[n] = node.base_w, node.base_peak_w, node.base_data_mbit
    for task, starts in zip(problem.tasks, runs):
        for start in starts:
            for k in range(task.length):
                load[task.node, start + k] += task.load_w[k]
                peak[task.node, start + k] += task.peak_w[k]
                data[task.node, start + k] += task.data_mbit[k]
    silent = np.zeros((count, steps), dtype=bool)
    for task, starts in zip(problem.tasks, runs):
        for silence in task.silences:
            for t in np.flatnonzero(silence.steps):
                near = (s - silence.reach <= t < s + task.length + silence.reach for s in starts)
                silent[silence.node, t] |= any(near)
    limits = np.array([node.bus_limit_w for node in problem.nodes])[:, None]
    if (peak > limits + 1e-9).any() or not _silent_charge_holds(problem, load):
        return False
    if not within_budgets(problem, runs):
        return False

    share = np.arange(count * steps).reshape(count, steps)
    charge, held = share + count * steps, share + 2 * count * steps
    bounds: list[tuple] = [(0, 0)] * (3 * count * steps)
    below, below_rhs, equal, equal_rhs = [], [], [], []

    for n, node in enumerate(problem.nodes):
        senders = [m for m, other in enumerate(problem.nodes) if other.receiver == n]
        for t in range(steps):
            fits = node.transmit_w == 0 or peak[n, t] + node.transmit_w <= node.bus_limit_w + 1e-9
            bounds[share[n, t]] = (
                0,
                1 if fits and node.send_mbit[t] > 0 and not silent[n, t] else 0,
            )
            last = t == steps - 1
            floor = max(node.reserve_wh, node.end_wh) if last else node.reserve_wh
            bounds[charge[n, t]] = (floor, node.capacity_wh)
            roof = min(node.store_mbit, node.store_end_mbit) if last else node.store_mbit
            bounds[held[n, t]] = (0, roof)
            # The transmitter is on for a share of the step and off for the rest.
            spare_w = node.generation_w[t] - load[n, t]
            off, on = (_charged_wh(node, w, hour) for w in (spare_w, spare_w - node.transmit_w))
            below.append({charge[n, t]: 1.0, share[n, t]: node.send_share[t] * (off - on)})
            below_rhs.append(off)
            _before(below, below_rhs, charge[n], t, node.start_wh)
            kept = {held[n, t]: 1.0, share[n, t]: node.send_mbit[t]}
            for m in senders:
                kept[share[m, t]] = -problem.nodes[m].send_mbit[t]
            equal.append(kept)
            equal_rhs.append(data[n, t])
            _before(equal, equal_rhs, held[n], t, node.store_start_mbit)
    for t in range(steps):
        for station in {int(node.station[t]) for node in problem.nodes if node.receiver < 0} - {-1}:
            below.append(
                {
                    share[n, t]: node.send_share[t]
                    for n, node in enumerate(problem.nodes)
                    if node.receiver < 0 and node.station[t] == station
                }
            )
            below_rhs.append(1.0)
    found = linprog(
        np.zeros(len(bounds)),
        A_ub=_dense(below, len(bounds)),
        b_ub=below_rhs,
        A_eq=_dense(equal, len(bounds)),
        b_eq=equal_rhs,
        bounds=bounds,
        method="highs",
    )
    return found.status == 0


def _silent_charge_holds(problem: Problem, load: np.ndarray) -> bool:
    """Whether the batteries bear the loads when nothing is sent: sending never helps."""
    for node, load_w in zip(problem.nodes, load):
        charge = node.start_wh
        for net_w in node.generation_w - load_w:
            charge = min(node.capacity_wh, charge + _charged_wh(node, net_w, problem.step_h))
            if charge < node.reserve_wh - 1e-9:
                return False
        if charge < node.end_wh - 1e-9:
            return False
    return True


def _charged_wh(node: Node, net_w: float, hour: float) -> float:
    """What a surplus adds to the battery in a step, or a deficit takes from it."""
    if net_w >= 0:
        return min(net_w, node.charge_limit_w) * node.charge_efficiency * hour
    return net_w / node.discharge_efficiency * hour


def _before(rows: list[dict], right: list[float], level: np.ndarray, t: int, start: float) -> None:
    """Subtract the level before step t in the last row."""
    if t:
        rows[-1][level[t - 1]] = -1.0
    else:
        right[-1] += start


def _dense(rows: list[dict], columns: int) -> np.ndarray:
    matrix = np.zeros((len(rows), columns))
    for k, row in enumerate(rows):
        for column, factor in row.items():
            matrix[k, column] = factor
    return matrix


def accepted_worth(environment, above: float, tries: int) -> float | None:
    """Worth of the first timeline above `above` that the check accepts, in falling worth.

    None when there is none, or none among the first `tries`; every start on the grid is
    tried that the check has nothing against on its own.
    """
    scene = environment.scenario
    step = scene.span.step_min
    options = []
    for activity in scene.activity:
        rows = [(activity.name, step * k) for k in range(scene.steps)]
        found = check_timeline(environment, slots(*rows), fixes=False).violations
        wrong = {int(slot[1:]) - 1 for slot in found["slots"][found["rule"].isin(PLACEMENT)]}
        starts = [minute for k, (_, minute) in enumerate(rows) if k not in wrong]
        if activity.received_by_h is not None:
            # Whatever else is sent only makes data later.
            starts = [minute for minute in starts if is_in_time(environment, activity.name, minute)]
        reach = scene.slot_min(activity) + activity.gap_min
        options.append(
            [
                (runs_worth(activity, chosen), chosen)
                for k in range(activity.must, activity.count + 1)
                for chosen in combinations(starts, k)
                if all(b - a >= reach for a, b in zip(chosen, chosen[1:]))
            ]
        )
    plans = []
    for plan in product(*options):
        runs = [chosen for _, chosen in plan]
        # The worth of runs alone is reckoned once for each activity, as most plans fall short.
        worth = sum(own for own, _ in plan) + goals_worth(environment, runs)
        if worth > above:
            plans.append((worth, runs))
    plans.sort(key=lambda plan: -plan[0])
    for worth, runs in plans[:tries]:
        rows = [(a.name, s) for a, starts in zip(scene.activity, runs) for s in starts]
        table = slots(*rows)
        verdict = check_timeline(environment, table, fixes=False, keep_margins=True)
        if not verdict.is_valid:
            continue
        aboard = uncounted_slots(environment, table, verdict.resources)
        ids = {row: f"s{k}" for k, row in enumerate(rows, start=1)}

        def stays(goal, *row, aboard=aboard, ids=ids) -> bool:
            return ids[row] in aboard.get(goal, ())

        worth = timeline_worth(environment, runs, stays)
        if worth > above:
            return worth
    return None


def is_in_time(environment, activity: str, minute: int) -> bool:
    """Whether data of a run are on Earth in time if there is no other."""
    alone = check_timeline(environment, slots((activity, minute)), fixes=False)
    return not any(wait.is_late for wait in alone.data_waits)


PLACEMENT = (
    *("span", "grid", "duration", "Sun elevation", "coverage", "contact", "own window"),
    "team hours",
)


def timeline_worth(environment, runs, uncounted=lambda goal, activity, start: False) -> float:
    """Worth of runs by their starts in minutes; coverage, if any, is over the span."""
    own = sum(map(runs_worth, environment.scenario.activity, runs))
    return own + goals_worth(environment, runs, uncounted)


def goals_worth(environment, runs, uncounted=lambda goal, activity, start: False) -> float:
    """What runs by their starts in minutes are worth to all goals."""
    scene, total = environment.scenario, 0.0
    for goal in scene.goal:
        counts = {}
        for activity, starts in zip(scene.activity, runs):
            for start in starts if activity.name in goal.runs_of else ():
                place = _place(environment, goal, start)
                if None not in place and not uncounted(goal.name, activity.name, start):
                    group = activity.name if goal.together else ""
                    counts[place, group] = counts.get((place, group), 0) + 1
        groups = goal.runs_of if goal.together else [""]
        places = list(product(*(range(len(edges) - 1) for edges in goal.edges)))
        there = [min(counts.get((place, group), 0) for group in groups) for place in places]
        total += _worth_of_goal(goal, there)
    return total


def runs_worth(activity, starts) -> float:
    """Worth of the runs of one activity by their starts in minutes, aside from goals."""
    total = 0.0
    edges = np.array(activity.coverage.edges if activity.coverage else [0.0]) * 60
    bins = [int((edges <= start).sum()) for start in starts]
    for place in set(bins):
        total += sum(activity.value * activity.repeat_worth**k for k in range(bins.count(place)))
    return total


def _place(environment, goal, minute: int) -> tuple[int | None, ...]:
    """The bin of each quantity of a goal in a minute, None outside its edges."""
    sky = environment.sky
    values = [minute / 60 if key == "span_h" else sky[key].iat[minute] for key in goal.over]
    return tuple(
        next((k for k, (a, b) in enumerate(pairwise(edges)) if a <= value < b), None)
        for value, edges in zip(values, goal.edges)
    )


def _worth_of_goal(goal, there: list[int]) -> float:
    """The worth of a goal by the runs in its bins: the minimum first, then what is left."""
    runs = sum(min(n, goal.runs_each) for n in there)
    if goal.minimum is None:
        return goal.value * runs / goal.runs
    least = max(
        sum(min(n, goal.minimum.runs_each) for n in chosen)
        for chosen in combinations(there, goal.minimum.bins)
    )
    needed = goal.minimum.bins * goal.minimum.runs_each
    of_least = goal.minimum_value
    if of_least is None:
        of_least = goal.value * needed / goal.runs
    further = (goal.value - of_least) / (goal.runs - needed) if goal.runs > needed else 0.0
    return of_least * least / needed + further * (runs - least)
