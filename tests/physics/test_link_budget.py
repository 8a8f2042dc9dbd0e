"""Link budget and contact geometry follow the physics."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from obsplan.common.constants import MOON_BRIGHTNESS_TEMPERATURE_K
from obsplan.physics.link_budget import (
    cn0_db_hz,
    contact_margins_deg,
    g_over_t_with_moon_db,
    moon_centre_range_km,
    moon_noise_k,
    path_loss_db,
    rate_kbps,
)

# No wall-clock deadline on a shared machine, and the same cases every time.
steady = settings(deadline=None, derandomize=True)


ranges_km = st.floats(100, 500_000)


@steady
@given(ranges_km, st.floats(1.001, 10), st.floats(100, 40_000))
def test_path_loss_grows_with_range_and_the_rate_falls(range_km, further, frequency_mhz):
    near_db, far_db = path_loss_db(np.array([range_km, further * range_km]), frequency_mhz)
    assert far_db - near_db == pytest.approx(20 * np.log10(further), abs=1e-9)  # rounding
    near_kbps, far_kbps = rate_kbps(
        cn0_db_hz(20.0, np.array([near_db, far_db]), 2.0, 20.0), 2.0, 3.0
    )
    assert far_kbps < near_kbps


@steady
@given(st.floats(0, 120), st.floats(-2, 12), st.floats(0, 10), st.floats(1, 1e5), st.floats(0, 1e3))
def test_rate_never_passes_the_ceiling_and_keeps_the_margin(
    cn0, required_db, margin_db, ceiling_kbps, floor_kbps
):
    rate = rate_kbps(cn0, required_db, margin_db, ceiling_kbps, floor_kbps)
    assert rate <= ceiling_kbps
    assert rate == 0.0 or rate >= floor_kbps
    if rate > 0.0:
        ebn0_db = cn0 - 10 * np.log10(rate * 1000)
        assert ebn0_db >= required_db + margin_db - 1e-9  # rounding
        if floor_kbps < rate < ceiling_kbps:
            assert ebn0_db == pytest.approx(required_db + margin_db, abs=1e-9)  # no bit less


def test_rate_below_the_floor_is_no_rate():
    cn0 = np.array([40.0, 50.0, -np.inf])
    np.testing.assert_allclose(rate_kbps(cn0, 0.0, 0.0, np.inf, 50.0), [0.0, 100.0, 0.0])


def test_moon_fills_a_narrow_beam_and_hides_in_a_wide_one():
    disc_deg = 2 * np.degrees(np.arcsin(1737.4 / 384_400))
    noise_k = [moon_noise_k(width, 384_400.0) for width in (0.1, disc_deg, 10 * disc_deg)]
    np.testing.assert_allclose(noise_k, MOON_BRIGHTNESS_TEMPERATURE_K * np.array([1, 1, 0.01]))


@steady
@given(st.floats(0.01, 30), st.floats(356_000, 407_000))
def test_moon_noise_is_no_less_than_a_gaussian_beam_receives(beam_width_deg, range_km):
    disc_deg = 2 * np.degrees(np.arcsin(1737.4 / range_km))
    # Gaussian beam over a uniform disc at its centre, integrated in closed form.
    filled = 1 - 2 ** -((disc_deg / beam_width_deg) ** 2)
    noise_k = moon_noise_k(beam_width_deg, range_km, 240.0)
    assert 240.0 * filled <= noise_k * (1 + 1e-9) <= 240.0 * (1 + 1e-9)  # rounding


@steady
@given(st.floats(356_000, 407_000), st.floats(-5, 90), st.floats(0, 3000))
def test_range_to_the_moons_centre_closes_the_triangle(range_km, elevation_deg, height_m):
    elevation, radius_km = np.radians(elevation_deg), 1737.4 + height_m / 1000
    station = np.array([range_km * np.cos(elevation), radius_km + range_km * np.sin(elevation)])
    centre_km = moon_centre_range_km(range_km, elevation_deg, height_m)
    assert centre_km == pytest.approx(np.linalg.norm(station), rel=1e-12)  # rounding


def test_moon_as_warm_as_the_receiver_halves_the_figure_of_merit():
    with_moon_db = g_over_t_with_moon_db(35.0, 240.0, 0.1, 384_400.0, 240.0)
    assert with_moon_db == pytest.approx(35.0 - 10 * np.log10(2.0))


def test_moon_harms_a_quiet_receiver_more_than_a_noisy_one():
    quiet_db = g_over_t_with_moon_db(20.0, 30.0, 0.3, 384_400.0)
    noisy_db = g_over_t_with_moon_db(20.0, 300.0, 0.3, 384_400.0)
    assert quiet_db < noisy_db < 20.0


def margin_deg(**changes):
    geometry = {
        "site_elevation_deg": 40.0,
        "skyline_elevation_deg": 5.0,
        "site_minimum_deg": 8.0,
        "station_elevation_deg": 50.0,
        "station_mask_deg": 10.0,
        "sun_separation_deg": 60.0,
        "sun_limit_deg": 2.0,
    }
    return contact_margins_deg(**{**geometry, **changes}).min(axis=0)


@pytest.mark.parametrize(
    ("limit", "margin"),
    [
        ({"site_elevation_deg": 9.0}, 1.0),
        ({"site_elevation_deg": 7.0}, -1.0),
        ({"skyline_elevation_deg": 39.0}, 1.0),
        ({"skyline_elevation_deg": 41.0}, -1.0),
        ({"station_elevation_deg": 9.5}, -0.5),
        ({"station_mask_deg": 49.5}, 0.5),
        ({"sun_separation_deg": 1.0}, -1.0),
    ],
)
def test_contact_margin_is_that_of_the_condition_nearest_to_breaking(limit, margin):
    assert margin_deg(**limit) == pytest.approx(margin)


def test_contact_margin_crosses_zero_where_the_station_reaches_its_mask():
    elevation_deg = np.linspace(0.0, 20.0, 201)
    margin = margin_deg(station_elevation_deg=elevation_deg)
    np.testing.assert_array_equal(margin > 0, elevation_deg > 10.0)
    assert np.abs(np.diff(margin)).max() == pytest.approx(0.1)  # no jump at the crossing


def test_unknown_geometry_is_no_contact():
    assert not margin_deg(sun_separation_deg=np.array([np.nan]))[0] > 0
