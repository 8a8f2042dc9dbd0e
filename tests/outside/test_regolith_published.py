"""Ground temperature against measurements, published models and textbook formulae.

How sure the number is: P read in the published table, S as quoted by others, A follows
from a formula.
"""

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from obsplan.common.constants import (
    SOLAR_IRRADIANCE_W_M2,
    STEFAN_BOLTZMANN_W_M2_K4,
    SYNODIC_MONTH_DAYS,
)
from obsplan.physics.heat_conduction import cut_column
from obsplan.physics.regolith import (
    NORMAL_ALBEDO_HIGHLAND,
    REGOLITH,
    absorbed_flux_w_m2,
    albedo,
    density_kg_m3,
    ground_temperature_k,
    heat_capacity_j_kg_k,
)

NORMAL_ALBEDO_MARE = 0.07  # Hayne et al. 2017, JGR Planets 122, 2371, appendix A
LUNATION_S = SYNODIC_MONTH_DAYS * 86400
STEPS = 2835  # 900 s each
STEP_S = LUNATION_S / STEPS
HOURS_AFTER_NOON = 24 * np.arange(2 * STEPS) / STEPS  # 24 lunar hours to a lunation
WANTED_DEPTHS_M = [0.0, 0.83, 1.0]


def sunlight(latitude_deg, normal_albedo):
    """Level ground from local noon on, two lunations; the Sun on the equator at 1 au."""
    sine = np.cos(np.radians(latitude_deg)) * np.cos(2 * np.pi * HOURS_AFTER_NOON / 24)
    return absorbed_flux_w_m2(
        SOLAR_IRRADIANCE_W_M2,
        np.degrees(np.arcsin(sine)),
        0.0,
        (sine > 0).astype(float),
        normal_albedo=normal_albedo,
    )


@pytest.fixture(scope="module")
def ground():
    """Temperatures (site, time, depth): 0 and 30 N highland, 26 N mare."""
    sites = [(0, NORMAL_ALBEDO_HIGHLAND), (30, NORMAL_ALBEDO_HIGHLAND), (26, NORMAL_ALBEDO_MARE)]
    absorbed = np.array([sunlight(*site) for site in sites])
    return ground_temperature_k(absorbed, STEP_S, WANTED_DEPTHS_M, cycle_steps=STEPS)


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
    spacing = np.diff(REGOLITH.depth_m)
    middle = REGOLITH.depth_m[:-1] + spacing / 2

    def conductivity_w_m_k(temperature):
        radiating = 1 + REGOLITH.radiative_per_k3 * temperature**3
        return REGOLITH.conductance_w_m2_k * spacing * radiating

    upper, next_lower = conductivity_w_m_k(350.0)[:2]
    at_surface = upper - (next_lower - upper) * middle[0] / (middle[1] - middle[0])
    assert at_surface == pytest.approx(2.738e-3, abs=1e-6)
    assert conductivity_w_m_k(250.0)[-1] == pytest.approx(6.7455e-3, abs=1e-6)


def test_conducted_heat_follows_the_published_conductivity():
    """Hayne et al. 2017, appendix A (S): K = Kc (1 + 2.7 (T / 350 K)^3), Kc deep 3.4e-3 W/m/K.

    Under steady light the heat flow from below crosses every depth, so K integrated over
    the temperatures of the two deepest nodes is the heat flow times their distance. 0.2 %:
    the state is settled to 0.1 K, and some 17 K lie between the nodes.
    """
    depth_m = REGOLITH.depth_m[-2:]
    upper_k, lower_k = ground_temperature_k(
        np.full(200, 200.0), 4 * 3600.0, depth_m, cycle_steps=177, heat_flow_w_m2=2.0
    )[-1]
    by_contacts = lower_k - upper_k
    by_radiation = 2.7 * (lower_k**4 - upper_k**4) / 4 / 350**3
    flow_w_m2 = 3.4e-3 * (by_contacts + by_radiation) / (depth_m[1] - depth_m[0])
    assert flow_w_m2 == pytest.approx(2.0, rel=2e-3)


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
    column = cut_column(
        REGOLITH.depth_m,
        lambda depth_m: np.full_like(depth_m, 1500.0),
        lambda depth_m: np.full_like(depth_m, 1500.0 * 800.0 * 1e-8),
        (800.0,),
        0.0,
    )
    absorbed = 200 + 100 * np.cos(2 * np.pi * HOURS_AFTER_NOON / 24)
    temperature = ground_temperature_k(
        absorbed, STEP_S, [0.0, 0.1], cycle_steps=STEPS, column=column
    )
    surface, below = np.fft.rfft(temperature[:STEPS], axis=0)[1]
    assert abs(below / surface) == pytest.approx(0.32968, rel=0.01)
    lag_d = -np.angle(below / surface) / (2 * np.pi) * SYNODIC_MONTH_DAYS
    assert lag_d == pytest.approx(5.215, rel=0.01)
    assert 0.1 / -np.log(abs(below / surface)) == pytest.approx(0.090119, rel=0.01)


