"""Which slots a replan may not change, each with its reason."""

from collections.abc import Callable
from datetime import datetime, timedelta
from itertools import count
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from obsplan.analysis.command_deadlines import beyond_command
from obsplan.common.errors import StateError
from obsplan.common.instants import MINUTE, stamp
from obsplan.environment.model import Environment
from obsplan.inputs.impossible_runs import require_possible
from obsplan.inputs.outcomes import OUTCOMES
from obsplan.inputs.placed import DriveActivity
from obsplan.inputs.scenario import Scenario
from obsplan.operations.as_run import matched

FIXED_COLUMNS = ("slot", "activity", "start_utc", "end_utc", "state", "why", "reason", "share")
FROZEN, BY_HAND = "frozen", "locked by hand"
COMMANDED = "already commanded: no later contact can change it in time"
UNREPORTED = "over and not reported: assumed done"


class FixedSlot(NamedTuple):
    """A slot, or a row of sending, that a replan may not change, and why."""

    slot: str
    activity: str
    start_utc: pd.Timestamp
    end_utc: pd.Timestamp
    state: str
    why: str
    reason: str = ""


def first_step(scenario: Scenario, now_utc: datetime) -> int:
    """The first step that has not begun at `now_utc`."""
    step = timedelta(minutes=scenario.span.step_min)
    return min(-(-(now_utc - scenario.span.start_utc) // step), scenario.steps)


def with_outcomes(
    scenario: Scenario, slots: pd.DataFrame, ran: pd.DataFrame, now_utc: datetime
) -> pd.DataFrame:
    """The timeline `slots` with the times and states of what ran (see `reported_runs`).

    Raises StateError if what ran cannot be, or contradicts the timeline.
    """
    require_possible(scenario, slots, ran, now_utc, StateError)
    told = ran.rename(columns={"outcome": "state"}).set_index("slot").reindex(slots["slot"])
    told = told[["start_utc", "end_utc", "state", "reason"]].set_axis(slots.index)
    return slots.assign(**told.fillna(slots))


def fixed_slots(
    environment: Environment,
    slots: pd.DataFrame,
    ran: pd.DataFrame,
    now_utc: datetime,
    freeze: timedelta,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """The slots that are fixed, and those that may be replanned, as two tables.

    `slots` is a timeline as read, `ran` what ran (see `read_as_run`). Slots that were done,
    shortened or failed are fixed with their real times. Slots are fixed at their planned times if
    they are over and not reported, are running, start within `freeze`, were commanded and cannot be
    changed in time by any contact, or are locked by hand.

    The first table has the columns `FIXED_COLUMNS` in order of start: `reason` is the one that was
    reported, `share` how much of a run's value counts: 0 if it failed, its instrument is out, or
    another run of its activity counts for the same time, the share of its time if it was
    shortened. Rows of sending are fixed up to the first step that has not begun; a timeline
    without any lets all platforms send at any time. Raises StateError with a line for each run
    that cannot have been (see `impossible`).
    """
    scenario = environment.scenario
    sends = slots["activity"].isin(list(scenario.sending_names))
    runs = slots[~sends]
    first_utc = pd.Timestamp(scenario.span.start_utc)
    first_utc += first_step(scenario, now_utc) * scenario.span.step_min * MINUTE
    why_fixed = _reasons(environment, runs, now_utc, now_utc + freeze, first_utc)
    taken = {*slots["slot"], *ran["slot"]}
    unplanned = (name for k in count(1) if (name := f"unplanned{k}") not in taken)
    fixed, movable = [], []
    for slot in matched(scenario, runs, ran, now_utc, StateError).itertuples(index=False):
        planned = slot.slot, slot.activity, slot.start_utc, slot.end_utc
        if slot.outcome in OUTCOMES:
            name = slot.slot or next(unplanned)
            why = ": ".join(filter(None, [slot.outcome, slot.reason]))
            times = slot.ran_start_utc, slot.ran_end_utc
            fixed.append(FixedSlot(name, slot.activity, *times, slot.outcome, why, slot.reason))
        elif why := next((why for why, applies in why_fixed if applies(slot)), ""):
            fixed.append(FixedSlot(*planned, "locked", why))
        else:
            movable.append(planned)
    fixed += _sent_before(scenario, slots[sends], first_utc)
    table = _with_times(pd.DataFrame(fixed, columns=list(FIXED_COLUMNS[:-1])))
    table = table.sort_values(["start_utc", "end_utc", "activity"], ignore_index=True)
    table["share"] = _shares(environment, table)
    return table, _with_times(pd.DataFrame(movable, columns=list(FIXED_COLUMNS[:4])))


def _reasons(
    environment: Environment,
    runs: pd.DataFrame,
    now_utc: datetime,
    frozen_until: datetime,
    first_utc: pd.Timestamp,
) -> list[tuple[str, Callable[[Any], bool]]]:
    """Why a slot that was not reported is fixed, and the test for it; the first that applies."""
    commanded = beyond_command(environment, runs, first_utc)
    locked = set(runs.loc[runs["state"] == "locked", "slot"])
    frozen = f"{FROZEN}: starts before {stamp(frozen_until)}"
    return [
        (UNREPORTED, lambda slot: slot.end_utc <= now_utc),
        ("running", lambda slot: slot.start_utc <= now_utc),
        (frozen, lambda slot: slot.start_utc < frozen_until),
        (COMMANDED, lambda slot: slot.slot in commanded),
        (BY_HAND, lambda slot: slot.slot in locked),
    ]


def _with_times(table: pd.DataFrame) -> pd.DataFrame:
    for column in ("start_utc", "end_utc"):
        table[column] = pd.to_datetime(table[column], utc=True).astype("datetime64[s, UTC]")
    return table


def _sent_before(
    scenario: Scenario, sending: pd.DataFrame, first_utc: pd.Timestamp
) -> list[FixedSlot]:
    """Rows of sending up to `first_utc`."""
    start_utc = pd.Timestamp(scenario.span.start_utc)
    if sending.empty:
        return [
            FixedSlot(f"radio{k}", name, start_utc, first_utc, "done", "sent")
            for k, name in enumerate(scenario.sending_names, start=1)
            if first_utc > start_utc
        ]
    stretches = [
        (row, max(row.start_utc, start_utc), min(row.end_utc, first_utc))
        for row in sending.itertuples(index=False)
    ]
    return [
        FixedSlot(row.slot, row.activity, since_utc, until_utc, "done", "sent")
        for row, since_utc, until_utc in stretches
        if since_utc < until_utc
    ]


def _shares(environment: Environment, table: pd.DataFrame) -> list[float]:
    """How much of each run's value counts, 0..1; what overlaps a run of its activity counts once.

    The runs are in order of start.
    """
    shares: list[float] = []
    counted_until: dict[str, pd.Timestamp] = {}
    for slot in table.itertuples(index=False):
        share = _share(environment, slot)
        if share > 0 and slot.start_utc < counted_until.get(slot.activity, slot.start_utc):
            share = 0.0
        if share > 0:
            counted_until[slot.activity] = slot.end_utc
        shares.append(share)
    return shares


def _share(environment: Environment, slot: Any) -> float:
    """How much of a run's value counts by itself, 0..1."""
    scenario = environment.scenario
    if slot.activity in scenario.sending_names or slot.state == "failed":
        return 0.0
    activity = scenario.activity_named(slot.activity)
    if slot.state == "shortened":
        if isinstance(activity, DriveActivity):
            return 0.0  # it has not brought the rover where it leads
        ran_min = (slot.end_utc - slot.start_utc) / MINUTE - activity.warm_up_min
        return float(np.clip(ran_min / activity.duration_min, 0.0, 1.0))
    return float(not (slot.state == "locked" and is_out(environment, slot)))


def is_out(environment: Environment, slot: Any) -> bool:
    """Whether the instrument of a slot is out of service at any time of it."""
    scenario = environment.scenario
    activity = scenario.activity_named(slot.activity)
    if activity.instrument not in environment.out:
        return False
    first, last = scenario.minutes_of(slot.start_utc), scenario.minutes_of(slot.end_utc)
    inside = slice(max(int(first), 0), max(int(np.ceil(last)), 0))
    return bool(environment.out[activity.instrument][inside].any())


def assumptions(environment: Environment, fixed: pd.DataFrame) -> list[str]:
    """What the replan assumes, in sentences."""
    scenario, lines = environment.scenario, []
    if unreported := int((fixed["why"] == UNREPORTED).sum()):
        slots_are = "slot is" if unreported == 1 else "slots are"
        lines.append(f"{unreported} {slots_are} over and not reported: assumed done as planned")
    followed = {after.activity for a in scenario.activity for after in a.after}
    for name in sorted(followed):
        own = fixed[(fixed["activity"] == name) & (fixed["share"] > 0)]
        if len(own) and (own["state"] == "shortened").all():
            lines.append(
                f'"{name}" was shortened: activities that come after it are still planned; '
                "if it has to be repeated first, report it as failed"
            )
    lost = fixed[(fixed["state"] == "locked") & (fixed["share"] == 0)]
    for slot in lost.itertuples(index=False):
        out = is_out(environment, slot)
        why = "its instrument is out of service" if out else "another run of it is then in progress"
        lines.append(
            f'slot {slot.slot} ("{slot.activity}", {stamp(slot.start_utc)}) is fixed '
            f"({slot.why}), but {why}, so it does not count"
        )
    return lines
