"""Stations serve one spacecraft at a time: a run in contact throughout has its station alone."""

from collections.abc import Iterator

import numpy as np

from obsplan.checking.slots import Run
from obsplan.checking.violation import Violation
from obsplan.common.intervals import from_mask
from obsplan.common.text import number_text
from obsplan.environment.model import Environment


def crowded_stations(
    environment: Environment, runs: list[Run], minutes: int
) -> Iterator[Violation]:
    """Slots, in order of start, that need a station while another spacecraft's slot has it."""
    scenario = environment.scenario
    own = [run for run in runs if run.activity.contact == "whole"]
    if not _are_several(environment):
        return
    for number, later in enumerate(own):
        for earlier in own[:number]:
            outlets = [scenario.outlet_of(run.platform) for run in (earlier, later)]
            first, last = max(later.first, 0), min(earlier.last, later.last, minutes)
            if outlets[0] == outlets[1] or first >= last:
                continue
            one, other = (_stations(environment, name)[first:last] for name in outlets)
            for start, end in first + from_mask((one == other) & (one != "")):
                yield Violation(
                    "station",
                    scenario.instant_at(int(start)),
                    float(end - start),
                    "min",
                    f'{earlier} and {later} both need "{one[start - first]}" for '
                    f"{number_text(float(end - start))} min from {scenario.stamp_at(int(start))}",
                    reason="a station serves one spacecraft at a time",
                    platform=later.platform,
                    activity=later.activity.name,
                    slots=(earlier.slot, later.slot),
                )


def held_by_others(
    environment: Environment, platform: str, runs: list[Run], minutes: int
) -> np.ndarray:
    """Minutes (n,) in which another spacecraft's run has the station of a platform."""
    held = np.zeros(minutes, dtype=bool)
    if not _are_several(environment):
        return held
    own = _stations(environment, platform)[:minutes]
    for run in runs:
        outlet = environment.scenario.outlet_of(run.platform)
        if run.activity.contact == "whole" and outlet != platform:
            inside = slice(max(run.first, 0), max(run.last, 0))
            other = _stations(environment, outlet)[:minutes][inside]
            held[inside] |= (other == own[inside]) & (other != "")
    return held


def _are_several(environment: Environment) -> bool:
    """Whether several platforms send to Earth by themselves."""
    return sum(p.radio.to == "earth" for p in environment.scenario.platform) > 1


def _stations(environment: Environment, platform: str) -> np.ndarray:
    return np.asarray(environment.platforms[platform]["station"], dtype=object)