def test_radiative_equilibrium():
    """((1 - A) S cos i / (eps sigma))^(1/4), A 0.12, eps 0.95, S 1361, at 0 and 60 deg (A).

    0.01 K: printed digits. Under steady light the whole column must stand there.
    """
    cosine = np.array([[1.0], [0.5]])
    absorbed = np.repeat((1 - 0.12) * SOLAR_IRRADIANCE_W_M2 * cosine, 200, axis=1)
    temperature = ground_temperature_k(
        absorbed, 4 * 3600.0, [0.0, 0.1, 3.0], cycle_steps=177, heat_flow_w_m2=0.0
    )
    assert temperature[0] == pytest.approx(386.146, abs=0.01)
    assert temperature[1] == pytest.approx(324.709, abs=0.01)


# --- an independent solver -------------------------------------------------------------


def test_general_purpose_stiff_solver_on_the_same_grid():
    """scipy.integrate.solve_ivp (LSODA), a lunation with an eclipse of 3 h (A).

    0.5 K everywhere: what a planner can feel; the solver's own error is below 0.01 K.
    """
    hours = np.arange(2 * STEPS) * STEP_S / 3600
    shade = np.interp(hours, [60.0, 61.1, 62.3, 63.4], [1.0, 0.0, 0.0, 1.0])
    absorbed = sunlight(30, NORMAL_ALBEDO_HIGHLAND) * shade
    depth_m = REGOLITH.depth_m
    ours = ground_temperature_k(absorbed, STEP_S, depth_m, cycle_steps=STEPS)

    spacing = np.diff(depth_m)
    middle = depth_m[:-1] + spacing / 2
    width = np.diff(np.concatenate([[0.0], middle, [depth_m[-1]]]))
    mass = density_kg_m3(depth_m) * width
    contacts = 3.4e-3 - (3.4e-3 - 7.4e-4) * np.exp(-middle / 0.07)
    clock_s = np.arange(2 * STEPS) * STEP_S

    def warming_k_s(time_s, temperature):
        between = (temperature[1:] + temperature[:-1]) / 2
        upward = contacts * (1 + 2.7 * (between / 350) ** 3) * np.diff(temperature) / spacing
        net = np.append(upward, 0.018) - np.append(0.0, upward)
        light = np.interp(time_s, clock_s, absorbed)
        net[0] += light - 0.95 * STEFAN_BOLTZMANN_W_M2_K4 * temperature[0] ** 4
        return net / (mass * heat_capacity_j_kg_k(temperature))

    theirs = solve_ivp(
        warming_k_s,
        (0.0, clock_s[STEPS]),
        ours[0],
        method="LSODA",
        t_eval=clock_s[: STEPS + 1],
        rtol=1e-6,
        atol=1e-4,
        max_step=1800.0,
        lband=1,
        uband=1,
    )
    assert theirs.success
    assert np.abs(theirs.y.T - ours[: STEPS + 1]).max() < 0.5
    # And the start state is one to which the ground returns by that solver, too.
    assert np.abs(theirs.y[:, -1] - ours[0]).max() < 0.1
