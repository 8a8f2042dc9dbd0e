"""What stays when a plan is made anew from some instant on, each slot with its reason."""

from datetime import datetime, timedelta
from itertools import count

import numpy as np
import pandas as pd

from obsplan.analysis.command_deadlines import beyond_command
from obsplan.checking.slots import FACTS, stamp
from obsplan.common.errors import StateError
from obsplan.common.instants import MINUTE
from obsplan.environment.model import Environment
from obsplan.inputs.scenario import Scenario
from obsplan.inputs.timeline_csv import AS_RUN_COLUMNS
from obsplan.operations.as_run import NOT_REPORTED, matched

STAY_COLUMNS = ("slot", "activity", "start_utc", "end_utc", "state", "why", "share")
FROZEN, HAND = "frozen", "locked by hand"
COMMANDED = "commanded: no contact from now on can change it in time"
UNTOLD = "over and not reported: taken as done"


def first_step(scenario: Scenario, now_utc: datetime) -> int:
    """The first step that has not begun at `now_utc`."""
    step = timedelta(minutes=scenario.span.step_min)
    return min(-(-(now_utc - scenario.span.start_utc) // step), scenario.steps)


def as_told(slots: pd.DataFrame, ran: pd.DataFrame, now_utc: datetime) -> pd.DataFrame:
    """The timeline `slots` with the times and states of what ran (see `told_runs`).

    Raises StateError where `stays` does.
    """
    _with_earlier_facts(slots, ran)
    if lines := _too_soon(ran, now_utc):
        raise StateError("\n".join(lines))
    told = ran.rename(columns={"outcome": "state"}).set_index("slot").reindex(slots["slot"])
    told = told[["start_utc", "end_utc", "state"]].set_axis(slots.index)
    return slots.assign(**told.fillna(slots))


def _too_soon(ran: pd.DataFrame, now_utc: datetime) -> list[str]:
    """A line for each run that is told before it is over."""
    return [
        f'slot {run.slot} ("{run.activity}"): is told {run.outcome}, but '
        f"{'begins' if run.start_utc > now_utc else 'ends'} after now, {now_utc:%Y-%m-%dT%H:%MZ}"
        for run in ran.itertuples(index=False)
        if run.start_utc > now_utc or run.end_utc > now_utc
    ]


def stays(
    environment: Environment,
    slots: pd.DataFrame,
    ran: pd.DataFrame,
    now_utc: datetime,
    freeze: timedelta,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """What stays, and the slots that may be planned anew, as two tables.

    `slots` are a timeline as read, `ran` what ran (see `read_as_run`). What was done,
    shortened or failed stays with its real times; so does, with its planned ones, what is
    over and not reported, what is running, what starts within `freeze`, and what is locked
    by hand, and what no contact from the first step that has not begun on could command.
    The first table has the columns `STAY_COLUMNS` in order of start: `why` says
    why a slot stays, `share` how much of a run it is worth: nothing where it failed or its
    instrument is out, the share of its time where it was shortened. Rows of the radio stay
    up to the first step that has not begun; a timeline without any let all send always.
    Raises StateError when a slot that has not begun is told to have run, or one is told in
    two ways.
    """
    scenario = environment.scenario
    sends = slots["activity"].isin(list(scenario.sending_names))
    runs = slots[~sends]
    ran = _with_earlier_facts(runs, ran)
    states = dict(zip(runs["slot"], runs["state"]))
    now, frozen_until = pd.Timestamp(now_utc), pd.Timestamp(now_utc + freeze)
    first_utc = scenario.span.start_utc + first_step(scenario, now_utc) * timedelta(
        minutes=scenario.span.step_min
    )
    aboard = beyond_command(environment, runs, first_utc)
    taken = {*slots["slot"], *ran["slot"]}
    fresh = (name for k in count(1) if (name := f"unplanned{k}") not in taken)
    rows, open_ = [], []
    for slot in matched(scenario, runs, ran).itertuples(index=False):
        if slot.outcome != NOT_REPORTED:
            name = slot.slot or next(fresh)
            times = slot.ran_start_utc, slot.ran_end_utc
            why = ": ".join(filter(None, [slot.outcome, slot.reason]))
            rows.append((name, slot.activity, *times, slot.outcome, why))
            continue
        if slot.end_utc <= now:
            why = UNTOLD
        elif slot.start_utc <= now:
            why = "running"
        elif slot.start_utc < frozen_until:
            why = f"{FROZEN}: starts before {frozen_until:%Y-%m-%dT%H:%MZ}"
        elif slot.slot in aboard:
            why = COMMANDED
        elif states[slot.slot] == "locked":
            why = HAND
        else:
            open_.append((slot.slot, slot.activity, slot.start_utc, slot.end_utc))
            continue
        rows.append((slot.slot, slot.activity, slot.start_utc, slot.end_utc, "locked", why))
    facts = [(*row[:5], "") for row in rows if row[4] in FACTS]
    if lines := _too_soon(pd.DataFrame(facts, columns=list(AS_RUN_COLUMNS)), now):
        raise StateError("\n".join(lines))
    rows += _sent_before(scenario, slots[sends], pd.Timestamp(first_utc))
    table = pd.DataFrame(rows, columns=list(STAY_COLUMNS[:-1]))
    left = pd.DataFrame(open_, columns=list(STAY_COLUMNS[:4]))
    for part in (table, left):
        for column in ("start_utc", "end_utc"):
            part[column] = pd.to_datetime(part[column], utc=True).astype("datetime64[s, UTC]")
    table["share"] = [_share(environment, row) for row in table.itertuples(index=False)]
    return table.sort_values(["start_utc", "end_utc", "activity"], ignore_index=True), left


def _with_earlier_facts(runs: pd.DataFrame, ran: pd.DataFrame) -> pd.DataFrame:
    """What ran, with what the timeline itself tells of slots; raises where the two differ."""
    told = {run.slot: run.outcome for run in ran.itertuples(index=False) if run.slot}
    facts = runs[runs["state"].isin(FACTS)]
    differ = [
        slot
        for slot in facts.itertuples(index=False)
        if told.get(slot.slot, slot.state) != slot.state
    ]
    if differ:
        raise StateError(
            "\n".join(
                f'slot {slot.slot} ("{slot.activity}"): is {slot.state} in the timeline, and told '
                f"{told[slot.slot]}; a slot has one outcome"
                for slot in differ
            )
        )
    untold = facts[~facts["slot"].isin(list(told))]
    if untold.empty:
        return ran
    own = untold.assign(outcome=untold["state"], reason="")[list(ran.columns)]
    return own if ran.empty else pd.concat([ran, own], ignore_index=True)


def _sent_before(scenario: Scenario, radio: pd.DataFrame, first: pd.Timestamp) -> list[tuple]:
    """Rows of the radio up to `first`."""
    if radio.empty:
        start = pd.Timestamp(scenario.span.start_utc)
        return [
            (f"radio{k}", name, start, first, "done", "sent")
            for k, name in enumerate(scenario.sending_names, start=1)
            if first > start
        ]
    return [
        (row.slot, row.activity, row.start_utc, min(row.end_utc, first), "done", "sent")
        for row in radio.itertuples(index=False)
        if row.start_utc < first
    ]


def _share(environment: Environment, slot) -> float:
    scenario = environment.scenario
    if slot.activity in scenario.sending_names or slot.state == "failed":
        return 0.0
    activity = scenario.activity_named(slot.activity)
    if slot.state == "shortened":
        ran_min = (slot.end_utc - slot.start_utc) / MINUTE - activity.warm_up_min
        return float(np.clip(ran_min / activity.duration_min, 0.0, 1.0))
    if slot.state == "locked" and activity.instrument in environment.out:
        first, last = scenario.minutes_of(slot.start_utc), scenario.minutes_of(slot.end_utc)
        inside = slice(max(int(first), 0), max(int(np.ceil(last)), 0))
        return float(not environment.out[activity.instrument][inside].any())
    return 1.0


def remarks(scenario: Scenario, stay: pd.DataFrame) -> list[str]:
    """What a reader should know was taken for granted."""
    lines = []
    untold = stay[stay["why"] == UNTOLD]
    if len(untold):
        lines.append(f"{len(untold)} slots are over and not reported: taken as done as planned")
    followed = {after.activity for a in scenario.activity for after in a.after}
    for name in sorted(followed):
        own = stay[(stay["activity"] == name) & (stay["share"] > 0)]
        if len(own) and (own["state"] == "shortened").all():
            lines.append(
                f'"{name}" was shortened: what waits for it counts on it all the same; '
                "call it failed if that is not so"
            )
    lost = stay[(stay["state"] == "locked") & (stay["share"] == 0)]
    for slot in lost.itertuples(index=False):
        since_min = scenario.minutes_of(slot.start_utc)
        lines.append(
            f'slot {slot.slot} ("{slot.activity}", {stamp(scenario, since_min)}) stays, '
            f"{slot.why}, but its instrument is out: it counts for nothing"
        )
    return lines
