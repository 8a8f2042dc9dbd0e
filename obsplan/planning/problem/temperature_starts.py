"""Starts at which a slot keeps the units of its instrument in their ranges of temperature."""

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np

from obsplan.environment.model import Environment
from obsplan.environment.unit_columns import node_of
from obsplan.inputs.activity import Activity
from obsplan.inputs.conditions import range_text
from obsplan.inputs.scenario import Scenario
from obsplan.inputs.thermal import Unit
from obsplan.physics.unit_temperature import warmed_k
from obsplan.planning.problem.slot_profile import slot_profile
from obsplan.planning.problem.unit_bounds import LINE_K, bounds

OPERATING, SWITCH_ON = "operating temperature", "switch-on temperature"


class Levels(NamedTuple):
    """Temperatures (n+1,) of a unit, without the slot that is judged, as minutes begin.

    The lower limit must be kept by lower_k, the upper one by upper_k. warming_at_k: those at which
    the heat of the slot itself is lost again; None if it does not warm the unit for certain.
    """

    lower_k: np.ndarray
    upper_k: np.ndarray
    warming_at_k: np.ndarray | None


def temperature_starts(
    environment: Environment, activity: Activity, relaxed: bool
) -> dict[str, np.ndarray]:
    """Steps (n,) at which a slot keeps its units in their ranges, by rule.

    Units are as they are while nothing else runs, and warmed by the slot itself; if `relaxed`, as
    the best plan for the slot might make them. Slots that end after the span are not judged.
    """
    found: dict[str, np.ndarray] = {}
    for unit, rule, allowed_k in _ranges(environment.scenario, activity):
        levels = (levels_at_best if relaxed else _idle_levels)(environment, unit)
        last = 0 if rule == SWITCH_ON else environment.scenario.slot_min(activity)
        kept = _kept(environment.scenario, activity, unit, levels, allowed_k, last)
        found[rule] = found[rule] & kept if rule in found else kept
    return found


def temperature_words(scenario: Scenario, activity: Activity) -> dict[str, str]:
    """Each rule of `temperature_starts` in words that follow "needs" or "has"."""
    words: dict[str, str] = {}
    for unit, rule, allowed_k in _ranges(scenario, activity):
        when = "at its start" if rule == SWITCH_ON else "throughout"
        one = f'"{unit.name}" at {range_text(*allowed_k)} K {when}'
        words[rule] = f"{words[rule]} and {one}" if rule in words else one
    return words


def _ranges(
    scenario: Scenario, activity: Activity
) -> Iterator[tuple[Unit, str, tuple[float, float]]]:
    for unit in scenario.units:
        if activity.instrument in unit.instruments:
            if unit.operating_k is not None:
                yield unit, OPERATING, unit.operating_k
            if unit.switch_on_k is not None:
                yield unit, SWITCH_ON, unit.switch_on_k


def _idle_levels(environment: Environment, unit: Unit) -> Levels:
    """A unit while nothing else runs."""
    if unit.table is not None:
        return _table_levels(environment, unit)
    (table,) = (t for t in environment.platforms.values() if unit.columns[0] in t)
    level_k = table[unit.columns[0]].to_numpy(dtype=float)
    level_k = np.append(level_k, level_k[-1:])
    return Levels(level_k, level_k, level_k if unit.run_heat_share else None)


def levels_at_best(environment: Environment, unit: Unit) -> Levels:
    """The warmest level for a lower limit, the coldest for an upper one."""
    if unit.table is not None:
        return _table_levels(environment, unit)
    coldest_k, warmest_k, *_ = bounds(environment, unit)
    # A thermostat that is off for it may make up for the heat of the slot.
    certain = unit.run_heat_share and unit.thermostat is None
    return Levels(warmest_k + LINE_K, coldest_k - LINE_K, warmest_k if certain else None)


def _table_levels(environment: Environment, unit: Unit) -> Levels:
    sky_table = environment.sky_of(environment.scenario.platform_with(unit))
    cold_k, hot_k = (sky_table[c].to_numpy(dtype=float) for c in unit.columns)
    return Levels(np.append(cold_k, cold_k[-1:]), np.append(hot_k, hot_k[-1:]), None)


def _kept(
    scenario: Scenario,
    activity: Activity,
    unit: Unit,
    levels: Levels,
    allowed_k: tuple[float, float],
    last: int,
) -> np.ndarray:
    """Steps (n,) from which on a unit is in a range for `last` minutes, the last level included."""
    (low_k, high_k), starts = allowed_k, np.arange(scenario.steps) * scenario.span.step_min
    draw_w, _ = slot_profile(activity, scenario.slot_min(activity))
    kept, warmer_k = np.ones(scenario.steps, dtype=bool), np.zeros(scenario.steps)
    for minute in range(last + 1):
        at = np.minimum(starts + minute, len(levels.lower_k) - 1)
        kept &= levels.lower_k[at] >= low_k
        kept &= levels.upper_k[at] + warmer_k <= high_k
        if minute < last and levels.warming_at_k is not None:
            heat_w = unit.run_heat_share * draw_w[minute]
            warmer_k = warmed_k(node_of(unit), warmer_k, heat_w, levels.warming_at_k[at])
    return kept
