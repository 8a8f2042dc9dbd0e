"""Skylines of terrain by formula, by brute force, and what may not change them."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tools.models import RADIUS_M, away_m, grid

from obsplan.physics.terrain_skyline import AZIMUTHS, along, dip_deg, ground_radius_m, skyline

EQUATOR = (0.0, 0.0)


def rough(seed, pixels=401, relief_m=150.0, swell=3):
    """Random heights as a function of place: smoothed noise, the same for every grid."""
    noise = np.random.default_rng(seed).normal(size=(pixels, pixels))
    for _ in range(swell):
        noise = sum(np.roll(noise, s, axis) for s in (-1, 0, 1) for axis in (0, 1))
    noise *= relief_m / noise.std()
    return noise


def rough_grid(seed, turns=0, **kwargs):
    noise = np.rot90(rough(seed), turns)
    return grid(lambda latitude, longitude: noise, **kwargs)


def marched_deg(model, site, eye_m, azimuth_deg):
    """Skyline by marching all the way along rays in short steps, shorter near the eye."""
    pixels = np.append(np.geomspace(0.05, 20, 1200), np.arange(20, 290, 0.1))
    away_rad = pixels[:, None] * model.pixel_m / RADIUS_M
    place = along(*site, np.radians(azimuth_deg), away_rad)
    radius_m = ground_radius_m([model], *place)
    up = radius_m * np.cos(away_rad) - eye_m
    return np.nanmax(np.degrees(np.arctan2(up, radius_m * np.sin(away_rad))), axis=0)


@pytest.mark.parametrize("away_pixels", [30, 150])
def test_ring_wall_has_the_elevation_that_can_be_written_down(away_pixels):
    wall_m, base_m, away = 800.0, -300.0, away_pixels * 100.0
    model = grid(lambda *at: np.where(away_m(*at, EQUATOR) > away, wall_m, base_m))
    eye_m = RADIUS_M + base_m + 2.0
    seen = skyline([model], *EQUATOR, eye_m).elevation_deg
    angle = away / RADIUS_M
    top_m = RADIUS_M + wall_m
    written = np.degrees(np.arctan2(top_m * np.cos(angle) - eye_m, top_m * np.sin(angle)))
    # The wall's foot falls between pixels: its top stands up to 1.5 pixels farther out.
    assert np.all(seen <= written + 1e-6)
    assert np.all(seen >= written * (1 - 1.5 / away_pixels))


def test_cone_is_highest_at_its_top():
    top = along(*EQUATOR, np.radians(60.0), 12_000 / RADIUS_M)
    model = grid(lambda *at: 2000 - 0.5 * np.minimum(away_m(*at, top), 4000))
    seen = skyline([model], *EQUATOR, RADIUS_M + 2)
    angle = 12_000 / RADIUS_M
    tip_m = RADIUS_M + 2000
    tip_deg = np.degrees(np.arctan2(tip_m * np.cos(angle) - RADIUS_M - 2, tip_m * np.sin(angle)))
    at = seen.elevation_deg.argmax()
    assert abs(seen.azimuth_deg[at] - 60) <= 0.5
    # The tip falls between pixel centres, up to 71 m from one, where it is 35 m lower.
    assert tip_deg - np.degrees(36 / 12_000) < seen.elevation_deg[at] < tip_deg + 0.01
    # To either side the cone ends; 4 km at 12 km is 19 deg, and the plain lies at 0 m.
    assert seen.elevation_deg[np.abs(seen.azimuth_deg - 240) < 90].max() < 0.01


@pytest.mark.parametrize("height_m", [1.5, 10.0, 100.0])
def test_level_ground_ends_at_the_dip(height_m):
    model = grid(lambda *at: np.zeros_like(at[0]), pixels=501)
    seen = skyline([model], *EQUATOR, RADIUS_M + height_m)
    assert seen.elevation_deg == pytest.approx(-dip_deg(RADIUS_M, RADIUS_M + height_m), abs=1e-4)


def test_ground_that_falls_away_shows_the_edge_of_the_lowest_sphere():
    model = grid(lambda *at: -0.3 * away_m(*at, EQUATOR))
    seen = skyline([model], *EQUATOR, RADIUS_M + 2).elevation_deg
    lowest_m = RADIUS_M + float(model.height_m.min())
    assert seen == pytest.approx(-dip_deg(lowest_m, RADIUS_M + 2), abs=1e-9)
    assert seen.max() < -dip_deg(RADIUS_M, RADIUS_M + 2)


def test_slope_underfoot_stands_in_its_own_directions():
    rise = np.tan(np.radians(10)) * RADIUS_M
    model = grid(lambda latitude, longitude: rise * np.radians(latitude))
    seen = skyline([model], *EQUATOR, RADIUS_M).elevation_deg
    uphill = np.cos(np.radians(np.arange(AZIMUTHS) / 2))
    expected = np.degrees(np.arctan(np.tan(np.radians(10)) * uphill))
    looking_up = uphill > 0.1
    # Far pixels count up to a quarter of a degree aside: 10 deg * 0.0044. Curvature lowers
    # the first sample, 5 m away, by nothing.
    assert np.all(np.abs(seen - expected)[looking_up] < 0.045)


@pytest.mark.parametrize("seed", range(3))
def test_random_terrain_agrees_with_marching_every_ray(seed):
    model = rough_grid(seed)
    eye_m = float(ground_radius_m([model], *EQUATOR)) + 2
    seen = skyline([model], *EQUATOR, eye_m).elevation_deg[::12]
    aside = np.linspace(-0.25, 0.25, 11)
    fine_deg = (np.arange(AZIMUTHS) / 2)[::12, None] + aside
    marched = marched_deg(model, EQUATOR, eye_m, fine_deg.ravel()).reshape(fine_deg.shape)
    # Never below the ray itself, nor above the highest ray to either side. Pixels beyond
    # 12 km lie up to half a pixel off the ray: 50 m of 12 km on slopes of about 1.
    assert np.all(seen >= marched[:, 5] - 0.1)
    assert np.all(seen <= marched.max(axis=1) + 0.1)
    assert np.ptp(marched) > 2, "the terrain must have a skyline worth the name"


@settings(max_examples=30)
@given(st.integers(118, 199), st.integers(-150, 150))
def test_no_single_peak_far_away_is_stepped_over(right, up):
    heights = np.zeros((401, 401))
    heights[200 - up, 200 + right] = 5000
    model = grid(lambda *at: heights)
    seen = skyline([model], *EQUATOR, RADIUS_M + 2).elevation_deg
    angle = float(away_m(*model.place(200 - up, 200 + right), EQUATOR)) / RADIUS_M
    top_m = RADIUS_M + 5000
    peak = np.degrees(np.arctan2(top_m * np.cos(angle) - RADIUS_M - 2, top_m * np.sin(angle)))
    if angle * RADIUS_M / 100 > 121:  # beyond the rays, where bilinear ground has the say
        assert seen.max() == pytest.approx(peak, abs=1e-3)  # the stride's sideways error
    else:
        assert seen.max() > 0.5 * peak


@pytest.mark.parametrize("turns", [1, 2, 3])
def test_turning_the_terrain_turns_the_skyline(turns):
    model, turned = rough_grid(7), rough_grid(7, turns)
    eye_m = float(ground_radius_m([model], *EQUATOR)) + 2
    before = skyline([model], *EQUATOR, eye_m).elevation_deg
    after = skyline([turned], *EQUATOR, eye_m).elevation_deg
    # Pixels of equal degrees are not quite square away from the equator (20 km: 1e-4), so
    # that a pixel on the border of two azimuths may change sides.
    difference = np.abs(np.roll(before, -turns * AZIMUTHS // 4) - after)
    assert np.median(difference) < 1e-3
    assert np.quantile(difference, 0.97) < 0.02


def test_nested_models_agree_with_one_large_model():
    def hills(latitude, longitude):
        x, y = np.radians(longitude) * RADIUS_M, np.radians(latitude) * RADIUS_M
        return 300 * np.sin(x / 2500) * np.cos(y / 3100) + 200 * np.cos((x + y) / 9000)

    fine, coarse = grid(hills, pixel_m=25, pixels=401), grid(hills, pixel_m=100, pixels=501)
    large = grid(hills, pixel_m=25, pixels=2001)
    eye_m = float(ground_radius_m([fine], *EQUATOR)) + 2
    nested = skyline([coarse, fine], *EQUATOR, eye_m)
    alone = skyline([large], *EQUATOR, eye_m)
    # A coarse pixel flattens a crest of these hills by under 0.2 m and lies up to 50 m off
    # at 5 km, 1 % of an elevation below 6 deg.
    assert np.abs(nested.elevation_deg - alone.elevation_deg).max() < 0.06
    assert nested.covered_m == pytest.approx(alone.covered_m, rel=0.02)


def test_coarse_ground_counts_nowhere_that_fine_ground_is_known():
    fine = grid(lambda *at: np.zeros_like(at[0]), pixel_m=10, pixels=301)
    coarse = grid(lambda *at: np.where(away_m(*at, EQUATOR) < 1000, 3000.0, 0.0), pixels=101)
    nested = skyline([coarse, fine], *EQUATOR, RADIUS_M + 2).elevation_deg
    assert nested.max() < 0
    assert skyline([coarse], *EQUATOR, RADIUS_M + 2).elevation_deg.max() > 45


def test_coarse_ground_fills_holes_of_fine_ground():
    def holed(latitude, longitude):
        return np.where(np.abs(away_m(latitude, longitude, (0.03, 0.0))) < 300, np.nan, 0.0)

    fine = grid(holed, pixel_m=10, pixels=301)
    coarse = grid(lambda *at: np.where(away_m(*at, (0.03, 0.0)) < 150, 500.0, 0.0), pixels=101)
    nested = skyline([fine, coarse], *EQUATOR, RADIUS_M + 2).elevation_deg
    assert np.abs(nested.argmax() / 2) % 360 < 10
    assert nested.max() > 20


def test_covered_distance_ends_at_the_border():
    model = grid(lambda *at: np.zeros_like(at[0]), pixels=401, rows=301)
    covered = skyline([model], *EQUATOR, RADIUS_M + 2).covered_m
    assert covered[[0, 180, 360, 540]] == pytest.approx([15e3, 20e3, 15e3, 20e3], rel=0.01)


def test_unknown_ground_hides_nothing():
    def half(latitude, longitude):
        return np.where(longitude > 0.1, np.nan, 1000.0 * (np.abs(longitude) > 0.05))

    seen = skyline([grid(half)], *EQUATOR, RADIUS_M + 2)
    assert np.all(np.isfinite(seen.elevation_deg))
    assert seen.covered_m[180] < 3100 < seen.covered_m[540]


@given(st.floats(-89.9, 89.9), st.floats(-180, 360), st.floats(0, 359.9), st.floats(1, 5000))
def test_points_along_a_great_circle_lie_at_their_distance(latitude, longitude, azimuth, away_km):
    angle = away_km * 1000 / RADIUS_M
    there = along(latitude, longitude, np.radians(azimuth), angle)
    assert float(away_m(*there, (latitude, longitude))) == pytest.approx(away_km * 1000, abs=0.01)
