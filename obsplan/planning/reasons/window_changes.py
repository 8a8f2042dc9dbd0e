"""Changes of what keeps a run out of a time: conditions, commands, contact, windows of a script.

Each yields a start, the plan as changed, and the answer if that fits the run.
"""

from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime
from math import ceil, floor

import numpy as np

from obsplan.common.intervals import union
from obsplan.inputs.activity import Activity
from obsplan.inputs.conditions import requested
from obsplan.inputs.keep_out import KeepOut
from obsplan.inputs.scenario import Scenario
from obsplan.inputs.team import hours_key
from obsplan.inputs.when import GroundRange, UnitRange
from obsplan.planning.problem.latency_starts import longest_wait_min
from obsplan.planning.problem.start_windows import condition_masks, start_mask
from obsplan.planning.reasons import remedies
from obsplan.planning.reasons.blocking import Constraint
from obsplan.planning.reasons.fix_wording import (
    Answer,
    ContactAtStart,
    ContactInSlot,
    LongerHours,
    LongerLatency,
    ShorterKeepOut,
    ShorterLead,
    WiderRange,
    WiderWindows,
)
from obsplan.planning.reasons.reason_wording import Closed
from obsplan.planning.reasons.what_if import Insertion, Variant

# Keys of `condition_masks`: windows that a script gives an activity, and times it is kept out of.
OWN, KEEP_OUT = "own windows", "keep-out"

Changes = Iterator[tuple[int, Variant, Answer]]


def wider_range(insertion: Insertion) -> Changes:
    """One range of the activity's conditions a little wider."""
    environment, activity = insertion.environment, insertion.activity
    for condition, name, column, limits, upper_column in requested(activity.when):
        # A range of local time that passes midnight has no end that could be moved outwards.
        if isinstance(limits, bool) or limits[0] > limits[1]:
            continue
        key = condition.key
        skies = environment.skies_of(activity).values()
        lowest = np.min([_slots(insertion, s[column].to_numpy()).min(axis=1) for s in skies], 0)
        upper = [_slots(insertion, s[upper_column].to_numpy()).max(axis=1) for s in skies]
        highest = np.max(upper, 0)
        outside = np.maximum(limits[0] - lowest, highest - limits[1])
        otherwise = start_mask(environment, _allowing(activity, key, None)) & ~insertion.barred
        where = insertion.blocked_only_by(Constraint.WINDOW)
        where &= otherwise[: len(lowest)] & (outside > 0)
        for start in insertion.best(outside, where):
            low = min(limits[0], floor(lowest[start] * remedies.TENTHS) / remedies.TENTHS)
            high = max(limits[1], ceil(highest[start] * remedies.TENTHS) / remedies.TENTHS)
            wider = _allowing(activity, key, (low, high))
            starts = start_mask(environment, wider) & ~insertion.barred
            fields = {"when": wider.when}
            variant = insertion.variant.with_task(insertion.task, fields, starts=starts)
            fix = WiderRange(condition, name, low, high, insertion.at(start))
            yield start, variant, Answer(_closed(insertion, name), fix)


def _allowing(activity: Activity, key: str, limits: tuple[float, float] | None) -> Activity:
    """The activity with other limits in `when.<key>`, or none."""
    value: GroundRange | UnitRange | tuple[float, float] | None = limits
    whole = getattr(activity.when, key)
    if isinstance(whole, GroundRange | UnitRange) and limits:
        value = whole.model_copy(update={"temperature_k": limits})
    when = activity.when.model_copy(update={key: value})
    return activity.model_copy(update={"when": when})


def shorter_lead(insertion: Insertion) -> Changes:
    """Commands that may reach the platform later before a start."""
    scenario, environment = insertion.scenario, insertion.environment
    lead_min = scenario.command_lead_min(insertion.activity)
    in_contact = environment.in_contact(insertion.node.name)
    if lead_min is None or not in_contact.any():
        return

    def starts_with(left_min: int) -> np.ndarray:
        eased = insertion.activity.model_copy(update={"lead_min": left_min})
        return start_mask(environment, eased) & ~insertion.barred

    # A command of the first minute in contact is on board when that minute is over.
    steps = np.arange(len(insertion.blocking[Constraint.WINDOW]))
    left_min = steps * scenario.span.step_min - (int(np.argmax(in_contact)) + 1)
    where = insertion.blocked_only_by(Constraint.WINDOW) & starts_with(0)[steps]
    where &= (left_min >= 0) & (left_min < lead_min)
    for start in insertion.best(-left_min.astype(float), where):
        lead = int(left_min[start])
        fields = {"lead_min": lead}
        variant = insertion.variant.with_task(insertion.task, fields, starts=starts_with(lead))
        fix = ShorterLead(lead_min - lead, insertion.at(start))
        yield start, variant, Answer(_closed(insertion, "uplink"), fix)


