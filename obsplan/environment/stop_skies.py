"""The Sun at stops that have a skyline of their own, and what a rover's arrays yield there.

A stop lies so near the site that the Sun is in the same direction; only the skyline differs.
"""

import numpy as np
import pandas as pd

from obsplan.common.constants import ASTRONOMICAL_UNIT_KM, SOLAR_IRRADIANCE_W_M2
from obsplan.environment.model import Environment, generation_column
from obsplan.environment.power_columns import generation_w
from obsplan.environment.sun_and_earth import seen_columns
from obsplan.inputs.hardware import Platform
from obsplan.inputs.scenario import Scenario
from obsplan.physics import sky
from obsplan.physics.skyline import read_profile


def stop_skies(scenario: Scenario, sky_table: pd.DataFrame) -> dict[str, pd.DataFrame]:
    """By stop with a skyline of its own: the columns of the sky table that differ there.

    `sky_table` is that of the site. Raises ScenarioError if a skyline cannot be used.
    """
    own = [stop for stop in scenario.stop if stop.skyline is not None]
    if not own:
        return {}
    column = {name: sky_table[name].to_numpy() for name in sky_table}
    range_km = ASTRONOMICAL_UNIT_KM * np.sqrt(SOLAR_IRRADIANCE_W_M2 / column["irradiance_w_m2"])
    sun = column["sun_elevation_deg"], column["sun_azimuth_deg"], range_km
    earth = tuple(column[f"earth_{key}"] for key in ("elevation_deg", "azimuth_deg", "range_km"))
    uncovered = sky.sun_uncovered_fraction(sun, earth)
    return {
        stop.name: pd.DataFrame(
            seen_columns(read_profile(scenario.folder / str(stop.skyline)), sun, uncovered),
            index=sky_table.index,
        )
        for stop in own
    }


def generation_at_stops(environment: Environment, platform: Platform) -> pd.DataFrame:
    """What a rover's arrays yield at each of its stops with a skyline of its own, a column each."""
    scenario = environment.scenario
    columns = {
        generation_column(stop.name): generation_w(
            platform, environment.sky_at(stop.name), scenario.folder
        )
        for stop in scenario.stop
        if stop.platform == platform.name and stop.name in environment.stop_sky
    }
    return pd.DataFrame(columns, index=environment.sky.index)
