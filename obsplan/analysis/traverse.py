"""The drives of a plan in order: from where to where, how far, how steep, at what cost."""

import pandas as pd

from obsplan.analysis.traverse_columns import TRAVERSE_COLUMNS
from obsplan.analysis.visits import left_out, rovers
from obsplan.common.instants import MINUTE
from obsplan.inputs.placed import DriveActivity
from obsplan.inputs.scenario import Scenario
from obsplan.planning.plan import Plan

# State of a row of a stop that no drive leads to.
LEFT_OUT = "left out"


def has_stops(scenario: Scenario) -> bool:
    """Whether any rover has stops."""
    return bool(scenario.stop)


def drives_and_stops_left_out(plan: Plan) -> pd.DataFrame:
    """The drives of a plan as in `traverse_table`, then a row for each stop left out, and why."""
    drives = traverse_table(plan.environment.scenario, plan.timeline)
    rows = [
        {"platform": name, "stop": each.stop, "state": LEFT_OUT}
        | {"reason": each.reason, "visited_if": each.visited_if}
        for name in rovers(plan.environment.scenario)
        for each in left_out(plan, name)
    ]
    if not rows:
        return drives
    stops = pd.DataFrame(rows, columns=TRAVERSE_COLUMNS).astype({"leg": "Int64"})
    drives = drives.astype({"leg": "Int64"})
    return pd.concat([drives, stops.astype(drives.dtypes.to_dict())], ignore_index=True)


def traverse_table(scenario: Scenario, timeline: pd.DataFrame) -> pd.DataFrame:
    """One row for each drive of a plan's timeline, by rover and time: columns `TRAVERSE_COLUMNS`.

    A drive that ended short counts with the share of its minutes that it lasted, one that failed
    with nothing.
    """
    rows = []
    for platform in scenario.platform:
        leg, odometer_m = 0, 0.0
        before: tuple[DriveActivity, str] | None = None
        mine = timeline[timeline["platform"] == platform.name]
        for slot in mine.sort_values("start_utc", kind="stable").itertuples(index=False):
            if not scenario.is_drive(slot.activity):
                continue
            drive = scenario.activity_named(slot.activity)
            assert isinstance(drive, DriveActivity)
            leg += not _is_of_the_same_leg(drive, before)
            before = drive, slot.state
            odometer_m += driven_share(drive, slot) * drive.leg.part_m
            so_far = {"leg": leg, "platform": platform.name, "odometer_m": odometer_m}
            rows.append(so_far | _row(drive, slot))
    table = pd.DataFrame(rows, columns=TRAVERSE_COLUMNS)
    for column in ("start_utc", "end_utc"):
        table[column] = pd.to_datetime(table[column], utc=True).astype("datetime64[s, UTC]")
    return table


def _is_of_the_same_leg(drive: DriveActivity, before: tuple[DriveActivity, str] | None) -> bool:
    """Whether a drive goes on along the leg of the one before, or makes that again."""
    if before is None or before[0].leg != drive.leg:
        return False
    return before[1] in ("failed", "shortened") or not before[0].is_last


def _row(drive: DriveActivity, slot) -> dict[str, object]:
    leg, k = drive.leg, drive.part - 1
    share = driven_share(drive, slot)
    # Its real minutes: the slot is longer, up to a whole step.
    end_utc = slot.start_utc + pd.Timedelta(minutes=share * leg.part_min[k]).round("s")
    return {
        "part": f"{drive.part} of {leg.parts}",
        "slot": slot.slot,
        "from_stop": leg.start,
        "stop": leg.end,
        "start_utc": slot.start_utc,
        "end_utc": end_utc,
        "state": slot.state,
        "distance_m": share * leg.part_m,
        "climb_m": share * leg.part_climb_m[k],
        "steepest_slope_deg": leg.part_slope_deg[k],
        "energy_wh": slot.energy_wh,
        "data_mbit": slot.data_mbit,
        "reason": "",
        "visited_if": "",
    }


def driven_share(drive: DriveActivity, slot) -> float:
    """How much of a drive was made, 0 to 1."""
    if slot.state == "failed":
        return 0.0
    minutes, part_min = (slot.end_utc - slot.start_utc) / MINUTE, drive.leg.part_min[drive.part - 1]
    return 1.0 if minutes >= part_min else minutes / part_min
