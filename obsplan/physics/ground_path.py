"""Shortest permitted paths of a rover over the ground, in minutes of driving.

Speed depends on the slope of the ground, whichever way the rover heads, so that a way back takes
as long as the way there. Paths run from node to node of the ground: to the 8 nodes around, and to
the 8 a knight's move away, which keeps a path on level ground within 1 / cos(13.28 deg) = 1.0275
of the straight line (with the 8 alone within 1 / cos(22.5 deg) = 1.0824). Then corners are left
out where the straight line between their neighbours is permitted and no slower, so that a path
across level ground is the straight line.

A piece of a path takes the slope of the cell that it crosses, on the line between two cells that
of the steeper one. Length is that over the ground, with height straight between the lines of the
grid that a path crosses.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np
from scipy.sparse import coo_matrix, csr_matrix
from scipy.sparse.csgraph import dijkstra

from obsplan.physics.ground_model import Ground, steepest
from obsplan.physics.hazard_shapes import Hazard

# Steps (rows, columns) to half of the nodes around; the others are the same the other way.
NEIGHBOURS = {
    8: ((0, 1), (1, 0), (1, 1), (1, -1)),
    16: ((0, 1), (1, 0), (1, 1), (1, -1), (1, 2), (2, 1), (2, -1), (1, -2)),
}
# How far, in nodes, a point is joined to the nodes around it.
JOINED = 2
# A shortcut may take longer by this share, for rounding.
ROUNDING = 1e-9


class GroundPath(NamedTuple):
    """A path from a start to an end.

    corners_m: east and north of its corners, ends included. climb_m, descent_m: sums of all that
    it rises and falls. steepest_slope_deg: of the ground that it crosses. minutes: of driving,
    without stopping.
    """

    corners_m: tuple[tuple[float, float], ...]
    distance_m: float
    climb_m: float
    descent_m: float
    steepest_slope_deg: float
    minutes: float

    def back(self) -> "GroundPath":
        """The same path from its end to its start."""
        return self._replace(
            corners_m=self.corners_m[::-1], climb_m=self.descent_m, descent_m=self.climb_m
        )


@dataclass(frozen=True)
class Drivable:
    """Ground, and how a rover may drive there.

    speed_by_slope: rows (slope in degrees up to which it applies, speed in m/min), rising in
    slope; steeper ground is not permitted. hazards: what paths keep out of. open_nodes: (r, c)
    nodes that paths may use, such as those in reach of a relay; None for all.
    """

    ground: Ground
    speed_by_slope: Sequence[tuple[float, float]]
    hazards: Sequence[Hazard] = ()
    open_nodes: np.ndarray | None = None

    @cached_property
    def boxes(self) -> np.ndarray:
        """South-west and north-east corner of each hazard: (hazards, 2, 2)."""
        return np.array([hazard.box() for hazard in self.hazards]).reshape(-1, 2, 2)

    def speed_m_min(self, slope_deg: np.ndarray) -> np.ndarray:
        """Speed on slopes; NaN where they are too steep or unknown."""
        limits, speeds = np.array(self.speed_by_slope, dtype=float).T
        # 10 degrees are permitted up to 10 degrees, whatever rounding made of them.
        row = np.searchsorted(limits + 1e-6, slope_deg, side="left")
        return np.append(speeds, np.nan)[np.where(np.isnan(slope_deg), len(speeds), row)]


def shortest_paths(drivable: Drivable, points_m: np.ndarray) -> dict[tuple[int, int], GroundPath]:
    """The quickest path for each ordered pair of points (n, 2) that one connects.

    A point is joined to the nodes around it by straight lines, which must be permitted as all
    else. Raises no error for a point that cannot be reached: its pairs are missing.
    """
    points_m = np.asarray(points_m, dtype=float)
    minutes = _with_points(drivable, points_m, graph(drivable))
    nodes = drivable.ground.height_m.size
    found: dict[tuple[int, int], GroundPath] = {}
    for i in range(len(points_m)):
        time, before = dijkstra(minutes, indices=nodes + i, return_predecessors=True)
        for j in range(i + 1, len(points_m)):
            if np.isfinite(time[nodes + j]):
                numbers = [nodes + j]
                while numbers[-1] != nodes + i:
                    numbers.append(int(before[numbers[-1]]))
                found[i, j] = _straightened(drivable, _places(drivable, points_m, numbers[::-1]))
                found[j, i] = found[i, j].back()
    return found


def graph(drivable: Drivable, neighbours: int = 16) -> csr_matrix:
    """Minutes from node to node along permitted lines, both ways: (nodes, nodes), row by row."""
    ground = drivable.ground
    rows, columns = ground.height_m.shape
    number = np.arange(rows * columns).reshape(rows, columns)
    is_open = np.ones((rows, columns), bool) if drivable.open_nodes is None else drivable.open_nodes
    near = _near_hazards(drivable)
    found = []
    for down, across in NEIGHBOURS[neighbours]:
        i, j = (np.arange(n) for n in (rows - down, columns - abs(across)))
        row, column = (at.ravel() for at in np.meshgrid(i, j + max(-across, 0), indexing="ij"))
        end_row, end_column = row + down, column + across
        keep = is_open[row, column] & is_open[end_row, end_column]
        if down + abs(across) > 2:  # half way a knight passes between two more nodes
            keep &= is_open[row + down // 2, column + int(across / 2)]
            keep &= is_open[end_row - down // 2, end_column - int(across / 2)]
        start, end = (
            np.column_stack(at)[keep].astype(float) for at in ((row, column), (end_row, end_column))
        )
        length_m, slope_deg = _pieces_between_nodes(ground, start, end)
        minutes = (length_m / drivable.speed_m_min(slope_deg)).sum(axis=1)
        free = np.isfinite(minutes)
        ask = np.flatnonzero(free & near[start.astype(int)[:, 0], start.astype(int)[:, 1]])
        free[ask[_hit(drivable, _metres(ground, start[ask]), _metres(ground, end[ask]))]] = False
        first, last = (number[tuple(at[free].astype(int).T)] for at in (start, end))
        found += [(first, last, minutes[free]), (last, first, minutes[free])]
    first, last, minutes = (np.concatenate(part) for part in zip(*found))
    return coo_matrix((minutes, (first, last)), shape=(number.size,) * 2).tocsr()


def along_path(drivable: Drivable, corners_m: np.ndarray) -> GroundPath | None:
    """What the path with these corners (n, 2) is; None if it is not permitted.

    Whether nodes are open is not asked.
    """
    corners_m = np.asarray(corners_m, dtype=float)
    pieces = [_pieces(drivable.ground, *ends) for ends in zip(corners_m, corners_m[1:])]
    length_m, rise_m, slope_deg = (np.concatenate(part) for part in zip(*pieces))
    slope_deg[length_m == 0] = 0.0  # a place by itself, which may lie between steep cells
    minutes = float((length_m / drivable.speed_m_min(slope_deg)).sum())
    if np.isnan(minutes) or _hit(drivable, corners_m[:-1], corners_m[1:]).any():
        return None
    return GroundPath(
        tuple((float(east), float(north)) for east, north in corners_m),
        float(length_m.sum()),
        float(np.maximum(rise_m, 0).sum()),
        float(np.maximum(-rise_m, 0).sum()),
        float(slope_deg.max(initial=0.0)),
        minutes,
    )


class Parts(NamedTuple):
    """A path in n parts of equal length.

    cuts_m (n + 1): metres east and north of where it is cut, both ends included. minutes, climb_m,
    steepest_slope_deg (n): of each part.
    """

    cuts_m: tuple[tuple[float, float], ...]
    minutes: tuple[float, ...]
    climb_m: tuple[float, ...]
    steepest_slope_deg: tuple[float, ...]


def in_parts(drivable: Drivable, path: GroundPath, parts: int) -> Parts:
    """A path in parts of equal length."""
    corners_m = np.array(path.corners_m)
    pieces = [_pieces(drivable.ground, *ends) for ends in zip(corners_m, corners_m[1:])]
    length_m, rise_m, slope_deg = (np.concatenate(part) for part in zip(*pieces))
    minutes = np.where(length_m > 0, length_m / drivable.speed_m_min(slope_deg), 0.0)
    flat_m = np.sqrt(np.maximum(length_m**2 - rise_m**2, 0))
    at_m, at_min, on_map_m, climbed_m = (
        np.append(0, np.cumsum(each)) for each in (length_m, minutes, flat_m, np.maximum(rise_m, 0))
    )
    corner = np.append(0, np.cumsum([len(length) for length, _, _ in pieces]))
    cuts_m = np.linspace(0, at_m[-1], parts + 1)
    cuts_on_map_m = np.interp(cuts_m, at_m, on_map_m)
    where = [np.interp(cuts_on_map_m, on_map_m[corner], axis).tolist() for axis in corners_m.T]
    took, climb_m = (np.diff(np.interp(cuts_m, at_m, each)) for each in (at_min, climbed_m))
    steepest_deg = [
        slope_deg[(at_m[1:] > first) & (at_m[:-1] < last)].max(initial=0.0)
        for first, last in zip(cuts_m, cuts_m[1:])
    ]
    return Parts(
        tuple(zip(*where)),
        tuple(took.tolist()),
        tuple(climb_m.tolist()),
        tuple(map(float, steepest_deg)),
    )


# ----------------------------------------------------------------------------- pieces


def _pieces(ground: Ground, start_m, end_m) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Length, rise and slope of the pieces of a straight line, one for each cell it crosses."""
    ends = ground.node_at(np.array([start_m, end_m]))
    (start, end), step = ends, ends[1] - ends[0]
    shares = [np.array([0.0, 1.0])]
    for axis in (0, 1):
        low, high = sorted((start[axis], end[axis]))
        if step[axis]:
            lines = np.arange(np.ceil(low), np.floor(high) + 1)
            shares.append((lines - start[axis]) / step[axis])
    share = np.minimum(np.maximum(np.sort(np.concatenate(shares)), 0), 1)
    share = share[np.append(True, np.diff(share) > 1e-9)]
    share[-1] = 1.0
    places = start + share[:, None] * step
    slope_deg = steepest(ground, (places[:-1] + places[1:]) / 2)
    rise_m = np.diff(ground.height_at(_metres(ground, places)))
    flat_m = np.diff(share) * np.hypot(*step) * ground.spacing_m
    return np.hypot(flat_m, rise_m), rise_m, slope_deg


