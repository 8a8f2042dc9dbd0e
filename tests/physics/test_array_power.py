"""Arrays, heaters and battery behave as the physics says."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from obsplan.common.constants import SOLAR_IRRADIANCE_W_M2, STEFAN_BOLTZMANN_W_M2_K4
from obsplan.physics.array_power import (
    array_power_w,
    battery_history_wh,
    cell_temperature_k,
    heater_below_w,
    heater_dark_w,
    needed_wh,
)

# No wall-clock deadline on a shared machine, and the same cases every time.
steady = settings(deadline=None, derandomize=True)

ROUNDING_WH = 1e-9  # sums of a hundred doubles below 1e5 round to less than this

angles = st.floats(-180, 180)
net_power = st.lists(st.floats(-300, 300), max_size=60)
batteries = st.fixed_dictionaries(
    {
        "capacity_wh": st.floats(10, 2000),
        "charge_efficiency": st.floats(0.5, 1),
        "discharge_efficiency": st.floats(0.5, 1),
        "charge_limit_w": st.one_of(st.just(np.inf), st.floats(1, 300)),
    }
)
steps_h = st.sampled_from([1 / 60, 0.25, 1.0])


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


def test_heater_dark_runs_only_while_no_sun_is_in_view():
    load_w = heater_dark_w(np.array([0.0, 1e-6, 1.0, np.nan]), 12.0)
    np.testing.assert_array_equal(load_w, [12.0, 0.0, 0.0, 12.0])


def test_battery_charges_fills_spills_and_drains():
    stored_wh, spilled_wh = battery_history_wh(
        [100.0, 100.0, 100.0, -90.0],
        0.5,
        capacity_wh=100.0,
        start_wh=20.0,
        charge_efficiency=0.8,
        discharge_efficiency=0.9,
    )
    np.testing.assert_allclose(stored_wh, [20.0, 60.0, 100.0, 100.0, 50.0])
    np.testing.assert_allclose(spilled_wh, [0.0, 0.0, 50.0, 0.0])


def test_step_that_fills_the_battery_spills_what_is_left_of_it():
    stored_wh, spilled_wh = battery_history_wh(
        [100.0],
        1.0,
        capacity_wh=100.0,
        start_wh=60.0,
        charge_efficiency=0.8,
        discharge_efficiency=1.0,
    )
    assert stored_wh[-1] == 100.0
    assert spilled_wh[0] == pytest.approx(50.0)  # 40 Wh of room took 50 Wh of the bus


def test_charge_limit_turns_generation_away():
    stored_wh, spilled_wh = battery_history_wh(
        [100.0],
        0.5,
        capacity_wh=1000.0,
        start_wh=0.0,
        charge_efficiency=0.9,
        discharge_efficiency=1.0,
        charge_limit_w=60.0,
    )
    np.testing.assert_allclose(stored_wh, [0.0, 27.0])
    np.testing.assert_allclose(spilled_wh, [20.0])


def test_battery_may_fall_below_zero_for_the_caller_to_judge():
    stored_wh, _ = battery_history_wh(
        [-50.0],
        1.0,
        capacity_wh=100.0,
        start_wh=10.0,
        charge_efficiency=1.0,
        discharge_efficiency=1.0,
    )
    np.testing.assert_allclose(stored_wh, [10.0, -40.0])


def test_unknown_power_leaves_an_unknown_charge():
    stored_wh, _ = battery_history_wh(
        [10.0, np.nan, 10.0],
        1.0,
        capacity_wh=100.0,
        start_wh=10.0,
        charge_efficiency=1.0,
        discharge_efficiency=1.0,
    )
    np.testing.assert_array_equal(stored_wh, [10.0, 20.0, np.nan, np.nan])


def test_battery_cannot_start_beyond_its_capacity():
    with pytest.raises(ValueError, match="holds 100"):
        battery_history_wh(
            [0.0],
            1.0,
            capacity_wh=100.0,
            start_wh=101.0,
            charge_efficiency=1.0,
            discharge_efficiency=1.0,
        )


@steady
@given(net_power, steps_h, batteries, st.floats(0, 1))
def test_battery_conserves_energy(net_w, step_h, battery, start_share):
    start_wh = start_share * battery["capacity_wh"]
    stored_wh, spilled_wh = battery_history_wh(net_w, step_h, start_wh=start_wh, **battery)
    net_wh = np.array(net_w) * step_h
    change_wh = np.diff(stored_wh)
    into_wh = np.maximum(change_wh, 0.0) / battery["charge_efficiency"]
    out_wh = np.maximum(-change_wh, 0.0) * battery["discharge_efficiency"]
    np.testing.assert_allclose(into_wh - out_wh + spilled_wh, net_wh, atol=ROUNDING_WH)
    assert np.all(spilled_wh >= -ROUNDING_WH)
    assert np.all(stored_wh <= battery["capacity_wh"])


@steady
@given(net_power, steps_h, batteries, st.floats(0, 1))
def test_battery_spills_only_when_full_or_at_the_charge_limit(net_w, step_h, battery, start_share):
    start_wh = start_share * battery["capacity_wh"]
    stored_wh, spilled_wh = battery_history_wh(net_w, step_h, start_wh=start_wh, **battery)
    room_left = stored_wh[1:] < battery["capacity_wh"]
    within_limit = np.array(net_w) <= battery["charge_limit_w"]
    assert np.all(spilled_wh[room_left & within_limit] == 0.0)


@steady
@given(net_power, steps_h, batteries, st.floats(0, 1))
def test_battery_follows_a_sum_reflected_at_the_capacity(net_w, step_h, battery, start_share):
    capacity_wh, start_wh = battery["capacity_wh"], start_share * battery["capacity_wh"]
    stored_wh, _ = battery_history_wh(net_w, step_h, start_wh=start_wh, **battery)
    # The same walk without a loop: what ran over so far is taken off the plain sum.
    change_wh = [
        min(net, battery["charge_limit_w"]) * step_h * battery["charge_efficiency"]
        if net > 0
        else net * step_h / battery["discharge_efficiency"]
        for net in net_w
    ]
    level_wh = start_wh + np.concatenate([[0.0], np.cumsum(change_wh)])
    ran_over_wh = np.maximum.accumulate(np.maximum(level_wh - capacity_wh, 0.0))
    np.testing.assert_allclose(stored_wh, level_wh - ran_over_wh, atol=ROUNDING_WH)


def test_needed_energy_of_a_written_out_case():
    needed = needed_wh(
        [-90.0, 100.0, -45.0],
        1.0,
        reserve_wh=30.0,
        end_wh=40.0,
        capacity_wh=500.0,
        charge_efficiency=0.8,
        discharge_efficiency=0.9,
    )
    # end 40; before the 45 W deficit 90; the surplus brings 80, so 30 (the reserve); then 130.
    np.testing.assert_allclose(needed, [130.0, 30.0, 90.0, 40.0])


def test_need_beyond_the_capacity_is_not_mended_by_charging_before_it():
    needed = needed_wh(
        [500.0, -120.0],
        1.0,
        reserve_wh=0.0,
        end_wh=0.0,
        capacity_wh=100.0,
        charge_efficiency=1.0,
        discharge_efficiency=1.0,
    )
    np.testing.assert_allclose(needed, [120.0, 120.0, 0.0])


def test_ending_full_can_be_asked_for():
    needed = needed_wh(
        [0.1, 0.2, 0.3],
        0.1,
        reserve_wh=0.0,
        end_wh=77.7,
        capacity_wh=77.7,
        charge_efficiency=0.9,
        discharge_efficiency=0.9,
    )
    assert np.all(needed <= 77.7)


needs = st.fixed_dictionaries({"reserve": st.floats(0, 0.6), "end": st.floats(0, 1)})


def holds(net_w, step_h, battery, start_wh, reserve_wh, end_wh, slack_wh=ROUNDING_WH):
    stored_wh, _ = battery_history_wh(net_w, step_h, start_wh=start_wh, **battery)
    return stored_wh.min() >= reserve_wh - slack_wh and stored_wh[-1] >= end_wh - slack_wh


@settings(steady, max_examples=300)
@given(net_power, steps_h, batteries, needs)
def test_needed_energy_is_enough_and_not_a_milliwatt_hour_too_much(net_w, step_h, battery, need):
    reserve_wh, end_wh = (need[key] * battery["capacity_wh"] for key in ("reserve", "end"))
    needed = needed_wh(net_w, step_h, reserve_wh=reserve_wh, end_wh=end_wh, **battery)
    assert np.all(needed >= reserve_wh)
    for step in range(0, len(net_w) + 1, 7):
        start_wh, rest_w = needed[step], net_w[step:]
        if start_wh > battery["capacity_wh"]:
            continue
        assert holds(rest_w, step_h, battery, start_wh, reserve_wh, end_wh)
        if start_wh > reserve_wh:
            assert not holds(rest_w, step_h, battery, start_wh - 1e-3, reserve_wh, end_wh)


@steady
@given(net_power, steps_h, batteries, st.floats(1, 100), st.floats(0, 100), st.floats(0.1, 0.99))
def test_when_more_than_the_capacity_is_needed_that_capacity_and_no_less_would_do(
    net_w, step_h, battery, reserve_wh, end_wh, share
):
    def needed(capacity_wh):
        limits = {**battery, "capacity_wh": capacity_wh}
        return needed_wh(net_w, step_h, reserve_wh=reserve_wh, end_wh=end_wh, **limits)

    capacity_that_does = needed(np.inf).max()
    assert needed(share * capacity_that_does)[0] == capacity_that_does
    for capacity_wh, does in ((capacity_that_does, True), (capacity_that_does - 1e-3, False)):
        limits = {**battery, "capacity_wh": capacity_wh}
        assert holds(net_w, step_h, limits, capacity_wh, reserve_wh, end_wh) == does
