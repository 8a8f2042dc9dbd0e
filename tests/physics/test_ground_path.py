"""Paths over the ground: closed forms for level ground, slopes, walls and hazards."""

import numpy as np
import pytest
from scipy.sparse.csgraph import dijkstra

from obsplan.physics.ground_model import Ground, level_ground
from obsplan.physics.ground_path import Drivable, along_path, graph, shortest_paths
from obsplan.physics.hazard_shapes import Circle, Polygon

RADIUS_M = 1_737_400.0
SPEEDS = ((10.0, 0.5), (15.0, 0.3), (20.0, 0.15))


def ground_of(height, slope=None, reach=40, spacing_m=2.0) -> Ground:
    """Ground by a formula of east and north; slopes are those of its cells."""
    nodes = np.arange(-reach, reach + 1) * spacing_m
    height_m = height(*np.meshgrid(nodes, nodes))
    middle = (nodes[1:] + nodes[:-1]) / 2
    if slope is None:
        east = np.diff(height_m, axis=1)[1:] / 2 + np.diff(height_m, axis=1)[:-1] / 2
        north = np.diff(height_m, axis=0)[:, 1:] / 2 + np.diff(height_m, axis=0)[:, :-1] / 2
        slope_deg = np.degrees(np.arctan(np.hypot(east, north) / spacing_m))
    else:
        slope_deg = slope(*np.meshgrid(middle, middle))
    return Ground(RADIUS_M, nodes, nodes, height_m, slope_deg)


def plane(slope_deg):
    """A plane that rises to the east."""
    return ground_of(lambda e, n: np.tan(np.radians(slope_deg)) * e)


