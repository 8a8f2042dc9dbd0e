"""How far a prerequisite or a single run can move: earliest and latest start."""

import numpy as np
import pandas as pd

from obsplan.inputs.activity import Activity
from obsplan.planning.plan import Plan
from obsplan.planning.problem.start_windows import start_mask

LEEWAY_COLUMNS = (
    "activity",
    "slot",
    "earliest_utc",
    "start_utc",
    "latest_utc",
    "latest_if_others_move_utc",
    "dependants",
    "limited_by",
)
BY_WINDOWS = "its windows"


def leeway_table(plan: Plan) -> pd.DataFrame:
    """Single runs, and first runs that others depend on, in order of start.

    Columns as in `LEEWAY_COLUMNS`. From `earliest_utc` to `latest_utc` a start is after its
    prerequisites and leaves every dependant run (`dependants` counts them) and the next run
    of its own activity where they are; in between, the windows may be closed. Other slots,
    energy, bus and data are ignored. `limited_by` is the slot that a later start would push,
    or "its windows"; `latest_if_others_move_utc` is the latest start if those slots move too.
    A run that is not placed has no times; one that is past or locked is left out.
    """
    activities = plan.environment.scenario.activity
    prerequisites = {after.activity for a in activities for after in a.after}
    rows = []
    for activity in activities:
        if activity.count > 1 and activity.name not in prerequisites:
            continue
        own = plan.timeline[plan.timeline["activity"] == activity.name].sort_values("start_utc")
        if "state" in own:
            own = own[own["state"] != "failed"]
            if len(own) and own["state"].iloc[0] != "planned":
                continue
        row = {"activity": activity.name, "slot": "", "dependants": 0, "limited_by": ""}
        rows.append(row | (_limits(plan, activity, own) if len(own) else {}))
    table = pd.DataFrame(rows, columns=list(LEEWAY_COLUMNS))
    for column in [c for c in table if c.endswith("_utc")]:
        table[column] = pd.to_datetime(table[column], utc=True)
    return table.sort_values(["start_utc", "activity"], ignore_index=True)


def _limits(plan: Plan, activity: Activity, own: pd.DataFrame) -> dict:
    """Between which starts the first of the runs `own` can move, and what limits it."""
    environment, timeline = plan.environment, plan.timeline
    scenario = environment.scenario
    begin_utc = pd.Timestamp(scenario.span.start_utc)
    step = pd.Timedelta(minutes=scenario.span.step_min)
    starts = begin_utc + step * np.flatnonzero(start_mask(environment, activity))
    starts = pd.DatetimeIndex(starts)
    for after in activity.after:
        ended_utc = timeline.loc[timeline["activity"] == after.activity, "end_utc"].min()
        comes_after = starts >= ended_utc + pd.Timedelta(minutes=after.settle_min)
        starts = starts[comes_after | [not after.applies_at(start) for start in starts]]
    pushed = _pushed(plan, activity, own)
    by_utc, limiting_slot = min(
        [(at, slot) for at, slot, _ in pushed],
        default=(pd.Timestamp.max.tz_localize("UTC"), ""),
    )
    limits = {
        "slot": own.iloc[0]["slot"],
        "start_utc": own.iloc[0]["start_utc"],
        "latest_if_others_move_utc": starts[-1] if len(starts) else pd.NaT,
        "dependants": sum(depends for _, _, depends in pushed),
    }
    unpushed = starts[starts <= by_utc - pd.Timedelta(minutes=scenario.slot_min(activity))]
    if len(unpushed):
        limits |= {
            "earliest_utc": unpushed[0],
            "latest_utc": unpushed[-1],
            "limited_by": BY_WINDOWS if unpushed[-1] == starts[-1] else limiting_slot,
        }
    return limits


def _pushed(
    plan: Plan, activity: Activity, own: pd.DataFrame
) -> list[tuple[pd.Timestamp, str, bool]]:
    """By when the first run must have ended for each later slot, and whether that depends on it."""
    later = []
    for dependant in plan.environment.scenario.activity:
        waits = [after for after in dependant.after if after.activity == activity.name]
        if not waits:
            continue  # with stops there are many activities: look up the runs of few
        runs = plan.timeline[plan.timeline["activity"] == dependant.name]
        for after in waits:
            rows = [r for r in runs.itertuples() if after.applies_at(r.start_utc)]
            if not after.is_plain:
                # How much later its data could come is not known.
                later += [(own.iloc[0]["end_utc"], r.slot, True) for r in rows]
            else:
                settle = pd.Timedelta(minutes=after.settle_min)
                later += [(r.start_utc - settle, r.slot, True) for r in rows]
    gap = pd.Timedelta(minutes=activity.gap_min)
    return later + [(r.start_utc - gap, r.slot, False) for r in own.iloc[1:2].itertuples()]
