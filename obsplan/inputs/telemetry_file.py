"""The telemetry file: what is known now of platforms, instruments, stations and slots.

It is TOML, read into a frozen model; every mistake is named as in a scenario.
"""

import tomllib
from datetime import datetime, timedelta
from pathlib import Path
from typing import Annotated, Literal

import numpy as np
from pydantic import Field, ValidationError

from obsplan.common.errors import StateError
from obsplan.common.instants import stamp
from obsplan.common.text import did_you_mean
from obsplan.inputs.error_text import error_line
from obsplan.inputs.field_types import Name, NotNegative, Number, Several, Share, Utc
from obsplan.inputs.frozen_model import FrozenModel
from obsplan.inputs.scenario import Scenario


class PlatformState(FrozenModel):
    """Charge and stored data, and the array output measured over predicted from then on."""

    name: Name
    state_of_charge: Share | None = None
    stored_mbit: NotNegative | None = None
    array_factor: Annotated[Number, Field(ge=0, le=2)] = 1.0


class Outage(FrozenModel):
    """An instrument or a station that is out; from the reading on, and for good, if not said."""

    name: Name
    from_utc: Utc | None = None
    until_utc: Utc | None = None


class Fate(FrozenModel):
    """What became of a slot; times as planned where they are not said."""

    slot: str
    outcome: Literal["done", "shortened", "failed"]
    start_utc: Utc | None = None
    end_utc: Utc | None = None
    reason: str = ""


class State(FrozenModel):
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
            f"at_utc = {stamp(state.at_utc)}: outside the span; allowed is "
            f"{stamp(first)} to before {stamp(last)}"
        ]
    if now_utc is not None and state.at_utc > now_utc:
        return [f"at_utc = {stamp(state.at_utc)}: is after --now"]
    return []


def _contradictions(state: State, scenario: Scenario) -> list[str]:
    lines = []
    for kind in ("platform", "instrument", "station"):
        known = [part.name for part in getattr(scenario, kind)]
        for part in getattr(state, kind):
            if part.name not in known:
                hint = did_you_mean(part.name, known)
                lines.append(f'{kind} "{part.name}": no such {kind} in the scenario; {hint}')
            if kind != "platform" and part.until_utc is not None:
                since = part.from_utc or state.at_utc
                if since is not None and part.until_utc <= since:
                    until = stamp(part.until_utc)
                    lines.append(
                        f'{kind} "{part.name}".until_utc = {until}: not after it went '
                        f"out, {stamp(since)}"
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