@pytest.mark.parametrize(("neighbours", "most"), [(8, 1.08239), (16, 1.02749)])
def test_paths_along_a_grid_are_too_long_by_no_more_than_the_closed_form(neighbours, most):
    # 1 / cos of half the widest angle between steps: 45 deg, and 26.57 deg with knight's moves.
    ground = level_ground(np.array([[100.0, 100.0]]))
    minutes = graph(Drivable(ground, [(1.0, 1.0)]), neighbours)
    middle = np.ravel_multi_index([n // 2 for n in ground.height_m.shape], ground.height_m.shape)
    found = dijkstra(minutes, indices=middle).reshape(ground.height_m.shape)
    east, north = np.meshgrid(
        ground.east_m - ground.east_m[ground.height_m.shape[1] // 2],
        ground.north_m - ground.north_m[ground.height_m.shape[0] // 2],
    )
    straight = np.hypot(east, north)
    ratio = found[straight > 0] / straight[straight > 0]
    assert ratio.min() == pytest.approx(1.0, abs=1e-9)
    assert ratio.max() == pytest.approx(most, abs=2e-5)
    angle = {8: 22.5, 16: np.degrees(np.arctan(0.5)) / 2}[neighbours]
    assert 1 / np.cos(np.radians(angle)) == pytest.approx(most, abs=1e-5)


def test_a_path_on_level_ground_is_the_straight_line():
    points = np.array([[0.3, -0.4], [60.7, 35.2]])
    paths = shortest_paths(Drivable(ground_of(lambda e, n: 0 * e), SPEEDS), points)
    straight_m = float(np.hypot(*(points[1] - points[0])))
    assert paths[0, 1].distance_m == pytest.approx(straight_m, rel=1e-9)
    assert paths[0, 1].minutes == pytest.approx(straight_m / 0.5, rel=1e-9)
    assert paths[0, 1].corners_m == tuple(map(tuple, points))
    assert paths[1, 0] == paths[0, 1].back()


def test_a_plane_of_10_degrees_lengthens_the_map_by_1_over_its_cosine():
    paths = shortest_paths(Drivable(plane(10.0), SPEEDS), np.array([[-30.0, 0.0], [30.0, 0.0]]))
    up, down = paths[0, 1], paths[1, 0]
    assert up.distance_m / 60.0 == pytest.approx(1.01543, abs=1e-5)
    assert up.climb_m == pytest.approx(60 * np.tan(np.radians(10)))
    assert (up.descent_m, down.climb_m, down.descent_m) == (0.0, 0.0, up.climb_m)
    assert up.steepest_slope_deg == pytest.approx(10.0)
    assert up.minutes == pytest.approx(up.distance_m / 0.5)


@pytest.mark.parametrize(("slope_deg", "speed"), [(10.1, 0.3), (15.1, 0.15), (20.1, None)])
def test_speed_is_that_of_the_slope_and_beyond_the_last_there_is_no_drive(slope_deg, speed):
    paths = shortest_paths(
        Drivable(plane(slope_deg), SPEEDS), np.array([[0.0, -30.0], [0.0, 30.0]])
    )
    if speed is None:
        assert not paths
    else:  # along the contour, on ground that is steep all the same
        assert paths[0, 1].minutes == pytest.approx(60.0 / speed)


def test_the_quicker_way_is_the_longer_one_around_a_slow_hill():
    # A square of slow ground, 24 m wide, between the points; around it over its corners.
    ground = ground_of(
        lambda e, n: 0 * e,
        lambda e, n: np.where((np.abs(e) < 12) & (np.abs(n) < 12), 18.0, 0.0),
    )
    path = shortest_paths(Drivable(ground, SPEEDS), np.array([[-40.0, 0.0], [40.0, 0.0]]))[0, 1]
    around_m = 2 * np.hypot(28, 12) + 24
    across_min = 56 / 0.5 + 24 / 0.15
    # Corners lie on nodes at the rim, whose cells are slow on one side: one node farther out.
    assert around_m <= path.distance_m <= (2 * np.hypot(26, 14) + 28) * 1.001
    assert path.minutes == pytest.approx(path.distance_m / 0.5) and path.minutes < across_min
    assert path.steepest_slope_deg == 0.0


def test_a_path_goes_around_circles_close_to_the_tangents():
    circle = Circle((0.0, 0.0), 15.0)
    drivable = Drivable(ground_of(lambda e, n: 0 * e, spacing_m=1.0), SPEEDS, [circle])
    path = shortest_paths(drivable, np.array([[-35.0, 0.0], [35.0, 0.0]]))[0, 1]
    tangent = 2 * np.sqrt(35**2 - 15**2) + 15 * (np.pi - 2 * np.arccos(15 / 35))
    assert tangent <= path.distance_m <= 1.0275 * tangent
    corners = np.array(path.corners_m)
    assert not circle.crossed(corners[:-1], corners[1:]).any()


def test_a_path_takes_the_gap_in_a_wall_or_there_is_none():
    left = Polygon(((-2.0, -90.0), (2.0, -90.0), (2.0, 30.0), (-2.0, 30.0)))
    right = Polygon(((-2.0, 35.0), (2.0, 35.0), (2.0, 90.0), (-2.0, 90.0)))
    plain = ground_of(lambda e, n: 0 * e)
    points = np.array([[-20.0, 0.0], [20.0, 0.0]])
    path = shortest_paths(Drivable(plain, SPEEDS, [left, right]), points)[0, 1]
    corners = np.array(path.corners_m)
    in_wall = corners[np.abs(corners[:, 0]) <= 2]
    assert (in_wall[:, 1] > 30).all() and (in_wall[:, 1] < 35).all()
    assert path.distance_m >= 2 * np.hypot(18, 30) + 4
    wall = Polygon(((-2.0, -90.0), (2.0, -90.0), (2.0, 90.0), (-2.0, 90.0)))
    assert not shortest_paths(Drivable(plain, SPEEDS, [wall]), points)


def test_paths_keep_to_open_nodes():
    plain = ground_of(lambda e, n: 0 * e)
    points = np.array([[-30.0, 1.0], [30.0, 1.0]])
    is_open = np.ones_like(plain.height_m, dtype=bool)
    is_open[:60, 40] = False  # north of 40 m the line east = 0 may be crossed
    path = shortest_paths(Drivable(plain, SPEEDS, open_nodes=is_open), points)[0, 1]
    assert max(north for _, north in path.corners_m) >= 38
    assert not shortest_paths(Drivable(plain, SPEEDS, open_nodes=is_open & False), points)


def test_unknown_ground_is_not_driven_over():
    ground = ground_of(lambda e, n: np.where(np.abs(e) < 5, np.nan, 0.0))
    points = np.array([[-30.0, 0.0], [30.0, 0.0], [20.0, 7.0]])
    assert set(shortest_paths(Drivable(ground, SPEEDS), points)) == {(1, 2), (2, 1)}


def test_two_points_within_a_cell_are_joined_by_a_straight_line():
    ground = ground_of(lambda e, n: 0 * e)
    points = np.array([[0.4, 0.4], [1.6, 1.2], [0.4, 0.4]])
    paths = shortest_paths(Drivable(ground, SPEEDS), points)
    assert paths[0, 1].distance_m == pytest.approx(np.hypot(1.2, 0.8))
    assert paths[0, 2].distance_m == 0.0


def hilly(seed: int) -> Ground:
    rng = np.random.default_rng(seed)
    waves = rng.uniform(0.03, 0.25, (6, 2)), rng.uniform(0, 6, 6)
    return ground_of(
        lambda e, n: sum(1.2 * np.sin(a * e + b * n + phase) for (a, b), phase in zip(*waves)),
        reach=20,
    )


@pytest.mark.parametrize("seed", range(4))
def test_lines_of_the_graph_are_measured_as_any_path(seed):
    drivable = Drivable(hilly(seed), SPEEDS, [Circle((5.0, 3.0), 4.0)])
    minutes = graph(drivable).tocoo()
    rng = np.random.default_rng(seed)
    columns = drivable.ground.height_m.shape[1]
    for k in rng.integers(0, minutes.nnz, 150):
        row, column = np.divmod([minutes.row[k], minutes.col[k]], columns)
        ends = np.column_stack([drivable.ground.east_m[column], drivable.ground.north_m[row]])
        line = along_path(drivable, ends)
        assert line is not None and line.minutes == pytest.approx(minutes.data[k], rel=1e-9)


@pytest.mark.parametrize("seed", range(4))
def test_paths_are_permitted_and_no_slower_than_along_the_graph(seed):
    drivable = Drivable(hilly(seed), SPEEDS, [Circle((5.0, 3.0), 4.0)])
    ground = drivable.ground
    rng = np.random.default_rng(seed + 10)
    nodes = rng.integers(0, ground.height_m.size, 6)
    row, column = np.divmod(nodes, ground.height_m.shape[1])
    points = np.column_stack([ground.east_m[column], ground.north_m[row]])
    paths = shortest_paths(drivable, points)
    times = dijkstra(graph(drivable), indices=nodes)[:, nodes]
    for i in range(6):
        for j in range(6):
            if i == j:
                continue
            assert ((i, j) in paths) == np.isfinite(times[i, j])
            if (i, j) in paths:
                path = paths[i, j]
                whole = along_path(drivable, np.array(path.corners_m))
                assert whole is not None and whole.minutes == pytest.approx(path.minutes)
                assert path.minutes <= times[i, j] * (1 + 1e-9)
                assert path.climb_m == pytest.approx(paths[j, i].descent_m)
