"""The legs between the places of a rover: how far, how steep, how long to drive.

They are straight, or the quickest permitted ways over elevation models and around hazards, in reach
of the relay.
"""

from collections.abc import Sequence
from functools import lru_cache
from itertools import pairwise
from math import atan2, ceil, degrees, hypot
from pathlib import Path
from typing import NamedTuple

import numpy as np

from obsplan.common.constants import MOON_RADIUS_KM
from obsplan.common.model_files import files_of
from obsplan.inputs.hardware import Platform
from obsplan.inputs.hazards_csv import NamedHazard, read_hazards
from obsplan.inputs.scenario import Scenario, Site
from obsplan.inputs.stop import LANDER, Drive, Stop
from obsplan.physics.ground_model import ground_around, level_ground
from obsplan.physics.ground_path import Drivable, GroundPath, Parts, in_parts, shortest_paths
from obsplan.physics.line_of_sight import open_nodes
from obsplan.physics.terrain_skyline import east_and_north

Place = tuple[float, float]  # metres east and north of the lander


class Leg(NamedTuple):
    """A way from one place to another.

    drive_min: time on the move, without looks in between. azimuth_deg: straight from start to end,
    from north through east. path_m: its corners, metres east and north of the lander. cuts_m: its
    ends, and where it is cut into the equal parts that it is driven in; of each of those part_min,
    part_azimuth_deg, part_climb_m and part_slope_deg (the steepest).
    """

    start: str
    end: str
    distance_m: float
    climb_m: float
    steepest_slope_deg: float
    drive_min: float
    azimuth_deg: float
    path_m: tuple[Place, ...]
    cuts_m: tuple[Place, ...]
    part_min: tuple[float, ...]
    part_azimuth_deg: tuple[float, ...]
    part_climb_m: tuple[float, ...]
    part_slope_deg: tuple[float, ...]

    @property
    def parts(self) -> int:
        """How many drives it is made in."""
        return len(self.part_min)

    @property
    def part_m(self) -> float:
        """Length of each of its parts."""
        return self.distance_m / self.parts

    @property
    def farthest_m(self) -> float:
        """Greatest distance from the lander along the way."""
        return max(hypot(*corner) for corner in self.path_m)


class Reach(NamedTuple):
    """What ways must keep of the relay: its sight or not, and its range, if that is limited."""

    sight: bool
    range_m: float | None


def places_of(scenario: Scenario, platform: str) -> dict[str, Place]:
    """Every place of a rover, the lander first, in metres east and north of that."""
    stops = {
        s.name: place_of(scenario.landing_site, s) for s in scenario.stop if s.platform == platform
    }
    return {LANDER: (0.0, 0.0)} | stops


def place_of(site: Site, stop: Stop) -> Place:
    """Metres east and north of the lander, along the great circle on the sphere through it."""
    if stop.east_m is not None and stop.north_m is not None:
        return stop.east_m, stop.north_m
    assert stop.latitude_deg is not None and stop.longitude_deg is not None
    radius_m = 1000 * MOON_RADIUS_KM + site.height_m
    lander = site.latitude_deg, site.longitude_deg
    east_rad, north_rad = east_and_north(stop.latitude_deg, stop.longitude_deg, lander)
    return radius_m * east_rad, radius_m * north_rad


class Ways(NamedTuple):
    """The ground that a rover drives on, and the quickest ways between its places, by number.

    hazards: those of `drivable`, with their names.
    """

    drivable: Drivable
    hazards: tuple[NamedHazard, ...]
    paths: dict[tuple[int, int], GroundPath]


def ways_of(scenario: Scenario, platform: Platform) -> Ways | None:
    """Ways over elevation models or around hazards; None if they are straight lines.

    The places have the numbers of `places_of`. Raises ScenarioError or TableError if a file cannot
    be used.
    """
    drive = platform.drive
    models = scenario.ground_paths(platform)
    hazards = scenario.hazards_path(platform)
    if drive is None or not (models or hazards):
        return None
    files = [file for path in models for file in files_of(path)] + [hazards] * bool(hazards)
    states = tuple((file.stat().st_mtime_ns, file.stat().st_size) for file in files if file)
    places = tuple(places_of(scenario, platform.name).values())
    relayed = platform.radio.to != "earth"
    reach = Reach(relayed and bool(models), platform.radio.range_limit_m if relayed else None)
    site = scenario.landing_site.place
    return _ways(models, hazards, states, site, places, drive.speed_by_slope, reach)


