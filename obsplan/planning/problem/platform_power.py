"""Generation and base load of a platform as the planner counts them, by the minute."""

from typing import NamedTuple

import numpy as np

from obsplan.environment.model import Environment
from obsplan.inputs.activity import Activity
from obsplan.inputs.hardware import Platform
from obsplan.inputs.placed import DriveActivity, PlacedActivity
from obsplan.inputs.scenario import Scenario
from obsplan.planning.problem.definition import Heater
from obsplan.planning.problem.supplies import supplies_of
from obsplan.planning.problem.unit_bounds import LINE_K, bounds, heated_by_runs, heater_bound


class PlatformPower(NamedTuple):
    """By the minute (n,); `heaters` are those that are no part of the base load.

    charges: whether the battery takes charge, if `relaxed` in the best of cases.
    peak_w: what the bus carries, and as much more as the battery cannot deliver of the bus limit.
    """

    generation_w: np.ndarray
    base_w: np.ndarray
    peak_w: np.ndarray
    charges: np.ndarray
    heaters: tuple[Heater, ...]


def platform_power(environment: Environment, platform: Platform, relaxed: bool) -> PlatformPower:
    """Power of a platform without its runs.

    Heaters that runs save power of draw as they do while nothing runs, and on the bus may be on
    whenever they can be; if `relaxed` they stand beside the base load. While the battery is too
    cold to charge, what idling leaves of the arrays counts as lost, unless `relaxed`, where runs
    may use it.
    """
    scenario, table = environment.scenario, environment.platforms[platform.name]
    minutes = scenario.steps * scenario.span.step_min
    generation_w = _generation_w(environment, platform, relaxed)[:minutes]
    base_w = table["base_load_w"].to_numpy(dtype=float)[:minutes]
    heated = list(heated_by_runs(environment, platform))
    delivered_w = generation_w + (platform.battery.discharge_limit_w or np.inf)
    undelivered_w = np.maximum(supplies_of(platform).bus_w - delivered_w, 0.0)
    idle_w = sum((limits.idle_heater_w[:minutes] for _, limits in heated), np.zeros(minutes))
    charges = ~_too_cold_to_charge(environment, platform, relaxed)[:minutes]
    if relaxed:
        heaters = tuple(heater_bound(environment, unit, limits) for unit, limits in heated)
        # Never below zero by rounding.
        base_w = np.maximum(base_w - idle_w, 0.0) if heated else base_w
        return PlatformPower(generation_w, base_w, base_w + undelivered_w, charges, heaters)
    peak_w = base_w - idle_w + undelivered_w
    for unit, limits in heated:
        assert unit.thermostat is not None
        peak_w = peak_w + unit.thermostat.power_w * limits.may_heat(unit)[:minutes]
    generation_w = np.where(charges, generation_w, np.minimum(generation_w, base_w))
    return PlatformPower(generation_w, base_w, peak_w, charges, ())


def _generation_w(environment: Environment, platform: Platform, relaxed: bool) -> np.ndarray:
    """What the arrays yield (n,) at the darkest place of a rover's route that it can have reached
    by each minute; if `relaxed`, at the brightest that it may be at."""
    scenario = environment.scenario
    own = [stop.name for stop in scenario.stop if stop.platform == platform.name]
    at_site_w = environment.generation_at_w(platform.name, "")
    yields = {stop: environment.generation_at_w(platform.name, stop) for stop in own}
    if relaxed:
        brightest_w: np.ndarray = np.max([at_site_w, *yields.values()], axis=0)
        return brightest_w
    placed = [a for a in scenario.activity if isinstance(a, PlacedActivity)]
    left_out = {a.stop for a in placed} - {a.stop for a in placed if a.visited}
    darkest_w, earliest_min = at_site_w.copy(), _earliest_min(scenario, platform)
    for stop in own:
        if stop not in left_out:
            since = min(earliest_min.get(stop, 0), len(darkest_w))
            darkest_w[since:] = np.minimum(darkest_w, yields[stop])[since:]
    return darkest_w


def _earliest_min(scenario: Scenario, platform: Platform) -> dict[str, int]:
    """When a rover can begin the drive to each stop of its route, one drive after the other."""
    earliest: dict[str, int] = {}
    now = 0
    for drive in scenario.activity:
        if isinstance(drive, DriveActivity) and scenario.platform_of(drive) == platform.name:
            earliest.setdefault(drive.leg.end, now)
            now += scenario.slot_min(drive)
    return earliest


def heat_saved(environment: Environment, activity: Activity, starts: np.ndarray) -> float:
    """Share (0 to 1) of the draw of a run that heaters are expected to save, from its heat.

    That is its heat, but no more than the heaters of its units draw on the mean in the minutes
    (n,) of the permitted `starts` while nothing runs. The replay knows better.
    """
    scenario = environment.scenario
    saved_w, mean_w = 0.0, 60 * activity.energy_wh / scenario.slot_min(activity)
    if mean_w == 0 or not starts.any():
        return 0.0
    for unit, limits in heated_by_runs(
        environment, scenario.platform_named(scenario.platform_of(activity))
    ):
        if activity.instrument in unit.instruments:
            idle_w = limits.idle_heater_w[: len(starts)][starts].mean()
            saved_w += min(unit.run_heat_share * mean_w, float(idle_w))
    return min(saved_w / mean_w, 1.0)


def _too_cold_to_charge(environment: Environment, platform: Platform, relaxed: bool) -> np.ndarray:
    """Minutes (n,) in which the battery takes no charge while nothing runs; `relaxed`: ever."""
    table = environment.platforms[platform.name]
    cold = np.zeros(len(table), dtype=bool)
    for unit in platform.unit:
        if unit.charges_above_k is not None:
            if unit.table is None and relaxed:
                level_k = bounds(environment, unit).warmest_k[:-1] + LINE_K
            else:
                where = environment.sky_of(platform.name) if unit.table is not None else table
                level_k = where[unit.columns[0]].to_numpy(dtype=float)
            cold |= level_k < unit.charges_above_k
    return cold
