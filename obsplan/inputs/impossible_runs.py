"""Reported runs that cannot be: one set of rules for timelines, as-run and telemetry files.

What is only odd, such as a late start, is not refused: see `operations/odd_runs`.
"""

from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta
from typing import Any, NamedTuple

import pandas as pd

from obsplan.common.errors import ObsplanError
from obsplan.common.instants import MINUTE, stamp
from obsplan.common.text import did_you_mean, number_text
from obsplan.inputs.outcomes import OUTCOMES
from obsplan.inputs.scenario import Scenario

# A run that starts farther from its slot is another run, or a slip of the date: a slip is a day
# or more, and no run is late by half a day.
FARTHEST = timedelta(hours=12)


class ToldRun(NamedTuple):
    """A run as reported; "" or None for what is not told, or cannot be read.

    label: how a message names it. end_is_told: false if its end follows from its start.
    """

    label: str
    slot: str
    activity: str
    start_utc: datetime | None
    end_utc: datetime | None
    outcome: str
    end_is_told: bool = True

    @property
    def lasts_min(self) -> float | None:
        """Its length in minutes, if both ends are known."""
        if self.start_utc is None or self.end_utc is None:
            return None
        return (self.end_utc - self.start_utc) / MINUTE


class Mistake(NamedTuple):
    """What is wrong with a column of one of the runs, by its place in the list, and what is
    allowed."""

    run: int
    column: str
    what: str


def impossible(
    scenario: Scenario,
    runs: Sequence[ToldRun],
    slots: pd.DataFrame | None = None,
    now_utc: datetime | None = None,
) -> Iterator[Mistake]:
    """Why these runs cannot have been: columns slot, activity, start_utc, end_utc or outcome.

    Each by itself must lie within the span, be over at `now_utc` and last no longer than it can.
    No two may be of one slot, or overlap on what runs one at a time. With `slots`, the timeline
    they belong to, they must also fit their slots, and what the timeline says has run.
    """
    planned = {} if slots is None else {s.slot: s for s in slots.itertuples(index=False)}
    first: dict[str, ToldRun] = {}
    sound = []
    for k, run in enumerate(runs):
        found = [*_times(scenario, run, now_utc)] or [*_length(scenario, run)]
        can_be = not found
        if run.slot and slots is not None:
            found += _beside_slot(scenario, run, planned, can_be)
        if run.slot and first.setdefault(run.slot, run) is not run:
            label = first[run.slot].label
            twice = "listed twice" if label == run.label else f"{label} has it already"
            found = [("slot", f"{twice}; a slot has one outcome")]
        elif can_be:
            sound.append(k)
        yield from (Mistake(k, *each) for each in found)
    earlier = [] if slots is None else told_in(slots[~slots["slot"].isin(list(first))])
    yield from _overlaps(scenario, [(-1, run) for run in earlier] + [(k, runs[k]) for k in sound])


def told_in(slots: pd.DataFrame, column: str = "state") -> list[ToldRun]:
    """What a table says has run: the rows whose state or outcome (`column`) is an outcome."""
    if column not in slots:
        return []
    over = slots[slots[column].isin(OUTCOMES)]
    return [
        ToldRun(
            f"slot {row.slot}" if row.slot else f'"{row.activity}" of {stamp(row.start_utc)}',
            row.slot,
            row.activity,
            row.start_utc,
            row.end_utc,
            getattr(row, column),
        )
        for row in over.itertuples(index=False)
    ]


def require_possible(
    scenario: Scenario,
    slots: pd.DataFrame,
    as_run: pd.DataFrame,
    now_utc: datetime | None,
    error: type[ObsplanError],
) -> None:
    """Raise `error` with a line for each run that cannot be, in a timeline or in what ran."""
    lines = []
    for where, runs, beside in (
        ("in the timeline", told_in(slots), None),
        ("as run", told_in(as_run, "outcome"), slots),
    ):
        for k, column, what in impossible(scenario, runs, beside, now_utc):
            run = runs[k]
            value = getattr(run, column)
            shown = stamp(value) if isinstance(value, datetime) else f"'{value}'"
            lines.append(f"{where}: {run.label}, {column} = {shown}: {what}")
    if lines:
        raise error(*lines)


def _times(scenario: Scenario, run: ToldRun, now_utc: datetime | None) -> Iterator[tuple[str, str]]:
    first, last = scenario.span.start_utc, scenario.span.end_utc
    allowed = f"allowed is {stamp(first)} to {stamp(last)}"

    def problem(time: datetime | None) -> str:
        if time is None:
            return ""
        if not first <= time <= last:
            return f"outside the span; {allowed}"
        # A replan lets platforms send until the step that has begun is over.
        if now_utc is None or time <= now_utc or run.activity in scenario.sending_names:
            return ""
        return f"after now, {stamp(now_utc)}"

    early, late = problem(run.start_utc), problem(run.end_utc)
    if early:
        yield "start_utc", early
    if late and (run.end_is_told or not early):
        yield _end(run, late)


def _end(run: ToldRun, what: str) -> tuple[str, str]:
    """The column that says when a run ends, and what is wrong with that."""
    if run.end_is_told or run.end_utc is None:
        return "end_utc", what
    return "start_utc", f"it ends at {stamp(run.end_utc)}, {what}"


