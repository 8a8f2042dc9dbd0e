"""Paths over the ground against graphs made node by node, and places against PROJ."""

import numpy as np
import pytest
from rasterio.crs import CRS
from rasterio.warp import transform
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import bellman_ford, floyd_warshall
from tools.models import RADIUS_M

from obsplan.physics.ground_model import Ground
from obsplan.physics.ground_path import Drivable, graph, shortest_paths
from obsplan.physics.hazard_shapes import Circle
from obsplan.physics.terrain_skyline import along

SPACING_M = 3.0
SPEEDS = ((8.0, 0.6), (14.0, 0.35), (20.0, 0.1))
HAZARD = Circle((16.0, 13.0), 4.0)
# All 16 steps written out, with the cells (row, column of their south-west node) on either side.
STEPS = {
    (0, 1): [[(0, 0), (-1, 0)]],
    (1, 0): [[(0, 0), (0, -1)]],
    (1, 1): [[(0, 0)]],
    (1, -1): [[(0, -1)]],
    (1, 2): [[(0, 0)], [(0, 1)]],
    (2, 1): [[(0, 0)], [(1, 0)]],
    (1, -2): [[(0, -1)], [(0, -2)]],
    (2, -1): [[(0, -1)], [(1, -1)]],
}
HALF_WAY = {  # the nodes between which a knight passes
    (1, 2): [(0, 1), (1, 1)],
    (2, 1): [(1, 0), (1, 1)],
    (1, -2): [(0, -1), (1, -1)],
    (2, -1): [(1, 0), (1, -1)],
}


def ground(seed: int, size: int = 12) -> Ground:
    rng = np.random.default_rng(seed)
    nodes = np.arange(size) * SPACING_M
    height_m = rng.uniform(0, 0.9, (size, size))
    slope_deg = rng.uniform(0, 26, (size - 1, size - 1))
    return Ground(RADIUS_M, nodes, nodes, height_m, slope_deg)


def minutes_of_a_step(ground: Ground, row: int, column: int, step: tuple[int, int]) -> float:
    """Minutes of one step, or infinity: plain numbers, one piece after another."""
    size = len(ground.east_m)
    end = row + step[0], column + step[1]
    if not (0 <= end[0] < size and 0 <= end[1] < size):
        return np.inf
    heights = [ground.height_m[row, column], ground.height_m[end]]
    if step in HALF_WAY:
        between = [ground.height_m[row + r, column + c] for r, c in HALF_WAY[step]]
        heights.insert(1, sum(between) / 2)
    pieces = STEPS[step]
    total = 0.0
    for k, cells in enumerate(pieces):
        slopes = [
            ground.slope_deg[row + r, column + c]
            for r, c in cells
            if 0 <= row + r < size - 1 and 0 <= column + c < size - 1
        ]
        speed = next((v for limit, v in SPEEDS if max(slopes) <= limit), None)
        if speed is None:
            return np.inf
        flat = SPACING_M * np.sqrt(step[0] ** 2 + step[1] ** 2) / len(pieces)
        total += np.sqrt(flat**2 + (heights[k + 1] - heights[k]) ** 2) / speed
    for share in np.linspace(0, 1, 400):
        place = SPACING_M * (np.array([column, row]) + share * np.array([step[1], step[0]]))
        if np.hypot(*(place - HAZARD.centre_m)) < HAZARD.radius_m:
            return np.inf
    return total


def by_hand(ground: Ground) -> np.ndarray:
    size = len(ground.east_m)
    minutes = np.full((size * size, size * size), np.inf)
    for row in range(size):
        for column in range(size):
            for step in STEPS:
                found = minutes_of_a_step(ground, row, column, step)
                if np.isfinite(found):
                    first, last = row * size + column, (row + step[0]) * size + column + step[1]
                    minutes[first, last] = minutes[last, first] = found
    return minutes


@pytest.mark.parametrize("seed", range(3))
def test_times_from_every_node_to_every_node_are_those_of_two_other_methods(seed):
    terrain = ground(seed)
    expected = by_hand(terrain)
    made = graph(Drivable(terrain, SPEEDS, [HAZARD])).toarray()
    made[made == 0] = np.inf
    assert np.array_equal(np.isfinite(made), np.isfinite(expected))
    linked = np.isfinite(expected)
    assert made[linked] == pytest.approx(expected[linked], rel=1e-12)
    whole = csr_matrix(np.where(linked, expected, 0.0))
    times = floyd_warshall(whole)
    assert bellman_ford(whole, indices=[0, 70]) == pytest.approx(times[[0, 70]])
    # A path between nodes is never slower than along the graph.
    nodes = [0, 30, 77, 143]
    points = np.array([[terrain.east_m[k % 12], terrain.north_m[k // 12]] for k in nodes])
    paths = shortest_paths(Drivable(terrain, SPEEDS, [HAZARD]), points)
    for i, first in enumerate(nodes):
        for j, last in enumerate(nodes):
            if i != j:
                assert ((i, j) in paths) == bool(np.isfinite(times[first, last]))
                if (i, j) in paths:
                    assert paths[i, j].minutes <= times[first, last] * (1 + 1e-9)


@pytest.mark.parametrize(("latitude", "longitude"), [(-72.0, 14.0), (-89.9, -120.0), (3.0, 179.99)])
def test_places_east_and_north_are_those_of_the_azimuthal_equidistant_projection(
    latitude, longitude
):
    # PROJ's aeqd on the sphere (Snyder 1987, section 25).
    rng = np.random.default_rng(1)
    east, north = rng.uniform(-5000, 5000, (2, 40))
    crs = CRS.from_proj4(f"+proj=aeqd +lat_0={latitude} +lon_0={longitude} +R=1737400 +units=m")
    degrees = CRS.from_proj4("+proj=longlat +R=1737400 +no_defs")
    expected = transform(crs, degrees, east, north)
    found = along(latitude, longitude, np.arctan2(east, north), np.hypot(east, north) / RADIUS_M)
    assert found[0] == pytest.approx(np.array(expected[1]), abs=1e-8)
    turn = (found[1] - np.array(expected[0]) + 180) % 360 - 180
    assert np.abs(turn * np.cos(np.radians(found[0]))).max() < 1e-8