def _pieces_between_nodes(ground: Ground, start, end) -> tuple[np.ndarray, np.ndarray]:
    """Length and slope (n, 2) of both halves of lines from nodes to nodes around them.

    All are the same step. Half way a knight crosses the line between two cells, at a height of its
    own; other steps rise evenly.
    """
    middle = (start + end) / 2
    heights = [ground.height_at(_metres(ground, at)) for at in (start, middle, end)]
    if len(start) and np.abs(end[0] - start[0]).max() < 2:
        heights[1] = (heights[0] + heights[2]) / 2
    flat_m = np.hypot(*(end - start).T) * ground.spacing_m / 2
    rise_m = np.diff(np.column_stack(heights), axis=1)
    slope_deg = np.column_stack(
        [steepest(ground, (start + middle) / 2), steepest(ground, (middle + end) / 2)]
    )
    return np.hypot(flat_m[:, None], rise_m), slope_deg


def _metres(ground: Ground, nodes: np.ndarray) -> np.ndarray:
    """East and north (n, 2) of places in rows and columns."""
    return nodes[:, ::-1] * ground.spacing_m + (ground.east_m[0], ground.north_m[0])


# ---------------------------------------------------------------------------- hazards


def _near_hazards(drivable: Drivable) -> np.ndarray:
    """Nodes (r, c) from which a line to a neighbour may touch a hazard."""
    ground = drivable.ground
    near = np.zeros(ground.height_m.shape, dtype=bool)
    for hazard in drivable.hazards:
        (left, bottom), (right, top) = ground.node_at(np.array(hazard.box()))[:, ::-1]
        rows = slice(max(int(bottom) - JOINED - 1, 0), max(int(top) + JOINED + 2, 0))
        near[rows, max(int(left) - JOINED - 1, 0) : max(int(right) + JOINED + 2, 0)] = True
    return near


