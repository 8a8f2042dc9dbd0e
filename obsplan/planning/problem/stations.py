"""Stations of several spacecraft, in whole steps: a run in contact throughout has its own."""

from itertools import combinations

import numpy as np

from obsplan.environment.model import Environment
from obsplan.inputs.activity import Activity
from obsplan.planning.problem.definition import Silence


def silences_at_stations(
    environment: Environment, activity: Activity, relaxed: bool
) -> tuple[Silence, ...]:
    """The spacecraft that send nothing to the station that a run of the activity has alone.

    A step counts if their stations are the same in any of its minutes; if `relaxed`, in all.
    """
    scenario = environment.scenario
    if activity.contact != "whole":
        return ()
    own = scenario.outlet_of(scenario.platform_of(activity))
    silences = []
    for n, platform in enumerate(scenario.platform):
        if platform.radio.to == "earth" and platform.name != own:
            by_step = _same(environment, own, platform.name)
            steps = by_step.all(axis=1) if relaxed else by_step.any(axis=1)
            silences += [Silence(n, 0, np.asarray(steps))] if steps.any() else []
    return tuple(silences)


def at_one_station(environment: Environment, relaxed: bool) -> frozenset[tuple[int, int]]:
    """Pairs (i < j) of activities in contact throughout whose spacecraft ever share a station.

    They may not overlap at all, which is stricter than the referee; `relaxed` they may.
    """
    scenario = environment.scenario
    own = [
        (i, scenario.outlet_of(scenario.platform_of(activity)))
        for i, activity in enumerate(scenario.activity)
        if activity.contact == "whole" and not relaxed
    ]
    shared = {
        (one, other): bool(_same(environment, one, other).any())
        for one in {name for _, name in own}
        for other in {name for _, name in own} - {one}
    }
    pairs = combinations(own, 2)
    return frozenset((i, j) for (i, one), (j, other) in pairs if shared.get((one, other)))


def _same(environment: Environment, one: str, other: str) -> np.ndarray:
    """Minutes (steps, minutes) in which two spacecraft have the same station."""
    scenario = environment.scenario
    first, second = (environment.platforms[name]["station"].to_numpy() for name in (one, other))
    same = (first == second) & (first != "")
    return np.asarray(same.reshape(scenario.steps, scenario.span.step_min), dtype=bool)
