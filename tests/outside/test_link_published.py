"""Published link budgets and the formulas behind them.

A: follows from a formula.
"""

import numpy as np
import pytest
from tools.ground import LUNATION_S, sunlight, temperature_under

from obsplan.common.constants import (
    MOON_BRIGHTNESS_TEMPERATURE_K,
    MOON_RADIUS_KM,
)
from obsplan.physics.link_budget import (
    cn0_db_hz,
    g_over_t_with_moon_db,
    light_time_s,
    moon_noise_k,
    path_loss_db,
    rate_kbps,
)


@pytest.mark.parametrize("frequency_mhz", [400.0, 2250.0, 8450.0, 26_000.0])
@pytest.mark.parametrize("range_km", [1.0, 41_127.0, 384_400.0])
def test_path_loss_follows_the_recommendation(range_km, frequency_mhz):
    """ITU-R P.525: 32.4 + 20 log f(MHz) + 20 log d(km), as quoted by others."""
    published_db = 32.4 + 20 * np.log10(frequency_mhz) + 20 * np.log10(range_km)
    # The recommendation rounds its constant, 32.4478, down to 32.4.
    assert path_loss_db(range_km, frequency_mhz) == pytest.approx(published_db, abs=0.05)


def test_path_loss_constant():
    """20 log10(4 pi 1e9 / c) = 32.4478 dB at 1 km and 1 MHz; follows from the formula."""
    assert path_loss_db(1.0, 1.0) == pytest.approx(32.4478, abs=5e-5)  # last digit


def test_path_loss_from_the_nearest_moon():
    """195.53 dB over 356 500 km at 400 MHz: worked course example, read as published."""
    assert path_loss_db(356_500.0, 400.0) == pytest.approx(195.53, abs=0.02)  # printed to 0.01


def test_two_hop_budget():
    """Data broadcast through a geostationary satellite: NOAA EMWIN-N link budget, as published.

    Every line is printed to 0.1 dB, and so is every tolerance.
    """
    printed_db = 0.1
    range_km = 41_127.0
    up_loss_db = path_loss_db(range_km, 2034.70)
    down_loss_db = path_loss_db(range_km, 1692.70)
    assert up_loss_db == pytest.approx(190.9, abs=printed_db)
    assert down_loss_db == pytest.approx(189.3, abs=printed_db)

    dbm_per_dbw = 30.0
    up = cn0_db_hz(76.7 - dbm_per_dbw, up_loss_db, 0.5 + 0.4 + 0.2, -14.2)
    down = cn0_db_hz(44.8 - dbm_per_dbw, down_loss_db, 0.4 + 0.2, -0.3)
    assert up == pytest.approx(69.1, abs=printed_db)
    assert down == pytest.approx(53.2, abs=printed_db)
    # A relay passes its noise on: noise-to-carrier ratios add.
    together = -10 * np.log10(10 ** (-up / 10) + 10 ** (-down / 10))
    assert together == pytest.approx(53.1, abs=printed_db)

    ebn0_db = together - 10 * np.log10(9600)
    assert ebn0_db == pytest.approx(13.3, abs=printed_db)
    assert ebn0_db - 5.6 == pytest.approx(7.7, abs=printed_db)
    rate = rate_kbps(together, required_ebn0_db=5.6, margin_db=7.7)
    assert 10 * np.log10(rate / 9.6) == pytest.approx(0.0, abs=printed_db)


def test_light_time_to_the_mean_moon():
    """384 400 km over c = 1.2822 s; follows from the definition of the metre."""
    assert light_time_s(384_400.0) == pytest.approx(1.2822, abs=1e-4)  # printed to 1e-4 s


def test_brightness_of_the_moon_is_that_of_warm_ground_below_the_day():
    """Mean over the disc of the ground 0.1 to 0.5 m deep, for the dark and the bright soil.

    Follows from the ground model of Hayne et al. 2017 (JGR Planets 122, 2371) and the
    projected area of a belt of latitude, cos^2. A link budget should overestimate noise, so
    the constant lies at the warm end: within 2 K of the dark soil, no colder than the bright.
    """
    latitude_deg = np.arange(2.5, 90, 5)
    lunation_s = LUNATION_S * np.arange(709) / 709
    weight = np.cos(np.radians(latitude_deg)) ** 2
    discs_k = []
    for normal_albedo in (0.07, 0.12):
        ground_k = temperature_under(
            lambda t, a=normal_albedo: np.array(
                [sunlight(belt, t, normal_albedo=a) for belt in latitude_deg]
            ),
            lunation_s,
            [0.1, 0.5],
        )
        discs_k.append(weight @ ground_k.mean(axis=(1, 2)) / weight.sum())
    dark_k, bright_k = discs_k
    assert dark_k == pytest.approx(MOON_BRIGHTNESS_TEMPERATURE_K, abs=2.0)
    assert bright_k <= MOON_BRIGHTNESS_TEMPERATURE_K


def test_moon_in_a_wide_beam_is_the_antenna_temperature_of_a_small_source():
    """T_A = T_B Omega_source / Omega_beam: the brightness averaged over the beam (A).

    Solid angles of the disc, 2 pi (1 - cos r), over that of a cone as wide as the beam.
    """
    range_km = 384_400.0
    radius = np.arcsin(MOON_RADIUS_KM / range_km)
    for beam_width_deg in (2.0, 5.0, 10.0):
        half = np.radians(beam_width_deg / 2)
        expected_k = MOON_BRIGHTNESS_TEMPERATURE_K * (1 - np.cos(radius)) / (1 - np.cos(half))
        # Plane angles in place of solid ones: 1 - half^2/12, 0.06 % for a beam of 10 deg.
        assert moon_noise_k(beam_width_deg, range_km) == pytest.approx(expected_k, rel=1e-3)


def test_moon_in_a_narrow_beam_adds_its_whole_temperature():
    """A source that fills the beam adds its brightness temperature: the same average (A).

    With 240 K over a receiver of 60 K, noise is five times as much: 6.9897 dB.
    """
    loss_db = 50.0 - g_over_t_with_moon_db(50.0, 60.0, 0.07, 384_400.0, 240.0)
    assert loss_db == pytest.approx(6.9897, abs=1e-4)  # printed to 1e-4
