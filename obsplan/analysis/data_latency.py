"""Data latency: how old data are when they reach Earth.

The replay gives how much each platform sends in every minute, not which data. Here each
store is a queue by priority, first in, first out within one, and relayed data queue again in the
receiver's store.
"""

from collections import deque
from itertools import chain
from math import ceil, floor
from typing import NamedTuple

import numpy as np
import pandas as pd

from obsplan.analysis.latency_columns import LATENCY_COLUMNS
from obsplan.inputs.scenario import Scenario
from obsplan.planning.plan import Plan

# A remainder this small is rounding of sums, not data.
DUST_MBIT = 1e-9
# Rounding of sums over some ten thousand minutes.
ROUNDING_MBIT = 1e-4
# Data that nobody in the plan has taken leave first.
BEFORE_ALL = 0


class Parcel(NamedTuple):
    """Data of one label that were taken in one minute; priority 1 leaves first."""

    label: str
    taken_min: int
    mbit: float
    priority: int = 3


class Queue:
    """Parcels by priority, first in, first out within one."""

    def __init__(self) -> None:
        self.parcels: dict[int, deque[Parcel]] = {}
        self.mbit = 0.0

    def put(self, parcel: Parcel) -> None:
        self.parcels.setdefault(parcel.priority, deque()).append(parcel)
        self.mbit += parcel.mbit

    def removed(self, mbit: float) -> list[Parcel]:
        """The parcels that leave first, `mbit` in all; the last of them may be cut."""
        out: list[Parcel] = []
        if mbit <= DUST_MBIT:
            return out
        for priority in sorted(self.parcels):
            queue = self.parcels[priority]
            while mbit > DUST_MBIT and queue:
                first = queue.popleft()
                share = min(first.mbit, mbit)
                if share > 0:
                    out.append(first._replace(mbit=share))
                if first.mbit - share > DUST_MBIT:
                    queue.appendleft(first._replace(mbit=first.mbit - share))
                mbit -= share
        self.mbit -= sum(parcel.mbit for parcel in out)
        return out


def received(
    taken: dict[str, list[Parcel]],
    sent_mbit: dict[str, np.ndarray],
    receiver: dict[str, str],
    stored_mbit: dict[str, np.ndarray] | None = None,
) -> list[tuple[Parcel, int]]:
    """Parcels as they reach Earth, each with the minute during which it was sent.

    `taken` holds the parcels of every platform, `sent_mbit` (n,) what it sends in each
    minute, `receiver` the platform it sends to or "earth". Within a minute new data enter
    the stores, then relays send, then those that send to Earth, as in the replay. What has the
    lowest number of priority leaves first, and of that the oldest in the store. What is never
    sent is not returned; a parcel sent in pieces is returned in pieces.

    `stored_mbit` (n,) is what each store holds at the start of a minute (initially nothing,
    if not given). If that is less than the queue, as after telemetry, what would leave first is
    taken as sent by then; if it is more, the difference is sent first and not returned.
    """
    order = sorted(sent_mbit, key=lambda name: (receiver[name] == "earth", name))
    queues = {name: Queue() for name in order}
    arriving = {name: deque(sorted(taken[name], key=lambda p: p.taken_min)) for name in order}
    at_earth = []
    # Lists are read faster than arrays, one number at a time.
    to_send = {name: each.tolist() for name, each in sent_mbit.items()}
    stored = {name: each.tolist() for name, each in (stored_mbit or {}).items()}

    def send(name: str, mbit: float, minute: int) -> None:
        for parcel in queues[name].removed(mbit):
            if receiver[name] != "earth":
                queues[receiver[name]].put(parcel)
            elif parcel.label:
                at_earth.append((parcel, minute))

    for minute in range(max(map(len, sent_mbit.values()), default=0)):
        if stored:
            for name in order:
                surplus = queues[name].mbit - stored[name][minute]
                if surplus > ROUNDING_MBIT:
                    send(name, surplus, minute)
                elif surplus < -ROUNDING_MBIT:
                    queues[name].put(Parcel("", minute, -surplus, BEFORE_ALL))
        for name in order:
            while arriving[name] and arriving[name][0].taken_min <= minute:
                queues[name].put(arriving[name].popleft())
        for name in order:
            send(name, to_send[name][minute], minute)
    return at_earth