def legs_of(scenario: Scenario, platform: Platform) -> dict[tuple[str, str], Leg]:
    """The leg between every two places of a rover, in both directions, by their names.

    Places are missing between which there is no permitted way, or none that can be driven within
    the span. Raises as `ways_of` does.
    """
    drive, span_min = platform.drive, scenario.steps * scenario.span.step_min
    if drive is None:
        return {}
    places = places_of(scenario, platform.name)
    ways = ways_of(scenario, platform)
    names, points = [*places], tuple(places.values())
    paths = _straight_paths(points, drive) if ways is None else ways.paths
    legs = (_leg(drive, names[i], names[j], path, ways) for (i, j), path in sorted(paths.items()))
    return {(leg.start, leg.end): leg for leg in legs if max(leg.part_min) <= span_min}


@lru_cache(maxsize=8)
def _ways(
    models: tuple[Path, ...],
    hazards: Path | None,
    states: tuple[tuple[int, int], ...],  # of the files, so that changed ones are read again
    site: tuple[float, float, float],
    places: tuple[Place, ...],
    speed_by_slope: tuple[tuple[float, float], ...],
    reach: Reach,
) -> Ways:
    latitude_deg, longitude_deg, height_m = site
    named = read_hazards(hazards) if hazards else ()
    points_m = np.array(places)
    if models:
        ground = ground_around(models, latitude_deg, longitude_deg, points_m, height_m)
    else:
        ground = level_ground(points_m, height_m)
    limited = reach.sight or reach.range_m is not None
    open_ones = open_nodes(ground, np.zeros(2), reach.range_m, reach.sight) if limited else None
    shapes = tuple(hazard.shape for hazard in named)
    drivable = Drivable(ground, speed_by_slope, shapes, open_ones)
    return Ways(drivable, named, shortest_paths(drivable, points_m))


def _straight_paths(points: Sequence[Place], drive: Drive) -> dict[tuple[int, int], GroundPath]:
    """Straight ways on level ground, before their detour."""
    found = {}
    for i, start in enumerate(points):
        for j, end in enumerate(points):
            if i != j:
                metres = hypot(end[0] - start[0], end[1] - start[1])
                minutes = metres / drive.speed_by_slope[0][1]
                found[i, j] = GroundPath((start, end), metres, 0.0, 0.0, 0.0, minutes)
    return found


def _leg(drive: Drive, start: str, end: str, path: GroundPath, ways: Ways | None) -> Leg:
    """A leg from its way; on ground without a model with a detour."""
    detour = drive.detour if drive.ground == "straight" else 1.0
    distance_m = detour * path.distance_m
    parts = max(1, ceil(distance_m / (drive.longest_drive_m or distance_m or 1.0) - 1e-9))
    if ways is None:
        (east, north), (to_east, to_north) = path.corners_m
        shares = [part / parts for part in range(parts + 1)]
        cuts = tuple((east + s * (to_east - east), north + s * (to_north - north)) for s in shares)
        level = (0.0,) * parts
        cut = Parts(cuts, (path.minutes / parts,) * parts, level, level)
    else:
        cut = in_parts(ways.drivable, path, parts)
    return Leg(
        start,
        end,
        distance_m,
        path.climb_m,
        path.steepest_slope_deg,
        detour * path.minutes,
        _azimuth_deg(path.corners_m[0], path.corners_m[-1]),
        path.corners_m,
        cut.cuts_m,
        tuple(detour * minutes for minutes in cut.minutes),
        tuple(_azimuth_deg(*ends) for ends in pairwise(cut.cuts_m)),
        cut.climb_m,
        cut.steepest_slope_deg,
    )


def _azimuth_deg(start: Place, end: Place) -> float:
    return degrees(atan2(end[0] - start[0], end[1] - start[1])) % 360
