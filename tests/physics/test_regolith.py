"""Heat in the ground: what must hold whatever the numbers of the soil."""

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from obsplan.common.constants import STEFAN_BOLTZMANN_W_M2_K4, SYNODIC_MONTH_DAYS
from obsplan.physics.regolith import (
    EMISSIVITY,
    HEAT_CAPACITY_J_KG_K,
    HEAT_FLOW_W_M2,
    REGOLITH,
    SUN_RADIUS_DEG,
    absorbed_flux_w_m2,
    albedo,
    density_kg_m3,
    ground_temperature_k,
    tilted_deg,
)

LUNATION_S = SYNODIC_MONTH_DAYS * 86400
DEPTH_M = REGOLITH.depth_m


def visible_share(elevation_deg):
    """Share of the disc above 0 deg, from the area of a circle cut by a line."""
    cut = np.clip(elevation_deg / SUN_RADIUS_DEG, -1, 1)
    return (np.arccos(-cut) + cut * np.sqrt(1 - cut**2)) / np.pi


def sunlight(latitude_deg, samples, lunations=2, slope_deg=0.0, aspect_deg=0.0):
    """Absorbed flux from local noon on, the Sun on the equator, `samples` to a lunation."""
    hour_angle = 2 * np.pi * np.arange(samples * lunations) / samples
    latitude = np.radians(latitude_deg)
    up = np.cos(latitude) * np.cos(hour_angle)
    east, north = -np.sin(hour_angle), -np.sin(latitude) * np.cos(hour_angle)
    elevation_deg = np.degrees(np.arcsin(up))
    azimuth_deg = np.degrees(np.arctan2(east, north))
    return absorbed_flux_w_m2(
        1361.0, elevation_deg, azimuth_deg, visible_share(elevation_deg), slope_deg, aspect_deg
    )


STEPS = 709  # about an hour to a step
STEP_S = LUNATION_S / STEPS


@pytest.fixture(scope="module")
def three_sites():
    """Absorbed flux and temperatures at all nodes: equator, near a pole, never lit."""
    absorbed = np.array([sunlight(0, STEPS), sunlight(88, STEPS), np.zeros(2 * STEPS)])
    return absorbed, ground_temperature_k(absorbed, STEP_S, DEPTH_M, cycle_steps=STEPS)


def enthalpy_j_m2(temperature_k):
    """Heat held by the columns (..., k), by integrating the capacity polynomial."""
    integral = np.polynomial.Polynomial(HEAT_CAPACITY_J_KG_K).integ()
    return integral(temperature_k) @ REGOLITH.mass_kg_m2


# --- sunlight on a slope ---------------------------------------------------------------

angles = st.floats(-180, 360)


@given(st.floats(-90, 90), angles, st.floats(0, 90), angles)
def test_slope_absorbs_by_the_angle_between_the_sun_and_its_normal(
    elevation, azimuth, slope, aspect
):
    def direction(elevation_deg, azimuth_deg):
        e, a = np.radians(elevation_deg), np.radians(azimuth_deg)
        return np.array([np.cos(e) * np.sin(a), np.cos(e) * np.cos(a), np.sin(e)])

    # The normal of a slope leans towards its aspect, `slope` away from the vertical.
    cosine = direction(elevation, azimuth) @ direction(90 - slope, aspect)
    incidence_deg = np.degrees(np.arccos(np.clip(cosine, -1, 1)))
    assume(abs(incidence_deg - 90) > SUN_RADIUS_DEG)  # all of the disc or none of it
    expected = max(cosine, 0.0) * (1 - albedo(np.minimum(incidence_deg, 90.0)))
    # 1e-6: the arc cosine of nearly head-on light is known to 1e-8 rad only.
    assert absorbed_flux_w_m2(1.0, elevation, azimuth, 1.0, slope, aspect) == pytest.approx(
        expected, abs=1e-6
    )