def _hit(drivable: Drivable, start_m: np.ndarray, end_m: np.ndarray) -> np.ndarray:
    """Whether each straight line (n, 2) to (n, 2) touches a hazard."""
    hit = np.zeros(len(start_m), dtype=bool)
    low, high = np.minimum(start_m, end_m), np.maximum(start_m, end_m)
    if not drivable.hazards or not len(start_m):
        return hit
    boxes = drivable.boxes
    touched = (boxes[:, 0] <= high.max(axis=0)) & (boxes[:, 1] >= low.min(axis=0))
    for number in np.flatnonzero(touched.all(axis=1)).tolist():
        (corner, opposite), hazard = boxes[number], drivable.hazards[number]
        ask = np.flatnonzero(((low <= opposite) & (high >= corner)).all(axis=1) & ~hit)
        if len(ask):
            hit[ask] = hazard.crossed(start_m[ask], end_m[ask])
    return hit


# ------------------------------------------------------------------------------ points


def _with_points(drivable: Drivable, points_m: np.ndarray, minutes: csr_matrix) -> csr_matrix:
    """The graph with points (n, 2) as further nodes, joined to nodes and points near by."""
    ground = drivable.ground
    rows, columns = ground.height_m.shape
    found: list[tuple[int, int, float]] = []
    for i, (point_m, place) in enumerate(zip(points_m, ground.node_at(points_m))):
        row, column = (int(at) for at in np.floor(place))
        for r in range(max(row - JOINED + 1, 0), min(row + JOINED + 1, rows)):
            for c in range(max(column - JOINED + 1, 0), min(column + JOINED + 1, columns)):
                node_m = np.array([ground.east_m[c], ground.north_m[r]])
                is_open = drivable.open_nodes is None or drivable.open_nodes[r, c]
                line = along_path(drivable, np.array([point_m, node_m])) if is_open else None
                if line:
                    found.append((rows * columns + i, r * columns + c, line.minutes))
        for j in range(i):
            if np.abs(points_m[j] - point_m).max() <= JOINED * ground.spacing_m:
                line = along_path(drivable, np.array([point_m, points_m[j]]))
                if line:
                    found.append((rows * columns + i, rows * columns + j, line.minutes))
    old = minutes.tocoo()
    first, last, more = (np.array(part) for part in zip(*found)) if found else np.zeros((3, 0))
    # Two points at one place are 0 minutes apart, which a sparse matrix would drop.
    more = np.maximum(more, 1e-12)
    size = rows * columns + len(points_m)
    start = np.concatenate([old.row, first, last]).astype(int)
    end = np.concatenate([old.col, last, first]).astype(int)
    return coo_matrix((np.concatenate([old.data, more, more]), (start, end)), (size, size)).tocsr()


