"""The scheduling problem of a scenario, in whole steps.

A problem is built from a scenario and its environment: activities become tasks with
permitted starts and load profiles, platforms become nodes with energy and data per step.
"""

from collections.abc import Iterable, Iterator
from enum import Enum
from math import ceil
from typing import NamedTuple

import numpy as np

from obsplan.common.instants import stamp
from obsplan.environment.model import Environment
from obsplan.inputs.activity import Activity
from obsplan.inputs.after import After
from obsplan.inputs.hardware import Battery, Platform
from obsplan.inputs.placed import DriveActivity, PlacedActivity
from obsplan.inputs.pointing import array_direction
from obsplan.inputs.scenario import Scenario
from obsplan.planning.problem.decisions import commanded_min, order_steps, ready_steps
from obsplan.planning.problem.definition import Need, Node, Problem, Task, Team, Wait, after
from obsplan.planning.problem.goal_bins import goals_of
from obsplan.planning.problem.pinned_runs import with_pins
from obsplan.planning.problem.platform_power import heat_saved, platform_power
from obsplan.planning.problem.pointing import (
    generation_lost_w,
    points_of,
    silences_of,
    slew_steps,
)
from obsplan.planning.problem.slot_profile import slot_profile
from obsplan.planning.problem.start_windows import coverage_bin, start_mask
from obsplan.planning.problem.stations import crowds_of, silences_at_stations
from obsplan.planning.problem.supplies import supplies_of
from obsplan.planning.problem.tolerances import REPLAY_SLACK

# The number of a wait that is none of the needs of the later activity: the rover has left its stop.
LEFT = -1


def build_problem(environment: Environment, relaxed: bool = False) -> Problem:
    """The scheduling problem of a scenario in its environment.

    Within a step it is strict where it does not know better: peaks of different minutes
    meet on the bus, and sending takes as long as at the step's mean rate. `relaxed` turns
    this round, so that every plan which a replay by the minute accepts is one of the
    relaxed problem, and a bound on that is a bound on them all.
    """
    scenario = environment.scenario
    names = [a.name for a in scenario.activity]
    problem = Problem(
        steps=scenario.steps,
        step_h=scenario.span.step_min / 60,
        tasks=tuple(_task(environment, a, names, relaxed) for a in scenario.activity),
        nodes=tuple(_node(environment, p, relaxed) for p in scenario.platform),
        exclusive=frozenset(exclusive_pairs(scenario)),
        teams=tuple(_teams(scenario)),
        crowds=crowds_of(environment),
        waits=tuple(_waits(environment, names)),
        goals=tuple(goals_of(environment)),
        awaits_data=any(
            a.received_by_h is not None or any(order.received for order in a.after)
            for a in scenario.activity
        ),
    )
    return with_pins(scenario, problem)


def _teams(scenario: Scenario) -> Iterator[Team]:
    """The teams that can be too few, in the order of the scenario."""
    for team in scenario.team:
        needed_by = np.array([team.name in a.needs for a in scenario.activity], dtype=bool)
        most = f"{team.at_once} run{'s' if team.at_once > 1 else ''}"
        yield Team(
            name=f'team "{team.name}"',
            rule=f'at most {most} at once for team "{team.name}"',
            needed_by=needed_by,
            at_once=np.full(scenario.steps, team.at_once),
        )


class ExclusionKind(Enum):
    """The rules by which two activities may not overlap."""

    INSTRUMENT = "one slot at a time on the instrument"
    PLATFORM = "one slot at a time on the platform"
    NOT_WITH = "not_with"
    QUIET = "quiet"
    DRIVE = "a rover that drives is at no stop"


class Exclusion(NamedTuple):
    """Why two activities (their indices) may not overlap.

    NOT_WITH: `first` names `second`; QUIET: `first` is quiet and `second` disturbs; the other
    kinds: in the order of the scenario.
    """

    kind: ExclusionKind
    first: int
    second: int


def exclusive_pairs(scenario: Scenario) -> dict[tuple[int, int], Exclusion]:
    """Pairs (i < j) of activities that may not overlap, each with the first rule that says so."""
    return {
        (i, j): exclusion
        for j in range(len(scenario.activity))
        for i in range(j)
        if (exclusion := _exclusion(scenario, i, j))
    }


def _exclusion(scenario: Scenario, i: int, j: int) -> Exclusion | None:
    a, b = scenario.activity[i], scenario.activity[j]
    instruments = {instrument.name: instrument for instrument in scenario.instrument}
    on_a, on_b = instruments[a.instrument], instruments[b.instrument]
    if on_a is on_b and on_a.one_at_a_time:
        return Exclusion(ExclusionKind.INSTRUMENT, i, j)
    if on_a.platform == on_b.platform and _is_moved_by(a, b):
        return Exclusion(ExclusionKind.DRIVE, i, j)
    for first, second in ((i, j), (j, i)):
        one, other = scenario.activity[first], scenario.activity[second]
        if other.name in one.not_with:
            return Exclusion(ExclusionKind.NOT_WITH, first, second)
        if one.quiet and other.disturbs:
            return Exclusion(ExclusionKind.QUIET, first, second)
    shared = scenario.platform_named(on_a.platform)
    if on_a.platform == on_b.platform and shared.one_at_a_time:
        return Exclusion(ExclusionKind.PLATFORM, i, j)
    return None


