"""The link to Earth: when geometry allows a contact, what it carries, what the store holds.

Decibels throughout: ratios add. All arrays run along time; scalars broadcast.
"""

from math import inf, pi

import numpy as np

from obsplan.constants import (
    BOLTZMANN_DBW_PER_K_HZ,
    MOON_BRIGHTNESS_TEMPERATURE_K,
    MOON_RADIUS_KM,
    SPEED_OF_LIGHT_KM_S,
)
from obsplan.intervals import subtract

WORTH_A_HANDOVER = 1.1  # a rate 10 % higher; common practice, no source


def light_time_s(range_km: np.ndarray) -> np.ndarray:
    """One-way light time in seconds."""
    return np.asarray(range_km) / SPEED_OF_LIGHT_KM_S


def path_loss_db(range_km: np.ndarray, frequency_mhz: float) -> np.ndarray:
    """Free-space path loss 20 log10(4 pi d f / c) in dB (ITU-R P.525)."""
    wavelength_km = SPEED_OF_LIGHT_KM_S / (np.asarray(frequency_mhz) * 1e6)
    return 20.0 * np.log10(4.0 * pi * np.asarray(range_km) / wavelength_km)


def moon_noise_k(
    beam_width_deg: float,
    range_km: np.ndarray,
    moon_temperature_k: float = MOON_BRIGHTNESS_TEMPERATURE_K,
) -> np.ndarray:
    """Antenna noise in kelvin that the Moon adds to a station pointing at it.

    The Moon's brightness temperature times the share of the beam its disc fills: one for a
    beam (full width at half power) narrower than the disc, else disc over beam in solid
    angle. This is no less than a Gaussian beam receives, whose share is
    1 - 2^-(disc/beam)^2. `range_km` is from the station to the Moon's centre.
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
    eirp_dbw: np.ndarray,
    path_loss_db: np.ndarray,
    other_losses_db: np.ndarray,
    g_over_t_db_k: np.ndarray,
) -> np.ndarray:
    """Carrier power over noise density, C/N0, in dB-Hz at the receiver of one hop."""
    return eirp_dbw - path_loss_db - other_losses_db + g_over_t_db_k - BOLTZMANN_DBW_PER_K_HZ


def combined_cn0_db_hz(*hops_db_hz: np.ndarray) -> np.ndarray:
    """C/N0 in dB-Hz after relays that pass on their noise: noise-to-carrier ratios add."""
    return -10.0 * np.log10(sum(10.0 ** (-np.asarray(hop) / 10.0) for hop in hops_db_hz))


def rate_kbps(
    cn0_db_hz: np.ndarray,
    required_ebn0_db: float,
    margin_db: float,
    ceiling_kbps: float = inf,
    floor_kbps: float = 0.0,
) -> np.ndarray:
    """The highest bit rate in kbit/s that keeps the required Eb/N0 plus the margin.

    At most `ceiling_kbps`; zero where `floor_kbps` is not reached.
    """
    spare_db = np.asarray(cn0_db_hz) - required_ebn0_db - margin_db
    rate = np.minimum(10.0 ** (spare_db / 10.0) / 1000.0, ceiling_kbps)
    return np.where(rate < floor_kbps, 0.0, rate)


def contact_margin_deg(
    site_elevation_deg: np.ndarray,
    skyline_elevation_deg: np.ndarray,
    site_minimum_deg: float,
    station_elevation_deg: np.ndarray,
    station_mask_deg: np.ndarray,
    sun_separation_deg: np.ndarray,
    sun_limit_deg: float,
) -> np.ndarray:
    """Margin (n,) in degrees by which geometry allows a contact: it does where positive.

    The least of four: Earth above the skyline, Earth above the site's minimum elevation,
    Moon above the station's mask, Sun and Moon apart by more than the limit as seen from
    the station. Continuous where they are, so that its zeros are the contact's ends.
    """
    site_elevation_deg = np.asarray(site_elevation_deg)
    above_skyline = site_elevation_deg - skyline_elevation_deg
    above_minimum = site_elevation_deg - site_minimum_deg
    above_mask = np.asarray(station_elevation_deg) - station_mask_deg
    clear_of_sun = np.asarray(sun_separation_deg) - sun_limit_deg
    return np.minimum(
        np.minimum(above_skyline, above_minimum), np.minimum(above_mask, clear_of_sun)
    )


def assign_stations(rate_kbps: np.ndarray, *, handover_steps: int = 0) -> np.ndarray:
    """Index (n,) of the station used at each step, -1 for none; `rate_kbps` (stations, n).

    The fastest station takes over from the one before when it is faster by more than 10 %,
    as any is when the other's contact has ended; on equal rates the first in order.
    A station that was lost for a while so keeps its place. After a change, `handover_steps`
    must have passed since the other station was last used; until then nothing is received,
    even where the change gains less than the pause costs.
    """
    stations, steps = np.shape(rate_kbps)
    used = np.full(steps, -1)
    if not stations:
        return used
    rates = np.asarray(rate_kbps, dtype=float)
    holder, last_used, ready = None, -inf, 0
    for step, (at_step, fastest) in enumerate(
        zip(rates.T.tolist(), rates.argmax(axis=0).tolist(), strict=True)
    ):
        held = 0.0 if holder is None else at_step[holder]
        if at_step[fastest] > WORTH_A_HANDOVER * held:
            holder, ready = fastest, last_used + 1 + handover_steps
        if holder is not None and at_step[holder] > 0.0 and step >= ready:
            used[step], last_used = holder, step
    return used


def store_history_mbit(
    in_mbit: np.ndarray,
    can_send_mbit: np.ndarray,
    *,
    capacity_mbit: float,
    start_mbit: float = 0.0,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Data stored (n+1,), sent (n,) and lost to a full store (n,), all in Mbit.

    Each step takes in its data and sends as much of everything held as `can_send_mbit`
    allows; what then exceeds the capacity is lost.
    Raises ValueError when the store would start with more than it can hold.
    """
    if start_mbit > capacity_mbit:
        raise ValueError(
            f"the store holds {capacity_mbit} Mbit and cannot start at {start_mbit} Mbit"
        )
    in_mbit, can_send_mbit = np.broadcast_arrays(in_mbit, can_send_mbit)
    stored, sent, lost = [float(start_mbit)], [], []
    for arriving, sendable in zip(in_mbit.tolist(), can_send_mbit.tolist(), strict=True):
        held = stored[-1] + arriving
        sending = min(held, sendable)
        kept = min(held - sending, capacity_mbit)
        stored.append(kept)
        sent.append(sending)
        lost.append(held - sending - kept)
    return np.array(stored), np.array(sent), np.array(lost)


def longest_gap(windows: np.ndarray, first, last):
    """The longest time within [first, last) outside every window (n, 2).

    In the unit of `last - first`: a number, or a timedelta64 for datetime64 windows.
    """
    gaps = _gaps(windows, first, last)
    return max(gaps[:, 1] - gaps[:, 0], default=last - last)


def covered_share(windows: np.ndarray, first, last) -> float:
    """The share, 0..1, of [first, last) that lies inside the windows (n, 2)."""
    gaps = _gaps(windows, first, last)
    return float(1.0 - (gaps[:, 1] - gaps[:, 0]).sum() / (last - first))


def _gaps(windows: np.ndarray, first, last) -> np.ndarray:
    """What the windows leave of [first, last), in the finer unit of the two."""
    windows = np.asarray(windows)
    whole = np.array([[first, last]])
    if windows.size:
        whole = whole.astype(np.result_type(whole, windows))
    return subtract(whole, windows.reshape(-1, 2))
