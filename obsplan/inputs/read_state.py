"""Reading the telemetry file: all mistakes of a file at once, each in one line."""

from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from copy import deepcopy
from datetime import datetime
from itertools import pairwise
from math import inf
from pathlib import Path
from typing import Any, Literal

import pandas as pd
from pydantic import ValidationError

from obsplan.common.errors import StateError
from obsplan.common.instants import MINUTE, stamp
from obsplan.common.text import did_you_mean, readable
from obsplan.inputs.earlier_states import with_earlier
from obsplan.inputs.error_text import error_line, shown
from obsplan.inputs.impossible_runs import ToldRun, impossible
from obsplan.inputs.outcomes import OUTCOMES
from obsplan.inputs.scenario import Scenario
from obsplan.inputs.stop import LANDER
from obsplan.inputs.telemetry_file import Fate, PlatformState, State, UnitState
from obsplan.inputs.toml_file import read_toml, refusal


def read_state(
    path: str | Path,
    scenario: Scenario,
    now_utc: datetime | None = None,
    slots: pd.DataFrame | None = None,
    note: Callable[[str], None] | None = None,
    earlier: State | None = None,
) -> State:
    """Read a telemetry file; `now_utc` is used if it does not say when it was read.

    What was reported `earlier` is part of the result, as far as it still applies (`with_earlier`).
    With `slots`, the timeline it belongs to, what it says of slots must fit that. A slot that the
    timeline has not is told to `note` and left out, or without `note` a mistake. Raises StateError
    with a line for every mistake in the file, for every contradiction with the scenario, the
    timeline or within the file, and for every run that cannot have been (see `impossible`).
    """
    path = Path(path)
    raw, _ = read_toml(path, StateError)
    state, mistakes = _validated(raw)
    if state.at_utc is None and now_utc is not None:
        past = (now_utc - scenario.span.start_utc) % MINUTE
        state = state.model_copy(update={"at_utc": now_utc - past})
    if slots is not None and note is not None:
        known = set(slots["slot"])
        for name in dict.fromkeys(fate.slot for fate in state.slot if fate.slot not in known):
            note(readable(f'{path}: slot "{name}": no such slot in the timeline'))
        here = tuple(fate for fate in state.slot if fate.slot in known)
        state = state.model_copy(update={"slot": here})
    mistakes += [
        *_time_errors(state, scenario, now_utc, "at_utc" in raw),
        *_reading_errors("platform", state.platform, state, scenario, now_utc),
        *_reading_errors("unit", state.unit, state, scenario, now_utc),
        *_platform_errors(state, scenario),
        *_odometer_errors(with_earlier(earlier, state) if earlier else state),
        *_unit_errors(state, scenario),
        *_outage_errors("instrument", state, scenario),
        *_outage_errors("station", state, scenario),
        *_slot_errors(state.slot, scenario, now_utc or state.at_utc, slots),
    ]
    if earlier and earlier.at_utc and state.at_utc and state.at_utc < earlier.at_utc:
        mistakes.append(
            f"at_utc = {stamp(state.at_utc)}: before what was reported up to this plan; allowed is "
            f"{stamp(earlier.at_utc)} or later"
        )
    if mistakes:
        raise refusal(path, mistakes, StateError)
    return with_earlier(earlier, state) if earlier else state


