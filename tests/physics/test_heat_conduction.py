"""Conduction in columns of invented ground, whose answers can be written down."""

import numpy as np
import pytest

from obsplan.common.constants import STEFAN_BOLTZMANN_W_M2_K4
from obsplan.physics.heat_conduction import (
    Edges,
    Series,
    cut_column,
    gentle_steps,
    means_over,
    temperatures,
)

DEPTH_M = np.linspace(0.0, 0.8, 41)
HOUR_S = 3600.0
DAY = 240  # steps of an hour
DAYS = 20  # in a cycle: as long as the slowest mode of the column needs to fade by e


def ground(conductivity=lambda depth_m: np.full_like(depth_m, 0.02), radiative_per_k3=0.0):
    """Soil of one density in which the day fades by e in 7 cm, if not told otherwise."""
    return cut_column(
        DEPTH_M,
        lambda depth_m: np.full_like(depth_m, 1500.0),
        conductivity,
        (800.0,),
        radiative_per_k3,
    )


def found(column, absorbed_w_m2, heat_flow_w_m2=0.0, emissivity=1.0):
    """Temperatures (sites, DAY, nodes) through the day after a cycle of such days."""
    edges = Edges(heat_flow_w_m2, emissivity * STEFAN_BOLTZMANN_W_M2_K4)
    light = np.tile(np.atleast_2d(absorbed_w_m2), DAYS + 1)
    series = Series(np.full(light.shape[1], HOUR_S), light)
    march = temperatures(column, edges, series, np.full(DAY * DAYS, 1 / (DAY * DAYS)))
    assert march.shape[1] == light.shape[1]
    return march[:, -DAY:]


def swinging(mean_w_m2=300.0, by_w_m2=200.0):
    return mean_w_m2 + by_w_m2 * np.cos(2 * np.pi * np.arange(DAY) / DAY)


def potential(temperature_k, column):
    return temperature_k + column.radiative_per_k3 * temperature_k**4 / 4


# A fifth of a kelvin: three passes leave a thirtieth of a guess that is six kelvin off.
SETTLED_K = 0.2


@pytest.mark.parametrize("emissivity", [0.5, 1.0])
def test_steady_light_and_no_heat_flow_leave_one_temperature(emissivity):
    series_k = found(ground(), np.full(DAY, 250.0), emissivity=emissivity)
    balance_k = (250.0 / (emissivity * STEFAN_BOLTZMANN_W_M2_K4)) ** 0.25
    assert series_k == pytest.approx(np.full(series_k.shape, balance_k), abs=SETTLED_K)


def test_heat_flow_through_two_layers_bends_where_they_meet():
    column = ground(lambda depth_m: np.where(depth_m < 0.4, 0.02, 0.1))
    profile = found(column, np.full(DAY, 250.0), heat_flow_w_m2=0.5)[0, -1]
    gradient_k_m = np.diff(profile) / np.diff(DEPTH_M)
    # Flux over conductivity; what is unsettled, spread over the column.
    assert gradient_k_m[:20] == pytest.approx(np.full(20, 25.0), abs=0.5)
    assert gradient_k_m[20:] == pytest.approx(np.full(20, 5.0), abs=0.5)


def test_radiation_between_grains_makes_the_depths_warmer_on_the_mean():
    """Without heat flow the mean potential is one at every depth, so the mean T is not."""
    plain, radiating = ground(), ground(radiative_per_k3=6e-8)
    for column in (plain, radiating):
        cycle = found(column, swinging())[0]
        mean_potential = potential(cycle, column).mean(axis=0)
        slope = 1 + column.radiative_per_k3 * cycle.mean() ** 3
        assert np.ptp(mean_potential) / slope < SETTLED_K
        warmer_k = cycle[:, -1].mean() - cycle[:, 0].mean()
        if column is plain:
            assert abs(warmer_k) < SETTLED_K
        else:
            assert warmer_k > 1.0


def test_the_day_fades_and_lags_with_depth():
    cycle = found(ground(), swinging())[0]
    swing_k = np.ptp(cycle, axis=0)
    assert np.all(np.diff(swing_k[:20]) < 0)
    peak = cycle[:, :5].argmax(axis=0)
    assert np.all(np.diff(peak) > 0)


def test_emission_and_light_balance_over_a_day_with_sudden_steps():
    light = np.where(np.arange(DAY) < DAY // 3, 600.0, 60.0)
    surface_k = found(ground(), light, heat_flow_w_m2=0.05)[0, :, 0]
    emitted = STEFAN_BOLTZMANN_W_M2_K4 * surface_k**4
    # 0.1 %: hourly samples miss the curve within the hours in which the light changes.
    assert emitted.mean() == pytest.approx(light.mean() + 0.05, rel=1e-3)


def test_neighbouring_sites_do_not_touch():
    light = np.stack([swinging(), np.full(DAY, 40.0)])
    series_k = found(ground(), light)
    balance_k = (40.0 / STEFAN_BOLTZMANN_W_M2_K4) ** 0.25
    assert series_k[1] == pytest.approx(np.full(series_k[1].shape, balance_k), abs=SETTLED_K)
    assert series_k[0] == pytest.approx(found(ground(), light[0])[0], abs=1e-6)  # rounding


def test_sites_of_different_emission_may_share_a_call():
    light, emissivity = swinging(), np.array([0.5, 1.0])
    both = found(ground(), np.stack([light, light]), emissivity=emissivity)
    for site in (0, 1):
        alone = found(ground(), light, emissivity=emissivity[site])[0]
        assert both[site] == pytest.approx(alone, abs=1e-6)  # rounding


def test_means_keep_the_integral_of_uneven_samples():
    time_s = np.array([0.0, 1.0, 3.0, 4.0, 8.0])
    samples = np.array([[0.0, 2.0, 6.0, 0.0, 4.0]])
    assert means_over(np.array([0.0, 4.0, 8.0]), time_s, samples)[0] == pytest.approx([3.0, 2.0])


def test_steps_are_short_where_light_changes_and_at_most_double():
    """From six hours to a minute and back, with a sudden light."""
    time_s = np.cumsum([0.0, 21600.0, 60.0, 60.0, 21600.0, 21600.0])
    light = np.array([[0.0, 0.0, 0.0, 800.0, 800.0, 800.0]])
    series, ends = gentle_steps(time_s, light, STEFAN_BOLTZMANN_W_M2_K4)
    clock_s = np.cumsum(series.step_s)
    assert clock_s[ends - 1] == pytest.approx(time_s[1:])
    assert series.absorbed_w_m2[0, ends - 1] == pytest.approx(light[0, 1:])
    assert (series.step_s[1:] <= 2.001 * series.step_s[:-1]).all()
    assert series.step_s.max() <= 3600.0
    assert ends[2] - ends[1] > 40  # 250 K in steps of 5 K


def test_soil_is_cut_half_way_between_nodes():
    column = cut_column(
        np.array([0.0, 0.1, 0.4]), lambda z: 1000.0 * (1 + z), lambda z: 0.01 * (1 + z), (1.0,), 0.0
    )
    # Cells 0-0.05, 0.05-0.25, 0.25-0.4; rounding only.
    assert column.mass_kg_m2 == pytest.approx([50.0, 220.0, 210.0])
    assert column.conductance_w_m2_k == pytest.approx([0.0105 / 0.1, 0.0125 / 0.3])
