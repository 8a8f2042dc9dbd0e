"""When the data of each run are on Earth, from what the replay says is sent minute by minute.

In every store data leave by priority, and within one in the order in which they came; relayed data
queue again in the receiver's store.
"""

from collections import deque
from collections.abc import Mapping
from math import inf
from typing import NamedTuple

import numpy as np

from obsplan.checking.replay import DATA_DUST_MBIT, Books
from obsplan.checking.run_profiles import run_profiles
from obsplan.checking.slots import Run
from obsplan.environment.model import Environment

# What nobody in the timeline has taken, as data from before the span, leaves before all else.
UNKNOWN, FIRST = -1, 0
# Rounding of sums over some ten thousand minutes.
ROUNDING_MBIT = 1e-4


class Store:
    """Data in a store: run and Mbit, in the order in which they came, by priority."""

    def __init__(self, priorities: list[int]):
        self.priorities = priorities
        self.waiting: dict[int, deque[list[float]]] = {}
        self.mbit = 0.0

    def put(self, run: int, mbit: float) -> None:
        """Data of a run come in."""
        priority = FIRST if run == UNKNOWN else self.priorities[run]
        queue = self.waiting.setdefault(priority, deque())
        if queue and queue[-1][0] == run:
            queue[-1][1] += mbit
        else:
            queue.append([run, mbit])
        self.mbit += mbit

    def take(self, mbit: float) -> list[tuple[int, float]]:
        """The runs whose data leave first, `mbit` in all, and how much of each."""
        taken = []
        for priority in sorted(self.waiting):
            queue = self.waiting[priority]
            while queue and mbit > DATA_DUST_MBIT:
                share = min(queue[0][1], mbit)
                taken.append((int(queue[0][0]), share))
                queue[0][1] -= share
                mbit -= share
                self.mbit -= share
                if queue[0][1] <= DATA_DUST_MBIT:
                    queue.popleft()
        return taken


class Sent(NamedTuple):
    """What a platform sends in each minute, and holds at its start."""

    sent_mbit: np.ndarray
    stored_mbit: np.ndarray


class Received(NamedTuple):
    """When the data of a run are on Earth, in minutes of the span.

    received_min: by when all are, inf if not within the span; without data when the run ends.
    taken_min (n,): the minutes in which data are taken, sent_min (n,): those in which what was
    taken then has left for Earth, inf if not within the span.
    """

    received_min: float
    taken_min: np.ndarray
    sent_min: np.ndarray


def reception(
    environment: Environment, runs: list[Run], books: Mapping[str, Books | Sent]
) -> list[Received]:
    """When the data of each run are on Earth.

    Data that telemetry found gone from a store are on Earth by then. Without the light time of
    1.3 s.
    """
    to = {platform.name: platform.radio.to for platform in environment.scenario.platform}
    relays_first = sorted(to, key=lambda name: (to[name] == "earth", name))
    stores = {name: Store([run.activity.priority for run in runs]) for name in to}
    minutes = len(next(iter(books.values())).sent_mbit)
    taken_mbit = [run_profiles([run], minutes)[1] for run in runs]
    coming = _coming(taken_mbit)
    sent: list[list[tuple[int, float]]] = [[] for _ in runs]

    def send(name: str, mbit: float, minute: int) -> None:
        for run, share in stores[name].take(mbit):
            if to[name] != "earth":
                stores[to[name]].put(run, share)
            elif run != UNKNOWN:
                sent[run].append((minute, share))

    known_at = {name: {0, *(r.minute for r in environment.readings.get(name, ()))} for name in to}
    sent_mbit = {name: book.sent_mbit.tolist() for name, book in books.items()}
    for minute in range(minutes):
        for name in relays_first:
            if minute in known_at[name]:
                missing = float(books[name].stored_mbit[minute]) - stores[name].mbit
                if missing > ROUNDING_MBIT:
                    stores[name].put(UNKNOWN, missing)
                elif missing < -ROUNDING_MBIT:
                    send(name, -missing, minute)
        for run, mbit in coming.get(minute, ()):
            stores[runs[run].platform].put(run, mbit)
        for name in relays_first:
            if sent_mbit[name][minute] > 0:
                send(name, sent_mbit[name][minute], minute)
    return [_received(*each) for each in zip(runs, taken_mbit, sent)]


def _coming(taken_mbit: list[np.ndarray]) -> dict[int, list[tuple[int, float]]]:
    """What runs yield, by minute: run and Mbit."""
    coming: dict[int, list[tuple[int, float]]] = {}
    for k, mbit in enumerate(taken_mbit):
        for minute in np.flatnonzero(mbit).tolist():
            coming.setdefault(minute, []).append((k, float(mbit[minute])))
    return coming


def _received(run: Run, taken_mbit: np.ndarray, sent: list[tuple[int, float]]) -> Received:
    """What of a run is taken and sent when: its data have one priority, so the first taken leave
    first."""
    taken_min = np.flatnonzero(taken_mbit)
    if not len(taken_min):
        return Received(run.end_min, taken_min, taken_min.astype(float))
    minutes = np.array([minute for minute, _ in sent] + [inf])
    summed = np.cumsum([mbit for _, mbit in sent])
    left = np.searchsorted(summed, np.cumsum(taken_mbit[taken_min]) - ROUNDING_MBIT)
    sent_min = minutes[left]
    return Received(float(sent_min[-1]) + 1.0, taken_min, sent_min)