@given(st.floats(0, 80), st.floats(0, 360), st.floats(0.1, 30))
def test_tilted_planes_lie_all_round_the_first_and_as_far_off(slope, aspect, by):
    def normal(slope_deg, aspect_deg):
        s, a = np.radians(slope_deg), np.radians(aspect_deg)
        return np.array([np.sin(s) * np.sin(a), np.sin(s) * np.cos(a), np.cos(s)])

    slopes, aspects = tilted_deg(slope, aspect, by)
    normals, first = normal(slopes, aspects), normal(slope, aspect)
    # Rounding only.
    assert first @ normals == pytest.approx(np.full(8, np.cos(np.radians(by))), abs=1e-12)
    assert normals.sum(axis=1) == pytest.approx(8 * np.cos(np.radians(by)) * first, abs=1e-9)
    if slope + by < 90:
        assert slopes[0] == pytest.approx(slope + by) and aspects[0] == pytest.approx(aspect % 360)
    assert slopes[4] == pytest.approx(abs(slope - by), abs=1e-6)


def test_slope_facing_the_sun_takes_more_than_level_ground_and_one_facing_away_less():
    towards, level, away = absorbed_flux_w_m2(
        1361.0, 20.0, 90.0, 1.0, np.array([15.0, 0.0, 15.0]), np.array([90.0, 0.0, 270.0])
    )
    assert towards > level > away > 0
    assert absorbed_flux_w_m2(1361.0, 20.0, 90.0, 1.0, 25.0, 270.0) == 0.0


def test_high_sun_takes_in_the_plain_product():
    expected = 1300.0 * 0.4 * np.sin(np.radians(50)) * (1 - albedo(40.0))
    # The disc lies wholly above the plane: nothing but rounding between the two.
    assert absorbed_flux_w_m2(1300.0, 50.0, 10.0, 0.4) == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize("centre_in_radii", [-0.9, -0.3, 0.0, 0.5, 0.95])
def test_partly_risen_disc_lights_level_ground_as_the_sum_of_its_points(centre_in_radii):
    centre_deg = centre_in_radii * SUN_RADIUS_DEG
    x, y = np.meshgrid(*[np.linspace(-1, 1, 2001)] * 2)
    elevation_deg = (centre_deg + SUN_RADIUS_DEG * y)[x**2 + y**2 <= 1]
    above_deg = np.maximum(elevation_deg, 0.0)
    lit = (np.sin(np.radians(above_deg)) * (1 - albedo(90 - above_deg))).mean()
    flux = absorbed_flux_w_m2(1361.0, centre_deg, 0.0, visible_share(centre_deg))
    # 2 %: ours takes the albedo at the mean elevation, the sum point by point.
    assert flux == pytest.approx(1361.0 * lit, rel=0.02)


def test_sunrise_on_level_ground_is_a_steady_ramp():
    elevation_deg = np.linspace(-0.4, 0.4, 161)
    flux = absorbed_flux_w_m2(1361.0, elevation_deg, 90.0, visible_share(elevation_deg))
    assert flux[0] == 0.0
    assert np.all(np.diff(flux) >= 0)


@given(
    st.floats(0, 1500),
    st.floats(-90, 90),
    angles,
    st.floats(0, 1),
    st.floats(0, 60),
    angles,
    st.floats(0, 1),
)
def test_ground_takes_in_between_nothing_and_what_shines(shine, elevation, azimuth, f, s, a, dark):
    flux = absorbed_flux_w_m2(shine, elevation, azimuth, f, s, a, dark)
    assert 0.0 <= flux <= shine * f


# --- the start state -------------------------------------------------------------------


def test_start_state_does_not_depend_on_the_first_guess(three_sites):
    absorbed, _ = three_sites
    cold, warm, frozen = (
        ground_temperature_k(absorbed, STEP_S, DEPTH_M, cycle_steps=STEPS, first_guess_k=guess)
        for guess in (150.0, 300.0, 20.0)
    )
    # 0.1 K at every depth is what the user is promised.
    assert np.abs(warm - cold).max() < 0.1
    # Full sunlight on ground at 20 K is the hardest start for Newton.
    assert np.abs(frozen - cold).max() < 0.1


def test_second_lunation_repeats_the_first(three_sites):
    _, temperature = three_sites
    # The cycle is the series here, so only the unsettled rest (0.1 K promised) may differ.
    assert np.abs(temperature[:, STEPS:] - temperature[:, :STEPS]).max() < 0.1


def test_mean_flux_at_every_depth_is_the_heat_flow(three_sites):
    _, temperature = three_sites
    between = (temperature[..., 1:] + temperature[..., :-1]) / 2
    radiating = 1 + REGOLITH.radiative_per_k3 * between**3
    flux = REGOLITH.conductance_w_m2_k * radiating * np.diff(temperature)
    mean = flux[:, :STEPS].mean(axis=1)
    deeper = DEPTH_M[1:] > 0.02
    # 10 % of 0.018 W/m2: the top 2 cm carry up to 100 W/m2 by day, hourly samples of which
    # do not average that well; deeper down the day's share is small.
    assert mean[:, deeper] == pytest.approx(HEAT_FLOW_W_M2, rel=0.1)


