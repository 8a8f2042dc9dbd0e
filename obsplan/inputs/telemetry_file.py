"""The telemetry file: what is known now of platforms, instruments, stations and slots.

It is TOML, read into a frozen model; every mistake is named as in a scenario.
"""

import tomllib
from datetime import datetime, timedelta
from math import inf
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, ValidationError

from obsplan.common.errors import StateError
from obsplan.common.instants import stamp
from obsplan.common.text import did_you_mean
from obsplan.inputs.error_text import error_line
from obsplan.inputs.field_types import Name, NotNegative, Number, Several, Share, Utc
from obsplan.inputs.frozen_model import FrozenModel
from obsplan.inputs.scenario import Scenario


class PlatformState(FrozenModel):
    """What telemetry says of a platform."""

    name: Name
    """Name of the platform."""
    state_of_charge: Share | None = None
    """State of charge when telemetry was read."""
    stored_mbit: NotNegative | None = None
    """Data in the storage when telemetry was read."""
    array_factor: Annotated[Number, Field(ge=0, le=2)] = 1.0
    """Measured over predicted array output; it applies from the reading on."""


class Outage(FrozenModel):
    """An instrument or a station that is out of service."""

    name: Name
    """Name of the instrument or station."""
    from_utc: Utc | None = None
    """Out from this time on; at_utc if left out."""
    until_utc: Utc | None = None
    """Out until this time; for good if left out."""


class Fate(FrozenModel):
    """What became of a slot."""

    slot: str
    """Id of the slot in timeline.csv; the times must fit it."""
    outcome: Literal["done", "shortened", "failed"]
    """done, shortened (then give end_utc) or failed.

    A failed run counts for nothing; a shortened one is worth its share of the time."""
    start_utc: Utc | None = None
    """True start; as planned if left out."""
    end_utc: Utc | None = None
    """True end; as planned if left out."""
    reason: str = ""
    """Reason in a few words; it is shown beside the slot."""


class State(FrozenModel):
    """The telemetry file, read by replan and check with --state.

    It says only what is known now; everything else is as planned.
    """

    at_utc: Utc | None = None
    """When telemetry was read; --now if left out."""
    platform: Several[PlatformState] = ()
    """What telemetry says of platforms, each begun with [[platform]]."""
    instrument: Several[Outage] = ()
    """Instruments that are out of service, each begun with [[instrument]]."""
    station: Several[Outage] = ()
    """Stations that are out of service; another serves instead if it can."""
    slot: Several[Fate] = ()
    """What became of slots, each begun with [[slot]]."""


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
        once = dict.fromkeys(error_line(State, raw, error) for error in problem.errors())
        raise StateError("\n".join(f"{path}: {line}" for line in once)) from None
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
        if part.stored_mbit is not None and part.stored_mbit > capacity.get(part.name, inf):
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
