"""Circles and polygons that paths keep out of, against points along each line."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from obsplan.physics.hazard_shapes import Circle, Polygon

L_SHAPE = Polygon(((0.0, 0.0), (10.0, 0.0), (10.0, 4.0), (4.0, 4.0), (4.0, 10.0), (0.0, 10.0)))
places = st.tuples(st.floats(-8, 18), st.floats(-8, 18))


def crosses(shape, start, end) -> bool:
    return bool(shape.crossed(np.array([start], float), np.array([end], float))[0])


def along(start, end):
    return np.array(start) + np.linspace(0, 1, 4001)[:, None] * np.subtract(end, start)


@given(places, places)
def test_a_line_enters_a_circle_if_one_of_its_points_does(start, end):
    circle = Circle((5.0, 5.0), 4.0)
    nearest = np.hypot(*(along(start, end) - circle.centre_m).T).min()
    if abs(nearest - 4.0) > 0.01:
        assert crosses(circle, start, end) == (nearest < 4.0)


@given(places, places)
def test_a_line_touches_an_l_if_one_of_its_points_is_within(start, end):
    def within(e, n, by):
        wide = (e > -by) & (e < 10 + by) & (n > -by) & (n < 4 + by)
        return wide | ((e > -by) & (e < 4 + by) & (n > -by) & (n < 10 + by))

    points = along(start, end).T
    if within(*points, -0.01).any():
        assert crosses(L_SHAPE, start, end)
    if not within(*points, 0.01).any():
        assert not crosses(L_SHAPE, start, end)


def test_a_path_may_follow_the_rim_of_a_circle_but_not_the_side_of_a_polygon():
    assert not crosses(Circle((0.0, 0.0), 5.0), (-9, 5), (9, 5))
    assert crosses(Circle((0.0, 0.0), 5.0), (-9, 4.999), (9, 4.999))
    assert crosses(L_SHAPE, (-1, 10), (9, 10))


def test_a_line_within_a_hazard_touches_it():
    assert crosses(L_SHAPE, (1, 1), (2, 1))
    assert crosses(Circle((0.0, 0.0), 5.0), (1, 1), (1, 1))


def test_corners_may_turn_either_way():
    back = Polygon(L_SHAPE.corners_m[::-1])
    rng = np.random.default_rng(2)
    start, end = rng.uniform(-5, 15, (2, 200, 2))
    assert (back.crossed(start, end) == L_SHAPE.crossed(start, end)).all()
    assert 20 < back.crossed(start, end).sum() < 180
