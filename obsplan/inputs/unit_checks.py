"""Checks of the units of a scenario as parsed, before the models."""

from collections import Counter
from collections.abc import Iterator
from typing import Any

from obsplan.common.text import did_you_mean

OF_A_NODE = (
    "heat_capacity_j_k",
    "start_k",
    "ground_w_k",
    "radiating_m2",
    "absorbing_m2",
    "idle_heat_w",
    "run_heat_share",
    "thermostat",
)
# The heater of a thermostat may not switch more often than this, so that minutes stay tellable.
LEAST_BAND_K = 0.5
LEAST_HEATING_S = 10.0

Table = dict[str, Any]


def unit_errors(
    platforms: list[Table], instruments: list[Table], activities: list[Table]
) -> Iterator[str]:
    """One line for every mistake about units, and in the conditions that name one."""
    tables: list[str] = []
    names: list[str] = []
    for platform in platforms:
        own = [i["name"] for i in instruments if i.get("platform") == platform["name"]]
        units = list(units_of(platform))
        names += [unit["name"] for unit in units]
        tables += [unit["name"] for unit in units if unit.get("table") is not None]
        for unit in units:
            yield from _unit_errors(_where(platform, unit), unit, own)
        limited = [unit["name"] for unit in units if unit.get("charges_above_k") is not None]
        if len(limited) > 1:
            yield (
                f'platform "{platform["name"]}".unit: {" and ".join(limited)} have '
                "charges_above_k; only the unit of the battery may"
            )
    for name, times in sorted(Counter(names).items()):
        if times > 1:
            yield f'unit "{name}": the name is used {times} times; names must differ'
    for activity in activities:
        yield from _condition_errors(activity, names, tables)


def units_of(platform: Table) -> Iterator[Table]:
    """The units of a platform that have a name."""
    units = platform.get("unit")
    for unit in units if isinstance(units, list | tuple) else [units]:
        if isinstance(unit, dict) and isinstance(unit.get("name"), str):
            yield unit


def _where(platform: Table, unit: Table) -> str:
    return f'platform "{platform["name"]}".unit "{unit["name"]}"'


def _unit_errors(where: str, unit: Table, instruments: list[str]) -> Iterator[str]:
    named = unit.get("instruments")
    for name in named if isinstance(named, list | tuple) else ():
        if isinstance(name, str) and name not in instruments:
            yield (
                f'{where}.instruments = "{name}": no such instrument on its platform; '
                f"{did_you_mean(name, instruments)}"
            )
    if unit.get("table") is not None:
        if given := [key for key in OF_A_NODE if key in unit]:
            yield f"{where}: give either a table or {' and '.join(given)}, which is of a node"
        return
    yield from _start_errors(where, unit)
    missing = [key for key in ("heat_capacity_j_k", "start_k") if unit.get(key) is None]
    if missing:
        yield f"{where}: give a table, or {' and '.join(missing)} for a node"
    if not unit.get("ground_w_k") and not unit.get("radiating_m2"):
        yield (
            f"{where}: give ground_w_k or radiating_m2, or both, above 0; a node without "
            "conductance and radiation never cools"
        )
    if isinstance(heater := unit.get("thermostat"), dict):
        yield from _thermostat_errors(f"{where}.thermostat", unit, heater)


def _start_errors(where: str, unit: Table) -> Iterator[str]:
    start_k, surviving_k = unit.get("start_k"), unit.get("surviving_k")
    if not isinstance(surviving_k, list | tuple) or len(surviving_k) != 2:
        return
    low_k, high_k = surviving_k
    if _numbers(start_k, low_k, high_k) and (start_k < low_k or high_k < start_k):
        yield f"{where}.start_k = {start_k}: outside surviving_k; allowed is {low_k} to {high_k}"


def _thermostat_errors(where: str, unit: Table, heater: Table) -> Iterator[str]:
    band = _numbers(heater.get("on_below_k"), heater.get("off_above_k"))
    if not band:
        return
    on_k, off_k = band
    if off_k < on_k + LEAST_BAND_K:
        yield (
            f"{where}.on_below_k = {on_k}: must be at least {LEAST_BAND_K} K below off_above_k, "
            f"{off_k}"
        )
        return
    given = _numbers(unit.get("heat_capacity_j_k"), heater.get("power_w"))
    if given and given[1] > 0:
        heating_s = given[0] * (off_k - on_k) / given[1]
        if heating_s < LEAST_HEATING_S:
            yield (
                f"{where}: heats from on_below_k to off_above_k in {heating_s:.3g} s; allowed is "
                f"{LEAST_HEATING_S:g} s or more"
            )


def _condition_errors(activity: Table, names: list[str], tables: list[str]) -> Iterator[str]:
    when = activity.get("when")
    condition = when.get("unit") if isinstance(when, dict) else None
    name = condition.get("name") if isinstance(condition, dict) else None
    if not isinstance(name, str) or name in tables:
        return
    where = f'activity "{activity["name"]}".when.unit.name = "{name}"'
    if name in names:
        yield (
            f"{where}: the unit has no table, so its temperature depends on the plan; give the "
            "unit operating_k instead"
        )
    else:
        yield f"{where}: no such unit with a table; {did_you_mean(name, tables)}"


def _numbers(*values: Any) -> tuple[float, ...]:
    """The values, or nothing unless all are numbers."""
    are = all(isinstance(v, int | float) and not isinstance(v, bool) for v in values)
    return values if are else ()


def table_files(raw: Table) -> Iterator[tuple[str, str]]:
    """Key and file name of every table of units and arrays of a scenario as parsed."""
    platforms = raw.get("platform")
    for platform in platforms if isinstance(platforms, list | tuple) else [platforms]:
        if isinstance(platform, dict) and isinstance(platform.get("name"), str):
            for unit in units_of(platform):
                if isinstance(unit.get("table"), str):
                    yield f"{_where(platform, unit)}.table", unit["table"]
            arrays = platform.get("array")
            for array in arrays if isinstance(arrays, list | tuple) else [arrays]:
                if isinstance(array, dict) and isinstance(array.get("shadow"), str):
                    yield f'platform "{platform["name"]}".array.shadow', array["shadow"]
