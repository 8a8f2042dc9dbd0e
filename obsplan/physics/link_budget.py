"""The link to Earth: contact geometry and link budget.

Decibels throughout: ratios add. All arrays run along time; scalars broadcast.
"""

from math import inf, pi

import numpy as np

from obsplan.common.constants import (
    BOLTZMANN_DBW_PER_K_HZ,
    MOON_BRIGHTNESS_TEMPERATURE_K,
    MOON_RADIUS_KM,
    SPEED_OF_LIGHT_KM_S,
)


def light_time_s(range_km: np.ndarray) -> np.ndarray:
    """One-way light time in seconds."""
    return np.asarray(range_km) / SPEED_OF_LIGHT_KM_S


def path_loss_db(range_km: np.ndarray, frequency_mhz: float) -> np.ndarray:
    """Free-space path loss 20 log10(4 pi d f / c) in dB (ITU-R P.525)."""
    wavelength_km = SPEED_OF_LIGHT_KM_S / (np.asarray(frequency_mhz) * 1e6)
    return 20.0 * np.log10(4.0 * pi * np.asarray(range_km) / wavelength_km)


def moon_centre_range_km(
    range_km: np.ndarray, site_elevation_deg: np.ndarray, height_m: float | np.ndarray = 0.0
) -> np.ndarray:
    """Range in km from a station to the Moon's centre, behind a site `range_km` away.

    `site_elevation_deg` is that of the station at the site; the law of cosines.
    """
    radius_km = MOON_RADIUS_KM + height_m / 1000.0
    inward = np.sin(np.radians(site_elevation_deg))
    return np.sqrt(np.square(range_km) + radius_km**2 + 2.0 * radius_km * range_km * inward)


def moon_noise_k(
    beam_width_deg: float,
    range_km: np.ndarray,
    moon_temperature_k: float = MOON_BRIGHTNESS_TEMPERATURE_K,
) -> np.ndarray:
    """Antenna noise in kelvin that the Moon adds to a station pointing at it.

    The Moon's brightness temperature times the share of the beam that its disc fills: one
    for a beam (full width at half power) narrower than the disc, else disc over beam in
    solid angle. That is conservative: a Gaussian beam at the disc's centre receives the share
    1 - 2^-((disc/beam)^2), and less at a site near the limb. Side lobes are neglected; the
    disc has one temperature at all phases. `range_km` is from the station to the Moon's
    centre.
    """
    disc_deg = 2.0 * np.degrees(np.arcsin(MOON_RADIUS_KM / np.asarray(range_km)))
    return moon_temperature_k * np.minimum((disc_deg / beam_width_deg) ** 2, 1.0)


def g_over_t_with_moon_db(
    g_over_t_db_k: float,
    system_temperature_k: float,
    beam_width_deg: float,
    range_km: np.ndarray,
    moon_temperature_k: float = MOON_BRIGHTNESS_TEMPERATURE_K,
) -> np.ndarray:
    """The station's G/T in dB/K with the Moon in its beam.

    `g_over_t_db_k` and `system_temperature_k` are those towards empty sky.
    """
    noise_k = moon_noise_k(beam_width_deg, range_km, moon_temperature_k)
    return g_over_t_db_k - 10.0 * np.log10(1.0 + noise_k / system_temperature_k)


def cn0_db_hz(
    eirp_dbw: float | np.ndarray,
    path_loss_db: np.ndarray,
    other_losses_db: float | np.ndarray,
    g_over_t_db_k: float | np.ndarray,
) -> np.ndarray:
    """Carrier power over noise density, C/N0, in dB-Hz at the receiver of one hop."""
    return eirp_dbw - path_loss_db - other_losses_db + g_over_t_db_k - BOLTZMANN_DBW_PER_K_HZ


def rate_kbps(
    cn0_db_hz: np.ndarray,
    required_ebn0_db: float,
    margin_db: float,
    ceiling_kbps: float = inf,
    floor_kbps: float = 0.0,
) -> np.ndarray:
    """The highest bit rate in kbit/s that keeps the required Eb/N0 plus the margin.

    C/N0 = Eb/N0 x rate. At most `ceiling_kbps`; zero if below `floor_kbps`.
    """
    spare_db = np.asarray(cn0_db_hz) - required_ebn0_db - margin_db
    rate = np.minimum(10.0 ** (spare_db / 10.0) / 1000.0, ceiling_kbps)
    return np.where(rate < floor_kbps, 0.0, rate)


def contact_margins_deg(
    site_elevation_deg: np.ndarray,
    skyline_elevation_deg: np.ndarray,
    site_minimum_deg: float | np.ndarray,
    station_elevation_deg: np.ndarray,
    station_mask_deg: np.ndarray,
    sun_separation_deg: np.ndarray,
    sun_limit_deg: float,
) -> np.ndarray:
    """Margins (4, n) in degrees of the conditions of a contact; it lasts while all are positive.

    In this order: Earth above the skyline, Earth above the site's minimum elevation, Moon
    above the station's mask, angle between Sun and Moon at the station above the limit. The
    margins are continuous, so that the zeros of the smallest are acquisition and loss.
    """
    site_elevation_deg = np.asarray(site_elevation_deg)
    return np.stack(
        np.broadcast_arrays(
            site_elevation_deg - skyline_elevation_deg,
            site_elevation_deg - site_minimum_deg,
            np.asarray(station_elevation_deg) - station_mask_deg,
            np.asarray(sun_separation_deg) - sun_limit_deg,
        )
    )
