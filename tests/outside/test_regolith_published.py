"""Ground temperature against measurements, published models and textbook formulae.

How sure the number is: P read in the published table, S as quoted by others, A follows
from a formula.
"""

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from tools.ground import LUNATION_S, sunlight, temperature_under

from obsplan.common.constants import STEFAN_BOLTZMANN_W_M2_K4, SYNODIC_MONTH_DAYS
from obsplan.physics import heat_conduction
from obsplan.physics.regolith import (
    HIGHLAND,
    MARE,
    Soil,
    albedo,
    density_kg_m3,
    heat_capacity_j_kg_k,
    regolith_column,
)

COLUMN = regolith_column()
STEPS = 2835  # 900 s each
STEP_S = LUNATION_S / STEPS
TIME_S = STEP_S * np.arange(2 * STEPS)
HOURS_AFTER_NOON = 24 * TIME_S / LUNATION_S  # 24 lunar hours to a lunation


@pytest.fixture(scope="module")
def ground():
    """Temperatures (site, time, depth): 0 and 30 N highland, 26 N mare."""
    sites = [(0, HIGHLAND), (30, HIGHLAND), (26, MARE)]

    def light(time_s):
        return [sunlight(lat, time_s, normal_albedo=s.normal_albedo) for lat, s in sites]

    return temperature_under(lambda t: np.array(light(t)), TIME_S, [0.0, 0.83, 1.0])


def at_hour(series, hour):
    return np.interp(hour, HOURS_AFTER_NOON, series)


# --- properties of the soil ------------------------------------------------------------


def test_heat_capacity():
    """Hayne et al. 2017, JGR Planets 122, 2371, appendix (S); 0.01: printed digits."""
    published = [282.864, 671.752, 770.847, 850.386, 909.802]
    ours = heat_capacity_j_kg_k(np.array([100.0, 250.0, 300.0, 350.0, 400.0]))
    assert ours == pytest.approx(published, abs=0.01)


def test_conductivity():
    """Hayne et al. 2017, appendix A (S): surface at 350 K, deep at 250 K; 1e-6: printed digits.

    That of the column in which heat is conducted. Its uppermost contact lies 0.25 mm deep,
    so the value at the surface is extrapolated from the upper two.
    """
    spacing = np.diff(COLUMN.depth_m)
    middle = COLUMN.depth_m[:-1] + spacing / 2

    def conductivity_w_m_k(temperature):
        radiating = 1 + COLUMN.radiative_per_k3 * temperature**3
        return COLUMN.conductance_w_m2_k * spacing * radiating

    upper, next_lower = conductivity_w_m_k(350.0)[:2]
    at_surface = upper - (next_lower - upper) * middle[0] / (middle[1] - middle[0])
    assert at_surface == pytest.approx(2.738e-3, abs=1e-6)
    assert conductivity_w_m_k(250.0)[-1] == pytest.approx(6.7455e-3, abs=1e-6)


def test_conducted_heat_follows_the_published_conductivity():
    """Hayne et al. 2017, appendix A (S): K = Kc (1 + 2.7 (T / 350 K)^3), Kc deep 3.4e-3 W/m/K.

    Under steady light the heat flow from below crosses every depth, so K integrated over
    the temperatures of the two deepest nodes is the heat flow times their distance. 0.5 %: so
    much flow makes the soil 100 K warmer at depth than the guess from which it settles.
    """
    depth_m = COLUMN.depth_m[-2:]
    upper_k, lower_k = temperature_under(
        lambda t: np.full(len(t), 200.0), np.arange(2.0), depth_m, Soil(heat_flow_w_m2=2.0)
    )[-1]
    by_contacts = lower_k - upper_k
    by_radiation = 2.7 * (lower_k**4 - upper_k**4) / 4 / 350**3
    flow_w_m2 = 3.4e-3 * (by_contacts + by_radiation) / (depth_m[1] - depth_m[0])
    assert flow_w_m2 == pytest.approx(2.0, rel=5e-3)


