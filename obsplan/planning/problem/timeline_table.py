"""Booked runs as the timeline that people read: slots, radio rows, Sun, ground, worth."""

from collections import Counter
from collections.abc import Mapping

import numpy as np
import pandas as pd

from obsplan.common import intervals
from obsplan.common.instants import MINUTE
from obsplan.environment.model import Environment
from obsplan.inputs.activity import Activity
from obsplan.inputs.placed import DriveActivity, PlacedActivity
from obsplan.inputs.scenario import Scenario
from obsplan.inputs.timeline_columns import PLACE_COLUMNS, TIMELINE_COLUMNS
from obsplan.planning.problem.awaited_data import awaited_sending
from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.definition import Problem
from obsplan.planning.problem.goal_bins import bin_at
from obsplan.planning.problem.goals import Goal
from obsplan.planning.problem.tolerances import LEAST_SHARE

# The slots, by goal, that do not count towards it.
Uncounted = Mapping[str, frozenset[str]]
NONE: Uncounted = {}


def booked_rows(scenario: Scenario, booking: Booking) -> list[tuple[str, int, int]]:
    """Activity, first and last step of every slot and of every stretch of sending."""
    rows = [
        (task.name, start, start + task.length)
        for task, starts in zip(booking.problem.tasks, booking.runs)
        for start in starts
    ]
    sends, held = booking.flow.sent_share > LEAST_SHARE, booking.flow.held_mbit > 0
    if booking.problem.awaits_data and booking.sends_freely():
        # All send as soon as they can, to the minute.
        sends = np.array([node.send_mbit > 0 for node in booking.problem.nodes])
    elif booking.problem.awaits_data:
        # By the minute data may be sent a step later than in steps.
        sends |= awaited_sending(booking) & booking.may_send
    if held.any() and not sends.any():
        # Without a row all would send: so one is permitted to, while it has nothing to send.
        empty = ~held[:, :-1] & ~held[:, 1:]
        sends.flat[int(np.argmax(empty))] = empty.any()
    for name, mask in zip(scenario.sending_names, sends):
        rows += [(name, *stretch) for stretch in intervals.from_mask(mask).tolist()]
    return sorted(rows, key=lambda row: (row[1], row[2], row[0]))


def plan_slots(scenario: Scenario, booking: Booking) -> pd.DataFrame:
    """The booked runs, and when platforms may send, as slots that a check understands."""
    return slots_table(scenario, booked_rows(scenario, booking))


def slots_table(scenario: Scenario, rows: list[tuple[str, int, int]]) -> pd.DataFrame:
    """Rows (activity, first step, last step) as slots that a check understands."""
    step = pd.Timedelta(minutes=scenario.span.step_min)
    start = pd.Timestamp(scenario.span.start_utc)
    return pd.DataFrame(
        {
            "slot": pd.Series(slot_ids(len(rows)), dtype="str"),
            "activity": pd.Series([row[0] for row in rows], dtype="str"),
            "start_utc": pd.DatetimeIndex([start + row[1] * step for row in rows], tz="UTC"),
            "end_utc": pd.DatetimeIndex([start + row[2] * step for row in rows], tz="UTC"),
        }
    )


def slot_ids(count: int) -> list[str]:
    digits = max(3, len(str(count)))
    return [f"s{k:0{digits}d}" for k in range(1, count + 1)]


def timeline_table(environment: Environment, booking: Booking) -> pd.DataFrame:
    """The timeline with what a reader wants beside each slot: Sun, ground, contact, worth."""
    return described(environment, booking.problem, plan_slots(environment.scenario, booking))


