"""A timeline and its environment as the plain arrays of the walk."""

from math import ceil, inf

import numpy as np

from obsplan.checking.condition_rules import requirements
from obsplan.checking.generation_by_place import generated_w
from obsplan.checking.pointing_rules import turn_min, turned_away
from obsplan.checking.replay import known
from obsplan.checking.rules_between_slots import why_apart
from obsplan.checking.run_profiles import run_profiles
from obsplan.checking.slots import Run, SendingRow, minutes_to_send
from obsplan.checking.unit_replay import replay_units
from obsplan.environment.model import Environment
from obsplan.environment.unit_columns import HEATER_COLUMN, node_of, surroundings, thermostat_of
from obsplan.futures import walk
from obsplan.futures.draws import things
from obsplan.inputs.activity import Activity
from obsplan.inputs.hardware import Platform
from obsplan.inputs.placed import DriveActivity, look_after
from obsplan.inputs.pointing import antenna_direction, direction_of
from obsplan.inputs.scenario import Scenario
from obsplan.inputs.thermal import Unit

# Rules that the walk judges minute by minute, since they differ between futures.
JUDGED_BY_THE_WALK = ("contact", "uplink", "outage")
LINKS = {"none": walk.NO_LINK, "start": walk.LINK_AT_START, "whole": walk.LINK_THROUGHOUT}
# Levels are kept for so many parts of the span.
SAMPLES = 400
ALWAYS = -inf, inf
# Longer than any span.
EVER_MIN = 1_000_000


