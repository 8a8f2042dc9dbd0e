"""States of several days put together: what was reported before, and what is known now."""

from collections.abc import Iterable
from datetime import datetime
from typing import TypeVar

from obsplan.inputs.telemetry_file import Outage, PlatformState, State, UnitState

Read = TypeVar("Read", PlatformState, UnitState)
Part = TypeVar("Part", PlatformState, UnitState, Outage)


def with_earlier(earlier: State, state: State) -> State:
    """A state and what was reported before it, as far as that still applies or is past.

    Readings of platforms and units all stay, each with its time. What was said of an instrument
    or station stays too, up to the time of `state` if that says something else of it. Slots are
    those of `state` alone.
    """
    earlier, state = with_times(earlier), with_times(state)
    return state.model_copy(
        update={
            "platform": _readings(earlier.platform, state.platform),
            "unit": _readings(earlier.unit, state.unit),
            "instrument": _outages(earlier.instrument, state.instrument, state.at_utc),
            "station": _outages(earlier.station, state.station, state.at_utc),
        }
    )


def _readings(earlier: tuple[Read, ...], later: tuple[Read, ...]) -> tuple[Read, ...]:
    """Earlier and later readings in order; those of one time are one reading."""
    read: dict[tuple[str, datetime | None], Read] = {}
    for part in earlier + later:
        known = read.get((part.name, part.at_utc), part)
        read[part.name, part.at_utc] = known.model_copy(update=told(part))
    return tuple(sorted(read.values(), key=lambda part: (part.name, part.at_utc)))


def with_times(state: State) -> State:
    """A state with the time of each reading and the start of each outage."""
    read = {"at_utc": state.at_utc}
    since = {"from_utc": state.at_utc}
    return state.model_copy(
        update={
            "platform": _filled(state.platform, read),
            "unit": _filled(state.unit, read),
            "instrument": _filled(state.instrument, since),
            "station": _filled(state.station, since),
        }
    )


def _filled(parts: Iterable[Part], values: dict[str, datetime | None]) -> tuple[Part, ...]:
    return tuple(part.model_copy(update={**values, **told(part)}) for part in parts)


def told(part: PlatformState | UnitState | Outage) -> dict[str, object]:
    """What an entry says, without what it leaves out."""
    return {key: value for key, value in part if value not in (None, ())}


def _outages(
    earlier: tuple[Outage, ...], later: tuple[Outage, ...], at_utc: datetime | None
) -> tuple[Outage, ...]:
    """Earlier and later outages; an earlier one ends at `at_utc` if a later one has its name."""
    names = {outage.name for outage in later}
    kept = []
    for outage in earlier:
        if outage in later:
            continue
        if outage.name in names:
            ends = [time for time in (outage.until_utc, at_utc) if time is not None]
            outage = outage.model_copy(update={"until_utc": min(ends)})
        if (
            outage.until_utc is None
            or outage.from_utc is None
            or outage.from_utc < outage.until_utc
        ):
            kept.append(outage)
    return (*kept, *later)
