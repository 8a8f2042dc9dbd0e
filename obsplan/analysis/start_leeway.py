"""How far a step that comes once can move: earliest and latest start by windows and order."""

import numpy as np
import pandas as pd

from obsplan.environment.model import Environment
from obsplan.inputs.scenario import Activity, Scenario
from obsplan.planning.problem.start_windows import start_mask

LEEWAY_COLUMNS = (
    "activity",
    "slot",
    "earliest_utc",
    "start_utc",
    "latest_utc",
    "last_utc",
    "waiting",
    "held_by",
)


def leeway_table(environment: Environment, timeline: pd.DataFrame) -> pd.DataFrame:
    """Steps that come once, and first runs that others wait for, in order of start.

    Columns as in `LEEWAY_COLUMNS`. From `earliest_utc` to `latest_utc` a start can lie inside
    the step's own windows, after what it waits for, and so that every run that waits for it
    (`waiting` counts them) and the next run of its own activity stay where they are. In
    between the windows may be shut. Other slots, energy, bus and data are not asked about.
    `held_by` is the slot that a later start would push, or "its windows"; `last_utc` is the
    last start if all that is behind it gave way. A step that is not placed has no times; one
    that ran or is locked (its `state`, where `timeline` has one) is decided and left out.
    """
    scenario = environment.scenario
    step = pd.Timedelta(minutes=scenario.span.step_min)
    start_utc = pd.Timestamp(scenario.span.start_utc)
    awaited = {after.activity for a in scenario.activity for after in a.after}
    rows = []
    for activity in scenario.activity:
        if activity.count > 1 and activity.name not in awaited:
            continue
        own = timeline[timeline["activity"] == activity.name].sort_values("start_utc")
        if "state" in own:
            own = own[own["state"] != "failed"]
        if len(own) and "state" in own and own["state"].iloc[0] != "planned":
            continue
        row = {"activity": activity.name, "slot": "", "waiting": 0, "held_by": ""}
        if len(own):
            first = own.iloc[0]
            pushed = _pushed(scenario, activity, timeline, own)
            length = pd.Timedelta(minutes=scenario.slot_min(activity))
            starts = start_utc + step * np.flatnonzero(start_mask(environment, activity))
            starts = pd.DatetimeIndex(starts)
            after_utc = [
                timeline.loc[timeline["activity"] == after.activity, "end_utc"].min()
                + pd.Timedelta(minutes=after.settle_min)
                for after in activity.after
            ]
            soonest = starts[starts >= max(after_utc, default=start_utc)]
            by_utc, held_by = min(
                [(at, slot) for at, slot, _ in pushed],
                default=(pd.Timestamp.max.tz_localize("UTC"), ""),
            )
            latest = soonest[soonest <= by_utc - length]
            row |= {
                "slot": first["slot"],
                "start_utc": first["start_utc"],
                "last_utc": soonest[-1] if len(soonest) else pd.NaT,
                "waiting": sum(waits for _, _, waits in pushed),
            }
            if len(latest):
                nothing_later = latest[-1] == soonest[-1]
                row |= {
                    "earliest_utc": latest[0],
                    "latest_utc": latest[-1],
                    "held_by": "its windows" if nothing_later else held_by,
                }
        rows.append(row)
    table = pd.DataFrame(rows, columns=list(LEEWAY_COLUMNS))
    for column in [c for c in table if c.endswith("_utc")]:
        table[column] = pd.to_datetime(table[column], utc=True)
    return table.sort_values(["start_utc", "activity"], ignore_index=True)


def _pushed(
    scenario: Scenario, activity: Activity, timeline: pd.DataFrame, own: pd.DataFrame
) -> list[tuple[pd.Timestamp, str, bool]]:
    """When the first run must have ended for each slot behind it, and whether that one waits."""
    behind = []
    for waiter in scenario.activity:
        for after in waiter.after:
            if after.activity == activity.name:
                settle = pd.Timedelta(minutes=after.settle_min)
                rows = timeline[timeline["activity"] == waiter.name]
                behind += [(r.start_utc - settle, r.slot, True) for r in rows.itertuples()]
    gap = pd.Timedelta(minutes=activity.gap_min)
    return behind + [(r.start_utc - gap, r.slot, False) for r in own.iloc[1:2].itertuples()]