def described(
    environment: Environment,
    problem: Problem,
    slots: pd.DataFrame,
    shares: dict[str, float] | None = None,
    uncounted: Uncounted = NONE,
) -> pd.DataFrame:
    """Slots in order of start, with the columns of timeline.csv, those of place if there are stops.

    `problem` says what runs are worth, each after those before it; `shares` gives slots, by their
    id, that yield only a share of a run: nothing (0) takes no place among the runs of its bin. A
    run that yields some counts in full towards goals.
    `uncounted` gives those that do not count towards a goal, by its name.
    """
    scenario, shares = environment.scenario, shares or {}
    activities = {a.name: a for a in scenario.activity}
    tasks = {task.name: task for task in problem.tasks}
    runs_before: Counter[tuple[str, int]] = Counter()
    numbers = {task.name: i for i, task in enumerate(problem.tasks) if not task.pinned}
    goals = [goal.holding_none() for goal in problem.goals]
    counts = [goal.held.copy() for goal in goals]
    rows = []
    for slot in slots.itertuples(index=False):
        state = getattr(slot, "state", "planned")
        minute = int(scenario.minutes_of(slot.start_utc))
        # A slot told by hand may begin outside the span.
        minute = min(max(minute, 0), len(environment.sky) - 1)
        lasts_min = (slot.end_utc - slot.start_utc) / MINUTE
        row = {
            "slot": slot.slot,
            "activity": slot.activity,
            "start_utc": slot.start_utc,
            "end_utc": slot.end_utc,
            "duration_min": int(lasts_min),
            "state": state,
        }
        if slot.activity in activities:
            activity, task = activities[slot.activity], tasks[slot.activity]
            share = shares.get(slot.slot, 1.0)
            bin_ = int(task.bins[minute // scenario.span.step_min])
            worth = share * task.value * task.repeat_worth ** runs_before[task.name, bin_]
            if share > 0:
                runs_before[task.name, bin_] += 1
                for goal, there in zip(goals, counts):
                    if slot.slot not in uncounted.get(goal.name, ()):
                        i = numbers[task.name]
                        place = bin_at(environment, goal, i, activity, minute)
                        worth += _added(goal, there, i, place)
            row |= _run_cells(scenario, activity, lasts_min, state) | {"value": worth}
        else:
            row |= _radio_cells(scenario, slot.activity)
        if scenario.stop:
            row |= _place_cells(activities.get(slot.activity))
        rows.append(row | _sky_cells(environment, row["platform"], minute, int(lasts_min)))
    columns = [*TIMELINE_COLUMNS, *(PLACE_COLUMNS if scenario.stop else ())]
    if not rows:
        return pd.DataFrame(columns=columns)
    table = pd.DataFrame(rows)
    return table[sorted(table, key=columns.index)]


def _place_cells(activity: Activity | None) -> dict[str, str]:
    """Where a run is, or from where to where a drive leads; empty if it is at no stop."""
    if isinstance(activity, DriveActivity):
        return {"stop": activity.leg.end, "from_stop": activity.leg.start}
    return {"stop": activity.stop if isinstance(activity, PlacedActivity) else "", "from_stop": ""}


def _added(goal: Goal, counts: np.ndarray, i: int, place: int) -> float:
    """What a run of task `i` in a bin adds to a goal, in whose counters it is then."""
    if goal.group[i] < 0 or place < 0:
        return 0.0
    before = goal.value(counts)
    counts[goal.group[i], place] += 1
    return goal.value(counts) - before


def _run_cells(
    scenario: Scenario, activity: Activity, lasts_min: float, state: str
) -> dict[str, object]:
    """Energy and data of a run that lasts `lasts_min`, warm-up included."""
    warm_up_min = min(lasts_min, activity.warm_up_min)
    run_min = min(lasts_min - warm_up_min, activity.duration_min)
    data_share = 0.0 if state == "failed" else run_min / activity.duration_min
    return {
        "platform": scenario.platform_of(activity),
        "instrument": activity.instrument,
        "power_w": activity.power_w,
        "energy_wh": (warm_up_min * activity.warm_up_w + run_min * activity.power_w) / 60,
        "data_mbit": data_share * activity.data_mbit,
    }


def _radio_cells(scenario: Scenario, name: str) -> dict[str, object]:
    """A transmit window: how much is sent then, the replay decides."""
    platform = scenario.platform_named(scenario.sending_names[name])
    return {
        "platform": platform.name,
        "instrument": "radio",
        "power_w": platform.radio.transmit_w,
        "energy_wh": np.nan,
        "data_mbit": np.nan,
        "value": 0.0,
    }


def _sky_cells(
    environment: Environment, platform: str, minute: int, minutes: int
) -> dict[str, object]:
    """Sun and ground at the start, and how much of the slot is in contact."""
    sky = environment.sky_of(platform).iloc[minute]
    in_contact = environment.in_contact(platform)[minute : minute + minutes]
    return {
        "sun_elevation_deg": sky["sun_elevation_deg"],
        "local_time_h": sky["local_time_h"],
        "surface_temperature_k": sky["surface_temperature_k"],
        "contact": "whole" if in_contact.all() else "part" if in_contact.any() else "none",
    }
