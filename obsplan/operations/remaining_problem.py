"""The remaining problem when some slots are fixed: the whole span, empty before the first step.

Fixed slots enter as loads, data, coverage bins filled, budgets used and prerequisites met; battery
and store begin with their levels at the first step, before which nothing happens.
"""

from collections.abc import Iterator
from dataclasses import replace
from math import ceil, floor

import numpy as np
import pandas as pd

from obsplan.environment.model import Environment
from obsplan.inputs.activity import Activity
from obsplan.inputs.placed import DriveActivity, PlacedActivity, look_after
from obsplan.inputs.pointing import array_direction, direction_of
from obsplan.inputs.scenario import Scenario
from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.decisions import commanded_min, earliest_received_min
from obsplan.planning.problem.definition import Heater, Need, Node, Problem, Task, Team
from obsplan.planning.problem.from_scenario import build_problem, needs_of
from obsplan.planning.problem.goal_bins import bin_at
from obsplan.planning.problem.goals import Goal
from obsplan.planning.problem.pointing import longest_turn_min, slew_min
from obsplan.planning.problem.slot_profile import slot_profile
from obsplan.planning.problem.start_windows import commandable
from obsplan.planning.problem.stations import crowds_beside, without_station


def remaining_problem(
    environment: Environment,
    fixed: pd.DataFrame,
    first: int,
    levels: dict[str, tuple[float, float]],
    relaxed: bool = False,
) -> tuple[Problem, list[np.ndarray]]:
    """The problem of steps `first` and later, and per activity the starts (steps,) barred.

    `fixed` is as `fixed_slots` gives it; `levels` holds Wh and Mbit of every platform when step
    `first` begins. While fixed slots break a limit by themselves, no further run has room.
    """
    scenario = environment.scenario
    whole = build_problem(environment, relaxed)
    runs = fixed[fixed["activity"].isin([a.name for a in scenario.activity])]
    start_min, end_min = (scenario.minutes_of(runs[k]) for k in ("start_utc", "end_utc"))
    runs = runs.assign(start_min=start_min, end_min=end_min)
    crowds = crowds_beside(environment, whole, runs)
    barred = [
        _barred(scenario, whole, runs, i, first)
        | ~_commandable(environment, scenario.activity_named(task.name), first)
        | without_station(whole, crowds, i)
        | _waiting(scenario, whole, runs, i, relaxed)
        | _unseen(environment, runs, scenario.activity_named(task.name), relaxed)
        for i, task in enumerate(whole.tasks)
    ]
    tasks = tuple(
        _task(environment, whole, runs, i, barred[i], relaxed) for i in range(len(whole.tasks))
    )
    nodes = []
    muted = _muted(scenario, whole, runs, relaxed)
    for node, silent in zip(whole.nodes, muted):
        node = replace(node, send_mbit=np.where(silent, 0.0, node.send_mbit))
        mine = [a.name for a in scenario.activity if scenario.platform_of(a) == node.name]
        own = runs[runs["activity"].isin(mine)]
        if not relaxed:
            node = replace(node, generation_w=node.generation_w * _lit(scenario, node.name, own))
        draw_w, data_mbit = _profiles(scenario, own)
        node = _with_fixed_loads(
            scenario, node, draw_w, data_mbit, first, levels[node.name], relaxed
        )
        heaters = tuple(_heater_ahead(scenario, heater, own, first) for heater in node.heaters)
        nodes.append(_with_reserve_kept(_heated(node, heaters, whole.step_h), whole.step_h))
    # A run that was cut short counts in full, as for the referee; one that failed does not.
    begun = runs.loc[runs["state"] != "failed", "activity"].tolist()
    counts = [0 if task.pinned else begun.count(task.name) for task in whole.tasks]
    budgets = tuple(budget.after(counts) for budget in whole.budgets)
    watched = runs[runs["state"] != "failed"]
    teams = tuple(_team(scenario, team, watched) for team in whole.teams)
    goals = tuple(goal.holding(_held(environment, whole, goal, runs)) for goal in whole.goals)
    rest = replace(whole, tasks=tasks, budgets=budgets, teams=teams, crowds=crowds, goals=goals)
    problem = replace(rest, nodes=tuple(_with_data_later(node) for node in nodes))
    if Booking(problem).flow.short:
        # More than the contacts keeps the data back.
        problem = replace(rest, nodes=tuple(_with_larger_store(node) for node in nodes))
    return problem, barred


