"""Data latency: how old data are when they reach Earth.

The replay gives how much each platform sends in every minute, not which data. Here each
store is a queue, first in, first out, and relayed data queue again in the receiver's store.
"""

from collections import deque
from math import ceil, floor
from typing import NamedTuple

import numpy as np
import pandas as pd

from obsplan.inputs.scenario import Scenario
from obsplan.planning.plan import Plan

# A remainder this small is rounding of sums, not data.
DUST_MBIT = 1e-9
# Rounding of sums over some ten thousand minutes.
ROUNDING_MBIT = 1e-4
LATENCY_COLUMNS = (
    "instrument",
    "taken_mbit",
    "received_mbit",
    "median_h",
    "longest_h",
    "longest_taken_utc",
    "still_stored_mbit",
)


class Parcel(NamedTuple):
    """Data of one label that were taken in one minute."""

    label: str
    taken_min: int
    mbit: float


def received(
    taken: dict[str, list[Parcel]],
    sent_mbit: dict[str, np.ndarray],
    receiver: dict[str, str],
    stored_mbit: dict[str, np.ndarray] | None = None,
) -> list[tuple[Parcel, int]]:
    """Parcels as they reach Earth, each with the minute during which it was sent.

    `taken` holds the parcels of every platform, `sent_mbit` (n,) what it sends in each
    minute, `receiver` the platform it sends to or "earth". Within a minute new data enter
    the stores, then relays send, then those that send to Earth, as in the replay. What is
    never sent is not returned; a parcel sent in pieces is returned in pieces.

    `stored_mbit` (n,) is what each store holds at the start of a minute (initially nothing,
    if not given). If that is less than the queue, as after telemetry, the oldest data are
    taken as sent by then; if it is more, the difference is sent first and not returned.
    """
    order = sorted(sent_mbit, key=lambda name: (receiver[name] == "earth", name))
    queues: dict[str, deque[Parcel]] = {name: deque() for name in order}
    queued_mbit = dict.fromkeys(order, 0.0)
    arriving = {name: deque(sorted(taken[name], key=lambda p: p.taken_min)) for name in order}
    at_earth = []

    def put(name: str, parcel: Parcel) -> None:
        queues[name].append(parcel)
        queued_mbit[name] += parcel.mbit

    def send(name: str, mbit: float, minute: int) -> None:
        for parcel in _removed(queues[name], mbit):
            queued_mbit[name] -= parcel.mbit
            if receiver[name] != "earth":
                put(receiver[name], parcel)
            elif parcel.label:
                at_earth.append((parcel, minute))

    for minute in range(max(map(len, sent_mbit.values()), default=0)):
        if stored_mbit:
            for name in order:
                surplus = queued_mbit[name] - float(stored_mbit[name][minute])
                if surplus > ROUNDING_MBIT:
                    send(name, surplus, minute)
                elif surplus < -ROUNDING_MBIT:
                    queues[name].appendleft(Parcel("", minute, -surplus))
                    queued_mbit[name] -= surplus
        for name in order:
            while arriving[name] and arriving[name][0].taken_min <= minute:
                put(name, arriving[name].popleft())
        for name in order:
            send(name, float(sent_mbit[name][minute]), minute)
    return at_earth


def _removed(queue: deque[Parcel], mbit: float) -> list[Parcel]:
    """The first `mbit` of a queue, removed from it."""
    out = []
    while mbit > DUST_MBIT and queue:
        first = queue.popleft()
        share = min(first.mbit, mbit)
        if share > 0:
            out.append(first._replace(mbit=share))
        if first.mbit - share > DUST_MBIT:
            queue.appendleft(first._replace(mbit=first.mbit - share))
        mbit -= share
    return out


def latency_table(plan: Plan) -> pd.DataFrame:
    """Latency of each instrument's data, from taken to received: columns `LATENCY_COLUMNS`.

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
    rows = []
    for instrument in scenario.instrument:
        own = [p for parcels in taken.values() for p in parcels if p.label == instrument.name]
        if not own:
            continue
        arrived = [
            (minute - parcel.taken_min, parcel)
            for parcel, minute in at_earth
            if parcel.label == instrument.name
        ]
        all_mbit, got_mbit = (sum(p.mbit for p in some) for some in (own, [p for _, p in arrived]))
        row = {
            "instrument": instrument.name,
            "taken_mbit": all_mbit,
            "received_mbit": got_mbit,
            "still_stored_mbit": max(all_mbit - got_mbit, 0.0),
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
    table = pd.DataFrame(rows, columns=list(LATENCY_COLUMNS))
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
            Parcel(activity.instrument, minute, mbit)
            for minute in range(max(warm, 0), min(warm + activity.duration_min, last))
        ]
    return taken
