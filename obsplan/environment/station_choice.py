"""Which of several ground stations a platform uses at each step, and which else it could."""

from math import inf

import numpy as np
import pandas as pd

from obsplan.common.intervals import from_mask

# The column of a platform with the stations that could serve it in each minute.
REACH = "in_reach"
WORTH_A_HANDOVER = 1.1  # a rate 10 % higher; common practice, no source


def assign_stations(rate_kbps: np.ndarray, *, handover_steps: int = 0) -> np.ndarray:
    """Index (n,) of the station used at each step, -1 for none; `rate_kbps` (stations, n).

    The fastest station takes over once the contact of the current one has ended, or earlier
    if it is faster by more than 10 %; of equal rates the first in order. So there are no more
    handovers than changes of the fastest station, and a station that was lost for a while is
    used again if no other was used meanwhile.

    `handover_steps` must pass unused between two stations. A contact that has not ended is
    then given up only if the handover carries more data, pause included, counted until a
    handover after the first of the two contacts has ended.
    """
    rates = np.asarray(rate_kbps, dtype=float)
    stations, steps = rates.shape
    used = np.full(steps, -1)
    if not stations:
        return used
    ends = np.array([_run_ends(row > 0.0) for row in rates])
    carried = np.pad(np.cumsum(rates, axis=1), ((0, 0), (1, 0)))

    def pays(step: int, candidate: int, current: int) -> bool:
        """Whether a handover now carries more than keeping the current station."""
        until = min(ends[candidate, step], ends[current, step]) + handover_steps
        candidate_until = min(until, ends[candidate, step])
        current_until = min(until, ends[current, step])
        ready = min(step + handover_steps, ends[candidate, step])
        by_handover = carried[candidate, candidate_until] - carried[candidate, ready]
        by_keeping = carried[current, current_until] - carried[current, step]
        return by_handover > by_keeping

    current: int | None = None
    last_user: int | None = None
    last_used = -inf
    for step, fastest in enumerate(rates.argmax(axis=0).tolist()):
        current_kbps = 0.0 if current is None else rates[current, step]
        if rates[fastest, step] > WORTH_A_HANDOVER * current_kbps and (
            current is None
            or not current_kbps
            or not handover_steps
            or pays(step, fastest, current)
        ):
            current = fastest
        paused = current != last_user and step <= last_used + handover_steps
        if current is not None and rates[current, step] > 0.0 and not paused:
            used[step], last_user, last_used = current, current, step
    return used


def stations_in_reach(names: list[str], rate_kbps: np.ndarray) -> np.ndarray:
    """The names (n,) of the stations that could serve at each step, as tuples in their order;
    `rate_kbps` (stations, n)."""
    serves = np.asarray(rate_kbps) > 0.0
    if not len(serves):
        return _tuples([()], np.zeros(serves.shape[1], dtype=int))
    patterns, which = np.unique(serves, axis=1, return_inverse=True)
    found = [tuple(n for n, there in zip(names, pattern) if there) for pattern in patterns.T]
    return _tuples(found, which.reshape(-1))


def reach_of(table: pd.DataFrame) -> np.ndarray:
    """The stations (n,) that could serve a platform at each step, as tuples, by its table in the
    environment: the one it uses if no other is known."""
    if REACH in table:
        return table[REACH].to_numpy()
    names, which = np.unique(table["station"].to_numpy().astype(str), return_inverse=True)
    return _tuples([(name,) if name else () for name in names.tolist()], which)


def with_reach(reach: np.ndarray, inside: np.ndarray, station: str, serves: bool) -> np.ndarray:
    """Which stations (n,) could serve if one does, or does not, in the steps `inside` (n,)."""
    changed = reach.copy()
    for step in np.flatnonzero(inside):
        others = tuple(name for name in reach[step] if name != station)
        changed[step] = (*others, station) if serves else others
    return changed


def _tuples(found: list[tuple[str, ...]], which: np.ndarray) -> np.ndarray:
    """The tuples (n,) at the indices `which` (n,) of those found."""
    table = np.empty(len(found), dtype=object)
    table[:] = found
    return table[which]


def _run_ends(mask: np.ndarray) -> np.ndarray:
    """End (n,) of the run of true cells around each cell; the cell itself if false."""
    ends = np.arange(len(mask))
    for start, end in from_mask(mask):
        ends[start:end] = end
    return ends
