"""What platforms point at, in whole steps: turns between runs, and when nothing can be sent."""

import numpy as np

from obsplan.environment.model import Environment
from obsplan.inputs.activity import Activity
from obsplan.inputs.hardware import Platform
from obsplan.inputs.pointing import (
    antenna_direction,
    array_direction,
    direction_of,
    directions_of,
)
from obsplan.inputs.scenario import Scenario
from obsplan.planning.problem.definition import Silence


def points_of(scenario: Scenario, activity: Activity) -> tuple[tuple[int, int], ...]:
    """The nodes that point at something during a run of the activity, and at which thing."""
    names = [p.name for p in scenario.platform]
    everything = sorted({t for a in scenario.activity for t in directions_of(scenario, a).values()})
    own = directions_of(scenario, activity)
    return tuple((names.index(name), everything.index(own[name])) for name in sorted(own))


def slew_min(platform: Platform) -> int:
    """Minutes that a turn of the platform takes."""
    return platform.pointing.slew_min if platform.pointing else 0


def longest_turn_min(scenario: Scenario, one: Activity, other: Activity) -> int:
    """Minutes that a platform turns between runs of two activities, the longest if several do."""
    first, second = directions_of(scenario, one), directions_of(scenario, other)
    both = first.keys() & second.keys()
    turning = [scenario.platform_named(name) for name in both if first[name] != second[name]]
    return max(map(slew_min, turning), default=0)


def slew_steps(scenario: Scenario, platform: Platform, within: bool = False) -> int:
    """Steps that a turn of the platform takes; `within` it only whole ones."""
    step_min = scenario.span.step_min
    return slew_min(platform) // step_min if within else -(-slew_min(platform) // step_min)


def silences_of(scenario: Scenario, activity: Activity, relaxed: bool) -> tuple[Silence, ...]:
    """The activity's own platform if it sends nothing while a run points elsewhere.

    Steps that a turn fills in part are silent too, unless `relaxed`.
    """
    names = [p.name for p in scenario.platform]
    n = names.index(scenario.platform_of(activity))
    platform = scenario.platform[n]
    antenna, thing = antenna_direction(platform), direction_of(platform, activity)
    if antenna is None or thing is None or thing == antenna:
        return ()
    reach = slew_steps(scenario, platform, within=relaxed)
    return (Silence(n, reach, np.ones(scenario.steps, dtype=bool)),)


def generation_lost_w(
    environment: Environment, activity: Activity, starts: np.ndarray, relaxed: bool
) -> np.ndarray:
    """What fixed arrays do not yield in each step of a run (steps of a slot,), as its platform is
    turned from the Sun: at most, at any of its permitted `starts` (steps,); if `relaxed` at least.

    While it turns, before the first step and after the last, the battery delivers the base load,
    which counts in those steps. Charge that is missed meanwhile is left to the replay.
    """
    scenario = environment.scenario
    length = scenario.slot_min(activity) // scenario.span.step_min
    name = scenario.platform_of(activity)
    platform, at = scenario.platform_named(name), np.flatnonzero(starts)
    things = array_direction(platform), direction_of(platform, activity)
    lost_w = np.zeros(length)
    if not len(at) or None in things or things[0] == things[1]:
        return lost_w
    table = environment.platforms[name]
    shape = scenario.steps, scenario.span.step_min
    by_step_w = table["generation_w"].to_numpy().reshape(shape)
    inside = at[:, None] + np.arange(length)
    if relaxed:
        alone = not _may_run_beside(scenario, activity)
        return by_step_w.min(axis=1)[inside].min(axis=0) if alone else lost_w
    lost_w += by_step_w.max(axis=1)[inside].max(axis=0)
    base_w = table["base_load_w"].to_numpy().reshape(shape).max(axis=1)
    turn = slew_steps(scenario, platform)
    from_battery_w = np.pad(np.minimum(by_step_w.max(axis=1), base_w), turn)
    for k in range(turn):
        lost_w[0] += from_battery_w[at + k].max()
        lost_w[-1] += from_battery_w[at + turn + length + k].max()
    return lost_w


def _may_run_beside(scenario: Scenario, activity: Activity) -> bool:
    """Whether a run of another activity may point at the same meanwhile: both lose generation, but
    it is lost once."""
    name = scenario.platform_of(activity)
    platform = scenario.platform_named(name)
    thing = direction_of(platform, activity)
    alone = {i.name for i in scenario.instrument if i.one_at_a_time}
    others = (a for a in scenario.activity if scenario.platform_of(a) == name and a != activity)
    return not platform.one_at_a_time and any(
        direction_of(platform, other) == thing
        and (other.instrument != activity.instrument or other.instrument not in alone)
        for other in others
    )
