"""Ground in metres east and north from an elevation model: heights, slopes, and what is refused."""

import numpy as np
import pytest
from tools.models import RADIUS_M, away_m, in_degrees, stereographic

from obsplan.common.errors import ScenarioError
from obsplan.physics.ground_model import ground_around, level_ground

SITE = -72.0, 14.0
POINTS = np.array([[0.0, 0.0], [60.0, -35.0]])
STEP_DEG = np.degrees(2.0 / RADIUS_M)


def east_north(latitude, longitude):
    """Metres from the site on a small piece of ground."""
    north = np.radians(latitude - SITE[0]) * RADIUS_M
    east = np.radians(longitude - SITE[1]) * RADIUS_M * np.cos(np.radians(latitude))
    return east, north


def model(tmp_path, height, pixels=400, **tags):
    """A model around the site, in pixels 2 m high and 0.6 m wide."""
    return in_degrees(
        tmp_path / "dem.tif",
        lambda latitude, longitude: height(*east_north(latitude, longitude)),
        SITE,
        STEP_DEG,
        pixels,
        unit="m",
        **tags,
    )


def test_a_tilted_plane_has_its_slope_and_its_heights_everywhere(tmp_path):
    rise = np.tan(np.radians(10.0))
    path = model(tmp_path, lambda east, north: 40.0 + rise * (0.6 * east + 0.8 * north))
    ground = ground_around([path], *SITE, POINTS, 40.0)
    assert np.nanmax(np.abs(ground.slope_deg - 10.0)) < 0.02
    expected = 40.0 + rise * (0.6 * 60 - 0.8 * 35)
    assert ground.height_at(POINTS) == pytest.approx([40.0, expected], abs=2e-3)
    assert ground.slope_at(POINTS) == pytest.approx([10.0, 10.0], abs=0.02)
    assert ground.spacing_m == pytest.approx(2.0, abs=0.01)


@pytest.mark.parametrize("latitude", [-89.9, -72.0])
def test_east_and_north_are_those_of_the_reference_point(tmp_path, latitude):
    # A cone 300 m east of the reference point, in a model whose pixels run otherwise.
    site = latitude, 14.0
    top = np.array([300.0 / 1.0, 0.0])
    from_pole = 2 * RADIUS_M * np.tan(np.radians(90 + latitude) / 2)
    turn = np.radians(site[1])
    centre = from_pole * np.sin(turn), from_pole * np.cos(turn)
    place = (
        latitude,  # to first order; east is along the parallel
        site[1] + np.degrees(300.0 / (RADIUS_M * np.cos(np.radians(latitude)))),
    )
    if latitude < -89:  # near the pole along the great circle
        polar_m = np.radians(90 + latitude) * RADIUS_M
        place = (
            np.degrees(np.hypot(polar_m, 300) / RADIUS_M) - 90,
            14 + np.degrees(np.arctan2(300, polar_m)),
        )
    path = stereographic(
        tmp_path / "dem.tif", lambda *at: -0.1 * away_m(*at, place), 4.0, 300, centre, unit="m"
    )
    ground = ground_around([path], *site, np.array([[0.0, 0.0], top]))
    row, column = np.unravel_index(np.nanargmax(ground.height_m), ground.height_m.shape)
    found = ground.east_m[column], ground.north_m[row]
    assert found == pytest.approx(tuple(top), abs=6.0)


def test_a_wide_spacing_keeps_the_steepest_part_of_each_cell(tmp_path, monkeypatch):
    # One step of 1.5 m in 2 m between level plains.
    path = model(tmp_path, lambda east, north: 1.5 * (north > 9.0))
    monkeypatch.setattr("obsplan.physics.ground_model.MOST_NODES", 100)
    ground = ground_around([path], *SITE, POINTS)
    assert ground.spacing_m > 10
    steepest = np.degrees(np.arctan(1.5 / 2.0))
    assert np.nanmax(ground.slope_deg) == pytest.approx(steepest, abs=0.2)
    assert ground.slope_at(np.array([[20.0, -30.0]]))[0] == 0.0


def test_nothing_is_known_outside_the_model_and_where_it_has_no_data(tmp_path):
    def height(east, north):
        return np.where(east > 40.0, -9999.0, 0.01 * east + 0.02 * north)

    path = model(tmp_path, height, pixels=70, nodata=-9999.0)  # ends 70 m north and south
    ground = ground_around([path], *SITE, np.array([[45.0, 0.0], [0.0, 90.0], [-10.0, 5.0]]))
    points = np.array([[45.0, 0.0], [0.0, 90.0], [-10.0, 5.0], [1e6, 0.0]])
    assert np.isnan(ground.height_at(points)).tolist() == [True, True, False, True]
    assert np.isnan(ground.slope_at(points)).tolist() == [True, True, False, True]


def test_the_finer_of_two_models_counts(tmp_path):
    fine = model(tmp_path, lambda east, north: 0.05 * north + 0 * east, pixels=60)
    coarse = in_degrees(
        tmp_path / "far.tif",
        lambda latitude, longitude: 0.10 * east_north(latitude, longitude)[1],
        SITE,
        5 * STEP_DEG,
        60,
        unit="m",
    )
    points = np.array([[0.0, 0.0], [0.0, 140.0]])
    ground = ground_around([coarse, fine], *SITE, points)
    assert ground.slope_at(np.array([[0.0, 0.0], [0.0, 120.0]])) == pytest.approx(
        np.degrees(np.arctan([0.05, 0.10])), abs=0.05
    )


def test_a_model_of_another_place_or_height_is_refused(tmp_path):
    path = model(tmp_path, lambda east, north: 0.1 * north)
    with pytest.raises(ScenarioError, match="lies outside the elevation model"):
        ground_around([path], 10.0, 14.0, POINTS)
    with pytest.raises(ScenarioError, match=r"ground at the site is at 0 m.*height_m is 900"):
        ground_around([path], *SITE, POINTS, 900.0)


def test_a_box_of_too_many_pixels_is_refused_with_what_is_allowed(tmp_path, monkeypatch):
    path = model(tmp_path, lambda east, north: 0.1 * north)
    monkeypatch.setattr("obsplan.physics.ground_model.MOST_PARTS", 1000)
    with pytest.raises(ScenarioError, match=r"pixels of 2 m are too small.*allowed are \S+ m"):
        ground_around([path], *SITE, POINTS)
    monkeypatch.setattr("obsplan.physics.model_windows.MOST_PIXELS", 1000)
    with pytest.raises(ScenarioError, match="allowed are 1000: use a coarser model"):
        ground_around([path], *SITE, POINTS)


def test_level_ground_has_a_node_at_the_reference_point_and_room_on_all_sides():
    ground = level_ground(np.array([[100.0, 20.0]]), 30.0)
    assert 0.0 in ground.east_m and 0.0 in ground.north_m
    assert ground.east_m[0] <= -50 and ground.east_m[-1] >= 150
    assert ground.north_m[0] <= -50 and ground.north_m[-1] >= 70
    assert ground.height_at(np.array([[3.3, 4.4]])) == 30.0
    assert not ground.slope_deg.any()
