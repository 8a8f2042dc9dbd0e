"""What telemetry says now: charge, data, arrays, what is out, and what became of slots.

A state is TOML. It is read into a frozen model, every mistake named as in a scenario, and
then told to the environment, so that plan and replay go on from it.
"""

import tomllib
from dataclasses import replace
from datetime import datetime, timedelta
from difflib import get_close_matches
from pathlib import Path
from typing import Annotated, Literal

import numpy as np
import pandas as pd
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from obsplan.common.errors import StateError
from obsplan.environment.build import Environment, Reading
from obsplan.inputs.error_text import error_line
from obsplan.inputs.field_types import Name, NotNegative, Number, Several, Share, Utc
from obsplan.inputs.scenario import Scenario
from obsplan.inputs.timeline_csv import AS_RUN_COLUMNS

MINUTE = pd.Timedelta(minutes=1)


class Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)


class PlatformState(Part):
    """Charge and stored data, and the array output measured over predicted from then on."""

    name: Name
    state_of_charge: Share | None = None
    stored_mbit: NotNegative | None = None
    array_factor: Annotated[Number, Field(ge=0, le=2)] = 1.0


class Outage(Part):
    """An instrument or a station that is out; from the reading on, and for good, if not said."""

    name: Name
    from_utc: Utc | None = None
    until_utc: Utc | None = None


class Fate(Part):
    """What became of a slot; times as planned where they are not said."""

    slot: str
    outcome: Literal["done", "shortened", "failed"]
    start_utc: Utc | None = None
    end_utc: Utc | None = None
    reason: str = ""


class State(Part):
    """All that is told; `at_utc` is when telemetry was read."""

    at_utc: Utc | None = None
    platform: Several[PlatformState] = ()
    instrument: Several[Outage] = ()
    station: Several[Outage] = ()
    slot: Several[Fate] = ()


def read_state(path: str | Path, scenario: Scenario, now_utc: datetime | None = None) -> State:
    """Read a state; where it does not say when it was read, that was `now_utc`.

    Raises StateError with a line for every mistake in the file, and where it contradicts
    the scenario or itself.
    """
    path = Path(path)
    try:
        raw = tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except OSError as problem:
        raise StateError(f"{path}: cannot be read ({problem.strerror})") from None
    except UnicodeDecodeError:
        raise StateError(f"{path}: not UTF-8 text") from None
    except tomllib.TOMLDecodeError as problem:
        raise StateError(f"{path}: not valid TOML: {problem}") from None
    try:
        state = State.model_validate(raw)
    except ValidationError as problem:
        lines = dict.fromkeys(error_line(State, raw, error) for error in problem.errors())
        raise StateError("\n".join(f"{path}: {line}" for line in lines)) from None
    if state.at_utc is None and now_utc is not None:
        minute = timedelta(minutes=1)
        past = (now_utc - scenario.span.start_utc) % minute
        state = state.model_copy(update={"at_utc": now_utc - past})
    lines = [*_time_errors(state, scenario, now_utc), *_contradictions(state, scenario)]
    if lines:
        raise StateError("\n".join(f"{path}: {line}" for line in lines))
    return state


def _time_errors(state: State, scenario: Scenario, now_utc: datetime | None) -> list[str]:
    if state.at_utc is None:
        return ["at_utc: is needed but missing; say when telemetry was read"]
    first, last = scenario.span.start_utc, scenario.span.end_utc
    if not first <= state.at_utc < last:
        return [
            f"at_utc = {state.at_utc:%Y-%m-%dT%H:%MZ}: outside the span; allowed is "
            f"{first:%Y-%m-%dT%H:%MZ} to before {last:%Y-%m-%dT%H:%MZ}"
        ]
    if now_utc is not None and state.at_utc > now_utc:
        return [f"at_utc = {state.at_utc:%Y-%m-%dT%H:%MZ}: is after --now"]
    return []


def _contradictions(state: State, scenario: Scenario) -> list[str]:
    lines = []
    for kind in ("platform", "instrument", "station"):
        known = [part.name for part in getattr(scenario, kind)]
        for part in getattr(state, kind):
            if part.name not in known:
                near = get_close_matches(part.name, known, n=1, cutoff=0.5)
                hint = f"did you mean '{near[0]}'?" if near else f"known are {', '.join(known)}"
                lines.append(f'{kind} "{part.name}": no such {kind} in the scenario; {hint}')
            if kind != "platform" and part.until_utc is not None:
                since = part.from_utc or state.at_utc
                if since is not None and part.until_utc <= since:
                    until = f"{part.until_utc:%Y-%m-%dT%H:%MZ}"
                    lines.append(
                        f'{kind} "{part.name}".until_utc = {until}: not after it went '
                        f"out, {since:%Y-%m-%dT%H:%MZ}"
                    )
    capacity = {p.name: p.store.capacity_mbit for p in scenario.platform}
    told = [part.name for part in state.platform]
    for part in state.platform:
        if part.stored_mbit is not None and part.stored_mbit > capacity.get(part.name, np.inf):
            lines.append(
                f'platform "{part.name}".stored_mbit = {part.stored_mbit:g}: more than '
                f"the store holds; allowed is 0 to {capacity[part.name]:g}"
            )
    for name in dict.fromkeys(name for name in told if told.count(name) > 1):
        lines.append(f'platform "{name}": is told {told.count(name)} times; once is enough')
    fates: dict[str, Fate] = {}
    for fate in state.slot:
        before = fates.setdefault(fate.slot, fate)
        if before.outcome != fate.outcome:
            lines.append(f'slot "{fate.slot}": cannot be both {before.outcome} and {fate.outcome}')
        elif before != fate:
            lines.append(f'slot "{fate.slot}": is told in two ways; once is enough')
        if fate.outcome == "shortened" and fate.end_utc is None:
            lines.append(f'slot "{fate.slot}".end_utc: is missing: say when it ended')
    return lines


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


def as_known(scenario: Scenario, environment: Environment, state: State) -> Environment:
    """The environment as the state has it.

    Array output changes from the reading on; instruments that are out are so; a station
    that is out serves nobody. Give `environment` the windows of `stations_out` before, and
    another station may serve instead.
    """
    index = environment.sky.index
    read = int((pd.Timestamp(state.at_utc) - index[0]) / MINUTE)
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
        for name, table in platforms.items():
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
