"""Ids of the slots of a new plan: a run that is kept or moved keeps its own."""

import pandas as pd

from obsplan.inputs.scenario import Scenario
from obsplan.operations.plan_changes import Difference
from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.timeline_table import booked_rows, slots_table


def named_slots(
    scenario: Scenario,
    fixed: pd.DataFrame,
    movable: pd.DataFrame,
    booking: Booking,
    found: dict[str, Difference],
) -> tuple[pd.DataFrame, dict[tuple[str, float], str]]:
    """The booked rows as slots with ids, and the ids of the runs by activity and minute.

    `fixed` and `movable` are the old slots, `found` what became of the movable ones. New runs
    and rows of sending get the next free ids.
    """
    ids = _kept_ids(scenario, movable, found)
    taken = set(fixed["slot"]) | set(movable["slot"])
    rows = slots_table(scenario, booked_rows(scenario, booking)).assign(state="planned")
    digits = max(3, len(str(len(rows) + len(taken))))
    free = (name for k in range(1, 10**digits) if (name := f"s{k:0{digits}d}") not in taken)
    names = []
    for activity, minute in zip(rows["activity"], scenario.minutes_of(rows["start_utc"])):
        name = ids.get((activity, minute)) or next(free)
        names.append(name)
        if activity not in scenario.sending_names:
            ids[activity, minute] = name
    return rows.assign(slot=names), ids


def _kept_ids(
    scenario: Scenario, movable: pd.DataFrame, found: dict[str, Difference]
) -> dict[tuple[str, float], str]:
    """Ids of the runs that are kept or moved, by activity and minute of their new start."""
    old: dict[tuple[str, float], str] = {}
    minutes = scenario.minutes_of(movable["start_utc"])
    for activity, slot, minute in zip(movable["activity"], movable["slot"], minutes):
        old.setdefault((activity, minute), slot)
    return {
        (activity, after): old[activity, before]
        for activity, parts in found.items()
        for before, after in [*((start, start) for start in parts.kept), *parts.moved]
    }
