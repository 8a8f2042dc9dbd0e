"""Published link budgets and the formulas behind them."""

import numpy as np
import pytest

from obsplan.common.constants import MOON_BRIGHTNESS_TEMPERATURE_K, MOON_RADIUS_KM
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


def test_brightness_of_the_moon_lies_between_new_and_full():
    """About 140 K at new Moon, 280 K at full Moon above 1 GHz: ITU-R P.372, from memory."""
    assert 140.0 < MOON_BRIGHTNESS_TEMPERATURE_K < 280.0


def test_brightness_of_the_moon_is_near_the_measured_mean():
    """211 K at 3.2 cm, rising to some 230 K at decimetres: Krotikov & Troitskii 1964, Soviet
    Physics Uspekhi 6, 841, from memory.

    A budget should rather expect too much noise than too little, hence up to 40 K more.
    """
    assert 211.0 <= MOON_BRIGHTNESS_TEMPERATURE_K <= 211.0 + 40.0


def test_moon_in_a_wide_beam_is_the_antenna_temperature_of_a_small_source():
    """T_A = T_B Omega_source / Omega_beam: Kraus, Radio Astronomy, from memory.

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
    """A source that fills the beam adds its brightness temperature: Kraus, from memory.

    With 240 K over a receiver of 60 K, noise is five times as much: 6.9897 dB.
    """
    loss_db = 50.0 - g_over_t_with_moon_db(50.0, 60.0, 0.07, 384_400.0, 240.0)
    assert loss_db == pytest.approx(6.9897, abs=1e-4)  # printed to 1e-4
