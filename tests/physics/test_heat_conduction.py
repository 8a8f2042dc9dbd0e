"""Conduction in columns of invented ground, whose answers can be written down."""

import numpy as np
import pytest

from obsplan.common.constants import STEFAN_BOLTZMANN_W_M2_K4
from obsplan.physics.heat_conduction import Edges, column_temperature_k, cut_column

DEPTH_M = np.linspace(0.0, 0.8, 41)
HOUR_S = 3600.0
DAY = 240  # samples an hour apart
FIRST_GUESS_K = 220.0


def ground(conductivity=lambda depth_m: np.full_like(depth_m, 0.02), radiative_per_k3=0.0):
    """Soil of one density in which the day fades by e in 7 cm, if not told otherwise."""
    return cut_column(
        DEPTH_M,
        lambda depth_m: np.full_like(depth_m, 1500.0),
        conductivity,
        (800.0,),
        radiative_per_k3,
    )


def temperatures(column, absorbed_w_m2, heat_flow_w_m2=0.0, emissivity=1.0, depth_m=DEPTH_M):
    edges = Edges(heat_flow_w_m2, emissivity * STEFAN_BOLTZMANN_W_M2_K4)
    light = np.atleast_2d(absorbed_w_m2)
    return column_temperature_k(column, edges, light, HOUR_S, depth_m, DAY, FIRST_GUESS_K)


def swinging(mean_w_m2=300.0, by_w_m2=200.0):
    return mean_w_m2 + by_w_m2 * np.cos(2 * np.pi * np.arange(2 * DAY) / DAY)


def potential(temperature_k, column):
    return temperature_k + column.radiative_per_k3 * temperature_k**4 / 4


# A tenth of a kelvin: settling stops at changes of 0.05 K.
SETTLED_K = 0.1


@pytest.mark.parametrize("emissivity", [0.5, 1.0])
def test_steady_light_and_no_heat_flow_leave_one_temperature(emissivity):
    found = temperatures(ground(), np.full(2 * DAY, 250.0), emissivity=emissivity)
    balance_k = (250.0 / (emissivity * STEFAN_BOLTZMANN_W_M2_K4)) ** 0.25
    assert found == pytest.approx(np.full(found.shape, balance_k), abs=SETTLED_K)


def test_heat_flow_through_two_layers_bends_where_they_meet():
    column = ground(lambda depth_m: np.where(depth_m < 0.4, 0.02, 0.1))
    profile = temperatures(column, np.full(2 * DAY, 250.0), heat_flow_w_m2=0.5)[0, -1]
    gradient_k_m = np.diff(profile) / np.diff(DEPTH_M)
    # Flux over conductivity; what is unsettled, spread over the column.
    assert gradient_k_m[:20] == pytest.approx(np.full(20, 25.0), abs=0.5)
    assert gradient_k_m[20:] == pytest.approx(np.full(20, 5.0), abs=0.5)


def test_radiation_between_grains_makes_the_depths_warmer_on_the_mean():
    """Without heat flow the mean potential is one at every depth, so the mean T is not."""
    plain, radiating = ground(), ground(radiative_per_k3=6e-8)
    for column in (plain, radiating):
        cycle = temperatures(column, swinging())[0, DAY:]
        mean_potential = potential(cycle, column).mean(axis=0)
        slope = 1 + column.radiative_per_k3 * cycle.mean() ** 3
        assert np.ptp(mean_potential) / slope < SETTLED_K
        warmer_k = cycle[:, -1].mean() - cycle[:, 0].mean()
        if column is plain:
            assert abs(warmer_k) < SETTLED_K
        else:
            assert warmer_k > 1.0


def test_the_day_fades_and_lags_with_depth():
    cycle = temperatures(ground(), swinging())[0, DAY:]
    swing_k = np.ptp(cycle, axis=0)
    assert np.all(np.diff(swing_k[:20]) < 0)
    peak = cycle[:, :5].argmax(axis=0)
    assert np.all(np.diff(peak) > 0)


def test_emission_and_light_balance_over_a_day_with_sudden_steps():
    light = np.where(np.arange(2 * DAY) % DAY < DAY // 3, 600.0, 60.0)
    surface_k = temperatures(ground(), light, heat_flow_w_m2=0.05)[0, DAY:, 0]
    emitted = STEFAN_BOLTZMANN_W_M2_K4 * surface_k**4
    # 0.1 %: hourly samples miss the curve within the hours in which the light changes.
    assert emitted.mean() == pytest.approx(light[DAY:].mean() + 0.05, rel=1e-3)


def test_neighbouring_sites_do_not_touch():
    light = np.stack([swinging(), np.full(2 * DAY, 40.0)])
    found = temperatures(ground(), light)
    balance_k = (40.0 / STEFAN_BOLTZMANN_W_M2_K4) ** 0.25
    assert found[1] == pytest.approx(np.full(found[1].shape, balance_k), abs=SETTLED_K)
    assert found[0] == pytest.approx(temperatures(ground(), light[0])[0], abs=SETTLED_K)


def test_soil_is_cut_half_way_between_nodes():
    column = cut_column(
        np.array([0.0, 0.1, 0.4]), lambda z: 1000.0 * (1 + z), lambda z: 0.01 * (1 + z), (1.0,), 0.0
    )
    # Cells 0-0.05, 0.05-0.25, 0.25-0.4; rounding only.
    assert column.mass_kg_m2 == pytest.approx([50.0, 220.0, 210.0])
    assert column.conductance_w_m2_k == pytest.approx([0.0105 / 0.1, 0.0125 / 0.3])