def test_albedo():
    """Keihm 1984, Icarus 60, 568, form as used by Hayne et al. 2017 (S); 1e-5: printed digits."""
    ours = albedo(np.array([30.0, 60.0, 85.0]), 0.12)
    assert ours == pytest.approx([0.13782, 0.27198, 0.68261], abs=1e-5)


# --- measured and modelled temperatures ------------------------------------------------


def test_equator_noon_midnight_and_minimum(ground):
    """Hayne et al. 2017, table A2 (S); 5 K: spread of the table's own model variants."""
    surface = ground[0, :, 0]
    assert at_hour(surface, 24.0) == pytest.approx(385, abs=5)
    assert at_hour(surface, 12.0) == pytest.approx(101, abs=5)
    assert surface.min() == pytest.approx(95, abs=5)


def test_equator_daily_maximum_and_before_sunrise(ground):
    """Williams et al. 2017, Icarus 283, 300 (P): maximum 387-397 K, about 95 K at night's end.

    380-400 K because their spread is albedo and distance, and ours is one albedo at
    1 au; 88-100 K because "about".
    """
    surface = ground[0, :, 0]
    assert 380 <= surface.max() <= 400
    assert 88 <= at_hour(surface, 17.5) <= 100


def test_equator_dusk_is_warmer_than_dawn(ground):
    """Williams et al. 2017 (P): about 30 K.

    12 K because the surface loses 6 K in a quarter of a lunar hour at dusk, and the text
    names no minute.
    """
    surface = ground[0, :, 0]
    assert at_hour(surface, 6.0) - at_hour(surface, 18.0) == pytest.approx(30, abs=12)


@pytest.mark.parametrize(
    ("site", "hours", "published_k"),
    [
        (0, [8.483, 10.460, 12.481, 14.494, 16.487], [107.50, 102.39, 98.95, 96.31, 94.13]),
        (1, [8.505, 10.502, 12.488, 14.520, 16.511], [105.08, 99.93, 96.73, 94.01, 91.83]),
    ],
    ids=["equator", "30 N"],
)
def test_night_cooling(ground, site, hours, published_k):
    """Diviner, rock-free soil: Bandfield et al. 2011; Hayne et al. 2017, fig. A2 (S, digitised).

    3 K: scatter of the measurements and of reading a figure.
    """
    assert at_hour(ground[site, :, 0], hours) == pytest.approx(published_k, abs=3)


def test_one_metre_below_26_north(ground):
    """Langseth et al. 1972, Apollo 15 Preliminary Science Report (P): two boreholes.

    4 K: 0.01 of albedo moves the mean by 1 K, and the site's is not known better than 0.03.
    """
    mean_k = ground[2, :STEPS, 2].mean()
    assert mean_k == pytest.approx(252.4, abs=4)
    assert mean_k == pytest.approx(250.7, abs=4)


def test_mean_temperatures_at_26_north(ground):
    """Hayne et al. 2017, table A2 (S): surface and 0.83 m; 5 K: albedo, as above."""
    assert ground[2, :STEPS, :2].mean(axis=0) == pytest.approx([211, 252], abs=5)


# --- formulae --------------------------------------------------------------------------


