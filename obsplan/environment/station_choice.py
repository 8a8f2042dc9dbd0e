"""Which of several ground stations a platform uses at each step."""

from math import inf

import numpy as np

from obsplan.common.intervals import from_mask

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


def _run_ends(mask: np.ndarray) -> np.ndarray:
    """End (n,) of the run of true cells around each cell; the cell itself if false."""
    ends = np.arange(len(mask))
    for start, end in from_mask(mask):
        ends[start:end] = end
    return ends
