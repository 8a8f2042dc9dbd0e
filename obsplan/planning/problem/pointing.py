"""What platforms point at, in whole steps: turns between runs, and when nothing can be sent."""

import numpy as np

from obsplan.inputs.activity import Activity
from obsplan.inputs.hardware import Platform
from obsplan.inputs.pointing import antenna_direction, direction_of
from obsplan.inputs.scenario import Scenario
from obsplan.planning.problem.definition import Silence


def things_pointed_at(scenario: Scenario) -> list[str]:
    """What platforms point at during runs, each once, in order of name."""
    pairs = ((scenario.platform_named(scenario.platform_of(a)), a) for a in scenario.activity)
    return sorted({thing for pair in pairs if (thing := direction_of(*pair)) is not None})


def slew_min(platform: Platform) -> int:
    """Minutes that a turn of the platform takes."""
    return platform.pointing.slew_min if platform.pointing else 0


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
