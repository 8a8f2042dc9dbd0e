"""What is drawn for each future: factors, lengths and failures of runs, outages.

Each uncertainty has a random generator of its own for each future, seeded by (seed, uncertainty,
future), so that another uncertainty changes no other draw and plans meet the same futures. The k-th
run of an activity has the same draw in every plan.
"""

from collections.abc import Sequence
from math import log
from zlib import crc32

import numpy as np

from obsplan.futures.walk import (
    ACTIVITY,
    ARRAYS,
    FACTORS,
    FORCED,
    HAS_FAILED,
    HEATERS,
    IDLE,
    RATE,
    RUN_MIN,
    TRIES,
    Draws,
    World,
)
from obsplan.inputs.activity import Activity
from obsplan.inputs.placed import PlacedActivity
from obsplan.inputs.scenario import Scenario
from obsplan.inputs.uncertainty import Uncertainty

# Which factor of a platform each uncertainty is; that of the battery stands alone.
OF_A_PLATFORM = {
    "array output": ARRAYS,
    "idle draw": IDLE,
    "heater draw": HEATERS,
    "link rate": RATE,
}
MINUTES_A_DAY = 24 * 60


def triangular(share: np.ndarray | float, low: float, likely: float, high: float) -> np.ndarray:
    """The value below which a triangular distribution has this share (0..1) of its weight."""
    turn = (likely - low) / (high - low)
    rising = low + np.sqrt(share * (high - low) * (likely - low))
    falling = high - np.sqrt((1 - share) * (high - low) * (high - likely))
    return np.where(share < turn, rising, falling)


def draw(
    scenario: Scenario,
    world: World,
    uncertain: Sequence[Uncertainty],
    futures: range,
    seed: int,
) -> Draws:
    """What is drawn for the futures of these numbers; see `Draws` for shapes."""
    count, platforms = len(futures), len(world.relay)
    activities = len(scenario.activity)
    drawn = Draws(
        np.ones((count, platforms, FACTORS)),
        np.ones((count, platforms)),
        np.ones((count, activities)),
        np.tile(world.runs[:, RUN_MIN], (count, 1)),
        np.tile(world.runs[:, HAS_FAILED, None] > 0, (count, 1, TRIES)),
        np.zeros((0, 4), dtype=np.int64),
    )
    outages: list[tuple[int, int, int, int]] = []
    for each in uncertain:
        for k, number in enumerate(futures):
            random = _generator(each, number, seed)
            if each.what == "out of service":
                outages += [(k, *times) for times in _outages(scenario, world, each, random)]
            elif each.what in ("run length", "run fails"):
                _draw_runs(scenario, world, each, random, drawn, k)
            else:
                _draw_factor(scenario, each, random, drawn, k)
    rows = np.array(outages, dtype=np.int64).reshape(-1, 4)
    return drawn._replace(outages=rows)


def _generator(each: Uncertainty, future: int, seed: int) -> np.random.Generator:
    name = crc32(f"{each.what}|{each.of or ''}".encode())
    return np.random.default_rng([seed, name, future])


def _draw_factor(
    scenario: Scenario, each: Uncertainty, random: np.random.Generator, drawn: Draws, k: int
) -> None:
    """One factor for the whole future."""
    assert each.factor is not None  # read_scenario requires it
    factor = float(triangular(random.random(), *each.factor))
    if each.what == "run draw":
        drawn.draw[k, is_meant(scenario, each)] *= factor
        return
    names = sorted(platform.name for platform in scenario.platform)
    meant = [each.of in (None, name) for name in names]
    if each.what == "battery capacity":
        drawn.capacity[k, meant] *= factor
    else:
        drawn.factor[k, meant, OF_A_PLATFORM[each.what]] *= factor


def is_meant(scenario: Scenario, each: Uncertainty) -> np.ndarray:
    """Which activities (a,) an uncertainty of runs is of; one at stops means it at all of them."""
    return np.array([each.of in _names_of(a) for a in scenario.activity], dtype=bool)


def _names_of(activity: Activity) -> tuple[str | None, ...]:
    written = activity.of if isinstance(activity, PlacedActivity) else activity.name
    return None, activity.name, written, activity.instrument


def _draw_runs(
    scenario: Scenario,
    world: World,
    each: Uncertainty,
    random: np.random.Generator,
    drawn: Draws,
    k: int,
) -> None:
    """A length or a failure for each run that is not over."""
    # One number for each run that the scenario requests, whatever the plan has, and for each try.
    firsts = np.cumsum([0, *(a.count for a in scenario.activity)])
    tries = random.random((TRIES, int(firsts[-1])))
    meant, seen = is_meant(scenario, each), [0] * len(scenario.activity)
    for r in range(len(world.runs)):
        a = int(world.runs[r, ACTIVITY])
        shares = tries[:, (firsts[a] + seen[a]) % tries.shape[1]]
        seen[a] += 1
        if not meant[a] or world.runs[r, FORCED]:
            continue
        if each.chance is not None:
            drawn.fails[k, r] |= shares < each.chance
        elif each.factor is not None:
            factor = float(triangular(shares[0], *each.factor))
            drawn.run_min[k, r] = max(1, round(drawn.run_min[k, r] * factor))


def _outages(
    scenario: Scenario, world: World, each: Uncertainty, random: np.random.Generator
) -> list[tuple[int, int, int]]:
    """Thing, first minute out of service and first in service again, from `now` on."""
    assert each.per_day is not None and each.of is not None  # read_scenario requires them
    n = world.generation_w.shape[1]
    thing, minute = things(scenario).index(each.of), float(world.now)
    found: list[tuple[int, int, int]] = []
    while True:
        minute -= log(1 - random.random()) / each.per_day * MINUTES_A_DAY
        if minute >= n:
            return found
        until = float(n)
        if each.lasts_h is not None:
            until = minute + 60 * float(triangular(random.random(), *each.lasts_h))
        found.append((thing, int(minute), min(int(np.ceil(until)), n)))
        minute = until


def things(scenario: Scenario) -> list[str]:
    """What may be out of service: instruments, stations, platforms in order of name."""
    return [
        *(instrument.name for instrument in scenario.instrument),
        *(station.name for station in scenario.station),
        *sorted(platform.name for platform in scenario.platform),
    ]
