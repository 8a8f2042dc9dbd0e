"""What telemetry says now: charge, data, arrays, what is out, and what became of slots.

A state is TOML. It is read into a frozen model, every mistake named as in a scenario, and
then told to the environment, so that plan and replay go on from it.
"""

from dataclasses import replace
from datetime import datetime

import numpy as np
import pandas as pd

from obsplan.common.errors import StateError
from obsplan.common.instants import MINUTE
from obsplan.environment.model import Environment, Reading
from obsplan.inputs.scenario import Scenario
from obsplan.inputs.telemetry_file import Outage, State
from obsplan.inputs.timeline_csv import AS_RUN_COLUMNS


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
    return since, max(since, outage.until_utc or scenario.span.end_utc)


def as_known(environment: Environment, state: State) -> Environment:
    """The environment as the state has it.

    Array output changes from the reading on; instruments that are out are so; a station
    that is out serves nobody. Give `environment` the windows of `stations_out` before, and
    another station may serve instead.
    """
    scenario = environment.scenario
    index = environment.sky.index
    read = int(scenario.minutes_of(state.at_utc))
    ahead = np.arange(len(index)) >= read
    platforms = {name: table.copy() for name, table in environment.platforms.items()}
    readings = dict(environment.readings)
    told = {part.name: part for part in state.platform}
    for platform in scenario.platform:
        if platform.name not in told:
            continue
        part, table = told[platform.name], platforms[platform.name]
        table["generation_w"] *= np.where(ahead, part.array_factor, 1.0)
        if part.state_of_charge is not None or part.stored_mbit is not None:
            charge = part.state_of_charge
            stored_wh = None if charge is None else charge * platform.battery.capacity_wh
            readings[platform.name] = Reading(read, stored_wh, part.stored_mbit)

    def within(outage: Outage) -> np.ndarray:
        since, until = _bounds(scenario, state, outage)
        # A minute that the outage touches is lost.
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
    for platform in scenario.platform:
        if state.station and platform.radio.to != "earth":
            platforms[platform.name]["in_contact"] &= platforms[platform.radio.to]["in_contact"]
    return replace(environment, platforms=platforms, out=out, readings=readings)


def told_runs(
    state: State | None, slots: pd.DataFrame, as_run: pd.DataFrame | None = None
) -> pd.DataFrame:
    """What ran, from the state and from `as_run` (see `read_as_run`), in one table like it.

    Raises StateError when the state names a slot that `slots` do not have, or when the two
    disagree about one.
    """
    planned = {slot.slot: slot for slot in slots.itertuples(index=False)}
    listed = {} if as_run is None else {r.slot: r for r in as_run.itertuples(index=False) if r.slot}
    rows, lines = [], []
    for fate in dict.fromkeys(state.slot if state else ()):
        where = f'state: slot "{fate.slot}"'
        slot, run = planned.get(fate.slot), listed.get(fate.slot)
        if run is not None and run.outcome != fate.outcome:
            lines.append(f"{where}: is {fate.outcome} here and {run.outcome} in what ran")
        elif slot is None:
            lines.append(f"{where}: no such slot in the timeline")
        elif run is None:
            start = pd.Timestamp(fate.start_utc or slot.start_utc)
            end = fate.end_utc or (start if fate.outcome == "failed" else slot.end_utc)
            end = pd.Timestamp(end)
            if end < start or (end == start and fate.outcome != "failed"):
                lines.append(f"{where}: ends before it starts, {start:%Y-%m-%dT%H:%MZ}")
            rows.append((fate.slot, slot.activity, start, end, fate.outcome, fate.reason))
    if lines:
        raise StateError("\n".join(lines))
    own = pd.DataFrame(rows, columns=list(AS_RUN_COLUMNS)).astype(
        {c: "datetime64[s, UTC]" if c.endswith("_utc") else "str" for c in AS_RUN_COLUMNS}
    )
    return own if as_run is None else pd.concat([as_run, own], ignore_index=True)