def world_of(environment: Environment, runs: list[Run], sending: list[SendingRow]) -> walk.World:
    """The runs, in order of start, and transmit windows of a timeline as arrays of the walk."""
    scenario = environment.scenario
    minutes = scenario.steps * scenario.span.step_min
    platforms = sorted(scenario.platform, key=lambda platform: platform.name)
    names = [platform.name for platform in platforms]
    to = [platform.radio.to for platform in platforms]
    relay = [-1 if name == "earth" else names.index(name) for name in to]
    may_send = minutes_to_send(scenario, sending, minutes)
    columns = [
        _platform_columns(environment, platform, runs, may_send, minutes) for platform in platforms
    ]
    parts = {key: np.array([column[key] for column in columns]) for key in columns[0]}
    nodes = [(p, unit) for p, platform in enumerate(platforms) for unit in nodes_of(platform)]
    wanted = [_requirements(environment, activity, minutes) for activity in scenario.activity]
    return walk.World(
        figures=np.array([_figures(platform) for platform in platforms]),
        relay=np.array(relay, dtype=np.int64),
        order=np.array(sorted(range(len(to)), key=lambda p: (relay[p] < 0, p)), dtype=np.int64),
        **parts,
        **_node_columns(environment, nodes, minutes),
        **_run_columns(environment, runs, names, nodes, minutes),
        activities=_activities(scenario),
        exclusive=_exclusive(scenario),
        turn=_turns(scenario),
        teams=np.array(
            [[team.name in a.needs for a in scenario.activity] for team in scenario.team],
            dtype=bool,
        ).reshape(len(scenario.team), len(scenario.activity)),
        at_once=np.array([team.at_once for team in scenario.team], dtype=np.int64),
        missed=np.array([missed for missed, _ in wanted], dtype=np.int64),
        start_open=np.array([start for _, start in wanted], dtype=bool),
        orders=_orders(scenario),
        out=_out(environment, minutes),
        first_platform=len(things(scenario)) - len(platforms),
        now=known_until(environment, runs),
        every=-(-minutes // SAMPLES),
    )


def known_until(environment: Environment, runs: list[Run]) -> int:
    """The minute up to which is known what happened: nothing can differ before."""
    read = [environment.read_until(p.name) for p in environment.scenario.platform]
    over = [run.last for run in runs if run.is_over]
    return max(0, *read, *over)


def nodes_of(platform: Platform) -> list[Unit]:
    """The units of a platform that are computed as nodes."""
    return [unit for unit in platform.unit if unit.table is None]


def _figures(platform: Platform) -> list[float]:
    battery, store = platform.battery, platform.store
    figures = {
        walk.CAPACITY: battery.usable_wh,
        walk.RESERVE: battery.reserve,
        walk.START_CHARGE: battery.start,
        walk.END_CHARGE: -inf if battery.end is None else battery.end,
        walk.IN: battery.charge_efficiency * walk.MINUTE_H,
        walk.OUT_OF: walk.MINUTE_H / battery.discharge_efficiency,
        walk.CHARGE_LIMIT: battery.charge_limit_w or inf,
        walk.TAPER_ABOVE: 1.0 if battery.taper_above is None else battery.taper_above,
        walk.DISCHARGE_LIMIT: battery.discharge_limit_w or inf,
        walk.TRANSMIT: platform.radio.transmit_w,
        walk.BUS: platform.bus_limit_w,
        walk.STORE: store.capacity_mbit,
        walk.START_MBIT: store.start_mbit,
    }
    return [float(figures[k]) for k in range(walk.FIGURES)]


def _platform_columns(
    environment: Environment,
    platform: Platform,
    runs: list[Run],
    may_send: dict[str, np.ndarray],
    minutes: int,
) -> dict[str, np.ndarray]:
    """Figures (n,) of a platform by the minute."""
    name, table = platform.name, environment.platforms[platform.name]
    sky_table = environment.sky_of(name)
    own = [run for run in runs if run.platform == name]
    base_w = known(table, "base_load_w", name, minutes)
    idle_w = np.minimum(base_w, platform.idle_w)
    units = replay_units(environment, platform, own, minutes)
    # Heaters of nodes are marched in each future; those of tables are as they are.
    nodes_w = np.zeros(minutes)
    if platform.unit:
        tables = [u.heater_column for u in platform.unit if u.table is not None]
        nodes_w = known(table, HEATER_COLUMN, name, minutes)
        nodes_w = nodes_w - sky_table[tables].to_numpy()[:minutes].sum(axis=1)
    charges = np.ones(minutes, dtype=bool)
    for unit in platform.unit:
        if unit.table is not None and unit.charges_above_k is not None:
            charges &= sky_table[unit.columns[0]].to_numpy()[:minutes] >= unit.charges_above_k
    rate_mbit = known(table, "rate_kbps", name, minutes) * walk.MINUTE_S / 1000.0
    drawn_w, _ = run_profiles(own, minutes)
    readings = {key: np.full(minutes, np.nan) for key in ("reading_wh", "reading_mbit")}
    for reading in environment.readings.get(name, ()):
        if reading.minute < minutes:
            readings["reading_wh"][reading.minute] = _or_nan(reading.stored_wh)
            readings["reading_mbit"][reading.minute] = _or_nan(reading.stored_mbit)
    return {
        "generation_w": generated_w(environment, name, own, minutes),
        "idle_w": idle_w,
        "heater_w": base_w - idle_w - nodes_w,
        "node_heater_w": nodes_w + units.more_heater_w,
        "planned_w": drawn_w,
        "rate_mbit": np.where(may_send.get(name, True), rate_mbit, 0.0),
        "contact": known(table, "in_contact", name, minutes) > 0,
        "station": _stations(environment.scenario, table["station"].to_numpy()[:minutes]),
        "away": turned_away(platform, own, minutes),
        "charges": charges,
        "plan_charges": np.broadcast_to(units.charges, minutes),
        **readings,
    }


def _or_nan(value: float | None) -> float:
    return np.nan if value is None else value


def _stations(scenario: Scenario, names: np.ndarray) -> np.ndarray:
    """The station of each minute as a thing, -1 for none."""
    first = len(scenario.instrument)
    index = {station.name: first + k for k, station in enumerate(scenario.station)}
    return np.array([index.get(name, -1) for name in names], dtype=np.int64)


def _node_columns(
    environment: Environment, nodes: list[tuple[int, Unit]], minutes: int
) -> dict[str, np.ndarray]:
    """Figures of each node, and its surroundings (nodes, n) by the minute."""
    figures = np.zeros((len(nodes), walk.NODE_FIGURES))
    heat_w, pull_w = np.zeros((2, len(nodes), minutes))
    reading_k = np.full((len(nodes), minutes), np.nan)
    for k, (p, unit) in enumerate(nodes):
        sky_table = environment.sky_of(environment.scenario.platform_with(unit))
        node, heater = node_of(unit), thermostat_of(unit)
        figures[k] = (
            p,
            *node,
            unit.start_k or 0.0,
            *heater,
            unit.run_heat_share,
            unit.charges_above_k or 0.0,
            *(unit.operating_k or ALWAYS),
            *(unit.switch_on_k or ALWAYS),
        )
        heat_w[k], ground_k = surroundings(unit, sky_table.iloc[:minutes])
        pull_w[k] = node.ground_w_k * ground_k
        for minute, measured_k in environment.unit_readings.get(unit.name, ()):
            if minute < minutes:
                reading_k[k, minute] = measured_k
    return {
        "nodes": figures,
        "node_heat_w": heat_w,
        "node_pull_w": pull_w,
        "node_reading_k": reading_k,
    }


def _run_columns(
    environment: Environment,
    runs: list[Run],
    names: list[str],
    nodes: list[tuple[int, Unit]],
    minutes: int,
) -> dict[str, np.ndarray]:
    scenario = environment.scenario
    index = {activity.name: a for a, activity in enumerate(scenario.activity)}
    pinned = {(pin.activity, scenario.minutes_of(pin.start_utc)) for pin in scenario.pin}
    rows, watts, mbit = [], [], []
    for run in runs:
        activity = run.activity
        own = [k for k, (_, unit) in enumerate(nodes) if activity.instrument in unit.instruments]
        first, last = max(run.first, 0), max(run.last, 0)
        warm_min = min(activity.warm_up_min, last - first)
        run_min = min(activity.duration_min, last - first - warm_min)
        is_fixed = run.is_over or (activity.name, run.start_min) in pinned
        rows.append(
            [
                names.index(run.platform),
                index[activity.name],
                first,
                last,
                warm_min,
                run_min,
                activity.priority,
                own[0] if own else -1,
                run.is_over,
                0 if is_fixed else scenario.futures.slip_min,
                run.state == "failed",
                -1 if is_fixed else _again_min(scenario, activity),
            ]
        )
        watts.append([activity.warm_up_w, activity.power_w])
        failed = run.state == "failed"
        mbit.append(0.0 if failed else activity.data_mbit / activity.duration_min * run_min)
    return {
        "runs": np.array(rows, dtype=np.int64).reshape(-1, walk.RUN_FIGURES),
        "run_w": np.array(watts, dtype=float).reshape(-1, 2),
        "run_mbit": np.array(mbit, dtype=float),
    }


def _again_min(scenario: Scenario, activity: Activity) -> int:
    """How long after a try that came to nothing people let a drive begin again; -1 for others."""
    if not isinstance(activity, DriveActivity):
        return -1
    return look_after(scenario, activity).decide_min


def _activities(scenario: Scenario) -> np.ndarray:
    instruments = [instrument.name for instrument in scenario.instrument]
    rows = []
    for activity in scenario.activity:
        lead_min, loaded = scenario.command_lead_min(activity), 0
        if scenario.uplink and scenario.uplink.loaded_until_utc:
            loaded = ceil(scenario.minutes_of(scenario.uplink.loaded_until_utc))
        rows.append(
            [
                instruments.index(activity.instrument),
                activity.gap_min,
                LINKS[activity.contact],
                activity.first_runs_in_contact,
                -1 if lead_min is None else lead_min,
                loaded,
                _away_min(scenario, activity),
            ]
        )
    return np.array(rows, dtype=np.int64).reshape(-1, walk.ACTIVITY_FIGURES)


def _exclusive(scenario: Scenario) -> np.ndarray:
    """Which activities (a, a) may not overlap."""
    rows = [
        [
            bool(why_apart(scenario, one, other)) or turn_min(scenario, one, other) is not None
            for other in scenario.activity
        ]
        for one in scenario.activity
    ]
    return np.array(rows, dtype=bool).reshape(len(rows), len(rows))


def _turns(scenario: Scenario) -> np.ndarray:
    """Minutes between runs of two activities (a, a) that point at different things."""
    rows = [
        [turn_min(scenario, one, other) or 0 for other in scenario.activity]
        for one in scenario.activity
    ]
    return np.array(rows, dtype=np.int64).reshape(len(rows), len(rows))


def _away_min(scenario: Scenario, activity: Activity) -> int:
    """How long after its runs the antenna is back, -1 if they leave it alone."""
    platform = scenario.platform_named(scenario.platform_of(activity))
    things = {antenna_direction(platform), direction_of(platform, activity)}
    if platform.pointing is None or None in things or len(things) == 1:
        return -1
    return platform.pointing.slew_min


def _orders(scenario: Scenario) -> np.ndarray:
    index = {activity.name: a for a, activity in enumerate(scenario.activity)}
    first, end = scenario.instant_at(0), scenario.instant_at(EVER_MIN)
    rows = [
        [
            index[activity.name],
            index[after.activity],
            after.settle_min,
            after.each,
            after.received,
            after.decide_min,
            after.is_decision,
            ceil(scenario.minutes_of(after.from_utc or first)),
            ceil(scenario.minutes_of(after.until_utc or end)),
        ]
        for activity in scenario.activity
        for after in activity.after
    ]
    return np.array(rows, dtype=np.int64).reshape(-1, walk.ORDER_FIGURES)


def _requirements(
    environment: Environment, activity: Activity, minutes: int
) -> tuple[np.ndarray, np.ndarray]:
    """Minutes before each (n + 1,) that do not meet what all of a slot needs; starts (n,) open."""
    met, start_open = np.ones(minutes, dtype=bool), np.ones(minutes, dtype=bool)
    for requirement in requirements(activity, environment, minutes):
        if requirement.rule in JUDGED_BY_THE_WALK:
            continue
        if requirement.throughout:
            met &= requirement.met
        else:
            start_open &= requirement.met
    return np.concatenate([[0], np.cumsum(~met)]), start_open


def _out(environment: Environment, minutes: int) -> np.ndarray:
    """What is known to be out of service (things, n)."""
    out = np.zeros((len(things(environment.scenario)), minutes), dtype=bool)
    for k, instrument in enumerate(environment.scenario.instrument):
        if instrument.name in environment.out:
            out[k] = environment.out[instrument.name][:minutes]
    return out
