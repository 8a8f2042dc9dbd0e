"""Stations serve one spacecraft at a time: a run in contact throughout has one of its own."""

from collections.abc import Iterator
from itertools import combinations

import numpy as np

from obsplan.checking.slots import Run
from obsplan.checking.violation import Violation
from obsplan.common.text import number_text
from obsplan.environment.model import Environment
from obsplan.environment.station_choice import reach_of

# Runs, by number, each with the stations that could serve it.
Case = tuple[tuple[int, tuple[str, ...]], ...]
# Per minute, the runs that have too few stations between them.
Short = dict[int, tuple[int, ...]]


def crowded_stations(
    environment: Environment, runs: list[Run], minutes: int
) -> Iterator[Violation]:
    """Slots that each need a station when there are too few for their spacecraft, by the time.

    Spacecraft may use any station that could serve them, not only the one that is best for each.
    """
    if not _are_several(environment):
        return
    own = [run for run in runs if run.activity.contact == "whole"]
    short = _short(environment, own, minutes)
    for start, end, some in _stretches(short):
        crowded = [own[k] for k in some]
        names = sorted({name for run in crowded for name in _reach(environment, run)[start]})
        stations = " or ".join(f'"{name}"' for name in names)
        many = "both" if len(crowded) == 2 else "all"
        yield Violation(
            "station",
            environment.scenario.instant_at(start),
            float(end - start),
            "min",
            f"{_joined(crowded)} {many} need {stations} for {number_text(float(end - start))} min "
            f"from {environment.scenario.stamp_at(start)}",
            reason="a station serves one spacecraft at a time",
            platform=crowded[-1].platform,
            activity=crowded[-1].activity.name,
            slots=tuple(run.slot for run in crowded),
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


def _short(environment: Environment, own: list[Run], minutes: int) -> Short:
    """The fewest of the runs under way that cannot all be served, in each minute with such."""
    under_way: dict[int, list[int]] = {}
    for k, run in enumerate(own):
        for minute in range(max(run.first, 0), min(run.last, minutes)):
            under_way.setdefault(minute, []).append(k)
    outlets = [environment.scenario.outlet_of(run.platform) for run in own]
    reach = [_reach(environment, run) for run in own]
    known: dict[Case, tuple[int, ...]] = {}
    short: Short = {}
    for minute, some in sorted(under_way.items()):
        first = list({outlets[k]: k for k in reversed(some)}.values())
        if len(first) > 1:
            case = tuple((k, reach[k][minute]) for k in sorted(first))
            if case not in known:
                known[case] = _too_many(case)
            if known[case]:
                short[minute] = known[case]
    return short


def _too_many(case: Case) -> tuple[int, ...]:
    """The fewest runs, each with the stations that could serve it, that have too few of them."""
    seen = [(k, names) for k, names in case if names]  # out of contact is another rule
    for count in range(2, len(seen) + 1):
        for some in combinations(seen, count):
            if not _is_served([names for _, names in some], frozenset()):
                return tuple(k for k, _ in some)
    return ()


def _is_served(reach: list[tuple[str, ...]], taken: frozenset[str]) -> bool:
    """Whether each can have a station of its own beside those taken."""
    return not reach or any(
        _is_served(reach[1:], taken | {name}) for name in reach[0] if name not in taken
    )


def _stretches(short: Short) -> Iterator[tuple[int, int, tuple[int, ...]]]:
    """Unbroken minutes in which the same runs are short of stations: first, end and runs."""
    minutes = sorted(short)
    start = 0
    for k in range(1, len(minutes) + 1):
        is_end = k == len(minutes) or minutes[k] > minutes[k - 1] + 1
        if is_end or short[minutes[k]] != short[minutes[start]]:
            yield minutes[start], minutes[k - 1] + 1, short[minutes[start]]
            start = k


def _joined(runs: list[Run]) -> str:
    *first, last = map(str, runs)
    return f"{', '.join(first)} and {last}"


def _are_several(environment: Environment) -> bool:
    """Whether several platforms send to Earth by themselves."""
    return sum(p.radio.to == "earth" for p in environment.scenario.platform) > 1


def _reach(environment: Environment, run: Run) -> np.ndarray:
    return reach_of(environment.platforms[environment.scenario.outlet_of(run.platform)])


def _stations(environment: Environment, platform: str) -> np.ndarray:
    return np.asarray(environment.platforms[platform]["station"], dtype=object)
