"""An environment after telemetry: charge, data, array output, outages, and which slots ran.

Plan and replay continue from what the state file reports.
"""

from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime
from typing import Any

import numpy as np
import pandas as pd

from obsplan.common.errors import StateError
from obsplan.common.instants import MINUTE, stamp
from obsplan.environment.model import Environment, Reading, times_generation
from obsplan.environment.station_choice import REACH, reach_of, with_reach
from obsplan.environment.unit_columns import HEATER_COLUMN, unit_columns
from obsplan.inputs.hardware import Platform
from obsplan.inputs.read_state import told_run
from obsplan.inputs.scenario import Scenario
from obsplan.inputs.telemetry_file import Fate, Outage, PlatformState, State, UnitState
from obsplan.inputs.timeline_csv import AS_RUN_COLUMNS
from obsplan.physics.unit_temperature import Readings


def stations_out(scenario: Scenario, state: State) -> dict[str, np.ndarray]:
    """Windows (k, 2) datetime64[s] in which stations are out, for `environment`."""
    windows: dict[str, list] = {}
    for outage in state.station:
        since, until = _bounds(scenario, state, outage)
        pair = [np.datetime64(t.replace(tzinfo=None), "s") for t in (since, until)]
        windows.setdefault(outage.name, []).append(pair)
    return {name: np.array(pairs) for name, pairs in windows.items()}


def _bounds(scenario: Scenario, state: State, outage: Outage) -> tuple[datetime, datetime]:
    since = outage.from_utc or state.at_utc
    assert since is not None  # `read_state` always says when telemetry was read
    return since, max(since, outage.until_utc or scenario.span.end_utc)


def with_telemetry(environment: Environment, state: State) -> Environment:
    """The environment after the telemetry in `state`.

    Array output changes from each reading on; instruments are out as reported, and a station
    that is out serves no platform. If `environment` was made with the windows of
    `stations_out`, another station may serve instead. Raises ValueError if the environment
    includes telemetry already: `read_state` puts states of several days together.
    """
    if environment.telemetry is not None:
        raise ValueError("the environment has telemetry already; start from one that has none")
    scenario = environment.scenario
    index = environment.sky.index
    platforms = {name: table.copy() for name, table in environment.platforms.items()}
    readings, measured = {}, _measured(scenario, state)
    for platform in scenario.platform:
        read = _in_order(scenario, state, platform.name)
        factor = np.ones(len(index))
        for minute, part in read:
            factor[minute:] = factor[minute] if part.array_factor is None else part.array_factor
        table = platforms[platform.name]
        platforms[platform.name] = table.assign(**times_generation(table, factor))
        _resume_units(
            platforms[platform.name], platform, environment.sky_of(platform.name), measured
        )
        readings[platform.name] = tuple(
            _reading(platform, minute, part)
            for minute, part in read
            if part.state_of_charge is not None or part.stored_mbit is not None
        )

    def within(outage: Outage) -> np.ndarray:
        since, until = _bounds(scenario, state, outage)
        # A minute that is partly in the outage counts as out.
        return (index + MINUTE > since) & (index < until)

    out = dict(environment.out)
    for outage in state.instrument:
        earlier = out.get(outage.name, np.zeros(len(index), dtype=bool))
        out[outage.name] = earlier | within(outage)
    for outage in state.station:
        for table in platforms.values():
            lost = within(outage) & (table["station"] == outage.name).to_numpy()
            table.loc[lost, "rate_kbps"] = 0.0
            table.loc[lost, "in_contact"] = False
            table.loc[lost, "station"] = ""
            table[REACH] = with_reach(reach_of(table), within(outage), outage.name, False)
    for platform in scenario.platform:
        if state.station and platform.radio.to != "earth":
            platforms[platform.name]["in_contact"] &= platforms[platform.radio.to]["in_contact"]
    readings = {name: read for name, read in readings.items() if read}
    return replace(
        environment,
        platforms=platforms,
        out=out,
        readings=readings,
        unit_readings=measured,
        telemetry=state,
    )


