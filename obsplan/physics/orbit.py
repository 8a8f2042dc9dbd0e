"""Positions along an orbit that is given as states, by polynomials through them.

An orbit is a list of pieces; no polynomial goes through states of two pieces, since an engine may
have fired between them. Vectors are in kilometres along the axes of the ICRF from the Moon's
centre, times are TDB seconds past J2000.
"""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np


class Piece(NamedTuple):
    """States (n,) of one segment of an orbit, and how to interpolate between them.

    where: names it in sentences. tdb_s: (n,), rising. position_km, velocity_km_s: (n, 3).
    first_s, last_s: the time in which it may be used, both ends included.
    with_velocities: the polynomial has the positions and the velocities of its states (Hermite),
    else the positions alone (Lagrange). nodes: how many states it goes through.
    """

    where: str
    tdb_s: np.ndarray
    position_km: np.ndarray
    velocity_km_s: np.ndarray
    first_s: float
    last_s: float
    with_velocities: bool
    nodes: int


Orbit = Sequence[Piece]


def position_km(orbit: Orbit, tdb_s: np.ndarray) -> np.ndarray:
    """Positions (3, m) at instants (m,); at the seam of two pieces that of the later one.

    Raises ValueError for an instant outside all pieces.
    """
    tdb_s = np.asarray(tdb_s, dtype=float)
    number = piece_at(orbit, tdb_s)
    if (number < 0).any():
        raise ValueError(f"no piece of the orbit covers TDB {tdb_s[number < 0][0]} s past J2000")
    found = np.empty((3, len(tdb_s)))
    for k in np.unique(number):
        here = number == k
        found[:, here] = interpolated_km(orbit[k], tdb_s[here]).T
    return found


def piece_at(orbit: Orbit, tdb_s: np.ndarray) -> np.ndarray:
    """Which piece (m,) is used at instants (m,), -1 where none is."""
    number = np.full(len(tdb_s), -1)
    for k, piece in enumerate(orbit):
        number[(piece.first_s <= tdb_s) & (tdb_s <= piece.last_s)] = k
    return number


def interpolated_km(piece: Piece, tdb_s: np.ndarray, nodes: int | None = None) -> np.ndarray:
    """Positions (m, 3) at instants (m,) by the polynomial through the nearest states.

    As many states are before the instant as after it; for an odd number the nearest one is in the
    middle; at the ends of the piece the first or last are taken. Newton's divided differences, with
    each state twice if its velocity counts (Stoer and Bulirsch, Introduction to Numerical Analysis,
    section 2.1.5).
    """
    nodes = piece.nodes if nodes is None else nodes
    begin = _window_begin(piece.tdb_s, tdb_s, nodes)
    state = begin[:, None] + np.repeat(np.arange(nodes), 2 if piece.with_velocities else 1)
    # Seconds from the instant, in units of the window, so that no difference overflows.
    width_s = np.maximum(piece.tdb_s[begin + nodes - 1] - piece.tdb_s[begin], 1e-9)
    at = (piece.tdb_s[state] - tdb_s[:, None]) / width_s[:, None]
    table = piece.position_km[state]
    slope = piece.velocity_km_s[state] * width_s[:, None, None]
    leading = [table[:, 0]]
    for order in range(1, state.shape[1]):
        gap = at[:, order:] - at[:, :-order]
        if order == 1 and piece.with_velocities:
            twice = gap == 0.0
            gap = np.where(twice, 1.0, gap)
            table = np.where(
                twice[..., None], slope[:, :-1], (table[:, 1:] - table[:, :-1]) / gap[..., None]
            )
        else:
            table = (table[:, 1:] - table[:, :-1]) / gap[..., None]
        leading.append(table[:, 0])
    value = leading[-1]
    for order in range(len(leading) - 2, -1, -1):
        value = leading[order] - at[:, order, None] * value
    return value


def uncertainty_km(piece: Piece) -> np.ndarray:
    """How far (n - 1,) the position half-way between states is uncertain by interpolation.

    The difference between the polynomial and one through two states fewer; of one through three
    states at most, that to the polynomial through position and velocity of four.
    """
    middle_s = (piece.tdb_s[1:] + piece.tdb_s[:-1]) / 2
    taken = interpolated_km(piece, middle_s)
    if piece.nodes > 3:
        other = interpolated_km(piece, middle_s, piece.nodes - 2)
    else:
        whole = piece._replace(with_velocities=True)
        other = interpolated_km(whole, middle_s, min(len(piece.tdb_s), 4))
    return np.sqrt(((taken - other) ** 2).sum(axis=1))


def uncovered(orbit: Orbit, first_s: float, last_s: float) -> list[tuple[float, float]]:
    """The times within first_s..last_s that no piece covers."""
    gaps, at = [], first_s
    for piece in sorted(orbit, key=lambda each: each.first_s):
        if piece.first_s > at:
            gaps.append((at, min(piece.first_s, last_s)))
        at = max(at, piece.last_s)
        if at >= last_s:
            return gaps
    return [*gaps, (at, last_s)]


def _window_begin(nodes_s: np.ndarray, tdb_s: np.ndarray, nodes: int) -> np.ndarray:
    """The first of so many consecutive states (n,) around instants (m,)."""
    after = np.searchsorted(nodes_s, tdb_s, side="right")
    if nodes % 2:
        after = np.clip(after, 1, len(nodes_s) - 1)
        nearer_after = nodes_s[after] - tdb_s < tdb_s - nodes_s[after - 1]
        begin = np.where(nearer_after, after, after - 1) - nodes // 2
    else:
        begin = after - nodes // 2
    return np.clip(begin, 0, len(nodes_s) - nodes)
