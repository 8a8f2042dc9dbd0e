"""Half-open windows [start, end) as an array of shape (n, 2), sorted and disjoint.

Starts and ends may be of any ordered numpy type: ticks, seconds or datetime64.
"""

import numpy as np


def from_mask(mask: np.ndarray, edges: np.ndarray | None = None) -> np.ndarray:
    """Windows in which `mask` (n,) is true; `edges` (n+1,) name the ends of its cells.

    Without `edges` the windows count cells: [first true, first false after it).
    """
    padded = np.concatenate([[False], np.asarray(mask, dtype=bool), [False]])
    turns = np.flatnonzero(padded[1:] != padded[:-1]).reshape(-1, 2)
    return turns if edges is None else np.asarray(edges)[turns]


def union(windows: np.ndarray) -> np.ndarray:
    """The same instants as sorted, disjoint windows; empty windows vanish."""
    windows = np.asarray(windows).reshape(-1, 2)
    merged: list[list] = []
    for start, end in windows[np.argsort(windows[:, 0], kind="stable")]:
        if end <= start:
            continue
        if merged and start <= merged[-1][1]:
            merged[-1][1] = max(merged[-1][1], end)
        else:
            merged.append([start, end])
    return np.array(merged, dtype=windows.dtype).reshape(-1, 2)


def intersect(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """Instants in both `a` and `b`."""
    a, b = _alike(a, b)
    pieces = [
        (max(a_start, b_start), min(a_end, b_end))
        for a_start, a_end in a
        for b_start, b_end in b
        if max(a_start, b_start) < min(a_end, b_end)
    ]
    return np.array(pieces, dtype=a.dtype).reshape(-1, 2)


def subtract(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """Instants in `a` but not in `b`."""
    a, b = _alike(a, b)
    left = [tuple(window) for window in a]
    for b_start, b_end in b[b[:, 0] < b[:, 1]]:
        left = [
            piece
            for start, end in left
            for piece in ((start, min(end, b_start)), (max(start, b_end), end))
            if piece[0] < piece[1]
        ]
    return np.array(left, dtype=a.dtype).reshape(-1, 2)


def _alike(a: np.ndarray, b: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Both as (n, 2) of one type, so that a finer unit in either is kept."""
    a, b = np.asarray(a).reshape(-1, 2), np.asarray(b).reshape(-1, 2)
    if len(a) and len(b):
        kind = np.result_type(a, b)
    else:
        kind = a.dtype if len(a) else b.dtype
    return (a.astype(kind) if len(a) else np.empty((0, 2), kind)), (
        b.astype(kind) if len(b) else np.empty((0, 2), kind)
    )


def at_least(windows: np.ndarray, length) -> np.ndarray:
    """The windows that last `length` or longer."""
    windows = np.asarray(windows).reshape(-1, 2)
    return windows[windows[:, 1] - windows[:, 0] >= length]
