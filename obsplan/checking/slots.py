"""The slots of a timeline as the referee sees them: runs and rows of sending, in minutes."""

from collections.abc import Iterable
from dataclasses import dataclass
from math import ceil, floor
from typing import NamedTuple

import numpy as np
import pandas as pd

from obsplan.common.errors import TableError
from obsplan.inputs.activity import Activity
from obsplan.inputs.outcomes import OUTCOMES
from obsplan.inputs.scenario import Scenario

RUN_COLUMNS = ("slot", "activity", "platform", "start_utc", "end_utc", "state")


@dataclass(frozen=True)
class Run:
    """One slot, in minutes from the start of the span."""

    slot: str
    activity: Activity
    platform: str
    start_min: float
    end_min: float
    state: str = "planned"

    @property
    def is_over(self) -> bool:
        """Whether the slot is over, so that no plan can change it."""
        return self.state in OUTCOMES

    @property
    def first(self) -> int:
        """The minute in which the slot starts."""
        return floor(self.start_min)

    @property
    def last(self) -> int:
        """The first minute that the slot does not touch."""
        return ceil(self.end_min)

    def __str__(self) -> str:
        return f'"{self.activity.name}" (slot {self.slot})'


class SendingRow(NamedTuple):
    """A row that lets a platform send, in minutes from the start of the span."""

    start_min: float
    end_min: float
    slot: str
    name: str
    platform: str


def read_slots(scenario: Scenario, slots: pd.DataFrame) -> tuple[list[Run], list[SendingRow]]:
    """The runs and the transmit windows of a table of slots, each in order of start.

    The table is that of `check_timeline`. Raises TableError if it is not.
    """
    needed = ["activity", "start_utc"]
    if slots.empty:
        return [], []
    if missing := [column for column in needed if column not in slots]:
        raise TableError(f"slots: column {' and '.join(missing)} is missing")
    if "slot" not in slots:
        slots = slots.assign(slot=range(1, len(slots) + 1))
    # Violations name slots by their ids, so those of a fact must be its own.
    repeated = slots["slot"].astype(str)[slots["slot"].astype(str).duplicated()]
    if len(repeated):
        raise TableError(f"slots: slot {repeated.iloc[0]} is there twice; every id must differ")
    sends = slots["activity"].isin(list(scenario.sending_names))
    return _runs(scenario, slots[~sends]), _sending_rows(scenario, slots[sends])


def in_order(runs: Iterable[Run]) -> list[Run]:
    """The runs in order of start."""
    return sorted(runs, key=lambda run: (run.start_min, run.end_min, run.activity.name, run.slot))


def minutes_to_send(
    scenario: Scenario, rows: list[SendingRow], minutes: int
) -> dict[str, np.ndarray]:
    """Per platform, the minutes (n,) that lie wholly in its transmit windows.

    Empty without any row: then all platforms may send at any time.
    """
    if not rows:
        return {}
    may_send = {p.name: np.zeros(minutes, dtype=bool) for p in scenario.platform}
    for row in rows:
        first, after = max(ceil(row.start_min), 0), max(floor(row.end_min), 0)
        may_send[row.platform][first:after] = True
    return may_send


def runs_table(scenario: Scenario, runs: list[Run]) -> pd.DataFrame:
    """The runs as a table with the columns `RUN_COLUMNS`, one row each; times in UTC."""
    rows = [
        (
            run.slot,
            run.activity.name,
            run.platform,
            scenario.instant_at(run.start_min),
            scenario.instant_at(run.end_min),
            run.state,
        )
        for run in runs
    ]
    table = pd.DataFrame(rows, columns=list(RUN_COLUMNS))
    kinds = {c: "datetime64[us, UTC]" if c.endswith("_utc") else "str" for c in RUN_COLUMNS}
    return table.astype(kinds)


def _sending_rows(scenario: Scenario, rows: pd.DataFrame) -> list[SendingRow]:
    if rows.empty:
        return []
    names = scenario.sending_names
    start_min, end_min = _bounds_min(scenario, rows)
    sending = []
    for slot, name, start, end in zip(rows["slot"], rows["activity"], start_min, end_min):
        if np.isnan(end):
            raise TableError(f"slots: {name} needs an end_utc in every row")
        sending.append(SendingRow(float(start), float(end), str(slot), name, names[name]))
    return sorted(sending)


def _runs(scenario: Scenario, slots: pd.DataFrame) -> list[Run]:
    if slots.empty:
        return []
    activities = {a.name: a for a in scenario.known_activities}
    unknown = sorted({str(name) for name in slots["activity"]} - set(activities))
    if unknown:
        raise TableError(f"slots: no such activity: {', '.join(unknown)}")
    start_min, end_min = _bounds_min(scenario, slots)
    states = slots["state"] if "state" in slots else ["planned"] * len(slots)
    runs = []
    for slot, name, start, end, state in zip(
        slots["slot"], slots["activity"], start_min, end_min, states
    ):
        activity = activities[name]
        end = start + scenario.slot_min(activity) if np.isnan(end) else end
        platform = scenario.platform_of(activity)
        runs.append(Run(str(slot), activity, platform, float(start), float(end), state))
    return in_order(runs)


def _bounds_min(scenario: Scenario, slots: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Start and end of every row in minutes of the span; NaN if the end is missing."""
    start_min = _span_minutes(scenario, slots["start_utc"])
    end_min = np.full(len(slots), np.nan)
    if "end_utc" in slots and slots["end_utc"].notna().any():
        end_min = _span_minutes(scenario, slots["end_utc"])
    if np.isnan(start_min).any():
        raise TableError("slots: every slot needs a start_utc")
    failed = slots["state"] == "failed" if "state" in slots else np.zeros(len(slots), dtype=bool)
    if ((end_min < start_min) | ((end_min == start_min) & ~failed)).any():
        raise TableError("slots: every slot must end after it starts")
    return start_min, end_min


def _span_minutes(scenario: Scenario, times: pd.Series) -> np.ndarray:
    """Minutes from the start of the span, exact to the microsecond; NaN where missing."""
    if getattr(times.dtype, "tz", None) is None:
        raise TableError(f"slots: {times.name} must contain times with a zone (UTC)")
    return np.asarray(scenario.minutes_of(times.dt.as_unit("us")), dtype=float)
