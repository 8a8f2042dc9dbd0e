"""Electrical power: what the arrays give, what the heaters ask, what the battery holds.

Power is on the platform's bus unless said otherwise; the battery's efficiencies stand
between the bus and what is stored. All arrays run along time; scalars broadcast.
"""

from itertools import accumulate
from math import inf

import numpy as np

from obsplan.common.constants import STEFAN_BOLTZMANN_W_M2_K4

SUN_TRACKING = "sun"


def array_power_w(
    irradiance_w_m2: np.ndarray,
    visible_fraction: np.ndarray,
    sun_elevation_deg: np.ndarray,
    sun_azimuth_deg: np.ndarray,
    *,
    area_m2: float,
    efficiency: float,
    facing: str | tuple[float, float],
    cell_temperature_k: np.ndarray | None = None,
    temperature_coefficient_per_k: float = -0.0023,
    reference_temperature_k: float = 301.15,
    dust_loss: float = 0.0,
) -> np.ndarray:
    """Power (n,) in watts of one flat array, never negative.

    `irradiance_w_m2` is that of the whole, uncovered disc on a surface that faces it;
    `visible_fraction` (0..1) is the share of the disc in view. `facing` is "sun" for an
    array that follows the Sun, or (azimuth, tilt) in degrees of its outward normal: tilt 0
    faces the zenith, 90 the skyline at that azimuth. `efficiency` holds at
    `reference_temperature_k` (28 C, where cells are rated) and takes in everything between
    light and bus; without `cell_temperature_k` it holds throughout. `dust_loss` (0..1) is
    the share of the light that dust takes.

    Efficiency is linear in temperature. The default slope, for triple-junction cells, is
    as quoted from a data sheet's current and voltage coefficients at maximum power.
    Raises ValueError when `facing` is neither.
    """
    light_w = _sunlight_w_m2(
        irradiance_w_m2, visible_fraction, sun_elevation_deg, sun_azimuth_deg, facing
    ) * (area_m2 * (1.0 - dust_loss))
    if cell_temperature_k is None:
        return light_w * efficiency
    warmer_k = np.asarray(cell_temperature_k) - reference_temperature_k
    return light_w * efficiency * np.maximum(1.0 + temperature_coefficient_per_k * warmer_k, 0.0)


def cell_temperature_k(
    irradiance_w_m2: np.ndarray,
    visible_fraction: np.ndarray,
    sun_elevation_deg: np.ndarray,
    sun_azimuth_deg: np.ndarray,
    surface_temperature_k: np.ndarray,
    *,
    facing: str | tuple[float, float],
    absorptance: float = 0.90,
    emissivity: float = 0.85,
    ground_emissivity: float = 0.95,
) -> np.ndarray:
    """Temperature (n,) in kelvin of a thin flat panel over warm ground, in steady state.

    Grey-body balance per square metre of panel, both faces of one emissivity e:

        2 e sigma T^4 = absorptance * sunlight + e * ground_emissivity * sigma * T_ground^4

    A face tilted by t sees the ground with the view factor (1 - cos t)/2 and its back with
    (1 + cos t)/2; they add up to one, so tilt enters through the sunlight alone. The ground
    is an open plane of one temperature, the sky is at zero kelvin, and nothing is conducted
    into the platform.

    Sunlight turned into electricity is kept as heat, as it is while the battery is full;
    sunlight reflected by the ground is left out. At the default values the first outweighs
    the second for a panel that faces the Sun, so the cells come out warm and the power low.
    Absorptance and emissivity are typical of covered cells (common practice, no source).
    Arguments are those of `array_power_w`; raises ValueError when `facing` is neither form.
    """
    sunlight_w_m2 = _sunlight_w_m2(
        irradiance_w_m2, visible_fraction, sun_elevation_deg, sun_azimuth_deg, facing
    )
    ground_k4 = ground_emissivity * np.asarray(surface_temperature_k, dtype=float) ** 4
    sun_k4 = absorptance / emissivity * sunlight_w_m2 / STEFAN_BOLTZMANN_W_M2_K4
    return ((sun_k4 + ground_k4) / 2.0) ** 0.25


def heater_below_w(
    surface_temperature_k: np.ndarray, setpoint_k: float, power_w: float
) -> np.ndarray:
    """Load (n,) in watts of a heater at full power while the ground is below `setpoint_k`.

    A temperature that is not known (NaN) counts as cold.
    """
    return np.where(np.asarray(surface_temperature_k) >= setpoint_k, 0.0, power_w)