def _commandable(environment: Environment, activity: Activity, first: int) -> np.ndarray:
    """Starts (steps,) that a contact from step `first` on can command in time."""
    scenario = environment.scenario
    step = scenario.span.step_min
    minutes = commandable(environment, activity, first * step)
    return minutes[: scenario.steps * step : step]


def _barred(
    scenario: Scenario, whole: Problem, runs: pd.DataFrame, i: int, first: int
) -> np.ndarray:
    """Starts (steps,) before `first`, or in conflict with a fixed slot."""
    step, task = scenario.span.step_min, whole.tasks[i]
    names = [t.name for t in whole.tasks]
    barred = np.arange(whole.steps) < first
    for run in runs.itertuples(index=False):
        j = names.index(run.activity)
        same, apart = run.activity == task.name, dict(whole.rivals[i])
        if not same and j not in apart:
            continue
        gap = scenario.activity_named(task.name).gap_min if same and run.share > 0 else 0
        if apart.get(j):
            one, other = map(scenario.activity_named, (task.name, run.activity))
            gap = longest_turn_min(scenario, one, other)
        since = floor((run.start_min - gap) / step) - task.length + 1
        until = ceil((run.end_min + gap) / step)
        barred[max(since, 0) : max(until, 0)] = True
    return barred


def _lit(scenario: Scenario, name: str, runs: pd.DataFrame) -> np.ndarray:
    """The share of each step (steps,) in which these runs leave fixed arrays in the Sun."""
    platform, step = scenario.platform_named(name), scenario.span.step_min
    lit, reach = np.ones(scenario.steps * step), slew_min(platform)
    for run in runs.itertuples(index=False):
        thing = direction_of(platform, scenario.activity_named(run.activity))
        if thing is not None and array_direction(platform) not in (None, thing):
            since, until = floor(run.start_min) - reach, ceil(run.end_min) + reach
            lit[max(since, 0) : max(until, 0)] = 0.0
    return np.asarray(lit.reshape(-1, step).mean(axis=1))


def _muted(scenario: Scenario, whole: Problem, runs: pd.DataFrame, relaxed: bool) -> np.ndarray:
    """Steps (nodes, steps) in which these runs keep a node from sending, in part too unless
    `relaxed`."""
    step, tasks = scenario.span.step_min, {task.name: task for task in whole.tasks}
    muted = np.zeros((len(whole.nodes), whole.steps * step), dtype=bool)
    for run in runs.itertuples(index=False):
        for silence in tasks[run.activity].silences:
            reach = slew_min(scenario.platform[silence.node]) if silence.reach else 0
            since, until = floor(run.start_min) - reach, ceil(run.end_min) + reach
            reached = slice(max(since, 0), max(until, 0))
            muted[silence.node, reached] |= np.repeat(silence.steps, step)[reached]
    by_step = muted.reshape(len(whole.nodes), whole.steps, step)
    return np.asarray(by_step.all(axis=2) if relaxed else by_step.any(axis=2))


