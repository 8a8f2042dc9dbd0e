"""The telemetry file: what is known now of platforms, instruments, stations and slots.

It is TOML, read into a frozen model; every mistake is named as in a scenario.
"""

from collections import Counter
from collections.abc import Iterable, Iterator
from datetime import datetime
from math import inf
from pathlib import Path
from typing import Annotated

from pydantic import Field, ValidationError

from obsplan.common.errors import StateError
from obsplan.common.instants import MINUTE, stamp
from obsplan.common.text import did_you_mean
from obsplan.inputs.error_text import error_line
from obsplan.inputs.field_types import Name, NotNegative, Number, Several, Share, Utc
from obsplan.inputs.frozen_model import FrozenModel
from obsplan.inputs.hardware import Instrument, Station
from obsplan.inputs.outcomes import Outcome
from obsplan.inputs.scenario import Scenario
from obsplan.inputs.toml_file import read_toml, refusal


class PlatformState(FrozenModel):
    """What telemetry says of a platform."""

    name: Name
    """Name of the platform."""
    state_of_charge: Share | None = None
    """State of charge when telemetry was read."""
    stored_mbit: NotNegative | None = None
    """Data in the storage when telemetry was read."""
    array_factor: Annotated[Number, Field(ge=0, le=2)] = 1.0
    """Measured array output divided by the predicted; it applies from the reading on."""


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
    outcome: Outcome
    """done, shortened (then give end_utc) or failed.

    A failed run does not count; a shortened one is worth its share of the time."""
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
    """Read a telemetry file; `now_utc` is used if it does not say when it was read.

    Raises StateError with a line for every mistake in the file, and for every contradiction with
    the scenario or within the file.
    """
    path = Path(path)
    raw, _ = read_toml(path, StateError)
    try:
        state = State.model_validate(raw)
    except ValidationError as problem:
        mistakes = [error_line(State, raw, error) for error in problem.errors()]
        raise refusal(path, mistakes, StateError) from None
    if state.at_utc is None and now_utc is not None:
        past = (now_utc - scenario.span.start_utc) % MINUTE
        state = state.model_copy(update={"at_utc": now_utc - past})
    mistakes = [
        *_time_errors(state, scenario, now_utc),
        *_platform_errors(state, scenario),
        *_outage_errors("instrument", state.instrument, scenario.instrument, state.at_utc),
        *_outage_errors("station", state.station, scenario.station, state.at_utc),
        *_slot_errors(state.slot),
    ]
    if mistakes:
        raise refusal(path, mistakes, StateError)
    return state


def _time_errors(state: State, scenario: Scenario, now_utc: datetime | None) -> Iterator[str]:
    first, last = scenario.span.start_utc, scenario.span.end_utc
    if state.at_utc is None:
        yield "at_utc: required but missing; say when telemetry was read"
    elif not first <= state.at_utc < last:
        yield (
            f"at_utc = {stamp(state.at_utc)}: outside the span; allowed is {stamp(first)} to "
            f"before {stamp(last)}"
        )
    elif now_utc is not None and state.at_utc > now_utc:
        yield f"at_utc = {stamp(state.at_utc)}: is after --now; allowed is up to {stamp(now_utc)}"


def _platform_errors(state: State, scenario: Scenario) -> Iterator[str]:
    capacity_mbit = {p.name: p.store.capacity_mbit for p in scenario.platform}
    for name, times in Counter(part.name for part in state.platform).items():
        yield from _unknown("platform", name, capacity_mbit)
        if times > 1:
            yield f'platform "{name}": appears {times} times; only once is allowed'
    for part in state.platform:
        most_mbit = capacity_mbit.get(part.name, inf)
        if part.stored_mbit is not None and part.stored_mbit > most_mbit:
            yield (
                f'platform "{part.name}".stored_mbit = {part.stored_mbit:g}: more than the '
                f"storage capacity; allowed is 0 to {most_mbit:g}"
            )


def _outage_errors(
    kind: str,
    outages: tuple[Outage, ...],
    parts: tuple[Instrument, ...] | tuple[Station, ...],
    read_utc: datetime | None,
) -> Iterator[str]:
    known = [part.name for part in parts]
    for outage in outages:
        yield from _unknown(kind, outage.name, known)
        since_utc = outage.from_utc or read_utc
        if outage.until_utc and since_utc and outage.until_utc <= since_utc:
            yield (
                f'{kind} "{outage.name}".until_utc = {stamp(outage.until_utc)}: must be after '
                f"the start of the outage, {stamp(since_utc)}"
            )


def _slot_errors(fates: tuple[Fate, ...]) -> Iterator[str]:
    first: dict[str, Fate] = {}
    for fate in fates:
        before = first.setdefault(fate.slot, fate)
        if before.outcome != fate.outcome:
            yield f'slot "{fate.slot}": cannot be both {before.outcome} and {fate.outcome}'
        elif before != fate:
            yield f'slot "{fate.slot}": appears twice with different times or reasons'
        if fate.outcome == "shortened" and fate.end_utc is None:
            yield f'slot "{fate.slot}".end_utc: missing; say when the run ended'


def _unknown(kind: str, name: str, known: Iterable[str]) -> Iterator[str]:
    if name not in known:
        yield f'{kind} "{name}": no such {kind} in the scenario; {did_you_mean(name, known)}'
