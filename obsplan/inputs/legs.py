"""The legs between the places of a rover: how far, how steep, how long to drive."""

from math import atan2, ceil, cos, degrees, hypot, radians
from typing import NamedTuple

from obsplan.common.constants import MOON_RADIUS_KM
from obsplan.inputs.hardware import Platform
from obsplan.inputs.scenario import Scenario, Site
from obsplan.inputs.stop import LANDER, Drive, Stop

Place = tuple[float, float]  # metres east and north of the lander


class Leg(NamedTuple):
    """A way from one place to another.

    drive_min: time on the move, without looks in between. parts: drives that it is made in.
    azimuth_deg: straight from start to end, from north through east. path_m: its corners, metres
    east and north of the lander.
    """

    start: str
    end: str
    distance_m: float
    climb_m: float
    steepest_slope_deg: float
    drive_min: float
    parts: int
    azimuth_deg: float
    path_m: tuple[Place, ...]

    @property
    def part_m(self) -> float:
        """Length of each of its parts."""
        return self.distance_m / self.parts


def places_of(scenario: Scenario, platform: str) -> dict[str, Place]:
    """Every place of a rover, the lander first, in metres east and north of that."""
    stops = {s.name: place_of(scenario.site, s) for s in scenario.stop if s.platform == platform}
    return {LANDER: (0.0, 0.0)} | stops


def place_of(site: Site, stop: Stop) -> Place:
    """Metres east and north of the lander on the sphere through it."""
    if stop.east_m is not None and stop.north_m is not None:
        return stop.east_m, stop.north_m
    assert stop.latitude_deg is not None and stop.longitude_deg is not None
    radius_m = 1000 * MOON_RADIUS_KM + site.height_m
    east_deg = (stop.longitude_deg - site.longitude_deg + 180) % 360 - 180
    east_m = radius_m * radians(east_deg) * cos(radians(site.latitude_deg))
    return east_m, radius_m * radians(stop.latitude_deg - site.latitude_deg)


def legs_of(scenario: Scenario, platform: Platform) -> dict[tuple[str, str], Leg]:
    """The leg between every two places of a rover, in both directions, by their names."""
    if platform.drive is None:
        return {}
    places = places_of(scenario, platform.name)
    return {
        (start, end): _straight(platform.drive, start, end, places[start], places[end])
        for start in places
        for end in places
        if start != end
    }


def _straight(drive: Drive, start: str, end: str, begin: Place, finish: Place) -> Leg:
    """The leg on level ground along a straight line, with its detour."""
    east_m, north_m = finish[0] - begin[0], finish[1] - begin[1]
    distance_m = drive.detour * hypot(east_m, north_m)
    return Leg(
        start,
        end,
        distance_m,
        climb_m=0.0,
        steepest_slope_deg=0.0,
        drive_min=distance_m / drive.speed_by_slope[0][1],
        parts=parts_of(drive, distance_m),
        azimuth_deg=degrees(atan2(east_m, north_m)) % 360,
        path_m=(begin, finish),
    )


def parts_of(drive: Drive, distance_m: float) -> int:
    """How many drives a way of so many metres is made in."""
    return max(1, ceil(distance_m / (drive.longest_drive_m or distance_m or 1.0) - 1e-9))