def test_energy_closes_over_a_periodic_lunation(three_sites):
    absorbed, temperature = three_sites
    lunation = slice(1, STEPS + 1)
    taken_in = (absorbed[:, lunation].mean(axis=1) + HEAT_FLOW_W_M2) * LUNATION_S
    emitted = EMISSIVITY * STEFAN_BOLTZMANN_W_M2_K4 * temperature[:, lunation, 0] ** 4
    stored = enthalpy_j_m2(temperature[:, STEPS]) - enthalpy_j_m2(temperature[:, 0])
    # 0.1 %: the promise.
    assert emitted.mean(axis=1) * LUNATION_S + stored == pytest.approx(taken_in, rel=1e-3)


def test_ground_that_is_never_lit_lives_on_the_heat_flow(three_sites):
    _, temperature = three_sites
    dark = temperature[2, 0]
    balance_k = (HEAT_FLOW_W_M2 / (EMISSIVITY * STEFAN_BOLTZMANN_W_M2_K4)) ** 0.25
    assert dark[0] == pytest.approx(balance_k, abs=0.1)  # as well settled as promised
    assert np.all(np.diff(dark) > 0)


# --- through the day -------------------------------------------------------------------


def test_night_only_cools(three_sites):
    absorbed, temperature = three_sites
    night = np.flatnonzero(absorbed[0, :STEPS] == 0)
    assert len(night) > 300
    assert np.all(np.diff(temperature[0, night, 0]) < 0)


def test_day_is_not_felt_at_depth(three_sites):
    _, temperature = three_sites
    # 150 K of amplitude at the surface times exp(-1.2 m / 9 cm) is under a millikelvin; the
    # rest is the drift that settling leaves.
    assert np.ptp(temperature[:, :STEPS, DEPTH_M > 1.2], axis=1).max() < 0.02


def test_eclipse_of_three_hours_cools_the_surface_which_recovers():
    samples = 2835
    absorbed = sunlight(20, samples)
    hours = np.arange(len(absorbed)) * 0.25
    shade = np.interp(hours, [760.0, 761.0, 762.0, 763.0], [1.0, 0.0, 0.0, 1.0])
    surface, below = (
        ground_temperature_k(
            np.array([absorbed, absorbed * shade]), 900.0, [0.0, 0.1], cycle_steps=samples
        )
        .swapaxes(0, 2)
        .swapaxes(1, 2)
    )
    fall = surface[0] - surface[1]
    # Both go through the same divided steps: before the eclipse nothing differs.
    assert np.abs(fall[hours < 760]).max() < 1e-6
    assert 100 < fall.max() < 250
    assert fall[hours == 775][0] < 3.0
    assert np.abs(below[0] - below[1]).max() < 1.0


# --- arithmetic ------------------------------------------------------------------------


def test_sites_together_are_as_one_by_one():
    absorbed = np.array([[sunlight(0, STEPS), sunlight(60, STEPS)]])
    together = ground_temperature_k(absorbed, STEP_S, [0.0, 0.3], cycle_steps=STEPS)
    assert together.shape == (1, 2, 2 * STEPS, 2)
    for site in (0, 1):
        alone = ground_temperature_k(absorbed[0, site], STEP_S, [0.0, 0.3], cycle_steps=STEPS)
        # Only the number of passes of the spin-up may differ: half the promised 0.1 K.
        assert np.abs(together[0, site] - alone).max() < 0.05


@pytest.mark.parametrize("samples", [709, 1418])
def test_halving_the_step_changes_little(samples):
    whole = ground_temperature_k(
        sunlight(30, samples), LUNATION_S / samples, [0.0, 0.05, 1.0], cycle_steps=samples
    )
    halved = ground_temperature_k(
        sunlight(30, 2 * samples),
        LUNATION_S / samples / 2,
        [0.0, 0.05, 1.0],
        cycle_steps=2 * samples,
    )
    # 0.3 K: a tenth of what infrared measurements of the surface agree to.
    assert np.abs(whole - halved[::2]).max() < 0.3