def _validated(raw: dict[str, Any]) -> tuple[State, list[str]]:
    """The state as far as the file's values are sound, and a line for each that is not.

    An entry keeps what is sound in it, so that the rest of it can be checked too, and [platform]
    counts as an entry of [[platform]]. A slot without a sound outcome or end has the outcome "", a
    unit without a sound temperature any, and an entry without a name is left out.
    """
    try:
        return State.model_validate(raw), []
    except ValidationError as problem:
        errors = problem.errors()
    single = [e for e in errors if len(e["loc"]) == 1 and isinstance(e["input"], dict)]
    single = [e for e in single if e["type"] == "tuple_type"]
    if single:
        state, lines = _validated(raw | {str(e["loc"][0]): [e["input"]] for e in single})
        return state, [error_line(State, raw, error) for error in single] + lines
    sound: Any = deepcopy(raw)
    left_out: set[tuple[int | str, ...]] = set()
    unsure: set[int | str] = set()
    for top, *inside in (error["loc"] for error in errors):
        if len(inside) < 2 or inside[1] in ("slot", "name"):
            left_out.add((top, *inside[:1]))
            continue
        sound[top][inside[0]].pop(inside[1], None)
        if (top, inside[1]) == ("unit", "temperature_k"):
            sound[top][inside[0]]["temperature_k"] = 300.0
        if inside[1] in ("outcome", "end_utc"):
            sound[top][inside[0]]["outcome"] = OUTCOMES[0]
            unsure.add(inside[0])
    sound = {top: value for top, value in sound.items() if (top,) not in left_out}
    kept = [k for k in range(len(sound.get("slot", ()))) if ("slot", k) not in left_out]
    for top in [top for top, value in sound.items() if isinstance(value, list)]:
        sound[top] = [part for k, part in enumerate(sound[top]) if (top, k) not in left_out]
    state = State.model_validate(sound)
    slots = tuple(
        fate.model_copy(update={"outcome": ""}) if k in unsure else fate
        for k, fate in zip(kept, state.slot)
    )
    lines = [error_line(State, raw, error) for error in errors]
    return state.model_copy(update={"slot": slots}), lines


def _time_errors(
    state: State, scenario: Scenario, now_utc: datetime | None, is_told: bool
) -> Iterator[str]:
    first, last = scenario.span.start_utc, scenario.span.end_utc
    if state.at_utc is None and is_told:
        return  # what is wrong with it is said already
    if state.at_utc is None:
        yield "at_utc: required but missing; say when telemetry was read"
    elif not first <= state.at_utc < last:
        yield (
            f"at_utc = {stamp(state.at_utc)}: outside the span; allowed is {stamp(first)} to "
            f"before {stamp(last)}"
        )
    elif now_utc is not None and state.at_utc > now_utc:
        yield f"at_utc = {stamp(state.at_utc)}: is after --now; allowed is up to {stamp(now_utc)}"


def _reading_errors(
    kind: Literal["platform", "unit"],
    parts: tuple[PlatformState, ...] | tuple[UnitState, ...],
    state: State,
    scenario: Scenario,
    now_utc: datetime | None,
) -> Iterator[str]:
    """Mistakes in when platforms or units were read."""
    read = Counter((part.name, part.at_utc or state.at_utc) for part in parts)
    for (name, _), times in read.items():
        if times > 1:
            yield f'{kind} "{name}": appears {times} times for one time; only once is allowed'
    first, last = scenario.span.start_utc, now_utc or scenario.span.end_utc
    for part in parts:
        if part.at_utc and not first <= part.at_utc <= last:
            yield (
                f'{kind} "{part.name}".at_utc = {stamp(part.at_utc)}: allowed is {stamp(first)} '
                f"to {stamp(last)}"
            )


def _platform_errors(state: State, scenario: Scenario) -> Iterator[str]:
    capacity_mbit = {p.name: p.store.capacity_mbit for p in scenario.platform}
    for name in dict.fromkeys(part.name for part in state.platform):
        yield from _unknown("platform", name, capacity_mbit)
    for part in state.platform:
        most_mbit = capacity_mbit.get(part.name, inf)
        if part.stored_mbit is not None and part.stored_mbit > most_mbit:
            yield (
                f'platform "{part.name}".stored_mbit = {part.stored_mbit:g}: more than the '
                f"storage capacity; allowed is 0 to {most_mbit:g}"
            )
        yield from _place_errors(part, scenario)


def _place_errors(part: PlatformState, scenario: Scenario) -> Iterator[str]:
    """Places that a rover does not have."""
    where = f'platform "{part.name}"'
    stops = [stop.name for stop in scenario.stop if stop.platform == part.name]
    given = {"at": part.at, "odometer_m": part.odometer_m, "unreachable": part.unreachable or None}
    if not stops:
        for key in (key for key, value in given.items() if value is not None):
            yield f"{where}.{key}: only for a rover with stops in the scenario"
        return
    if part.at is not None and part.at not in (LANDER, *stops):
        yield f"{where}.at = {shown(part.at)}: no such stop; " + did_you_mean(
            part.at, [LANDER, *stops]
        )
    for name in part.unreachable:
        if name not in stops:
            yield f"{where}.unreachable = {shown(name)}: no such stop; {did_you_mean(name, stops)}"


