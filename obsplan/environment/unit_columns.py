"""Temperatures of the platforms' units while nothing runs, and what surrounds them."""

from collections.abc import Iterable, Mapping
from functools import lru_cache, partial
from types import MappingProxyType

import numpy as np
import pandas as pd

from obsplan.inputs.hardware import Platform
from obsplan.inputs.scenario import Scenario
from obsplan.inputs.thermal import Unit
from obsplan.inputs.thermal_table import read_thermal_table
from obsplan.physics.unit_temperature import (
    MINUTE_S,
    NO_HEATER,
    History,
    Node,
    Readings,
    Thermostat,
    node_history,
    resumed,
)

NO_READINGS: Mapping[str, Readings] = MappingProxyType({})
HEATER_COLUMN = "unit_heater_w"


def table_columns(
    units: Iterable[Unit], scenario: Scenario, sky_table: pd.DataFrame
) -> dict[str, np.ndarray]:
    """Columns (n,) of the sky table for units with a thermal table: cold, hot and heater.

    Raises ScenarioError if a table cannot be used or does not reach what the span needs.
    """
    columns: dict[str, np.ndarray] = {}
    for unit in units:
        if unit.table is not None:
            table = read_thermal_table(scenario.table_path(unit))
            names = (*unit.columns, unit.heater_column)
            columns |= dict(zip(names, table.values(sky_table[table.against].to_numpy())))
    return columns


def unit_columns(
    platform: Platform,
    sky_table: pd.DataFrame,
    step_s: float = MINUTE_S,
    measured: Mapping[str, Readings] = NO_READINGS,
) -> dict[str, np.ndarray]:
    """Temperature (n,) of each node while nothing runs, and `HEATER_COLUMN`, all heaters' draw.

    In steps longer than a minute only the heaters count: nodes without one are left out. Nodes go
    on from the temperatures that were `measured`, by name of the unit.
    """
    columns, heater_w = {}, np.zeros(len(sky_table))
    for unit in platform.unit:
        if unit.table is not None:
            heater_w = heater_w + sky_table[unit.heater_column].to_numpy()
            continue
        if step_s > MINUTE_S and unit.thermostat is None:
            continue
        readings = measured.get(unit.name, ())
        idle = unit_history(unit, sky_table, np.zeros(len(sky_table)), step_s, readings)
        columns[unit.columns[0]] = idle.temperature_k[:-1]
        heater_w = heater_w + idle.heater_w
    return columns | ({HEATER_COLUMN: heater_w} if platform.unit else {})


def unit_history(
    unit: Unit,
    sky_table: pd.DataFrame,
    run_heat_w: np.ndarray,
    step_s: float = MINUTE_S,
    readings: Readings = (),
) -> History:
    """The node of a unit over the first n rows of the sky table, heated by runs (n,)."""
    heat_w, ground_k = surroundings(unit, sky_table.iloc[: len(run_heat_w)])
    return _history(unit, (heat_w + run_heat_w).tobytes(), ground_k.tobytes(), step_s, readings)


@lru_cache(maxsize=32)  # a replay after a change on one platform has the same heat on others
def _history(unit: Unit, heat: bytes, ground: bytes, step_s: float, readings: Readings) -> History:
    assert unit.start_k is not None  # read_scenario requires it of a node
    around = np.frombuffer(heat), np.frombuffer(ground), unit.start_k
    march = partial(node_history, node_of(unit), thermostat=thermostat_of(unit), step_s=step_s)
    found = resumed(march, *around, readings)
    for part in found:
        part.flags.writeable = False
    return found


def node_of(unit: Unit) -> Node:
    """The node of a unit without a table."""
    assert unit.heat_capacity_j_k is not None  # read_scenario requires it of a node
    return Node(unit.heat_capacity_j_k, unit.ground_w_k, unit.radiating_m2)


def thermostat_of(unit: Unit) -> Thermostat:
    """The heater of a unit, one without power if it has none."""
    heater = unit.thermostat
    if heater is None:
        return NO_HEATER
    return Thermostat(heater.power_w, heater.on_below_k, heater.off_above_k)


def surroundings(unit: Unit, sky_table: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Heat (n,) from sunlight and from idling, and the temperature (n,) of the ground."""
    sunlight_w_m2 = sky_table["irradiance_w_m2"] * sky_table["sun_visible_fraction"]
    heat_w = unit.idle_heat_w + unit.absorbing_m2 * sunlight_w_m2.to_numpy(dtype=float)
    return heat_w, sky_table["surface_temperature_k"].to_numpy(dtype=float)
