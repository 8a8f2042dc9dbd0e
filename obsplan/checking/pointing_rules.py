"""What a platform points at: one thing at a time, with time to turn to the next."""

from collections.abc import Iterator, Sequence
from math import ceil, floor

import numpy as np

from obsplan.checking.slots import Run
from obsplan.checking.violation import Violation
from obsplan.common.text import number_text
from obsplan.inputs.activity import Activity
from obsplan.inputs.hardware import Platform
from obsplan.inputs.pointing import (
    antenna_direction,
    array_direction,
    direction_of,
    directions_of,
)
from obsplan.inputs.scenario import Scenario


def turn_min(scenario: Scenario, a: Activity, b: Activity) -> int | None:
    """Minutes that must be between runs of two activities for which a platform points at different
    things; None if there is no such platform."""
    one, other = directions_of(scenario, a), directions_of(scenario, b)
    turning = (scenario.platform_named(n) for n in one if other.get(n, one[n]) != one[n])
    return max((p.pointing.slew_min for p in turning if p.pointing), default=None)


def early_turns(scenario: Scenario, runs: list[Run]) -> Iterator[Violation]:
    """Slots, in order of start, before which a platform has no time to turn from another."""
    things = {
        a.name: directions_of(scenario, a)
        for a in {r.activity.name: r.activity for r in runs}.values()
    }
    for platform in scenario.platform:
        if platform.pointing is not None:
            own = [(r, things[r.activity.name].get(platform.name)) for r in runs]
            pointed = [(run, thing) for run, thing in own if thing is not None]
            yield from _early_turns(scenario, platform.name, platform.pointing.slew_min, pointed)


def _early_turns(
    scenario: Scenario, platform: str, slew_min: int, runs: list[tuple[Run, str]]
) -> Iterator[Violation]:
    # Of the runs that point at a thing the one that ends last is in the way longest.
    ended: dict[str, Run] = {}
    for later, thing in runs:
        for other, earlier in ended.items():
            ready_min = earlier.end_min + slew_min
            if other == thing or ready_min <= later.start_min:
                continue
            early_min = ready_min - later.start_min
            yield Violation(
                "pointing",
                scenario.instant_at(later.start_min),
                early_min,
                "min",
                f'{later} points at "{thing}" from {scenario.stamp_at(later.start_min)}, '
                f'{number_text(early_min)} min too soon after {earlier}, which points at "{other}"',
                reason=f'"{platform}" points at one thing at a time and turns for {slew_min} min',
                platform=later.platform,
                activity=later.activity.name,
                slots=(earlier.slot, later.slot),
            )
        last = ended.setdefault(thing, later)
        if later.end_min > last.end_min:
            ended[thing] = later


def turned_away(platform: Platform, runs: Sequence[Run], minutes: int) -> np.ndarray:
    """Minutes (n,) in which a fixed antenna does not point at its receiver, as the platform's
    `runs` point elsewhere, or it turns."""
    return _elsewhere(platform, antenna_direction(platform), runs, minutes)


def turned_from_sun(platform: Platform, runs: Sequence[Run], minutes: int) -> np.ndarray:
    """Minutes (n,) in which fixed arrays do not face the Sun, for the same reasons."""
    return _elsewhere(platform, array_direction(platform), runs, minutes)


def _elsewhere(
    platform: Platform, wanted: str | None, runs: Sequence[Run], minutes: int
) -> np.ndarray:
    away = np.zeros(minutes, dtype=bool)
    if platform.pointing is None or wanted is None:
        return away
    slew_min = platform.pointing.slew_min
    for run in runs:
        if direction_of(platform, run.activity) not in (None, wanted):
            first, last = floor(run.start_min) - slew_min, ceil(run.end_min) + slew_min
            away[max(first, 0) : max(last, 0)] = True
    return away
