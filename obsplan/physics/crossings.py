"""When a signal of time changes sign: rise and set, contacts, eclipses.

A signal is a function of datetime64 instants (n,) that returns numbers (n,), positive while
the event lasts. It is sampled on a regular scan; sign changes are refined by bisection.
"""

from collections.abc import Callable

import numpy as np

Signal = Callable[[np.ndarray], np.ndarray]

FINER = 30  # how many times finer each search inside an interval is
BLOCK = 50_000  # instants per call of the signal, so that a long scan fits in memory


def crossings(
    signal: Signal,
    first_utc: np.datetime64,
    last_utc: np.datetime64,
    scan_s: float = 600,
    tolerance_s: float = 1.0,
) -> list[tuple[np.datetime64, bool]]:
    """Instants in first_utc..last_utc at which `signal` changes sign.

    Returns (instant as datetime64[s], rising) in order of time, alternately rising and
    falling. The instant is the first whole second after the change, or up to `tolerance_s`
    later if that is more than 1 s.

    An event of `scan_s` or longer contains a sample and cannot be missed. A shorter one may
    lie between two samples of equal sign; every interval in which the signal is as near to
    zero as it moves in one step is searched again, 30 times finer.
    """
    first, last = _seconds(first_utc), _seconds(last_utc)
    if first >= last:
        return []
    step = max(int(scan_s), 1)
    scan = np.append(np.arange(first, last, step), last)
    before, after, rising = _brackets(signal, scan[None, :], step)
    while len(before) and (after - before).max() > max(tolerance_s, 1.0):
        middle = (before + after) // 2
        turned = (_sample(signal, middle) > 0) == rising
        before, after = np.where(turned, before, middle), np.where(turned, middle, after)
    order = np.argsort(after, kind="stable")
    return list(zip(after[order].astype("datetime64[s]"), rising[order].tolist()))


def windows_where(
    signal: Signal,
    first_utc: np.datetime64,
    last_utc: np.datetime64,
    scan_s: float = 600,
    tolerance_s: float = 1.0,
    merge_s: float = 60.0,
) -> np.ndarray:
    """Half-open windows (n, 2) of datetime64[s] in which `signal` is positive.

    The windows are clipped to first_utc..last_utc. Flicker is merged: gaps shorter than
    `merge_s` are closed, then windows that are still shorter are dropped, unless they are
    short only because the range cuts them.
    """
    first, last = _seconds(first_utc), _seconds(last_utc)
    turns = crossings(signal, first_utc, last_utc, scan_s, tolerance_s)
    edges = [_seconds(instant) for instant, _ in turns]
    if first < last and _positive_before(turns, signal, first):
        edges.insert(0, first)
    if not edges:
        return np.empty((0, 2), dtype="datetime64[s]")
    if len(edges) % 2:
        edges.append(last)
    starts, ends = np.array(edges).reshape(-1, 2).T
    apart = starts[1:] - ends[:-1] >= merge_s
    starts, ends = starts[np.append(True, apart)], ends[np.append(apart, True)]
    lasting = (ends - starts >= merge_s) | (starts == first) | (ends == last)
    return np.stack([starts[lasting], ends[lasting]], axis=1).astype("datetime64[s]")


def _positive_before(turns: list, signal: Signal, first: int) -> bool:
    if turns:
        return not turns[0][1]
    return bool(_sample(signal, np.array([first]))[0] > 0)


def _brackets(signal: Signal, seconds: np.ndarray, step: int):
    """Pairs of neighbouring samples between which the sign changes, and whether it rises.

    `seconds` (m, k) are m rows of rising instants, `step` apart or less.
    """
    value = _sample(signal, seconds.ravel()).reshape(seconds.shape)
    positive = value > 0
    turns = positive[:, 1:] != positive[:, :-1]
    left, right = seconds[:, :-1], seconds[:, 1:]
    found = [(left[turns], right[turns], positive[:, 1:][turns])]

    # A peak between two samples exceeds both by no more than the largest of the changes
    # in this and the adjacent intervals, for a smooth or piecewise linear signal.
    change = np.abs(np.diff(value))
    beside = np.pad(change, ((0, 0), (1, 1)))
    reach = np.maximum(change, np.maximum(beside[:, :-2], beside[:, 2:]))
    nearest = np.minimum(np.abs(value[:, :-1]), np.abs(value[:, 1:]))
    closer = ~turns & (nearest < reach)
    if step > 1 and closer.any():
        finer = max(step // FINER, 1)
        within = np.append(np.arange(0, step, finer), step)
        rows = np.minimum(left[closer][:, None] + within, right[closer][:, None])
        found.append(_brackets(signal, rows, finer))
    return tuple(np.concatenate(parts) for parts in zip(*found))


def _sample(signal: Signal, seconds: np.ndarray) -> np.ndarray:
    instants = seconds.astype("datetime64[s]")
    blocks = range(0, len(instants), BLOCK)
    return np.concatenate(
        [np.asarray(signal(instants[start : start + BLOCK]), dtype=float) for start in blocks]
    )


def _seconds(instant: np.datetime64) -> int:
    return int(instant.astype("datetime64[s]").astype(np.int64))
