"""A scenario as its user would edit it: a key set to another value, and checked as a file is.

The figures that a hand-made environment has by the minute follow the key where they depend on it.
"""

from dataclasses import replace

import numpy as np

from obsplan.environment.key_changes import KeyChange
from obsplan.environment.model import Environment
from obsplan.inputs.read_scenario import scenario_from


def with_keys(environment: Environment, *changes: KeyChange) -> Environment:
    """The environment after an edit of the scenario, the words of which are those of `changes`."""
    old = environment.scenario
    table = old.model_dump(exclude_none=True)
    for change in changes:
        _edit(table, change)
    scene = scenario_from(table)
    platforms = {
        before.name: _columns(environment.platforms[before.name], before, after)
        for before, after in zip(old.platform, scene.platform)
    }
    for part in scene.platform:
        if part.radio.range_limit_m is not None:
            platforms[part.name] = _in_range(environment, part, platforms)
    return replace(environment, scenario=scene, platforms=platforms)


def _edit(table: dict, change: KeyChange) -> None:
    if not change.name:
        table[change.kind][change.path[0]] = change.new
        return
    part = next(p for p in table[change.kind] if p["name"] == change.name)
    *way, key = change.path
    if change.path[0] == "array":
        values = change.new if isinstance(change.new, tuple) else (change.new,)
        for array, value in zip(part["array"], values):
            array[key] = value
        return
    if len(change.path) == 3 and way[0] == "after":
        part = next(a for a in part["after"] if a["activity"] == way[1])
        way = []
    for name in way:
        part = part[name]
    new = change.new
    if change.path == ("after",):
        new = [order.model_dump() for order in new]
    if new is None:
        del part[key]
    else:
        part[key] = list(new) if isinstance(new, tuple) else new


def _columns(table, before, after):
    area = sum(a.area_m2 for a in after.array) / max(sum(a.area_m2 for a in before.array), 1e-12)
    rate = (after.radio.rate_kbps or 1.0) / (before.radio.rate_kbps or 1.0)
    heated = table["base_load_w"] > before.idle_w + 1e-9 if before.heater else False
    more_w = after.heater.power_w - before.heater.power_w if before.heater else 0.0
    return table.assign(
        generation_w=table["generation_w"] * (area if before.array else 1.0),
        rate_kbps=table["rate_kbps"] * rate,
        base_load_w=table["base_load_w"] + (after.idle_w - before.idle_w) + heated * more_w,
    )


def _in_range(environment, part, platforms):
    """A rover that is as far as its track says; the tracks of these tests have one entry."""
    reached = part.track[0].distance_m <= part.radio.range_limit_m
    table = platforms[part.name]
    contact = platforms[part.radio.to]["in_contact"].to_numpy(dtype=bool)
    rate_kbps = np.full(len(table), part.radio.rate_kbps if reached else 0.0)
    return table.assign(rate_kbps=rate_kbps, in_contact=contact & reached)