def _is_moved_by(one: Activity, other: Activity) -> bool:
    """Whether one of them is at a stop of the rover and the other drives it away."""
    placed = any(isinstance(a, PlacedActivity) for a in (one, other))
    return placed and any(isinstance(a, DriveActivity) for a in (one, other))


def _task(environment: Environment, activity: Activity, names: list[str], relaxed: bool) -> Task:
    scenario = environment.scenario
    step_min = scenario.span.step_min
    slot_min = scenario.slot_min(activity)
    draw_w, data_mbit = (
        profile.reshape(-1, step_min) for profile in slot_profile(activity, slot_min)
    )
    platforms = [p.name for p in scenario.platform]
    starts = start_mask(environment, activity, relaxed)
    # In a relaxed problem the heaters have rows of their own.
    saved = 0.0 if relaxed else heat_saved(environment, activity, np.repeat(starts, step_min))
    bins = coverage_bin(environment, activity)
    platform = scenario.platform_named(scenario.platform_of(activity))
    lost_w = generation_lost_w(environment, activity, starts, relaxed)
    # Less generation counts on the bus only where the battery cannot deliver more.
    on_bus_w = lost_w if platform.battery.discharge_limit_w is not None else 0.0
    return Task(
        name=activity.name,
        node=platforms.index(platform.name),
        length=slot_min // step_min,
        load_w=draw_w.mean(axis=1) * (1 - saved) + lost_w,
        peak_w=(draw_w.min(axis=1) if relaxed else draw_w.max(axis=1)) + on_bus_w,
        data_mbit=data_mbit.sum(axis=1),
        count=activity.count,
        must=activity.must,
        gap=-(-activity.gap_min // step_min),
        value=activity.value,
        repeat_worth=activity.repeat_worth,
        starts=starts,
        bins=bins,
        needs=tuple(need for _, need in needs_of(environment, activity)),
        held=np.zeros(max(1, bins.max() + 1), dtype=int),
        preference=np.zeros(scenario.steps),
        points=points_of(scenario, activity),
        silences=(
            *silences_of(scenario, activity, relaxed),
            *silences_at_stations(environment, activity, relaxed),
        ),
        prompt=int((activity.received_by_h or 0) * 60 // step_min),
    )


def _waits(environment: Environment, names: list[str]) -> Iterator[Wait]:
    for i, activity in enumerate(environment.scenario.activity):
        for number, order in enumerate(activity.after):
            if order.each:
                ready = ready_steps(environment, activity, order)
                applies = order_steps(environment.scenario, order)
                yield Wait(names.index(order.activity), i, ready, applies, number)
        if isinstance(activity, PlacedActivity) and activity.left_by is not None:
            steps = environment.scenario.steps
            never = np.full(steps, steps)
            yield Wait(names.index(activity.left_by), i, never, slice(0, steps), LEFT)


def needs_of(
    environment: Environment,
    activity: Activity,
    fixed: Iterable[tuple[str, float, float]] = (),
    relaxed: bool = False,
) -> list[tuple[str, Need]]:
    """The other runs that a start of `activity` needs, each rule in words first: those of `after`
    in their order, then the first in contact.

    `fixed` are runs outside the problem that meet needs too: activity, start and end in
    minutes of the span. If `relaxed`, their data count as received when they end.
    """
    scenario = environment.scenario
    step_min, names = scenario.span.step_min, [a.name for a in scenario.activity]
    fixed, needs = list(fixed), []
    for order in activity.after:
        i = names.index(order.activity)
        length = scenario.slot_min(scenario.activity[i]) // step_min
        ready = None if order.is_plain else ready_steps(environment, activity, order)
        met = np.ones(scenario.steps, dtype=bool)
        met[order_steps(scenario, order)] = False
        for name, start_min, end_min in fixed:
            if name == order.activity:
                there = commanded_min(
                    environment, activity, order, np.array([end_min + order.settle_min])
                )
                since = ceil(min(there[0] / step_min, scenario.steps))
                if ready is not None and order.received and not relaxed:
                    since = max(since, int(ready[max(0, int(start_min // step_min))]))
                met[max(0, since) :] = True
        need = after(i, length, -(-order.settle_min // step_min), met)._replace(ready=ready)
        needs.append((order_words(order), need))
    if activity.first_runs_in_contact:
        own = (start for name, start, _ in fixed if name == activity.name)
        needs.append(_first_in_contact(environment, activity, list(own)))
    return needs


def order_words(order: After) -> str:
    """What has to come first, in words."""
    parts = [f"{order.settle_min} min of settling"] if order.settle_min else []
    parts += ["all its data on Earth"] if order.received else []
    parts += [f"{order.decide_min} min to decide"] if order.decide_min else []
    which = "the latest " if order.each else ""
    dates = [f"from {stamp(order.from_utc)}"] if order.from_utc else []
    dates += [f"until {stamp(order.until_utc)}"] if order.until_utc else []
    return " ".join([" and ".join([f'after {which}"{order.activity}"', *parts]), *dates])


def _first_in_contact(
    environment: Environment, activity: Activity, fixed_min: list[float]
) -> tuple[str, Need]:
    """The need of so many runs before one that is not in contact throughout."""
    scenario = environment.scenario
    step_min, runs = scenario.span.step_min, activity.first_runs_in_contact
    contact = environment.in_contact(scenario.platform_of(activity))
    per_step = contact[: scenario.steps * step_min].reshape(-1, step_min).all(axis=1)
    length = scenario.slot_min(activity) // step_min
    unmet = np.concatenate([[0], np.cumsum(~per_step)])
    ends = np.minimum(np.arange(scenario.steps) + length, scenario.steps)
    met = np.where(unmet[ends] == unmet[:-1], runs, 0)
    for start in fixed_min:
        met[max(0, int(start // step_min) + 1) :] += 1
    own = [a.name for a in scenario.activity].index(activity.name)
    words = "contact throughout" if runs == 1 else f"contact throughout in its first {runs} runs"
    return f"needs {words}", Need(own, -scenario.steps, -1, met, runs)


def _node(environment: Environment, platform: Platform, relaxed: bool) -> Node:
    scenario = environment.scenario
    step_min, steps = scenario.span.step_min, scenario.steps
    table = environment.platforms[platform.name]
    names = [p.name for p in scenario.platform]
    stations = [s.name for s in scenario.station]
    battery, supplies = platform.battery, supplies_of(platform)

    def per_step(by_minute: np.ndarray) -> np.ndarray:
        return np.asarray(by_minute, dtype=float).reshape(steps, step_min)

    slack = REPLAY_SLACK if relaxed else 0.0
    power, rate_kbps = platform_power(environment, platform, relaxed), per_step(table["rate_kbps"])
    base_w, peak_w = per_step(power.base_w), per_step(power.peak_w)
    surplus_w = per_step(power.generation_w) - base_w
    above_mean_w = surplus_w.max(axis=1) - surplus_w.mean(axis=1)
    fastest_kbps = np.maximum(rate_kbps.max(axis=1), 1e-12)
    station = table["station"].to_numpy().reshape(steps, step_min)
    # A station counts for a step when it serves the platform in all its sending minutes.
    used = [
        set(names_in_step) - {""} if sending.any() else set()
        for names_in_step, sending in zip(station.tolist(), rate_kbps > 0)
    ]
    return Node(
        name=platform.name,
        generation_w=per_step(power.generation_w).mean(axis=1),
        above_mean_w=above_mean_w if relaxed else np.zeros(steps),
        base_w=base_w.mean(axis=1),
        base_peak_w=peak_w.min(axis=1) if relaxed else peak_w.max(axis=1),
        base_data_mbit=np.zeros(steps),
        bus_limit_w=supplies.bus_w + slack,
        capacity_wh=battery.usable_wh,
        reserve_wh=supplies.reserve_wh - slack,
        start_wh=battery.start * battery.usable_wh,
        end_wh=supplies.end_wh - slack,
        charge_efficiency=battery.charge_efficiency,
        discharge_efficiency=battery.discharge_efficiency,
        charge_limit_w=battery.charge_limit_w or np.inf,
        transmit_w=platform.radio.transmit_w,
        send_mbit=supplies.link * rate_kbps.sum(axis=1) * 60 / 1000,
        send_share=supplies.link
        * (rate_kbps.mean(axis=1) / fastest_kbps if relaxed else (rate_kbps > 0).mean(axis=1)),
        receiver=-1 if platform.radio.to == "earth" else names.index(platform.radio.to),
        station=np.array([stations.index(min(u)) if len(u) == 1 else -1 for u in used]),
        store_mbit=supplies.store_mbit + slack,
        store_start_mbit=platform.store.start_mbit,
        store_end_mbit=supplies.store_end_mbit + slack,
        heaters=power.heaters,
        taper=_taper(battery) if relaxed else 0.0,
        charging=per_step(power.charges).mean(axis=1) if relaxed else None,
        slew=slew_steps(scenario, platform),
        turns_away=array_direction(platform) is not None,
    )


def _taper(battery: Battery) -> float:
    """What the battery takes in a minute at most, as a share of what it lacks to be full."""
    if battery.taper_above is None or battery.charge_limit_w is None:
        return 0.0
    falling_w = battery.charge_limit_w / (1 - battery.taper_above)
    return min(falling_w * battery.charge_efficiency / 60 / battery.usable_wh, 1.0)
