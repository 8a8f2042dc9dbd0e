"""Generation of a platform's arrays, its idle units and its base load, minute by minute."""

from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pandas as pd

from obsplan.environment.model import GENERATION
from obsplan.environment.unit_columns import HEATER_COLUMN, NO_READINGS, unit_columns
from obsplan.inputs.hardware import Platform
from obsplan.inputs.shadow_table import read_shadow_table
from obsplan.physics import array_power
from obsplan.physics.unit_temperature import MINUTE_S, Readings


def power_columns(
    platform: Platform,
    sky_table: pd.DataFrame,
    folder: Path,
    step_s: float = MINUTE_S,
    measured: Mapping[str, Readings] = NO_READINGS,
) -> pd.DataFrame:
    """Columns `generation_w` (all arrays), `base_load_w` (idle and heaters) and of its units.

    `sky_table` is that of the environment, or one with rows every `step_s`; `folder` has the files
    that arrays name. Units have the
    columns of `unit_columns`, as they are while nothing runs; their heaters are part of
    `base_load_w`. Raises ScenarioError if a table of shadows cannot be used.
    """
    surface_k = sky_table["surface_temperature_k"].to_numpy()
    base_load_w = np.full(len(sky_table), platform.idle_w)
    if platform.heater is not None:
        base_load_w += array_power.heater_below_w(
            surface_k, platform.heater.below_k, platform.heater.power_w
        )
    units = unit_columns(platform, sky_table, step_s, measured)
    if HEATER_COLUMN in units:
        base_load_w += units[HEATER_COLUMN]
    return pd.DataFrame(
        {GENERATION: generation_w(platform, sky_table, folder), "base_load_w": base_load_w} | units,
        index=sky_table.index,
    )


def generation_w(platform: Platform, sky_table: pd.DataFrame, folder: Path) -> np.ndarray:
    """What all arrays of a platform yield under a sky (n,); see `power_columns`."""
    sun = (
        sky_table["irradiance_w_m2"].to_numpy(),
        sky_table["sun_visible_fraction"].to_numpy(),
        sky_table["sun_elevation_deg"].to_numpy(),
        sky_table["sun_azimuth_deg"].to_numpy(),
    )
    surface_k = sky_table["surface_temperature_k"].to_numpy()
    ground_view: float | np.ndarray = 1.0
    if platform.flies:
        ground_view = array_power.view_of_moon(sky_table["height_km"].to_numpy())
    total_w = np.zeros(len(sky_table))
    for array in platform.array:
        facing = "sun" if array.facing == "sun" else (array.azimuth_deg, array.tilt_deg)
        lit_w = array_power.array_power_w(
            *sun,
            area_m2=array.area_m2,
            efficiency=array.efficiency,
            facing=facing,
            cell_temperature_k=array_power.cell_temperature_k(
                *sun, surface_k, facing=facing, ground_view=ground_view
            ),
            temperature_coefficient_per_k=array.temperature_coefficient_per_k,
            dust_loss=array.dust_loss,
        )
        if array.shadow is not None:
            shadow = read_shadow_table(folder / array.shadow)
            lit_w = lit_w * shadow.factor_at(sun[3], sun[2], sun[1] > 0)
        total_w += lit_w
    return total_w