def longer_contact(insertion: Insertion) -> Changes:
    """Contact in those minutes of a slot that have none."""
    if insertion.activity.contact == "none":
        return
    throughout = insertion.activity.contact == "whole"
    in_contact = insertion.environment.in_contact(insertion.node.name)
    silent = _slots(insertion, ~in_contact)
    missing_min = silent.sum(axis=1) if throughout else silent[:, 0].astype(int)
    unbound = insertion.activity.model_copy(update={"contact": "none"})
    starts = start_mask(insertion.environment, unbound) & ~insertion.barred
    where = insertion.blocked_only_by(Constraint.WINDOW)
    where &= starts[: len(silent)] & (missing_min > 0)
    step_min = insertion.scenario.span.step_min
    for start in insertion.best(missing_min, where):
        first_min, end = start * step_min, start + insertion.what.length
        fix: ContactAtStart | ContactInSlot = ContactAtStart(insertion.at(start))
        if throughout:
            minutes = int(missing_min[start])
            fix = ContactInSlot(minutes, insertion.at(start), insertion.at(end))
        longer = in_contact.copy()
        longer[first_min : end * step_min if throughout else first_min + 1] = True
        variant = insertion.variant.with_task(insertion.task, {}, starts=starts)
        variant = variant.with_columns(insertion.what.node, in_contact=longer)
        yield start, variant, Answer(_closed(insertion, "contact"), fix)


def longer_latency(insertion: Insertion) -> Changes:
    """Data that may wait as long as an empty link makes them wait."""
    environment, activity = insertion.environment, insertion.activity
    if activity.received_by_h is None:
        return
    unbound = activity.model_copy(update={"received_by_h": None})
    starts = start_mask(environment, unbound) & ~insertion.barred
    wait_min = longest_wait_min(environment, activity, len(environment.sky))
    wait_min = wait_min[: len(insertion.blocking[Constraint.WINDOW])]
    where = insertion.blocked_only_by(Constraint.WINDOW) & starts[: len(wait_min)]
    for start in insertion.best(wait_min, where & (wait_min > 60 * activity.received_by_h)):
        hours = ceil(wait_min[start] / 60 * remedies.TENTHS) / remedies.TENTHS
        eased = activity.model_copy(update={"received_by_h": hours})
        permitted = start_mask(environment, eased) & ~insertion.barred
        fields = {"received_by_h": hours}
        variant = insertion.variant.with_task(insertion.task, fields, starts=permitted)
        fix = LongerLatency(hours, insertion.at(start))
        yield start, variant, Answer(_closed(insertion, "data latency"), fix)


def wider_windows(insertion: Insertion) -> Changes:
    """The windows that a script gave the activity, open for a whole slot more."""
    environment, activity = insertion.environment, insertion.activity
    if activity.name not in environment.user_windows:
        return
    open_ = environment.user_windows[activity.name]
    closed_min = _slots(insertion, ~open_).sum(axis=1)
    others = replace(environment, user_windows={})
    starts = start_mask(others, activity) & ~insertion.barred
    where = insertion.blocked_only_by(Constraint.WINDOW) & starts[: len(closed_min)]
    step_min = insertion.scenario.span.step_min
    for start in insertion.best(closed_min, where & (closed_min > 0)):
        end = start + insertion.what.length
        wider = open_.copy()
        wider[start * step_min : end * step_min] = True
        user_windows = environment.user_windows | {activity.name: wider}
        changed = replace(environment, user_windows=user_windows)
        permitted = start_mask(changed, activity) & ~insertion.barred
        variant = insertion.variant.with_task(insertion.task, {}, starts=permitted)
        changed = replace(variant.environment, user_windows=user_windows)
        fix = WiderWindows(insertion.at(start), insertion.at(end))
        yield start, replace(variant, environment=changed), Answer(_closed(insertion, OWN), fix)