def _waiting(
    scenario: Scenario, whole: Problem, runs: pd.DataFrame, i: int, relaxed: bool
) -> np.ndarray:
    """Starts (steps,) that would come between a fixed slot and its decision, or after one.

    Data of fixed slots may be received earlier than links say, as telemetry knows, so that a
    relaxed problem leaves that out.
    """
    step = scenario.span.step_min
    barred = np.zeros(whole.steps, dtype=bool)
    for run in () if relaxed else runs[runs["share"] > 0].itertuples(index=False):
        at = min(max(floor(run.start_min / step), 0), whole.steps - 1)
        for wait in whole.waits:
            if wait.later == i and whole.tasks[wait.earlier].name == run.activity:
                barred[wait.later_barred(at)] = True
            if wait.earlier == i and whole.tasks[wait.later].name == run.activity:
                start = max(ceil(run.start_min / step), 0)
                if wait.applies.start <= start < wait.applies.stop:
                    first = int(np.searchsorted(wait.ready, run.start_min / step, side="right"))
                    barred[first:start] = True
    return barred


def _unseen(
    environment: Environment, runs: pd.DataFrame, activity: Activity, relaxed: bool
) -> np.ndarray:
    """Starts (steps,) at which people have not yet looked at the latest drive among these runs, got
    it there or not: of the rover's other drives, and of runs at a stop that no drive leads to."""
    scenario, step_min = environment.scenario, environment.scenario.span.step_min
    barred = np.zeros(scenario.steps, dtype=bool)
    is_led_to = isinstance(activity, PlacedActivity) and any(
        scenario.is_drive(order.activity) for order in activity.after
    )
    if relaxed or is_led_to or not isinstance(activity, DriveActivity | PlacedActivity):
        return barred
    rover = scenario.platform_of(activity)
    own = {d.name: d for d in scenario.drive if scenario.platform_of(d) == rover}
    moved = (runs["share"] > 0) | (runs["state"] == "shortened")
    for run in runs[moved & runs["activity"].isin(list(own))].tail(1).itertuples(index=False):
        drive, ready_min = own[run.activity], np.array([run.end_min])
        look = look_after(scenario, drive)
        if look.received:
            ran_min = min(run.end_min - run.start_min, drive.duration_min)
            data_mbit = drive.data_mbit * ran_min / drive.duration_min
            made = drive.model_copy(update={"duration_min": ran_min, "data_mbit": data_mbit})
            start_min = np.array([floor(run.start_min)])
            ready_min = np.maximum(ready_min, earliest_received_min(environment, made, start_min))
        ready_min = commanded_min(environment, activity, look, ready_min)
        barred[: ceil(min(ready_min[0] / step_min, scenario.steps))] = True
    return barred


