"""Half-open windows [start, end) as an array of shape (n, 2), sorted and disjoint.

Starts and ends may be of any ordered numpy type: ticks, seconds or datetime64. If two types are
combined, the finer unit is kept.
"""

from typing import Any

import numpy as np


def from_mask(mask: np.ndarray, edges: np.ndarray | None = None) -> np.ndarray:
    """Windows in which `mask` (n,) is true; `edges` (n+1,) name the ends of its cells.

    Without `edges` the windows count cells: [first true, first false after it).
    """
    padded = np.concatenate([[False], np.asarray(mask, dtype=bool), [False]])
    turns = np.flatnonzero(padded[1:] != padded[:-1]).reshape(-1, 2)
    return turns if edges is None else np.asarray(np.asarray(edges)[turns])


def union(windows: np.ndarray) -> np.ndarray:
    """The same instants as sorted, disjoint windows, from windows (n, 2) in any order.

    Windows that touch become one; empty windows vanish.
    """
    windows = _lasting(_pairs(windows))
    if not len(windows):
        return windows
    windows = windows[np.argsort(windows[:, 0], kind="stable")]
    latest_end = np.maximum.accumulate(windows[:, 1])
    begins_anew = np.append(True, windows[1:, 0] > latest_end[:-1])
    ends = np.append(begins_anew[1:], True)
    return np.stack([windows[begins_anew, 0], latest_end[ends]], axis=1)


def intersect(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """Instants in both `a` and `b`."""
    a, b = _alike(a, b)
    # For each window of `a` the run of windows of `b` that meet it.
    first = np.searchsorted(b[:, 1], a[:, 0], side="right")
    counts = np.maximum(np.searchsorted(b[:, 0], a[:, 1], side="left") - first, 0)
    of_a = np.repeat(np.arange(len(a)), counts)
    of_b = np.arange(len(of_a)) - np.repeat(np.cumsum(counts) - counts, counts) + first[of_a]
    starts = np.maximum(a[of_a, 0], b[of_b, 0])
    ends = np.minimum(a[of_a, 1], b[of_b, 1])
    return _lasting(np.stack([starts, ends], axis=1))


def gaps(windows: np.ndarray, first: Any, last: Any) -> np.ndarray:
    """The parts of [first, last) outside the windows."""
    inside = intersect(windows, np.array([[first, last]]))
    edges = np.concatenate([np.array([first]), inside.ravel(), np.array([last])]).reshape(-1, 2)
    return _lasting(edges)


def subtract(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """Instants in `a` but not in `b`."""
    a, b = _alike(a, b)
    return intersect(a, gaps(b, a[0, 0], a[-1, 1])) if len(a) else a


def longest_gap(windows: np.ndarray, first: Any, last: Any) -> Any:
    """The longest time within [first, last) outside every window (n, 2).

    In the unit of `last - first`: a number, or a timedelta64 for datetime64 windows.
    """
    left = gaps(windows, first, last)
    return max(left[:, 1] - left[:, 0], default=last - last)


def covered_share(windows: np.ndarray, first: Any, last: Any) -> float:
    """The share, 0..1, of [first, last) that lies inside the windows (n, 2)."""
    left = gaps(windows, first, last)
    return float(1.0 - (left[:, 1] - left[:, 0]).sum() / (last - first))


def at_least(windows: np.ndarray, length: Any) -> np.ndarray:
    """The windows that last `length` or longer."""
    windows = _pairs(windows)
    return np.asarray(windows[windows[:, 1] - windows[:, 0] >= length])


def _pairs(windows: np.ndarray) -> np.ndarray:
    return np.asarray(windows).reshape(-1, 2)


def _lasting(windows: np.ndarray) -> np.ndarray:
    """The windows that are not empty."""
    return np.asarray(windows[windows[:, 0] < windows[:, 1]])


def _alike(a: np.ndarray, b: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Both as (n, 2) of one type; an empty array takes the type of the other."""
    a, b = _pairs(a), _pairs(b)
    kinds = [windows.dtype for windows in (a, b) if len(windows)] or [a.dtype]
    kind = np.result_type(*kinds)
    return a.astype(kind) if len(a) else np.empty((0, 2), kind), (
        b.astype(kind) if len(b) else np.empty((0, 2), kind)
    )