def _measured(scenario: Scenario, state: State) -> dict[str, Readings]:
    """The measured temperatures of units, each with its minute, in order of time."""
    found: dict[str, Readings] = {}
    for part in sorted(state.unit, key=lambda part: _read_utc(state, part)):
        minute = int(scenario.minutes_of(_read_utc(state, part)))
        found[part.name] = (*found.get(part.name, ()), (minute, part.temperature_k))
    return found


def _resume_units(
    table: pd.DataFrame, platform: Platform, sky: pd.DataFrame, measured: dict[str, Readings]
) -> None:
    """Put idle units and their heaters into the platform's table as they are after telemetry."""
    if not any(unit.name in measured for unit in platform.unit):
        return
    before_w = table[HEATER_COLUMN].to_numpy()
    for column, values in unit_columns(platform, sky, measured=measured).items():
        table[column] = values
    table["base_load_w"] += table[HEATER_COLUMN].to_numpy() - before_w


def _in_order(scenario: Scenario, state: State, name: str) -> list[tuple[int, PlatformState]]:
    """What was read of a platform, each with the minute of the span, in order of time."""
    own = [part for part in state.platform if part.name == name]
    read = [(int(scenario.minutes_of(_read_utc(state, part))), part) for part in own]
    return sorted(read, key=lambda each: each[0])


def _read_utc(state: State, part: PlatformState | UnitState) -> datetime:
    read_utc = part.at_utc or state.at_utc
    assert read_utc is not None  # `read_state` always says when telemetry was read
    return read_utc


def _reading(platform: Platform, minute: int, part: PlatformState) -> Reading:
    charge = part.state_of_charge
    stored_wh = None if charge is None else charge * platform.battery.usable_wh
    return Reading(minute, stored_wh, part.stored_mbit)


def reported_runs(
    state: State | None, slots: pd.DataFrame, as_run: pd.DataFrame | None = None
) -> pd.DataFrame:
    """What ran, from the state and from `as_run` (see `read_as_run`), in one table like it.

    Raises StateError if the state names a slot that is not in `slots`, or if the two give one
    slot different outcomes or times.
    """
    planned = {slot.slot: slot for slot in slots.itertuples(index=False)}
    listed = {} if as_run is None else {r.slot: r for r in as_run.itertuples(index=False) if r.slot}
    rows, lines = [], []
    for fate in state.slot if state else ():
        slot, run = planned.get(fate.slot), listed.get(fate.slot)
        told = told_run(fate, slot)
        if slot is None:
            lines.append(f'state: slot "{fate.slot}": no such slot in the timeline')
        elif run is None and told.end_utc is None:
            lines.append(f'state: slot "{fate.slot}": end_utc is missing; say when the run ended')
        elif run is None:
            times = pd.Timestamp(told.start_utc), pd.Timestamp(told.end_utc)
            rows.append((fate.slot, slot.activity, *times, fate.outcome, fate.reason))
        else:
            lines += [f'state: slot "{fate.slot}": {words}' for words in _contradiction(fate, run)]
    if lines:
        raise StateError(*lines)
    own = pd.DataFrame(rows, columns=list(AS_RUN_COLUMNS)).astype(
        {c: "datetime64[s, UTC]" if c.endswith("_utc") else "str" for c in AS_RUN_COLUMNS}
    )
    return own if as_run is None else pd.concat([as_run, own], ignore_index=True)


def _contradiction(fate: Fate, run: Any) -> Iterator[str]:
    """What the state and the as-run list tell differently of one slot."""
    if fate.outcome != run.outcome:
        yield f"{fate.outcome} here, but {run.outcome} in what ran"
    for key in ("start_utc", "end_utc"):
        here, there = getattr(fate, key), getattr(run, key)
        if here is not None and here != there:
            yield f"{key} is {stamp(here)} here, but {stamp(there)} in what ran"
