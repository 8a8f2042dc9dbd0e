"""Arrays, cells and heaters follow the physics."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from obsplan.common.constants import SOLAR_IRRADIANCE_W_M2, STEFAN_BOLTZMANN_W_M2_K4
from obsplan.physics.array_power import (
    array_power_w,
    cell_temperature_k,
    heater_below_w,
)

# No wall-clock deadline on a shared machine, and the same cases every time.
steady = settings(deadline=None, derandomize=True)


angles = st.floats(-180, 180)


def panel_w(elevation_deg, azimuth_deg, facing, visible_fraction=1.0, **options):
    """One square metre of efficiency one under 1000 W/m2."""
    return array_power_w(
        1000.0,
        visible_fraction,
        elevation_deg,
        azimuth_deg,
        area_m2=1.0,
        efficiency=1.0,
        facing=facing,
        **options,
    )


def test_zenith_panel_follows_the_sine_of_the_sun_elevation():
    elevation_deg = np.array([0.0, 30.0, 90.0])
    power_w = panel_w(elevation_deg, 123.0, (0.0, 0.0))
    np.testing.assert_allclose(power_w, [0.0, 500.0, 1000.0], atol=1e-9)


def test_upright_panel_sees_the_low_sun_and_not_the_overhead_one():
    facing_east = (90.0, 90.0)
    power_w = panel_w(np.array([0.0, 60.0, 90.0, 0.0]), np.array([90, 90, 90, 270]), facing_east)
    np.testing.assert_allclose(power_w, [1000.0, 500.0, 0.0, 0.0], atol=1e-9)


def test_panel_tilted_towards_the_sun_sees_it_head_on():
    assert panel_w(25.0, 140.0, (140.0, 65.0)) == pytest.approx(1000.0, abs=1e-9)


def test_sun_behind_a_panel_gives_nothing():
    assert panel_w(10.0, 0.0, (180.0, 60.0)) == 0.0


def test_tracking_panel_sees_normal_incidence_wherever_any_sun_is_visible():
    power_w = panel_w(
        np.array([60.0, 0.1, -0.2, -5.0]), 90.0, "sun", np.array([1.0, 0.7, 0.1, 0.0])
    )
    np.testing.assert_allclose(power_w, [1000.0, 700.0, 100.0, 0.0])


def test_area_efficiency_and_dust_multiply():
    power_w = array_power_w(
        1361.0, 0.5, 90.0, 0.0, area_m2=2.0, efficiency=0.3, facing=(0, 0), dust_loss=0.1
    )
    assert power_w == pytest.approx(1361.0 * 0.5 * 2.0 * 0.3 * 0.9)


def test_hot_cells_give_less_and_never_a_negative_power():
    power_w = panel_w(90.0, 0.0, "sun", cell_temperature_k=np.array([301.15, 401.15, 900.0]))
    np.testing.assert_allclose(power_w, [1000.0, 770.0, 0.0])


@pytest.mark.parametrize("facing", ["zenith", "", "ab"])
def test_unknown_facing_is_refused(facing):
    with pytest.raises(ValueError, match="facing"):
        panel_w(90.0, 0.0, facing)


@steady
@given(angles, angles, angles, st.floats(0, 180), st.floats(0, 1), st.floats(50, 500))
def test_fixed_panel_never_beats_a_tracking_one_nor_goes_negative(
    elevation_deg, azimuth_deg, panel_azimuth_deg, tilt_deg, fraction, cell_k
):
    options = {"visible_fraction": fraction, "cell_temperature_k": cell_k}
    fixed_w = panel_w(elevation_deg, azimuth_deg, (panel_azimuth_deg, tilt_deg), **options)
    tracking_w = panel_w(elevation_deg, azimuth_deg, "sun", **options)
    assert 0.0 <= fixed_w <= tracking_w + 1e-9  # cosines round above one by 1e-16


@steady
@given(st.floats(-2, 90), angles, st.floats(40, 390), angles, st.floats(0, 180))
def test_cell_temperature_balances_what_both_faces_gain_and_lose(
    sun_elevation_deg, sun_azimuth_deg, ground_k, azimuth_deg, tilt_deg
):
    absorptance, emissivity, ground_emissivity = 0.9, 0.85, 0.95
    cell_k = cell_temperature_k(
        SOLAR_IRRADIANCE_W_M2,
        1.0,
        sun_elevation_deg,
        sun_azimuth_deg,
        ground_k,
        facing=(azimuth_deg, tilt_deg),
        absorptance=absorptance,
        emissivity=emissivity,
        ground_emissivity=ground_emissivity,
    )
    sunlight = panel_w(sun_elevation_deg, sun_azimuth_deg, (azimuth_deg, tilt_deg)) / 1000.0
    gained = absorptance * SOLAR_IRRADIANCE_W_M2 * sunlight
    lost = 0.0
    for sign in (-1, 1):  # front, back
        sees_ground = (1 + sign * np.cos(np.radians(tilt_deg))) / 2
        ground_w_m2 = ground_emissivity * STEFAN_BOLTZMANN_W_M2_K4 * ground_k**4
        gained += emissivity * sees_ground * ground_w_m2
        lost += emissivity * STEFAN_BOLTZMANN_W_M2_K4 * cell_k**4
    assert lost == pytest.approx(gained, rel=1e-12, abs=1e-9)  # rounding only


def test_black_plate_far_from_any_ground_takes_its_textbook_temperature():
    plate_k = cell_temperature_k(
        SOLAR_IRRADIANCE_W_M2, 1.0, 0.0, 0.0, 0.0, facing="sun", absorptance=1.0, emissivity=1.0
    )
    # Heated on one face, radiating from two: (S / 2 sigma)^(1/4).
    assert plate_k == pytest.approx(330.99, abs=0.01)


def test_panel_in_the_dark_is_colder_than_the_ground_below_it():
    panel_k = cell_temperature_k(
        1361.0, 0.0, -5.0, 0.0, np.array([100.0, 380.0]), facing="sun", ground_emissivity=1.0
    )
    np.testing.assert_allclose(panel_k, np.array([100.0, 380.0]) / 2**0.25)


def test_heater_below_runs_only_while_the_ground_is_colder_than_its_setpoint():
    load_w = heater_below_w(np.array([90.0, 249.9, 250.0, 380.0, np.nan]), 250.0, 12.0)
    np.testing.assert_array_equal(load_w, [12.0, 12.0, 0.0, 0.0, 12.0])