def latency_table(plan: Plan) -> pd.DataFrame:
    """Latency of each activity's data, from taken to received: columns `LATENCY_COLUMNS`.

    `median_h` is that of the data, not of the slots; `still_stored_mbit` is what is left when
    the span ends. Data that telemetry found gone from a store count as received by then.
    Times are to the minute, without the light time of 1.3 s.
    """
    scenario, tables = plan.environment.scenario, plan.verdict.resources
    taken = _parcels(scenario, plan.timeline, len(next(iter(tables.values()))))
    at_earth = received(
        taken,
        {name: table["sent_mbit"].to_numpy() for name, table in tables.items()},
        {p.name: p.radio.to for p in scenario.platform},
        {name: table["stored_mbit"].to_numpy() for name, table in tables.items()},
    )
    start_utc = pd.Timestamp(scenario.span.start_utc)
    taken_of: dict[str, list[Parcel]] = {}
    for parcel in chain.from_iterable(taken.values()):
        taken_of.setdefault(parcel.label, []).append(parcel)
    arrived_of: dict[str, list[tuple[int, Parcel]]] = {}
    for parcel, minute in at_earth:
        arrived_of.setdefault(parcel.label, []).append((minute - parcel.taken_min, parcel))
    rows = []
    for activity in scenario.activity:
        own = taken_of.get(activity.name)
        if not own:
            continue
        arrived = arrived_of.get(activity.name, [])
        all_mbit, got_mbit = (sum(p.mbit for p in some) for some in (own, [p for _, p in arrived]))
        row = {
            "activity": activity.name,
            "priority": activity.priority,
            "taken_mbit": all_mbit,
            "received_mbit": got_mbit,
            "still_stored_mbit": max(all_mbit - got_mbit, 0.0),
            "received_by_h": activity.received_by_h,
        }
        if arrived:
            arrived.sort(key=lambda pair: (pair[0], pair[1].taken_min))
            summed = np.cumsum([p.mbit for _, p in arrived])
            middle = int(np.searchsorted(summed, summed[-1] / 2))
            longest_min, oldest = arrived[-1]
            row |= {
                "median_h": arrived[middle][0] / 60,
                "longest_h": longest_min / 60,
                "longest_taken_utc": start_utc + pd.Timedelta(minutes=oldest.taken_min),
            }
        rows.append(row)
    table = pd.DataFrame(rows, columns=LATENCY_COLUMNS)
    table = table.astype({"received_by_h": float})
    table["longest_taken_utc"] = pd.to_datetime(table["longest_taken_utc"], utc=True)
    return table


def _parcels(scenario: Scenario, timeline: pd.DataFrame, minutes: int) -> dict[str, list[Parcel]]:
    """Data taken on every platform, one parcel per minute of a run after its warm-up.

    A failed run takes no data, a shortened one none after its end.
    """
    activities = {a.name: a for a in scenario.activity}
    taken: dict[str, list[Parcel]] = {p.name: [] for p in scenario.platform}
    for slot in timeline.itertuples(index=False):
        activity = activities.get(slot.activity)
        failed = getattr(slot, "state", "planned") == "failed"
        if activity is None or not activity.data_mbit or failed:
            continue
        warm = floor(scenario.minutes_of(slot.start_utc)) + activity.warm_up_min
        last = minutes
        if "end_utc" in timeline:
            last = min(ceil(scenario.minutes_of(slot.end_utc)), minutes)
        mbit = activity.data_mbit / activity.duration_min
        taken[scenario.platform_of(activity)] += [
            Parcel(activity.name, minute, mbit, activity.priority)
            for minute in range(max(warm, 0), min(warm + activity.duration_min, last))
        ]
    return taken
