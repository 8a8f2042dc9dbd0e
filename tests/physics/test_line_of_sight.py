"""Line of sight over the curved Moon: closed forms for the bare sphere, a wall and a hill."""

import numpy as np
import pytest

from obsplan.physics.ground_model import Ground, level_ground
from obsplan.physics.line_of_sight import in_sight, open_nodes

RADIUS_M = 1_737_400.0


def hills(height, reach_m=200.0, spacing_m=2.0) -> Ground:
    """Ground around a point by a formula of east and north."""
    nodes = np.arange(-reach_m, reach_m + spacing_m, spacing_m)
    east, north = np.meshgrid(nodes, nodes)
    height_m = height(east, north)
    return Ground(RADIUS_M, nodes, nodes, height_m, np.zeros(np.subtract(height_m.shape, 1)))


def test_two_antennas_on_a_sphere_see_each_other_to_the_sum_of_their_horizons():
    # Each touches the sphere at acos(R / (R + h)): 2 x 2636 m for 2 m.
    limit_m = 2 * RADIUS_M * np.arccos(RADIUS_M / (RADIUS_M + 2.0))
    assert limit_m == pytest.approx(5272, abs=1)
    ground = level_ground(np.array([[6000.0, 0.0]]))
    points = np.array([[limit_m - 20, 0.0], [limit_m + 20, 0.0]])
    assert in_sight(ground, points, np.zeros(2)).tolist() == [True, False]


@pytest.mark.parametrize("wall_m", [1.9, 2.8, 4.9, 5.5])
def test_a_wall_hides_what_lies_lower_than_the_line_over_it(wall_m):
    # From 2 m at 0 to 2 m above a rise of 6 m at 100 m: at the wall, half way, the line is at 5 m.
    def height(east, north):
        rise = np.where(east > 80, 6.0, 0.0)
        return np.where(np.abs(east - 50) < 1, wall_m, rise)

    ground = hills(height)
    seen = in_sight(ground, np.array([[100.0, 0.0], [70.0, 0.0]]), np.zeros(2))
    assert seen.tolist() == [wall_m < 5, wall_m < 2]


def test_sight_is_the_same_both_ways():
    ground = hills(lambda e, n: 3 * np.sin(e / 17) * np.cos(n / 23))
    rng = np.random.default_rng(3)
    for start, end in rng.uniform(-150, 150, (60, 2, 2)):
        assert in_sight(ground, start, end)[0] == in_sight(ground, end, start)[0]


def test_sight_agrees_with_a_walk_in_three_dimensions():
    # Points of the straight line in space, seen from the Moon's centre, against the ground below.
    ground = hills(lambda e, n: 3 * np.sin(e / 17) * np.cos(n / 23))
    rng = np.random.default_rng(4)
    points = rng.uniform(-150, 150, (80, 2))

    def in_space(point, above_m):
        away = np.hypot(*point)
        radius = RADIUS_M + ground.height_at(point[None])[0] + above_m
        level = np.sin(away / RADIUS_M) * point / max(away, 1e-9)
        return radius * np.array([*level, np.cos(away / RADIUS_M)])

    seen = in_sight(ground, points, np.zeros(2))
    relay = in_space(np.zeros(2), 2.0)
    for point, found in zip(points, seen):
        line = relay + np.linspace(0.002, 0.998, 500)[:, None] * (in_space(point, 2.0) - relay)
        radius = np.sqrt((line**2).sum(axis=1))
        place = line[:, :2] / radius[:, None] * RADIUS_M
        clear_m = (radius - RADIUS_M - ground.height_at(place)).min()
        if abs(clear_m) > 0.05:  # samples lie at other places
            assert found == (clear_m > 0)
    assert 10 < seen.sum() < 70


def test_nodes_are_open_in_sight_and_within_the_range():
    ground = hills(lambda e, n: np.where(np.abs(e - 50) < 1, 9.0, 0.0), 100.0)
    found = open_nodes(ground, np.array([0.0, 0.0]), 80.0)
    east, north = np.meshgrid(ground.east_m, ground.north_m)
    assert (found == ((np.hypot(east, north) <= 80) & (east <= 50))).all()
    assert open_nodes(ground, np.array([0.0, 0.0]), None).sum() > found.sum()


def test_nothing_is_seen_over_unknown_ground():
    ground = hills(lambda e, n: np.where(np.abs(e - 50) < 5, np.nan, 0.0), 100.0)
    points = np.array([[90.0, 0.0], [50.0, 0.0], [30.0, 0.0]])
    assert in_sight(ground, points, np.zeros(2)).tolist() == [False, False, True]