def _task(
    environment: Environment,
    whole: Problem,
    runs: pd.DataFrame,
    i: int,
    barred: np.ndarray,
    relaxed: bool,
) -> Task:
    scenario = environment.scenario
    task, step = whole.tasks[i], scenario.span.step_min
    counted = runs[runs["share"] > 0]
    own = counted[counted["activity"] == task.name]
    at = (own["start_min"] // step).astype(int)
    places = [task.bins[k] for k in at if 0 <= k < whole.steps and task.bins[k] >= 0]
    # A pinned run is none of those that are fixed, and of drives those ahead alone are made.
    is_drive = scenario.is_drive(task.name)
    taken = 0 if task.pinned or is_drive else len(own)
    return replace(
        task,
        count=task.must if is_drive else max(0, task.count - taken),
        must=max(0, task.must - taken),
        starts=task.starts & ~barred,
        needs=tuple(_needs(environment, whole, counted, i, relaxed)),
        held=task.held + np.bincount(places, minlength=len(task.held)).astype(int),
    )


def _needs(
    environment: Environment, whole: Problem, counted: pd.DataFrame, i: int, relaxed: bool
) -> Iterator[Need]:
    """What a task needs, with what is met by the fixed runs that count."""
    scenario, task = environment.scenario, whole.tasks[i]
    drives = {d.name: d for d in scenario.activity if isinstance(d, DriveActivity)}
    ahead = {name for name, drive in drives.items() if drive.must}
    past = drives.keys() - ahead
    # What comes after a drive ahead does not come after an earlier run of it.
    is_past = ~counted["activity"].isin(list(ahead))
    fixed = counted.loc[is_past, ["activity", "start_min", "end_min"]]
    rows = fixed.itertuples(index=False, name=None)
    by_fixed = needs_of(environment, scenario.activity_named(task.name), rows, relaxed)
    for need, (_, other) in zip(task.needs, by_fixed):
        if task.name in past:  # it waits for nothing any more
            yield need._replace(task=i, met=np.full(whole.steps, need.runs))
        elif task.name in ahead and whole.tasks[need.task].name in past:  # see `_unseen`
            yield need._replace(met=np.full(whole.steps, need.runs))
        else:
            yield need._replace(met=need.met.astype(int) + other.met)


def _held(environment: Environment, whole: Problem, goal: Goal, runs: pd.DataFrame) -> np.ndarray:
    """The runs (groups, bins) that count towards a goal already; pinned ones as those of others."""
    held = goal.held.copy()
    numbers = {task.name: i for i, task in enumerate(whole.tasks) if not task.pinned}
    for run in runs[runs["share"] > 0].itertuples(index=False):
        i = numbers[run.activity]
        activity = environment.scenario.activity_named(run.activity)
        place = bin_at(environment, goal, i, activity, floor(run.start_min))
        if goal.group[i] >= 0 and place >= 0:
            held[goal.group[i], place] += 1
    return held


def _team(scenario: Scenario, team: Team, runs: pd.DataFrame) -> Team:
    """The team without the people who watch these runs, which cover steps in part too."""
    step_min = scenario.span.step_min
    needing = [a.name for a, needs in zip(scenario.activity, team.needed_by) if needs]
    watched = np.zeros(scenario.steps * step_min, dtype=int)
    for run in runs[runs["activity"].isin(needing)].itertuples(index=False):
        watched[max(floor(run.start_min), 0) : max(ceil(run.end_min), 0)] += 1
    most = watched.reshape(-1, step_min).max(axis=1)
    return replace(team, at_once=np.maximum(team.at_once - most, 0))


def _profiles(scenario: Scenario, runs: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Watts and Mbit of these runs in every minute of the span."""
    minutes = scenario.steps * scenario.span.step_min
    draw_w, data_mbit = np.zeros(minutes), np.zeros(minutes)
    activities = {a.name: a for a in scenario.activity}
    for run in runs.itertuples(index=False):
        activity = activities[run.activity]
        begin, length = floor(run.start_min), ceil(run.end_min) - floor(run.start_min)
        slot_w, slot_mbit = slot_profile(activity, max(length, scenario.slot_min(activity)))
        inside = np.arange(max(begin, 0), min(begin + length, minutes))
        draw_w[inside] += slot_w[inside - begin]
        if run.state != "failed":
            data_mbit[inside] += slot_mbit[inside - begin]
    return draw_w, data_mbit


def _with_fixed_loads(
    scenario: Scenario,
    node: Node,
    draw_w: np.ndarray,
    data_mbit: np.ndarray,
    first: int,
    level: tuple[float, float],
    relaxed: bool,
) -> Node:
    """The node with the loads and data of fixed slots, and nothing before step `first`."""
    shape = (scenario.steps, scenario.span.step_min)
    ahead = np.arange(scenario.steps) >= first
    draw_w, data_mbit = draw_w.reshape(shape), data_mbit.reshape(shape)
    peak_w = draw_w.min(axis=1) if relaxed else draw_w.max(axis=1)
    # The best minute may be one in which the fixed slots draw least.
    above_mean_w = node.above_mean_w + (draw_w.mean(axis=1) - draw_w.min(axis=1)) * relaxed
    return replace(
        node,
        generation_w=node.generation_w * ahead,
        above_mean_w=above_mean_w * ahead,
        base_w=(node.base_w + draw_w.mean(axis=1)) * ahead,
        base_peak_w=np.minimum(node.base_peak_w + peak_w, node.bus_limit_w) * ahead,
        base_data_mbit=(node.base_data_mbit + data_mbit.sum(axis=1)) * ahead,
        send_mbit=node.send_mbit * ahead,
        send_share=node.send_share * ahead,
        station=np.where(ahead, node.station, -1),
        start_wh=min(level[0], node.capacity_wh),
        store_start_mbit=level[1],
    )


def _heater_ahead(scenario: Scenario, heater: Heater, runs: pd.DataFrame, first: int) -> Heater:
    """The heater from step `first` on, with what its unit may hold by then, and fixed runs."""
    share = dict(zip([a.name for a in scenario.activity], heater.share))
    least_wh = heater.least_wh.copy()
    # In their order, so that sums are the same each time.
    for name in runs["activity"].unique():
        draw_w, _ = _profiles(scenario, runs[runs["activity"] == name])
        least_wh -= share[name] * draw_w.reshape(scenario.steps, -1).sum(axis=1) / 60
    least_wh[:first] = 0.0
    least_wh[first : first + 1] -= heater.spare_wh[first : first + 1]
    return replace(heater, least_wh=least_wh)


def _heated(node: Node, heaters: tuple[Heater, ...], step_h: float) -> Node:
    """The node with these heaters, or with none if the battery cannot surely bear them."""
    drawn_w = sum(np.maximum(heater.least_wh, 0.0) for heater in heaters) / step_h
    loaded = replace(node, base_w=node.base_w + drawn_w)
    kept = _with_reserve_kept(loaded, step_h)
    is_borne = np.array_equal(kept.generation_w, node.generation_w) and kept.end_wh == node.end_wh
    return replace(node, heaters=heaters if is_borne else ())


def _with_reserve_kept(node: Node, step_h: float) -> Node:
    """The node with a battery that the fixed slots do not drain, and no room for more if they do.

    While the battery would be below its reserve, generation is assumed to keep it there: any
    further load would bring it lower. The level required at the end is lowered accordingly.
    """
    level, generation_w = node.start_wh, node.generation_w.copy()
    for step, (generated, base) in enumerate(zip(node.generation_w, node.base_w)):
        net = generated - base
        gain = (
            min(net, node.charge_limit_w) * node.charge_efficiency
            if net >= 0
            else (net / node.discharge_efficiency)
        )
        after = min(level + gain * step_h, node.capacity_wh)
        if min(level, after) < node.reserve_wh:
            rise = (max(after, node.reserve_wh) - max(level, node.reserve_wh)) / step_h
            rise /= node.charge_efficiency if rise >= 0 else 1 / node.discharge_efficiency
            generation_w[step] = base + rise
        level = after
    return replace(
        node,
        generation_w=generation_w,
        # Sending may still be free where less is generated here than there.
        above_mean_w=node.above_mean_w + np.maximum(node.generation_w - generation_w, 0.0),
        start_wh=max(node.start_wh, node.reserve_wh),
        end_wh=min(node.end_wh, max(level, node.reserve_wh)),
    )


def _with_data_later(node: Node) -> Node:
    """The node in which data beyond the capacity of the store come once there is room for them."""
    held_mbit = _least_held(node)
    beyond_mbit = np.maximum(held_mbit - node.store_mbit, 0.0)
    held_mbit -= beyond_mbit
    return replace(
        node,
        base_data_mbit=node.base_data_mbit - np.diff(beyond_mbit),
        store_start_mbit=float(held_mbit[0]),
        store_end_mbit=max(node.store_end_mbit, float(held_mbit[-1])),
    )


def _with_larger_store(node: Node) -> Node:
    """The node with a store that holds what fixed slots put into it."""
    held_mbit = _least_held(node)
    return replace(
        node,
        store_mbit=max(node.store_mbit, float(held_mbit.max())),
        store_end_mbit=max(node.store_end_mbit, float(held_mbit[-1])),
    )


def _least_held(node: Node) -> np.ndarray:
    """Data in the store after each step if contacts were used fully."""
    held, levels = node.store_start_mbit, [node.store_start_mbit]
    for new, send in zip(node.base_data_mbit, node.send_mbit):
        held = max(0.0, held + new - send)
        levels.append(held)
    return np.array(levels)