def test_long_steps_lose_nothing_that_the_samples_hold():
    samples, parts = 118, 24  # six hours to a sample, a quarter of an hour to a part
    coarse = sunlight(30, samples)
    fine = np.interp(np.arange(len(coarse) * parts - parts + 1) / parts, np.arange(236), coarse)
    step_s = LUNATION_S / samples
    long = ground_temperature_k(coarse, step_s, [0.0, 0.05], cycle_steps=samples)
    short = ground_temperature_k(fine, step_s / parts, [0.0, 0.05], cycle_steps=samples * parts)
    # 0.1 K: the same light, linear between samples; only steps inside the solver differ.
    assert np.abs(long - short[::parts]).max() < 0.1


def test_sudden_light_is_followed_without_overshoot():
    absorbed = np.tile(np.where(np.arange(200) % 100 < 50, 1000.0, 0.0), 2)
    temperature = ground_temperature_k(absorbed, 3600.0, [0.0], cycle_steps=200)[:, 0]
    lit = absorbed > 0
    balance_k = ((1000.0 + HEAT_FLOW_W_M2) / (EMISSIVITY * STEFAN_BOLTZMANN_W_M2_K4)) ** 0.25
    assert temperature.max() < balance_k
    steady = lit[1:] == lit[:-1]
    assert np.all(np.diff(temperature)[lit[1:] & steady] > 0)
    assert np.all(np.diff(temperature)[~lit[1:] & steady] < 0)


@settings(deadline=None, max_examples=25)
@given(
    st.lists(st.floats(0, 1400), min_size=2, max_size=40),
    st.floats(600, 40_000),
    st.floats(0.01, 0.1),
)
def test_any_light_gives_temperatures_within_its_balances(light, step_s, heat_flow):
    absorbed = np.array(light)
    temperature = ground_temperature_k(
        absorbed, step_s, [0.0], cycle_steps=len(light), heat_flow_w_m2=heat_flow
    )
    emission = EMISSIVITY * STEFAN_BOLTZMANN_W_M2_K4
    # Half a kelvin for the settling and the steps.
    assert temperature.max() <= ((absorbed.max() + heat_flow) / emission) ** 0.25 + 0.5
    assert temperature.min() >= ((absorbed.min() + heat_flow) / emission) ** 0.25 - 0.5


def test_depths_are_read_between_the_nodes():
    middle = (DEPTH_M[20] + DEPTH_M[21]) / 2
    series = ground_temperature_k(
        sunlight(10, 100), LUNATION_S / 100, [DEPTH_M[21], middle, DEPTH_M[20]], cycle_steps=100
    )
    # Rounding only.
    assert series[:, 1] == pytest.approx((series[:, 0] + series[:, 2]) / 2, abs=1e-9)


def test_density_grows_from_fluffy_to_packed():
    assert density_kg_m3(0.0) == pytest.approx(1100)
    assert density_kg_m3(np.array([0.07, 3.0])) == pytest.approx(
        [1800 - 700 / np.e, 1800.0], abs=1e-6
    )


GOOD = {"absorbed_w_m2": np.full(20, 100.0), "step_s": 3600.0, "depth_m": [0.0], "cycle_steps": 10}


@pytest.mark.parametrize(
    ("wrong", "word"),
    [
        ({"absorbed_w_m2": np.array([1.0, np.nan] * 10)}, "not finite"),
        ({"absorbed_w_m2": np.array([1.0, np.inf] * 10)}, "not finite"),
        ({"absorbed_w_m2": np.array([1.0, -1.0] * 10)}, "negative"),
        ({"cycle_steps": 21}, "20 samples"),
        ({"cycle_steps": 0}, "20 samples"),
        ({"depth_m": [0.1, 50.0]}, "depth_m"),
        ({"depth_m": [-0.1]}, "depth_m"),
        ({"depth_m": [np.nan]}, "depth_m"),
        ({"step_s": 0.0}, "step_s"),
        ({"emissivity": 0.0}, "emissivity"),
        ({"heat_flow_w_m2": -0.018}, "heat_flow"),
        ({"first_guess_k": np.nan}, "first_guess_k"),
        ({"absorbed_w_m2": np.zeros(20), "heat_flow_w_m2": 0.0}, "too little heat"),
    ],
)
def test_unusable_input_is_named(wrong, word):
    with pytest.raises(ValueError, match=word):
        ground_temperature_k(**(GOOD | wrong))