def heater_dark_w(visible_fraction: np.ndarray, power_w: float) -> np.ndarray:
    """Load (n,) in watts of a heater at full power while no part of the Sun is in view.

    A fraction that is not known (NaN) counts as dark.
    """
    return np.where(np.asarray(visible_fraction) > 0.0, 0.0, power_w)


def battery_history_wh(
    net_w: np.ndarray,
    step_h: float,
    *,
    capacity_wh: float,
    start_wh: float,
    charge_efficiency: float,
    discharge_efficiency: float,
    charge_limit_w: float = inf,
) -> tuple[np.ndarray, np.ndarray]:
    """Stored energy (n+1,) and energy spilled (n,), both in Wh, over n steps of `step_h`.

    `net_w` (n,) is generation minus load. A surplus is charged up to `charge_limit_w` and
    to the capacity; what the battery cannot take is spilled, counted on the bus. A deficit
    is drawn whatever is left: the store may fall below zero, and the caller judges.
    Raises ValueError when the battery would start with more than it can hold.
    """
    if start_wh > capacity_wh:
        raise ValueError(f"the battery holds {capacity_wh} Wh and cannot start at {start_wh} Wh")
    net_w = np.asarray(net_w, dtype=float)
    change_wh = _change_wh(net_w, step_h, charge_efficiency, discharge_efficiency, charge_limit_w)
    stored_wh = np.array(
        list(
            accumulate(
                change_wh.tolist(),
                lambda stored, change: min(stored + change, capacity_wh),
                initial=float(start_wh),
            )
        )
    )
    # Added up as in the loop above, so that a battery with room left spills exactly nothing.
    turned_away_wh = (stored_wh[:-1] + change_wh - stored_wh[1:]) / charge_efficiency
    return stored_wh, np.maximum(net_w - charge_limit_w, 0.0) * step_h + turned_away_wh


def needed_wh(
    net_w: np.ndarray,
    step_h: float,
    *,
    reserve_wh: float,
    end_wh: float,
    capacity_wh: float,
    charge_efficiency: float,
    discharge_efficiency: float,
    charge_limit_w: float = inf,
) -> np.ndarray:
    """Least stored energy (n+1,) in Wh at the start of each step from which all goes well.

    All goes well when `net_w` (n,), from that step on, keeps the store at or above
    `reserve_wh` and leaves it at or above `end_wh`; steps behave as in
    `battery_history_wh`. A value above `capacity_wh` says that no start will do, and is
    the capacity that would.
    """
    change_wh = _change_wh(
        np.asarray(net_w, dtype=float),
        step_h,
        charge_efficiency,
        discharge_efficiency,
        charge_limit_w,
    )
    backward = accumulate(
        reversed(change_wh.tolist()),
        lambda needed, change: max(needed - change, reserve_wh),
        initial=float(max(reserve_wh, end_wh)),
    )
    needed = np.array(list(backward))
    # A later need that no full battery meets is not mended by charging before it.
    most_needed = np.maximum.accumulate(needed)
    return np.where(most_needed > capacity_wh, most_needed, needed)[::-1]


def _sunlight_w_m2(
    irradiance_w_m2, visible_fraction, sun_elevation_deg, sun_azimuth_deg, facing
) -> np.ndarray:
    """Sunlight on a square metre of the panel's front."""
    if isinstance(facing, str):
        if facing != SUN_TRACKING:
            raise ValueError(f'facing is "{SUN_TRACKING}" or (azimuth, tilt), not "{facing}"')
        incidence_cosine = 1.0
    else:
        azimuth_deg, tilt_deg = facing
        elevation, tilt = np.radians(sun_elevation_deg), np.radians(tilt_deg)
        turn = np.radians(np.asarray(sun_azimuth_deg) - azimuth_deg)
        overhead = np.sin(elevation) * np.cos(tilt)
        sideways = np.cos(elevation) * np.sin(tilt) * np.cos(turn)
        incidence_cosine = overhead + sideways
    return np.asarray(irradiance_w_m2) * visible_fraction * np.maximum(incidence_cosine, 0.0)


def _change_wh(
    net_w: np.ndarray,
    step_h: float,
    charge_efficiency: float,
    discharge_efficiency: float,
    charge_limit_w: float,
) -> np.ndarray:
    """What each step adds to the store, or takes from it, while there is room."""
    charged_w = np.clip(net_w, 0.0, charge_limit_w) * charge_efficiency
    drawn_w = np.maximum(-net_w, 0.0) / discharge_efficiency
    return (charged_w - drawn_w) * step_h
