"""Electrical power of solar arrays and survival heaters.

Power is on the platform's bus. All arrays run along time; scalars broadcast.
"""

import numpy as np

from obsplan.common.constants import MOON_RADIUS_KM, STEFAN_BOLTZMANN_W_M2_K4

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
    faces the zenith, 90 the skyline at that azimuth. `efficiency` is that of the whole chain
    from light to bus at `reference_temperature_k` (28 C, at which cells are rated); without
    `cell_temperature_k` it applies at all times. `dust_loss` (0..1) is the share of the
    light that dust blocks.

        P = irradiance * visible_fraction * cos(incidence) * area * (1 - dust_loss)
            * efficiency * (1 + coefficient * (T_cell - T_reference))

    The default coefficient, for triple-junction cells, follows from the current and voltage
    coefficients at maximum power of a data sheet, as quoted by others.
    Raises ValueError if `facing` is neither form.
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
    ground_view: float | np.ndarray = 1.0,
    absorptance: float = 0.90,
    emissivity: float = 0.85,
    ground_emissivity: float = 0.95,
) -> np.ndarray:
    """Temperature (n,) in kelvin of a thin flat panel over warm ground, in steady state.

    Balance of a grey body per square metre of panel, both faces with the emissivity e:

        2 e sigma T^4 = absorptance * sunlight + e * ground_emissivity * F * sigma * T_ground^4

    The front of a panel tilted by t sees an infinite plane of ground with the view factor
    (1 - cos t)/2, its back with (1 + cos t)/2. They add up to one, so the tilt matters only
    for the sunlight: F, `ground_view`, is one. In orbit it is that of `view_of_moon`. The ground
    has one temperature, the sky is at zero kelvin, and no heat is conducted into the platform.

    Sunlight converted to electricity is counted as heat, which is true while the battery is
    full; sunlight reflected by the ground is neglected. At the default values the first
    outweighs the second for a panel that faces the Sun, so cell temperature is overestimated
    and power underestimated. Absorptance and emissivity are typical of covered cells (common
    practice, no source). Arguments are those of `array_power_w`; raises ValueError when
    `facing` is neither form.
    """
    sunlight_w_m2 = _sunlight_w_m2(
        irradiance_w_m2, visible_fraction, sun_elevation_deg, sun_azimuth_deg, facing
    )
    ground_k4 = (
        ground_view * ground_emissivity * np.asarray(surface_temperature_k, dtype=float) ** 4
    )
    sun_k4 = absorptance / emissivity * sunlight_w_m2 / STEFAN_BOLTZMANN_W_M2_K4
    return ((sun_k4 + ground_k4) / 2.0) ** 0.25


def view_of_moon(height_km: np.ndarray) -> np.ndarray:
    """How much of what both faces of a plate see is the Moon (n,), at most: (R / (R + h))^2.

    That is the view factor of a plate that faces the Moon's centre (Howell, Catalog of Radiation
    Heat Transfer Configuration Factors, as quoted by others); otherwise turned it sees less.
    """
    return (MOON_RADIUS_KM / (MOON_RADIUS_KM + np.asarray(height_km))) ** 2


def heater_below_w(
    surface_temperature_k: np.ndarray, setpoint_k: float, power_w: float
) -> np.ndarray:
    """Load (n,) in watts of a heater at full power while the ground is below `setpoint_k`.

    An unknown temperature (NaN) counts as cold.
    """
    return np.where(np.asarray(surface_temperature_k) >= setpoint_k, 0.0, power_w)


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