def shorter_keep_out(insertion: Insertion) -> Changes:
    """The keep-outs of the activity without the time of a whole slot."""
    environment, activity, scenario = insertion.environment, insertion.activity, insertion.scenario
    barring = scenario.keep_outs_of(activity)
    if not barring:
        return
    free = condition_masks(environment, activity)[KEEP_OUT]
    kept_min = _slots(insertion, ~free).sum(axis=1)
    others = tuple(each for each in scenario.keep_out if each not in barring)
    lifted = replace(environment, scenario=scenario.model_copy(update={"keep_out": others}))
    starts = start_mask(lifted, activity) & ~insertion.barred
    where = insertion.blocked_only_by(Constraint.WINDOW) & starts[: len(kept_min)]
    for start in insertion.best(kept_min, where & (kept_min > 0)):
        first, last = insertion.at(start), insertion.at(start + insertion.what.length)
        shorter = without(scenario, activity, first.to_pydatetime(), last.to_pydatetime())
        permitted = start_mask(replace(environment, scenario=shorter), activity)
        variant = insertion.variant.with_task(
            insertion.task, {}, starts=permitted & ~insertion.barred
        )
        kept = variant.scenario.model_copy(update={"keep_out": shorter.keep_out})
        variant = replace(variant, environment=replace(variant.environment, scenario=kept))
        fix = ShorterKeepOut(first, last)
        yield start, variant, Answer(_closed(insertion, KEEP_OUT), fix)


def longer_hours(insertion: Insertion) -> Changes:
    """The hours of a team of the activity, longer by a whole slot."""
    environment, activity = insertion.environment, insertion.activity
    masks = condition_masks(environment, activity)
    for team in activity.needs:
        if team not in environment.shifts:
            continue
        off_min = _slots(insertion, ~masks[hours_key(team)]).sum(axis=1)
        others = {name: shifts for name, shifts in environment.shifts.items() if name != team}
        starts = start_mask(replace(environment, shifts=others), activity) & ~insertion.barred
        where = insertion.blocked_only_by(Constraint.WINDOW) & starts[: len(off_min)]
        for start in insertion.best(off_min, where & (off_min > 0)):
            slot_utc = insertion.at(start), insertion.at(start + insertion.what.length)
            slot = np.array([[utc.to_datetime64() for utc in slot_utc]], dtype="datetime64[s]")
            shifts = environment.shifts | {
                team: union(np.append(environment.shifts[team], slot, 0))
            }
            permitted = start_mask(replace(environment, shifts=shifts), activity)
            variant = insertion.variant.with_task(
                insertion.task, {}, starts=permitted & ~insertion.barred
            )
            variant = replace(variant, environment=replace(variant.environment, shifts=shifts))
            answer = Answer(_closed(insertion, hours_key(team)), LongerHours(team, *slot_utc))
            yield start, variant, answer


def without(scenario: Scenario, activity: Activity, first: datetime, last: datetime) -> Scenario:
    """The scenario in which no keep-out of the activity covers any of the time given."""
    pieces: list[KeepOut] = []
    for each in scenario.keep_out:
        if each not in scenario.keep_outs_of(activity):
            pieces.append(each)
            continue
        before = each.model_copy(update={"until_utc": min(each.until_utc, first)})
        after = each.model_copy(update={"from_utc": max(each.from_utc, last)})
        pieces += [part for part in (before, after) if part.from_utc < part.until_utc]
    return scenario.model_copy(update={"keep_out": tuple(pieces)})


def _slots(insertion: Insertion, minutes: np.ndarray) -> np.ndarray:
    """The minutes of a slot from each start: (starts, minutes of a slot)."""
    step_min = insertion.scenario.span.step_min
    within = minutes[: insertion.booking.problem.steps * step_min]
    if not len(insertion.blocking[Constraint.WINDOW]):
        return np.zeros((0, 1), dtype=minutes.dtype)
    view = np.lib.stride_tricks.sliding_window_view(within, insertion.what.length * step_min)
    return view[::step_min]


def _closed(insertion: Insertion, condition: str) -> Closed:
    return Closed(condition, insertion.why_no_window or None)
