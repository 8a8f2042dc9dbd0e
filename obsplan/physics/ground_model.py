"""The ground around a point as a rover meets it: heights and slopes in metres east and north.

East and north are measured along the ground from a reference point: a place lies at that azimuth
and that distance along a great circle at the height of the reference point (the azimuthal
equidistant projection, Snyder 1987, USGS Professional Paper 1395, section 25).

Heights are known at nodes, a whole number of spacings east and north of the reference point, and
slopes in the square cells between them. The slope of a cell is that of its steepest part: parts
are half a pixel of the elevation model or smaller, so that no slope that the model shows is
averaged away by a wide spacing.
"""

from collections.abc import Sequence
from math import ceil, floor
from pathlib import Path
from typing import NamedTuple

import numpy as np

from obsplan.common.constants import MOON_RADIUS_KM
from obsplan.common.errors import ScenarioError
from obsplan.physics.model_windows import read_near
from obsplan.physics.site_view import models_of, sound_parts
from obsplan.physics.terrain_skyline import Grid, along, ground_radius_m

# The box around all points is wider by this share of its longer side, for ways around.
ASIDE, ASIDE_PIXELS = 0.5, 10
MOST_NODES = 90_000  # shortest paths from one point then take some tenths of a second
PARTS_A_PIXEL = 2
MOST_PARTS = 16_000_000  # of cells: with heights in double precision some 130 MB
TINY = 1e-7  # spacings: so near a place is on a line between cells
LEVEL_SPACINGS = 200  # across the box of level ground, which has no pixels


class Ground(NamedTuple):
    """Ground around a reference point.

    radius_m: of the ground at the reference point from the Moon's centre.
    east_m, north_m: of the columns (c,) and rows (r,) of nodes, rising, evenly spaced.
    height_m: (r, c) above the sphere of 1737.4 km, NaN where unknown.
    slope_deg: (r - 1, c - 1) of the steepest part of each cell, NaN where unknown.
    """

    radius_m: float
    east_m: np.ndarray
    north_m: np.ndarray
    height_m: np.ndarray
    slope_deg: np.ndarray

    @property
    def spacing_m(self) -> float:
        """Distance from node to node."""
        return float(self.east_m[1] - self.east_m[0])

    def node_at(self, points_m: np.ndarray) -> np.ndarray:
        """Row and column (n, 2), whole at nodes, of points (n, 2) east and north."""
        corner = self.north_m[0], self.east_m[0]
        return (np.asarray(points_m, dtype=float)[:, ::-1] - corner) / self.spacing_m

    def height_at(self, points_m: np.ndarray) -> np.ndarray:
        """Bilinear height (n,) at points (n, 2) east and north; outside or unknown NaN."""
        row, column = self.node_at(points_m).T
        rows, columns = self.height_m.shape
        inside = _within(row, rows - 1) & _within(column, columns - 1)
        top, left = _cell(row, rows - 2), _cell(column, columns - 2)
        down, right = row - top, column - left
        total = np.zeros(len(row))
        for i, of_row in ((0, 1 - down), (1, down)):
            for j, of_column in ((0, 1 - right), (1, right)):
                # A neighbour of no weight must not spoil a height when it is unknown.
                weight = of_row * of_column
                height = self.height_m[top + i, left + j]
                total += np.where(weight != 0, weight * height, 0.0)
        return np.where(inside, total, np.nan)

    def slope_at(self, points_m: np.ndarray) -> np.ndarray:
        """Slope (n,) of the steepest cell that has each point (n, 2); outside or unknown NaN."""
        return steepest(self, self.node_at(points_m))


def steepest(ground: Ground, nodes: np.ndarray) -> np.ndarray:
    """Slope (n,) of the steepest cell that touches each place (n, 2), in rows and columns.

    A place on a line between cells touches both, and one on a node four; NaN if one is unknown
    or all are outside.
    """
    row, column = nodes.T
    last_row, last_column = (n - 1 for n in ground.slope_deg.shape)
    known = _within(row, last_row + 1) & _within(column, last_column + 1)
    slope = np.zeros(len(nodes))
    columns_touched = [_cell(column + across, last_column) for across in (-TINY, TINY)]
    for aside in (-TINY, TINY):
        i = _cell(row + aside, last_row)
        for j in columns_touched:
            slope = np.maximum(slope, ground.slope_deg[i, j])  # NaN goes on
    return np.where(known, slope, np.nan)


def _within(place: np.ndarray, last: int) -> np.ndarray:
    return (place >= -TINY) & (place <= last + TINY)


def _cell(place: np.ndarray, last: int) -> np.ndarray:
    """Number of the cell along an axis; outside that of the first or last."""
    return np.minimum(np.maximum(np.floor(place), 0), last).astype(int)