def _length(scenario: Scenario, run: ToldRun) -> Iterator[tuple[str, str]]:
    lasts_min = run.lasts_min
    if lasts_min is None:
        return
    if lasts_min < 0 or (lasts_min == 0 and run.outcome in ("done", "shortened")):
        if run.end_is_told:
            yield "end_utc", "not after its start"
        elif run.end_utc is not None:
            yield "start_utc", f"not before its planned end, {stamp(run.end_utc)}; give end_utc too"
        return
    if run.activity in scenario.sending_names:
        if run.outcome in ("shortened", "failed"):
            yield (
                "outcome",
                "a transmit window can only be done; what was not sent is told by stored_mbit of "
                "the platform in the telemetry file",
            )
        return
    if not run.activity or not run.end_is_told:
        return
    activity = scenario.activity_named(run.activity)
    slot_min, step_min = scenario.slot_min(activity), scenario.span.step_min
    lasts = f"lasts {number_text(lasts_min)} min"
    if run.outcome == "shortened" and lasts_min >= slot_min:
        yield "end_utc", f"{lasts}; a shortened run is shorter than its slot of {slot_min} min"
    elif lasts_min > slot_min + step_min:
        yield (
            "end_utc",
            f"{lasts}; its slot has {slot_min} min, and one step more is allowed: "
            f"{slot_min + step_min} min",
        )
    elif run.outcome == "shortened" and 0 < lasts_min <= activity.warm_up_min:
        yield (
            "outcome",
            f"it ended within the warm-up of {activity.warm_up_min} min and yielded nothing; "
            "allowed is failed",
        )


def _beside_slot(
    scenario: Scenario, run: ToldRun, planned: dict[str, Any], times_can_be: bool
) -> Iterator[tuple[str, str]]:
    slot = planned.get(run.slot)
    if slot is None:
        yield "slot", f"no such slot in the timeline; {did_you_mean(run.slot, planned)}"
        return
    if run.activity and run.activity != slot.activity:
        yield "activity", f"slot {run.slot} is '{slot.activity}' in the timeline"
        return
    state = getattr(slot, "state", "planned")
    if state in OUTCOMES and run.outcome and run.outcome != state:
        yield "outcome", f"slot {run.slot} is {state} in the timeline; a slot has one outcome"
    if run.start_utc is None or slot.activity in scenario.sending_names or not times_can_be:
        return
    apart = abs(run.start_utc - slot.start_utc)
    if apart > FARTHEST:
        hours = number_text(apart / timedelta(hours=1))
        yield (
            "start_utc",
            f"starts {hours} h from its slot of {stamp(slot.start_utc)}; allowed are up to "
            f"{FARTHEST / timedelta(hours=1):g} h",
        )


class Stretch(NamedTuple):
    """The time that a run took. number: its place in the list, -1 if the timeline has it."""

    start_utc: datetime
    number: int
    end_utc: datetime
    run: ToldRun


def _overlaps(scenario: Scenario, runs: list[tuple[int, ToldRun]]) -> Iterator[Mistake]:
    """Runs that start before another that excludes them ends, each named once."""
    stretches = [
        Stretch(run.start_utc, number, run.end_utc, run)
        for number, run in runs
        if run.start_utc and run.end_utc and run.end_utc > run.start_utc
    ]
    longest: dict[str, Stretch] = {}  # per rule, what ends last so far
    for later in sorted(stretches, key=lambda stretch: stretch[:2]):
        named = False
        for rule in _rules_alone(scenario, later.run.activity):
            earlier = longest.setdefault(rule, later)
            if later.start_utc < earlier.end_utc and not named and _differ(earlier, later):
                named = True
                ends = f"at {stamp(earlier.end_utc)}; {rule}"
                starts = f"at {stamp(later.start_utc)}; {rule}"
                if later.number >= 0:
                    what = f"before {earlier.run.label} ends, {ends}"
                    yield Mistake(later.number, "start_utc", what)
                else:
                    what = f"after {later.run.label} starts, {starts}"
                    yield Mistake(earlier.number, *_end(earlier.run, what))
            if later.end_utc > earlier.end_utc:
                longest[rule] = later


def _rules_alone(scenario: Scenario, name: str) -> list[str]:
    """The rules, in words, by which a run of the activity cannot be at the same time as another."""
    activity = next((a for a in scenario.known_activities if a.name == name), None)
    if activity is None:
        return []
    alone = {i.name for i in scenario.instrument if i.one_at_a_time}
    rules = [f'runs of "{name}" may not overlap']
    if activity.instrument in alone:
        rules.append(f'"{activity.instrument}" runs one slot at a time')
    return rules


def _differ(one: Stretch, other: Stretch) -> bool:
    """Whether two stretches are of different runs, one of which is reported now.

    A run without a slot may be one that the timeline has already.
    """
    known, told = sorted((one, other), key=lambda stretch: stretch.number)
    if known.number >= 0 or one is other:
        return one is not other
    alike = (told.run.activity, told.run.outcome) == (known.run.activity, known.run.outcome)
    return told.number >= 0 and not (alike and not told.run.slot)
