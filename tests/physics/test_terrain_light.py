"""Terrain around a site: how much of it the ground sees, and that no energy is made or lost."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from tools.ground import temperature_under

from obsplan.common.constants import STEFAN_BOLTZMANN_W_M2_K4
from obsplan.physics.regolith import Soil
from obsplan.physics.skyline import FLAT
from obsplan.physics.terrain_light import MOST_VIEW, Terrain, terrain_view


def level_ring(elevation_deg):
    return np.array([[0.0, elevation_deg]])


@given(st.floats(0, 75))
def test_level_ground_in_a_level_ring_sees_the_sine_squared(elevation_deg):
    # 1 - sky view; the integral over a cap of the sky is exact for a level ring.
    expected = np.sin(np.radians(elevation_deg)) ** 2
    assert terrain_view(level_ring(elevation_deg)) == pytest.approx(expected, abs=1e-12)


@given(st.floats(0, 60), st.floats(0, 360))
def test_a_slope_on_a_plain_sees_the_plain(slope_deg, aspect_deg):
    # (1 - cos S) / 2, the view factor of two planes with a common edge.
    expected = (1 - np.cos(np.radians(slope_deg))) / 2
    assert terrain_view(FLAT, slope_deg, aspect_deg) == pytest.approx(expected, abs=1e-6)


def test_a_jagged_skyline_on_a_slope_is_the_sum_of_its_rays():
    rng = np.random.default_rng(5)
    profile = np.stack([np.arange(0.0, 360.0, 5.0), rng.uniform(0, 40, 72)], axis=1)
    slope, aspect = np.radians([25.0, 130.0])
    normal = np.array(
        [np.sin(slope) * np.sin(aspect), np.sin(slope) * np.cos(aspect), np.cos(slope)]
    )
    azimuth_deg, elevation_deg = np.meshgrid(np.arange(0.125, 360, 0.25), np.arange(-89.9, 90, 0.2))
    a, e = np.radians(azimuth_deg), np.radians(elevation_deg)
    ray = np.array([np.cos(e) * np.sin(a), np.cos(e) * np.cos(a), np.sin(e)])
    cosine = np.maximum(np.tensordot(normal, ray, 1), 0.0)
    sky = elevation_deg > np.interp(azimuth_deg, *profile.T, period=360.0)
    share = (cosine * np.cos(e) * sky).sum() / (cosine * np.cos(e)).sum()
    # 0.2 %: rays 0.2 deg apart.
    assert terrain_view(profile, 25.0, 130.0) == pytest.approx(1 - share, abs=2e-3)


def test_terrain_below_a_hilltop_is_not_seen_and_a_shaft_still_sees_some_sky():
    assert terrain_view(level_ring(-3.0)) == 0.0
    assert terrain_view(level_ring(90.0)) == MOST_VIEW


def bowl(view, sunlight_w_m2):
    """A wall that ground with this view sees, under steady sunlight on level ground."""

    def terrain(time_s):
        return Terrain(np.array([view]), np.array([view]), np.full((1, len(time_s)), sunlight_w_m2))

    return terrain


@pytest.mark.parametrize("view", [0.05, 0.2, 0.6])
@pytest.mark.parametrize("emissivity", [0.9, 1.0])
def test_the_bowl_gives_back_what_comes_in(view, emissivity):
    """Steady light: what leaves through the opening as light and heat is what fell on it."""
    albedo, wall = 0.15, bowl(view, 100.0)(np.arange(3))
    lit_w_m2 = wall.sunlight_w_m2(albedo)[0, 0]
    absorbed_w_m2 = (1 - albedo) * lit_w_m2
    emission = emissivity * STEFAN_BOLTZMANN_W_M2_K4
    wall_k = (absorbed_w_m2 / emission / wall.to_sky(emissivity)[0]) ** 0.25
    out_w_m2 = albedo * lit_w_m2 + wall.infrared_w_m2(np.array([[wall_k]]), emissivity)[0, 0]
    # A square metre of wall sees the sky in 1 - view of its hemisphere; the opening is 1 - view of
    # the wall's area, so per square metre of opening leaves what per square metre of wall goes out.
    assert out_w_m2 == pytest.approx(100.0, rel=1e-12)


def ground_k(absorbed_w_m2, wall_w_m2, view, soil):
    """Temperature of ground under steady light beside a wall under steady light."""

    def light(time_s):
        return np.full((1, len(time_s)), absorbed_w_m2)

    hours = np.arange(0.0, 36000.0, 3600.0)
    return temperature_under(light, hours, [0.0], soil, bowl(view, wall_w_m2))[0, 0, 0]


def test_ground_lit_like_the_wall_is_as_warm_as_the_wall():
    soil = Soil(heat_flow_w_m2=0.0)
    view, light_w_m2 = 0.3, 200.0
    a, e = soil.normal_albedo, soil.emissivity
    lit_w_m2 = light_w_m2 * (1 - view) / (1 - a * view)
    wall_k = (
        (1 - a) * lit_w_m2 / (e * STEFAN_BOLTZMANN_W_M2_K4) * (1 - (1 - e) * view) / (1 - view)
    ) ** 0.25
    # The share of direct light that a mean piece of the wall gets, less what comes by reflection.
    direct_w_m2 = (1 - a) * light_w_m2 * (1 - view)
    assert ground_k(direct_w_m2, light_w_m2, view, soil) == pytest.approx(wall_k, abs=0.05)


def test_no_light_on_the_wall_leaves_ground_and_wall_to_the_heat_flow():
    soil = Soil()
    dark_k = (soil.heat_flow_w_m2 / soil.emission_w_m2_k4) ** 0.25
    # The wall keeps what it sends to itself, and the ground is as warm as the wall.
    assert dark_k < ground_k(0.0, 0.0, 0.5, soil) < dark_k * 2**0.25 + 0.1
