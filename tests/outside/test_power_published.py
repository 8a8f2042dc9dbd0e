"""Published examples of array and battery sizing: the array's power and the replay's battery.

Inputs are those of the sizing examples of Wertz & Larson (1999), Space Mission Analysis and
Design, 3rd ed., ch. 11, as quoted by others. What is expected follows from the energy
balance written out in each check.
"""

import numpy as np
import pytest
from scipy.optimize import brentq
from tools.replayed import DAY_MIN, environment, platform, scenario, slots

from obsplan.checking.check import check_timeline
from obsplan.physics.array_power import array_power_w

LOAD_W = 110.0  # by day and by night


def stored_wh(battery, **columns):
    """The replay's battery level at the start of each minute of a day without slots."""
    scene = scenario(platforms=[platform(battery=battery, bus_limit_w=1000.0)])
    verdict = check_timeline(environment(scene, **columns), slots())
    return verdict.resources["lander"]["stored_wh"].to_numpy()


def test_array_power_that_carries_a_load_through_the_eclipse():
    """110 W day and night, 35.3 min of eclipse and 63.5 min of day: an array of 239.4 W.

    The path efficiencies, 0.8 from array to load and 0.6 from array through battery to
    load, mean a bus that passes on 0.8 and a battery that returns 0.75. Energy balance:
    (110 x 35.3 / 0.6 + 110 x 63.5 / 0.8) / 63.5 = (6471.7 + 8731.2) / 63.5 W. The replay
    counts whole minutes, so both spells last ten times as long; that changes no power.
    """
    through_array, through_battery = 0.8, 0.6
    eclipse_min, day_min = 353, 635
    minute = np.arange(DAY_MIN)
    lit = (minute >= eclipse_min) & (minute < eclipse_min + day_min)
    battery = {
        "capacity_wh": 2000.0,
        "start": 0.9,
        "charge_efficiency": through_battery / through_array,
        "discharge_efficiency": 1.0,
    }

    def gained_over_an_orbit_wh(array_w):
        generation_w = np.where(lit, array_w * through_array, 0.0)
        level_wh = stored_wh(battery, generation_w=generation_w, base_load_w=LOAD_W)
        assert level_wh[eclipse_min] < level_wh[: eclipse_min + day_min + 1].max() <= 2000.0
        return level_wh[eclipse_min + day_min] - level_wh[0]

    array_w = brentq(gained_over_an_orbit_wh, 150.0, 250.0, xtol=0.001)
    assert array_w == pytest.approx(239.4, abs=0.1)  # given to 0.1 W


def test_array_at_the_beginning_and_end_of_life():
    """143 W/m2 at the beginning of life and 118.1 W/m2 after five years.

    0.148 x 1368 W/m2 = 202 W/m2, times an inherent degradation of 0.77 and cos 23.5 deg;
    3.75 % lost a year leave 0.9625^5 = 0.826.
    """
    life = (1 - 0.0375) ** 5
    assert life == pytest.approx(0.826, abs=0.001)  # given to 0.001
    begin_w, end_w = (
        array_power_w(
            1368.0,
            1.0,
            90.0 - 23.5,
            180.0,
            area_m2=1.0,
            efficiency=0.148 * 0.77,
            facing=(0.0, 0.0),
            dust_loss=lost,
        )
        for lost in (0.0, 1 - life)
    )
    assert begin_w == pytest.approx(143.0, abs=0.5)  # given in whole watts
    assert end_w == pytest.approx(118.1, abs=0.5)  # follows from the rounded 143 W/m2


def test_battery_capacity_for_the_eclipse():
    """Three batteries of 119 Wh each carry 110 W for 35.3 min, 20 % deep, at 0.9 efficiency.

    110 W x 35.3 min = 64.7 Wh at the load, 71.9 Wh out of the batteries; over 0.20 x 3.
    """
    load_w = np.zeros(DAY_MIN)
    load_w[:35], load_w[35] = LOAD_W, 0.3 * LOAD_W
    battery = {"capacity_wh": 1000.0, "start": 1.0, "discharge_efficiency": 0.9}
    level_wh = stored_wh(battery, base_load_w=load_w)
    drawn_wh = level_wh[0] - level_wh[-1]
    assert 0.9 * drawn_wh == pytest.approx(64.7, abs=0.05)  # given to 0.1 Wh
    assert drawn_wh / 0.20 / 3 == pytest.approx(119.0, abs=1.0)  # whole, cut and not rounded


def test_triple_junction_cells_lose_as_the_data_sheet_says():
    """-0.23 %/K of power, from a data sheet's current and voltage coefficients, as quoted."""
    at_28_c, ten_k_warmer = array_power_w(
        1361.0,
        1.0,
        90.0,
        0.0,
        area_m2=1.0,
        efficiency=0.3,
        facing="sun",
        cell_temperature_k=np.array([301.15, 311.15]),
    )
    assert at_28_c == pytest.approx(1361.0 * 0.3)  # the rated efficiency applies at 28 C
    percent_per_k = 100 * (ten_k_warmer / at_28_c - 1) / 10
    assert percent_per_k == pytest.approx(-0.23, abs=0.01)  # given to 0.01 %/K


@pytest.mark.long
def test_light_on_a_tilted_array_is_that_of_a_general_library():
    """The beam on a plane of pvlib (Anderson et al. 2023, J. Open Source Software 8, 5994)."""
    irradiance = pytest.importorskip("pvlib").irradiance
    rng = np.random.default_rng(7)
    elevation_deg, azimuth_deg = rng.uniform(0, 90, 1000), rng.uniform(0, 360, 1000)
    for facing in ((0.0, 0.0), (120.0, 70.0), (240.0, 70.0), (359.0, 90.0), (45.0, 30.0)):
        theirs = irradiance.beam_component(
            facing[1], facing[0], 90 - elevation_deg, azimuth_deg, 1361.0
        )
        ours = array_power_w(
            1361.0, 1.0, elevation_deg, azimuth_deg, area_m2=1.0, efficiency=1.0, facing=facing
        )
        assert ours == pytest.approx(theirs, abs=1e-9)