def ground_around(
    paths: Sequence[Path],
    latitude_deg: float,
    longitude_deg: float,
    points_m: np.ndarray,
    height_m: float | None = None,
) -> Ground:
    """The ground of elevation models in a box around points (n, 2) east and north.

    The reference point lies at latitude and longitude, and in the box. `height_m`: what its
    ground is expected to be above 1737.4 km. The finest model with data at a place counts. Nodes
    are a pixel of the finest model apart, or farther if the box has more than `MOST_NODES`.
    Raises ScenarioError if a model cannot be used, has no data at the reference point, has
    another height there, or has too many pixels in the box; see `site_view`.
    """
    models = models_of(paths)
    low, high = _box(points_m, ASIDE_PIXELS * models[0].pixel_m)
    away_m = float(np.hypot(*np.maximum(-low, high))) + ASIDE_PIXELS * models[-1].pixel_m
    site = latitude_deg, longitude_deg
    read = [(model, read_near(model, *site, away_m)) for model in models]
    parts, radius_m = sound_parts(read, site, height_m)
    pixel_m = parts[0].model.pixel_m
    spacing_m = max(pixel_m, float(np.sqrt(np.prod(high - low) / MOST_NODES)))
    east_m, north_m = _nodes(low, high, spacing_m)
    parts_a_side = ceil(PARTS_A_PIXEL * spacing_m / pixel_m)
    fine = [
        np.linspace(nodes[0], nodes[-1], (len(nodes) - 1) * parts_a_side + 1)
        for nodes in (east_m, north_m)
    ]
    if len(fine[0]) * len(fine[1]) > MOST_PARTS:
        raise ScenarioError(
            f"{parts[0].model.path}: its pixels of {pixel_m:.3g} m are too small for a box of "
            f"{high[0] - low[0]:.0f} x {high[1] - low[1]:.0f} m around all stops; allowed are "
            f"{np.sqrt(np.prod(high - low) * PARTS_A_PIXEL**2 / MOST_PARTS):.2g} m and more"
        )
    grids = [part.around.grid for part in parts]
    heights_m = _heights(grids, site, radius_m, *fine)
    part_m = spacing_m / parts_a_side
    slope_deg = _steepest_parts(_slope_deg(heights_m, part_m), parts_a_side)
    every = slice(None, None, parts_a_side)
    return Ground(radius_m, east_m, north_m, heights_m[every, every], slope_deg)


def level_ground(points_m: np.ndarray, height_m: float = 0.0) -> Ground:
    """Level ground of that height in a box around points (n, 2) east and north."""
    low, high = _box(points_m, 10.0)
    east_m, north_m = _nodes(low, high, float((high - low).max()) / LEVEL_SPACINGS)
    shape = len(north_m), len(east_m)
    slope_deg = np.zeros((shape[0] - 1, shape[1] - 1))
    radius_m = MOON_RADIUS_KM * 1000 + height_m
    return Ground(radius_m, east_m, north_m, np.full(shape, float(height_m)), slope_deg)


def _box(points_m: np.ndarray, least_m: float) -> tuple[np.ndarray, np.ndarray]:
    """South-west and north-east corner around the points and the reference point."""
    points_m = np.vstack([np.reshape(points_m, (-1, 2)), np.zeros((1, 2))])
    low, high = points_m.min(axis=0), points_m.max(axis=0)
    aside_m = max(ASIDE * float((high - low).max()), least_m)
    return low - aside_m, high + aside_m


def _nodes(low: np.ndarray, high: np.ndarray, spacing_m: float) -> list[np.ndarray]:
    return [
        np.arange(floor(first / spacing_m), ceil(last / spacing_m) + 1) * spacing_m
        for first, last in zip(low, high)
    ]


def _heights(
    grids: Sequence[Grid], site: tuple[float, float], radius_m: float, east_m, north_m
) -> np.ndarray:
    """Heights (r, c) above 1737.4 km, some rows at a time."""
    rows = max(1_000_000 // len(east_m), 1)
    parts = []
    for first in range(0, len(north_m), rows):
        east, north = np.meshgrid(east_m, north_m[first : first + rows])
        away_rad = np.hypot(east, north) / radius_m
        place = along(*site, np.arctan2(east, north), away_rad)
        parts.append(ground_radius_m(grids, *place) - MOON_RADIUS_KM * 1000)
    return np.concatenate(parts)


def _slope_deg(height_m: np.ndarray, side_m: float) -> np.ndarray:
    """Slope of the plane that fits the four corners of each square best, in least squares."""
    east = height_m[:, 1:] - height_m[:, :-1]
    north = height_m[1:] - height_m[:-1]
    rise = np.hypot(east[1:] + east[:-1], north[:, 1:] + north[:, :-1])
    return np.degrees(np.arctan(rise / (2 * side_m)))


def _steepest_parts(slope_deg: np.ndarray, size: int) -> np.ndarray:
    """The steepest of each size x size parts; NaN if one is unknown."""
    rows, columns = (n // size for n in slope_deg.shape)
    return slope_deg.reshape(rows, size, columns, size).max(axis=(1, 3))
