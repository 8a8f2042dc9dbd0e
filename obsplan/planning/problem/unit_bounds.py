"""Bounds on the temperature of units under any plan, and on what their heaters draw.

A plan's runs warm units, so the planner knows only bounds: no plan makes a unit colder than a
heater that merely holds it where the thermostat turns on, and none makes it warmer than all runs at
once with a heater that holds it where the thermostat turns off. With T the temperature of a plan,
T_c that of the coldest node and L(T) the heat it loses,

    heater energy of the plan = C (T - T_0) + integral of L(T) - surroundings - heat of runs
                             >= C (T_c - T_0) + integral of L(T_c) - surroundings - heat of runs

at any time, since L rises with T: a run saves at most its own heat of what the coldest node takes.
From a measured temperature on both nodes are alike, and what was saved before is gone.
"""

from collections.abc import Iterator
from functools import lru_cache, partial
from typing import NamedTuple

import numpy as np

from obsplan.environment.model import Environment
from obsplan.environment.unit_columns import node_of, surroundings, thermostat_of
from obsplan.inputs.hardware import Platform
from obsplan.inputs.scenario import Scenario
from obsplan.inputs.thermal import Unit
from obsplan.physics.unit_temperature import History, Readings, held_history, node_history, resumed
from obsplan.planning.problem.definition import Heater

# The straight line through each minute differs between temperatures by less than this.
LINE_K, LINE_SHARE = 0.01, 1e-3


class Bounds(NamedTuple):
    """A node by the minute, whatever runs: temperatures (n+1,), heater power (n,).

    idle_heater_w is that while nothing runs; coldest_heater_w that of the coldest node.
    """

    coldest_k: np.ndarray
    warmest_k: np.ndarray
    coldest_heater_w: np.ndarray
    idle_heater_w: np.ndarray

    def may_heat(self, unit: Unit) -> np.ndarray:
        """Minutes (n,) in which the thermostat may be on."""
        on: np.ndarray = self.coldest_k[:-1] < thermostat_of(unit).off_above_k + LINE_K
        return on


def heated_by_runs(environment: Environment, platform: Platform) -> Iterator[tuple[Unit, Bounds]]:
    """The units of a platform whose heater depends on what runs, with their bounds."""
    for unit in platform.unit:
        if unit.table is None and unit.thermostat and _most_heat_w(environment.scenario, unit):
            yield unit, bounds(environment, unit)


def bounds(environment: Environment, unit: Unit) -> Bounds:
    """What no plan exceeds for a node."""
    scenario = environment.scenario
    heat_w, ground_k = surroundings(unit, environment.sky_of(scenario.platform_with(unit)))
    most = _most_heat_w(scenario, unit), _most_heat_wh(scenario, unit)
    readings = environment.unit_readings.get(unit.name, ())
    return _bounds(unit, *most, heat_w.tobytes(), ground_k.tobytes(), readings)


@lru_cache(maxsize=64)
def _bounds(
    unit: Unit, most_w: float, most_wh: float, heat: bytes, ground: bytes, readings: Readings
) -> Bounds:
    heat_w, ground_k = np.frombuffer(heat), np.frombuffer(ground)
    assert unit.start_k is not None  # read_scenario requires it of a node
    node, thermostat, start_k = node_of(unit), thermostat_of(unit), unit.start_k
    power_w, on_below_k, off_above_k = thermostat

    def held(heat_w: np.ndarray, hold_k: float) -> History:
        march = partial(held_history, node, power_w=power_w, hold_k=hold_k)
        return resumed(march, heat_w, ground_k, start_k, readings)

    coldest = held(heat_w, on_below_k)
    # Warmed all the time by all runs at once, or not at all until all their heat comes together.
    always, at_once = held(heat_w + most_w, off_above_k), held(heat_w, off_above_k)
    at_once_k = at_once.temperature_k + 3600 * most_wh / node.heat_capacity_j_k
    idle = resumed(
        partial(node_history, node, thermostat=thermostat), heat_w, ground_k, start_k, readings
    )
    return Bounds(
        coldest.temperature_k,
        np.minimum(always.temperature_k, at_once_k),
        coldest.heater_w,
        idle.heater_w,
    )


def _most_heat_w(scenario: Scenario, unit: Unit) -> float:
    """The most that runs can ever heat a unit with."""
    most_w, limit_w = 0.0, 0.0
    for instrument in scenario.instrument:
        if instrument.name in unit.instruments:
            limit_w = scenario.platform_named(instrument.platform).bus_limit_w
            own = [a for a in scenario.activity if a.instrument == instrument.name]
            draws_w = [max(a.power_w, a.warm_up_w) for a in own] or [0.0]
            most_w += max(draws_w) if instrument.one_at_a_time else sum(draws_w)
    return unit.run_heat_share * min(most_w, limit_w)


def _most_heat_wh(scenario: Scenario, unit: Unit) -> float:
    """The heat of all requested runs."""
    own = (a for a in scenario.activity if a.instrument in unit.instruments)
    return unit.run_heat_share * sum(a.count * a.energy_wh for a in own)


def heater_bound(environment: Environment, unit: Unit, limits: Bounds) -> Heater:
    """How little the heater of a unit may draw, in steps."""
    scenario = environment.scenario
    steps, step_min = scenario.steps, scenario.span.step_min
    per_step_wh = limits.coldest_heater_w[: steps * step_min].reshape(steps, step_min).sum(1) / 60
    spare_k = (limits.warmest_k - limits.coldest_k)[:-1][: steps * step_min : step_min]
    inside = [activity.instrument in unit.instruments for activity in scenario.activity]
    return Heater(
        power_w=thermostat_of(unit).power_w,
        least_wh=per_step_wh * (1 - LINE_SHARE),
        spare_wh=np.maximum(spare_k + LINE_K, 0.0) * node_of(unit).heat_capacity_j_k / 3600,
        share=unit.run_heat_share * np.array(inside, dtype=float),
    )