def _odometer_errors(state: State) -> Iterator[str]:
    """Odometers that go back from one reading to the next."""
    read: dict[str, list[tuple[datetime, float]]] = {}
    for part in state.platform:
        at_utc = part.at_utc or state.at_utc
        if at_utc is not None and part.odometer_m is not None:
            read.setdefault(part.name, []).append((at_utc, part.odometer_m))
    for name, own in read.items():
        for (before_utc, before_m), (at_utc, metres) in pairwise(sorted(own)):
            if metres < before_m:
                yield (
                    f'platform "{name}".odometer_m = {metres:g} at {stamp(at_utc)}: less than '
                    f"{before_m:g} at {stamp(before_utc)}; an odometer does not go back"
                )


def _unit_errors(state: State, scenario: Scenario) -> Iterator[str]:
    has_table = {unit.name: unit.table is not None for unit in scenario.units}
    for name in dict.fromkeys(part.name for part in state.unit):
        yield from _unknown("unit", name, has_table)
        if has_table.get(name):
            yield (
                f'unit "{name}".temperature_k: not allowed, as the unit has a table; mend the '
                "table instead"
            )


def _outage_errors(
    kind: Literal["instrument", "station"], state: State, scenario: Scenario
) -> Iterator[str]:
    known = [part.name for part in getattr(scenario, kind)]
    read_utc = state.at_utc
    for outage in getattr(state, kind):
        yield from _unknown(kind, outage.name, known)
        since_utc = outage.from_utc or read_utc
        first, last = scenario.span.start_utc, scenario.span.end_utc
        if (since_utc and since_utc >= last) or (outage.until_utc and outage.until_utc <= first):
            yield (
                f'{kind} "{outage.name}": the outage lies outside the span, {stamp(first)} to '
                f"{stamp(last)}"
            )
        if outage.until_utc and since_utc and outage.until_utc <= since_utc:
            yield (
                f'{kind} "{outage.name}".until_utc = {stamp(outage.until_utc)}: must be after '
                f"the start of the outage, {stamp(since_utc)}"
            )


def _slot_errors(
    fates: tuple[Fate, ...],
    scenario: Scenario,
    now_utc: datetime | None,
    slots: pd.DataFrame | None,
) -> Iterator[str]:
    planned = {} if slots is None else {s.slot: s for s in slots.itertuples(index=False)}
    for fate in fates:
        if fate.outcome == "shortened" and fate.end_utc is None:
            yield f'slot "{fate.slot}".end_utc: missing; say when the run ended'
    runs = [told_run(fate, planned.get(fate.slot)) for fate in fates]
    for k, column, what in impossible(scenario, runs, slots, now_utc):
        value = getattr(runs[k], column)
        key, told = f".{column}", stamp(value) if isinstance(value, datetime) else f'"{value}"'
        yield f"{runs[k].label}{'' if column == 'slot' else f'{key} = {told}'}: {what}"


def told_run(fate: Fate, slot: Any) -> ToldRun:
    """What a fate tells of a run; times that it does not give are those of its row `slot` of the
    timeline, None if it has none."""
    start_utc = fate.start_utc or (slot.start_utc if slot else None)
    planned_end_utc = slot.end_utc if slot else None
    # A failed run without an end ended as it began; a shortened one must say when.
    default_utc = {"failed": start_utc, "shortened": None}.get(fate.outcome, planned_end_utc)
    return ToldRun(
        f'slot "{fate.slot}"',
        fate.slot,
        slot.activity if slot else "",
        start_utc,
        fate.end_utc or default_utc,
        fate.outcome,
        fate.end_utc is not None,
    )


def _unknown(kind: str, name: str, known: Iterable[str]) -> Iterator[str]:
    if name not in known:
        yield f'{kind} "{name}": no such {kind} in the scenario; {did_you_mean(name, known)}'