def test_wave_in_a_constant_half_space():
    """Carslaw & Jaeger, Conduction of Heat in Solids, periodic surface temperature (A).

    kappa 1e-8 m2/s: skin depth 0.090119 m; at 0.1 m the first harmonic has 0.32968 of its
    amplitude at the surface and lags by 5.215 d, whatever the surface does. 1 %: nodes.
    """
    column = heat_conduction.cut_column(
        COLUMN.depth_m,
        lambda depth_m: np.full_like(depth_m, 1500.0),
        lambda depth_m: np.full_like(depth_m, 1500.0 * 800.0 * 1e-8),
        (800.0,),
        0.0,
    )
    absorbed = 200 + 100 * np.cos(2 * np.pi * np.arange(13 * 709 + 1) / 709)
    series = heat_conduction.Series(np.full(len(absorbed), LUNATION_S / 709), absorbed[None])
    edges = heat_conduction.Edges(0.018, HIGHLAND.emission_w_m2_k4)
    march = heat_conduction.temperatures(column, edges, series, np.full(709, 1 / 709))[0]
    temperature = np.array(
        [[np.interp(z, column.depth_m, state) for z in (0.0, 0.1)] for state in march[-709:]]
    )
    surface, below = np.fft.rfft(temperature, axis=0)[1]
    assert abs(below / surface) == pytest.approx(0.32968, rel=0.01)
    lag_d = -np.angle(below / surface) / (2 * np.pi) * SYNODIC_MONTH_DAYS
    assert lag_d == pytest.approx(5.215, rel=0.01)
    assert 0.1 / -np.log(abs(below / surface)) == pytest.approx(0.090119, rel=0.01)


def test_radiative_equilibrium():
    """((1 - A) S cos i / (eps sigma))^(1/4), A 0.12, eps 0.95, S 1361, at 0 and 60 deg (A).

    0.01 K: printed digits. Under steady light the whole column must stand there.
    """
    absorbed = (1 - 0.12) * 1361.0 * np.array([[1.0], [0.5]])
    temperature = temperature_under(
        lambda t: np.repeat(absorbed, len(t), axis=1),
        np.arange(0.0, 36000.0, 3600.0),
        [0.0, 0.1, 3.0],
        Soil(heat_flow_w_m2=0.0),
    )
    assert temperature[0] == pytest.approx(386.146, abs=0.01)
    assert temperature[1] == pytest.approx(324.709, abs=0.01)


# --- an independent solver -------------------------------------------------------------


def test_general_purpose_stiff_solver_on_the_same_grid():
    """scipy.integrate.solve_ivp (LSODA), a lunation with an eclipse of 3 h (A).

    0.5 K everywhere: what a planner can feel; the solver's own error is below 0.01 K.
    """

    def light(time_s):
        shade = np.interp(time_s / 3600, [60.0, 61.1, 62.3, 63.4], [1.0, 0.0, 0.0, 1.0])
        return sunlight(30, time_s) * shade

    absorbed, depth_m = light(TIME_S), COLUMN.depth_m
    ours = temperature_under(light, TIME_S, depth_m)

    spacing = np.diff(depth_m)
    middle = depth_m[:-1] + spacing / 2
    width = np.diff(np.concatenate([[0.0], middle, [depth_m[-1]]]))
    mass = density_kg_m3(depth_m) * width
    contacts = 3.4e-3 - (3.4e-3 - 7.4e-4) * np.exp(-middle / 0.07)

    def warming_k_s(time_s, temperature):
        between = (temperature[1:] + temperature[:-1]) / 2
        upward = contacts * (1 + 2.7 * (between / 350) ** 3) * np.diff(temperature) / spacing
        net = np.append(upward, 0.018) - np.append(0.0, upward)
        light = np.interp(time_s, TIME_S, absorbed)
        net[0] += light - 0.95 * STEFAN_BOLTZMANN_W_M2_K4 * temperature[0] ** 4
        return net / (mass * heat_capacity_j_kg_k(temperature))

    theirs = solve_ivp(
        warming_k_s,
        (0.0, TIME_S[STEPS]),
        ours[0],
        method="LSODA",
        t_eval=TIME_S[: STEPS + 1],
        rtol=1e-6,
        atol=1e-4,
        max_step=1800.0,
        lband=1,
        uband=1,
    )
    assert theirs.success
    assert np.abs(theirs.y.T - ours[: STEPS + 1]).max() < 0.5
    # And the start state is one to which the ground returns by that solver, too; the eclipse
    # takes up to 0.3 K from the uppermost decimetres.
    assert np.abs(theirs.y[:, -1] - ours[0]).max() < 0.4
