"""Temperatures of a platform's units in the replay, with the heat of the runs, by the minute."""

from dataclasses import dataclass, field

import numpy as np

from obsplan.checking.run_profiles import run_profiles
from obsplan.checking.slots import Run
from obsplan.environment.model import Environment
from obsplan.environment.unit_columns import HEATER_COLUMN, unit_history
from obsplan.inputs.hardware import Platform


@dataclass(frozen=True)
class UnitBooks:
    """What the units of a platform do over n minutes.

    temperature_k: per column of `Unit.columns` the levels (n+1,) as minutes begin and at the end.
    more_heater_w: what their heaters draw beyond what they do while nothing runs (n,).
    charges: the minutes (n,) in which the battery is warm enough to take charge.
    """

    temperature_k: dict[str, np.ndarray] = field(default_factory=dict)
    more_heater_w: np.ndarray | float = 0.0
    charges: np.ndarray | bool = True


def replay_units(
    environment: Environment, platform: Platform, runs: list[Run], minutes: int
) -> UnitBooks:
    """The units over the first `minutes`, heated by `runs`, which are the platform's own.

    Sending warms no unit. A minute is warm enough to charge if it begins so.
    """
    if not platform.unit:
        return UnitBooks()
    sky = environment.sky_of(platform.name).iloc[:minutes]
    temperature_k: dict[str, np.ndarray] = {}
    charges = np.ones(minutes, dtype=bool)
    heater_w = np.zeros(minutes)
    for unit in platform.unit:
        if unit.table is not None:
            for column in unit.columns:
                level_k = sky[column].to_numpy(dtype=float)
                temperature_k[column] = np.append(level_k, level_k[-1:])
            heater_w += sky[unit.heater_column].to_numpy(dtype=float)
        else:
            own = [run for run in runs if run.activity.instrument in unit.instruments]
            drawn_w, _ = run_profiles(own, minutes)
            history = unit_history(
                unit,
                sky,
                unit.run_heat_share * drawn_w,
                readings=environment.unit_readings.get(unit.name, ()),
            )
            temperature_k[unit.columns[0]] = history.temperature_k
            heater_w += history.heater_w
        if unit.charges_above_k is not None:
            charges &= temperature_k[unit.columns[0]][:-1] >= unit.charges_above_k
    idle_w = environment.platforms[platform.name][HEATER_COLUMN].to_numpy(dtype=float)
    return UnitBooks(temperature_k, heater_w - idle_w[:minutes], charges)