def _places(drivable: Drivable, points_m: np.ndarray, numbers: list[int]) -> np.ndarray:
    """East and north (n, 2) of nodes and points by number."""
    ground, nodes = drivable.ground, drivable.ground.height_m.size
    row, column = np.divmod(np.minimum(numbers, nodes - 1), ground.height_m.shape[1])
    places = np.column_stack([ground.east_m[column], ground.north_m[row]])
    for k, number in enumerate(numbers):
        if number >= nodes:
            places[k] = points_m[number - nodes]
    return places


# ----------------------------------------------------------------------------- corners


def _straightened(drivable: Drivable, path_m: np.ndarray) -> GroundPath:
    """The path without the corners that it need not have; never slower."""
    path_m = _turns(path_m)
    lines = [_measured(drivable, ends) for ends in zip(path_m, path_m[1:])]
    lines = _shortened(drivable, lines)
    while True:
        kept = lines[:1]
        for line in lines[1:]:
            kept[-1:] = _shortcut(drivable, [kept[-1], line]) or [kept[-1], line]
        if len(kept) == len(lines):
            break
        lines = kept
    return _joined(lines)


def _turns(path_m: np.ndarray) -> np.ndarray:
    """The ends of a path and the places at which it changes its direction."""
    step = np.diff(path_m, axis=0)
    turn = step[:-1, 0] * step[1:, 1] - step[:-1, 1] * step[1:, 0]
    size = np.hypot(*step[:-1].T) * np.hypot(*step[1:].T)
    return path_m[np.concatenate([[True], np.abs(turn) > 1e-9 * size, [True]])]


def _shortened(drivable: Drivable, lines: list[GroundPath]) -> list[GroundPath]:
    """The straight line from end to end if it is as quick, else the same of both halves."""
    if len(lines) < 2:
        return lines
    half = len(lines) // 2
    return _shortcut(drivable, lines) or [
        *_shortened(drivable, lines[:half]),
        *_shortened(drivable, lines[half:]),
    ]


def _shortcut(drivable: Drivable, lines: list[GroundPath]) -> list[GroundPath]:
    """The straight line from the first start to the last end, if permitted and no slower."""
    ends_m = np.array([lines[0].corners_m[0], lines[-1].corners_m[-1]])
    straight = along_path(drivable, ends_m)
    most_min = sum(line.minutes for line in lines) * (1 + ROUNDING)
    if straight is None or straight.minutes > most_min or not _in_the_open(drivable, ends_m):
        return []
    return [straight]


def _in_the_open(drivable: Drivable, ends_m: np.ndarray) -> bool:
    """Whether all nodes around the cells that a straight line crosses are open."""
    if drivable.open_nodes is None:
        return True
    start, end = drivable.ground.node_at(ends_m)
    count = int(np.ceil(np.abs(end - start).max() * 4)) + 2
    places = start + np.linspace(0, 1, count)[:, None] * (end - start)
    rows, columns = drivable.open_nodes.shape
    top = np.clip(np.floor(places[:, 0]).astype(int), 0, rows - 2)
    left = np.clip(np.floor(places[:, 1]).astype(int), 0, columns - 2)
    return all(bool(drivable.open_nodes[top + i, left + j].all()) for i in (0, 1) for j in (0, 1))


def _measured(drivable: Drivable, path_m) -> GroundPath:
    line = along_path(drivable, np.array(path_m))
    assert line is not None
    return line


def _joined(lines: list[GroundPath]) -> GroundPath:
    return GroundPath(
        (lines[0].corners_m[0], *(line.corners_m[-1] for line in lines)),
        sum(line.distance_m for line in lines),
        sum(line.climb_m for line in lines),
        sum(line.descent_m for line in lines),
        max(line.steepest_slope_deg for line in lines),
        sum(line.minutes for line in lines),
    )
