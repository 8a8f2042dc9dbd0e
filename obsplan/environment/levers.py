"""Keys of a scenario that can be changed step by step, and the least change that is enough."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from math import log
from typing import Any

import numpy as np

from obsplan.environment.key_changes import KeyChange, changed
from obsplan.environment.model import Environment
from obsplan.inputs.activity import Activity
from obsplan.inputs.conditions import requested
from obsplan.inputs.hardware import Platform
from obsplan.inputs.margins import Margins
from obsplan.inputs.scenario import Scenario
from obsplan.inputs.team import Team, hours_key

# No key is raised beyond this multiple of its value: more is another machine.
MOST = 100.0
MOST_LATENCY_H = 1000.0
# Of runs in pieces these keys are of a piece, and none that the user could write.
PIECE_KEYS = "count", "must", "duration_min", "data_mbit"
# A change of a key without steps may be larger than the least by this share of the value.
FINE, COARSE = 0.01, 0.05

# Whether a change of the scenario is enough.
Mended = Callable[[Environment], bool]


@dataclass(frozen=True)
class Lever:
    """A key whose value may go from `now` towards `most`; `change` is the key at a value.

    whole: only whole numbers are allowed.
    """

    now: float
    most: float
    change: Callable[[float], KeyChange]
    whole: bool = False


def least_change(
    environment: Environment, lever: Lever, mended: Mended, precision: float = FINE
) -> KeyChange | None:
    """The least change of a lever with which the environment is `mended`, as `least_amount`."""

    def is_enough(change: KeyChange) -> bool:
        return mended(changed(environment, change))

    return least_amount(lever, is_enough, precision)


def least_amount(
    lever: Lever, is_enough: Callable[[KeyChange], bool], precision: float = FINE
) -> KeyChange | None:
    """The least change of a lever that is enough; None if none is.

    The change that is returned was tried. It is the least if a larger change never does less.
    """

    def tried(value: float) -> bool:
        return is_enough(lever.change(value))

    near, far = lever.now, lever.most
    if near == far or not tried(far):
        return None
    while (value := _between(lever, near, far, precision)) is not None:
        near, far = (near, value) if tried(value) else (value, far)
    return lever.change(far)


def _between(lever: Lever, near: float, far: float, precision: float) -> float | None:
    """A value between two; None if they are close enough."""
    if lever.whole:
        return float((near + far) // 2) if abs(far - near) > 1 else None
    # Values that grow a hundredfold are halved by their ratio.
    by_ratio = min(near, far) > 0 and abs(log(far / near)) > 1
    middle = (near * far) ** 0.5 if by_ratio else (near + far) / 2
    value = _rounded(lever, middle)
    close = abs(far - near) <= precision * max(abs(far), abs(near))
    return None if close or value in (near, far) else value


def _rounded(lever: Lever, value: float) -> float:
    """The value in three digits, as people write it."""
    return value if lever.whole else float(f"{value:.3g}")


# ------------------------------------------------------------------------ of a platform


def platform_lever(platform: Platform, key: str) -> Lever | None:
    """The lever of a key such as "battery.capacity_wh"; None if the platform cannot use it."""
    path = tuple(key.split("."))
    if key == "array.area_m2":
        return _area(platform) if platform.array else None
    old: Any = platform
    for part in path:
        old = None if old is None else getattr(old, part)
    if old is None:
        return None
    battery, store = platform.battery, platform.store
    most = {
        "idle_w": 0.0,
        "heater.power_w": 0.0,
        "battery.reserve": 0.0,
        "battery.end": battery.reserve,
        "battery.start": 1.0,
        "store.end_limit_mbit": store.capacity_mbit,
        **{f"margins.{key}": 0.0 for key in Margins.model_fields},
        "radio.range_limit_m": max((stay.distance_m for stay in platform.track), default=0.0),
    }.get(key, MOST * old)
    return Lever(old, most, lambda value: KeyChange("platform", platform.name, path, old, value))


def _area(platform: Platform) -> Lever:
    """All arrays larger by the same factor."""
    old = tuple(array.area_m2 for array in platform.array)

    def change(factor: float) -> KeyChange:
        new = tuple(float(f"{area * factor:.6g}") for area in old)
        values = (old, new) if len(old) > 1 else (old[0], new[0])
        return KeyChange("platform", platform.name, ("array", "area_m2"), *values)

    return Lever(1.0, MOST, change)


def platform_changes(
    environment: Environment, name: str, keys: tuple[str, ...], mended: Mended
) -> Iterator[KeyChange]:
    """The least change of each of these keys of a platform that is enough by itself."""
    platform = environment.scenario.platform_named(name)
    for key in keys:
        lever = platform_lever(platform, key)
        if lever and (change := least_change(environment, lever, mended)):
            yield change


# ------------------------------------------------------------------------ of an activity


def activity_lever(activity: Activity, key: str, most: float) -> Lever:
    """The lever of a key with a number, such as "gap_min"."""
    old = getattr(activity, key)
    most = old if activity.split_min is not None and key in PIECE_KEYS else most
    is_whole = isinstance(old, int)

    def change(value: float) -> KeyChange:
        new = int(value) if is_whole else value
        return KeyChange("activity", activity.name, (key,), old, new)

    return Lever(old, most, change, is_whole)


def team_lever(scenario: Scenario, team: Team) -> Lever:
    """How many runs a team can watch at once, up to as many as there are."""
    most = max(team.at_once, sum(a.count for a in scenario.activity if team.name in a.needs))

    def change(value: float) -> KeyChange:
        return KeyChange("team", team.name, ("at_once",), team.at_once, int(value))

    return Lever(team.at_once, min(most, 300), change, whole=True)


def lead_lever(scenario: Scenario, activity: Activity) -> Lever | None:
    """How long before a start its commands must have arrived; None if they never must."""
    lead_min = scenario.command_lead_min(activity)
    if not lead_min:
        return None

    def change(value: float) -> KeyChange:
        return KeyChange("activity", activity.name, ("lead_min",), lead_min, int(value))

    return Lever(lead_min, 0, change, whole=True)


def waiting_levers(activity: Activity, key: str = "settle_min") -> Iterator[Lever]:
    """The time to settle, or with "decide_min" to decide, after each activity that comes first."""
    for after in activity.after:
        path, old = ("after", after.activity, key), getattr(after, key)

        def change(value: float, path=path, old=old) -> KeyChange:
            return KeyChange("activity", activity.name, path, old, int(value))

        yield Lever(old, 0, change, whole=True)


def order_ways(activity: Activity) -> Iterator[tuple[Lever | KeyChange, ...]]:
    """For each activity that comes first: a shorter wait after it, or none."""
    levers = waiting_levers(activity)
    for after, lever in zip(activity.after, levers):
        others = tuple(other for other in activity.after if other is not after)
        yield lever, KeyChange("activity", activity.name, ("after",), activity.after, others)


def condition_ways(
    environment: Environment, activity: Activity, key: str
) -> Iterator[Lever | KeyChange]:
    """What eases one condition on the starts of an activity, by its key in `start_masks`."""
    levers = [lever for k, lever in condition_levers(environment, activity) if k == key]
    yield from levers
    yield from (change for k, change in removals(activity) if k == key and not levers)
    scenario = environment.scenario
    if key == "uplink" and (lead := lead_lever(scenario, activity)):
        yield lead
    if key == "data latency":
        yield activity_lever(activity, "received_by_h", MOST_LATENCY_H)
    if key == "storage":
        platform = scenario.platform_named(scenario.platform_of(activity))
        store = platform_lever(platform, "store.capacity_mbit")
        yield from filter(None, [store, activity_lever(activity, "data_mbit", 0.0)])


def condition_levers(environment: Environment, activity: Activity) -> Iterator[tuple[str, Lever]]:
    """Each end of each range of a condition, as far as its quantity ever goes; keys first."""
    sky_table = environment.sky_of(environment.scenario.platform_of(activity))
    for condition, _, column, limits, upper_column in requested(activity.when):
        # A range of local time may pass midnight, so that no end of it leads outwards.
        if isinstance(limits, bool) or condition.period:
            continue
        deeper = ("temperature_k",) if condition.key in ("ground", "unit") else ()
        path = ("when", condition.key, *deeper)
        lower, upper = (sky_table[c].to_numpy(dtype=float) for c in (column, upper_column))
        for side, most in ((0, np.nanmin(lower)), (1, np.nanmax(upper))):
            now = limits[side]
            outwards = most < now if side == 0 else most > now
            if not outwards:
                continue

            def change(value: float, path=path, limits=limits, side=side) -> KeyChange:
                new = (value, limits[1]) if side == 0 else (limits[0], value)
                return KeyChange("activity", activity.name, path, limits, new)

            # The end is rounded outwards, so that the last value is inside.
            outer = float(most) - 1.0 if side == 0 else float(most) + 1.0
            yield condition.key, Lever(now, _outwards(outer, side), change)


def _outwards(value: float, side: int) -> float:
    return float(np.floor(value) if side == 0 else np.ceil(value))


def removals(activity: Activity) -> Iterator[tuple[str, KeyChange]]:
    """Each condition of the activity left out, its contact and its teams; keys of `start_masks`
    first."""
    for condition in requested(activity.when):
        key = condition.condition.key
        old = condition.allowed
        yield key, KeyChange("activity", activity.name, ("when", key), old, None)
    if activity.contact != "none":
        key = "contact" if activity.contact == "whole" else "contact at the start"
        yield key, KeyChange("activity", activity.name, ("contact",), activity.contact, "none")
    for team in activity.needs:
        others = tuple(name for name in activity.needs if name != team)
        without = KeyChange("activity", activity.name, ("needs",), activity.needs, others)
        yield hours_key(team), without


def activity_changes(
    environment: Environment, activity: Activity, mended: Mended
) -> Iterator[KeyChange]:
    """The least change of each condition of an activity that is enough by itself."""
    eased = set()
    for key, lever in condition_levers(environment, activity):
        if change := least_change(environment, lever, mended):
            eased.add(key)
            yield change
    for key, change in removals(activity):
        if key not in eased and mended(changed(environment, change)):
            yield change
