"""Whether a rover can stand at its stops and get there: slope, hazards, reach of relay, ways."""

from collections.abc import Iterator
from math import hypot

import numpy as np

from obsplan.common.errors import ScenarioError, TableError
from obsplan.common.text import shortened
from obsplan.inputs.error_text import shown
from obsplan.inputs.hardware import Platform
from obsplan.inputs.legs import Leg, Place, Ways, legs_of, places_of, ways_of
from obsplan.inputs.scenario import Scenario
from obsplan.inputs.stop import LANDER
from obsplan.physics.line_of_sight import ANTENNA_M, in_sight

FARTHEST_M = 100_000.0
MOST_PARTS = 100  # drives of one way
# Slopes are compared as the speeds of paths are.
SLOPE_SLACK_DEG = 1e-6


def ground_errors(scenario: Scenario) -> list[str]:
    """A line for every stop at which a rover cannot stand, or which no permitted way reaches.

    Raises ScenarioError with a line for every mistake in a file of models or hazards.
    """
    lines: list[str] = []
    for platform in scenario.platform:
        if platform.drive is None:
            continue
        places = places_of(scenario, platform.name)
        far = [*_too_far(scenario, platform, places), *_many_parts(platform, places)]
        if far:
            lines += far
            continue
        try:
            ways, legs = ways_of(scenario, platform), legs_of(scenario, platform)
        except TableError as problem:
            raise ScenarioError(*problem.args) from None
        wrong: dict[str, str] = {}
        for name, place in places.items():
            if ways is not None and (why := _no_place_to_stand(scenario, platform, ways, place)):
                wrong[name] = why
        reached = _reached(places, legs)
        for name in places:
            if name not in wrong and name not in reached and LANDER not in wrong:
                wrong[name] = _no_way(scenario, platform, ways)
        lines += [f"{_titled(name)}: {why}" for name, why in wrong.items()]
        lines += _parking_errors(platform, places)
    return lines


def _titled(name: str) -> str:
    return "the lander" if name == LANDER else f'stop "{shortened(name)}"'


def _too_far(scenario: Scenario, platform: Platform, places: dict[str, Place]) -> Iterator[str]:
    limit_m = platform.radio.range_limit_m
    for name, place in places.items():
        away_m = hypot(*place)
        if limit_m is not None and away_m > limit_m:
            key = f'platform "{shortened(platform.name)}".radio.range_limit_m'
            yield f"{_titled(name)}: {away_m:.0f} m from the lander; allowed is {limit_m:g}, {key}"
        elif away_m > FARTHEST_M:
            yield f"{_titled(name)}: {away_m:.0f} m from the lander; allowed is {FARTHEST_M:g}"


def _many_parts(platform: Platform, places: dict[str, Place]) -> Iterator[str]:
    """A longest drive so short that ways take more drives than anyone would look at."""
    assert platform.drive is not None
    longest_m = platform.drive.longest_drive_m
    if longest_m is None:
        return
    apart = (hypot(a[0] - b[0], a[1] - b[1]) for a in places.values() for b in places.values())
    farthest_m = platform.drive.detour * max(apart)
    if farthest_m > MOST_PARTS * longest_m:
        yield (
            f'platform "{shortened(platform.name)}".drive.longest_drive_m = {longest_m:g}: the '
            f"farthest way, {farthest_m:.0f} m, takes more than {MOST_PARTS} drives; allowed is "
            f"{farthest_m / MOST_PARTS:.3g} or more"
        )


def _no_place_to_stand(scenario: Scenario, platform: Platform, ways: Ways, place: Place) -> str:
    """Why a rover cannot stand at a place; "" if it can."""
    assert platform.drive is not None
    point, ground = np.array([place]), ways.drivable.ground
    slope_deg = float(ground.slope_at(point)[0])
    steepest_deg = platform.drive.speed_by_slope[-1][0]
    if np.isnan(slope_deg):
        files = ", ".join(platform.drive.ground_files)
        return f"outside {files}, or next to where it has no data; allowed are places that it shows"
    if slope_deg > steepest_deg + SLOPE_SLACK_DEG:
        return (
            f"the ground is {slope_deg:.1f} deg steep there; allowed are {steepest_deg:g}, the "
            "last of speed_by_slope"
        )
    for number, hazard in enumerate(ways.hazards, start=1):
        if hazard.shape.crossed(point, point)[0]:
            which = shown(hazard.name) if hazard.name else f"number {number}"
            return f"lies in hazard {which} of {platform.drive.hazards}"
    relayed = platform.radio.to != "earth" and platform.drive.ground_files
    if relayed and not in_sight(ground, point, np.zeros(2))[0]:
        return (
            f"out of sight of the relay, {shown(platform.radio.to)}, with antennas {ANTENNA_M:g} m "
            "above the ground; allowed are places in its sight"
        )
    return ""


def _reached(places: dict[str, Place], legs: dict[tuple[str, str], Leg]) -> set[str]:
    """The places that legs lead to from the lander, over others or not."""
    reached, new = {LANDER}, [LANDER]
    while new:
        start = new.pop()
        found = [end for end in places if (start, end) in legs and end not in reached]
        reached.update(found)
        new += found
    return reached


def _no_way(scenario: Scenario, platform: Platform, ways: Ways | None) -> str:
    assert platform.drive is not None
    limits = []
    if ways is not None:
        limits.append(f"on slopes up to {platform.drive.speed_by_slope[-1][0]:g} deg")
        if ways.hazards:
            limits.append(f"around the hazards of {platform.drive.hazards}")
        if ways.drivable.open_nodes is not None:
            limits.append("in reach of the relay")
    permitted = f" ({', '.join(limits)})" if limits else ""
    return (
        f"no way from the lander to it{permitted} that the rover can drive within the span, in "
        "parts of longest_drive_m"
    )


def _parking_errors(platform: Platform, places: dict[str, Place]) -> Iterator[str]:
    """Ends of which none is near enough."""
    within_m, ends = platform.parking.within_m, platform.parking.stop or (*places,)
    if within_m is None:
        return
    nearest = min(ends, key=lambda name: hypot(*places[name]))
    if hypot(*places[nearest]) > within_m:
        yield (
            f'platform "{shortened(platform.name)}".parking.within_m = {within_m:g}: the nearest '
            f"place to park, {_titled(nearest)}, is {hypot(*places[nearest]):.0f} m from the lander"
        )
