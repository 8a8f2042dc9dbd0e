"""Booked runs as the timeline that people read: slots, radio rows, Sun, ground, worth."""

import numpy as np
import pandas as pd

from obsplan.common import intervals
from obsplan.environment.model import Environment
from obsplan.inputs.scenario import Scenario
from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.definition import Problem

TIMELINE_COLUMNS = (
    "slot",
    "platform",
    "instrument",
    "activity",
    "start_utc",
    "end_utc",
    "duration_min",
    "state",
    "sun_elevation_deg",
    "local_time_h",
    "surface_temperature_k",
    "contact",
    "power_w",
    "energy_wh",
    "data_mbit",
    "value",
)


def booked_rows(scenario: Scenario, booking: Booking) -> list[tuple[str, int, int]]:
    """Activity, first and last step of every slot and of every stretch of sending."""
    rows = [
        (task.name, start, start + task.length)
        for task, starts in zip(booking.problem.tasks, booking.runs)
        for start in starts
    ]
    sends, held = booking.flow.sent_share > 1e-9, booking.flow.held_mbit > 0
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
) -> pd.DataFrame:
    """Slots in order of start, and what a reader wants beside each.

    `problem` says what runs are worth; `shares` gives slots, by their id, that yield only a
    share of a run: nothing (0) takes no place among the runs of its bin.
    """
    scenario = environment.scenario
    shares = shares or {}
    activities = {a.name: a for a in scenario.activity}
    platforms = {p.name: p for p in scenario.platform}
    tasks = {task.name: task for task in problem.tasks}
    start = environment.sky.index[0]
    held: dict[tuple[str, int], int] = {}
    rows = []
    for slot in slots.itertuples(index=False):
        first = int((slot.start_utc - start) / pd.Timedelta(minutes=1))
        # A slot told by hand may lie where there is nothing to tell of.
        first = min(max(first, 0), len(environment.sky) - 1)
        lasts_min = (slot.end_utc - slot.start_utc) / pd.Timedelta(minutes=1)
        minutes, state = int(lasts_min), getattr(slot, "state", "planned")
        row = {"slot": slot.slot, "activity": slot.activity, "duration_min": minutes}
        if slot.activity in activities:
            activity, task = activities[slot.activity], tasks[slot.activity]
            bin_ = int(task.bins[first // scenario.span.step_min])
            earlier = held.get((task.name, bin_), 0)
            share = shares.get(slot.slot, 1.0)
            held[task.name, bin_] = earlier + (share > 0)
            warm_min = min(lasts_min, activity.warm_up_min)
            run_min = min(lasts_min - warm_min, activity.duration_min)
            energy_wh = (warm_min * activity.warm_up_w + run_min * activity.power_w) / 60
            yielded = 0.0 if state == "failed" else run_min / activity.duration_min
            row |= {
                "platform": scenario.platform_of(activity),
                "instrument": activity.instrument,
                "power_w": activity.power_w,
                "energy_wh": energy_wh,
                "data_mbit": yielded * activity.data_mbit,
                "value": share * task.run_value(bin_, earlier) if share > 0 else 0.0,
            }
        else:
            platform = platforms[scenario.sending_names[slot.activity]]
            row |= {
                "platform": platform.name,
                "instrument": "radio",
                "power_w": platform.radio.transmit_w,
                "value": 0.0,
            }
        sky = environment.sky.iloc[first]
        in_contact = environment.in_contact(row["platform"])
        inside = in_contact[first : first + minutes]
        row |= {
            "start_utc": slot.start_utc,
            "end_utc": slot.end_utc,
            "state": state,
            "sun_elevation_deg": sky["sun_elevation_deg"],
            "local_time_h": sky["local_time_h"],
            "surface_temperature_k": sky["surface_temperature_k"],
            "contact": "whole" if inside.all() else "part" if inside.any() else "none",
        }
        rows.append(row)
    return pd.DataFrame(rows, columns=list(TIMELINE_COLUMNS))
