"""Where a platform looks from, at the site or in orbit: its lines of sight to ground stations."""

from collections.abc import Callable
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from obsplan.common.constants import MOON_RADIUS_KM
from obsplan.environment.orbits import covered_from_s, orbit_of
from obsplan.environment.site_skyline import site_profile
from obsplan.ephemeris import Ephemeris
from obsplan.inputs.hardware import Platform, Station
from obsplan.inputs.scenario import Scenario
from obsplan.physics.earth_station import StationView, station_view
from obsplan.physics.orbiter_sky import limb_radius_deg
from obsplan.physics.orbiter_track import Around, Track, orbiter_track, station_seen
from obsplan.physics.skyline import skyline_elevation_deg
from obsplan.physics.time_scales import utc_of_tdb
from obsplan.physics.vectors import length

ON_GROUND_SCAN_S, IN_ORBIT_SCAN_S = 600.0, 120.0


class Viewpoint(NamedTuple):
    """Lines of sight from a platform, as functions of UTC instants (n,).

    view: between platform and station. skyline_deg: elevation (n,) of what hides the sky in the
    directions given second: the terrain, or the Moon's limb, far below the level plane of an
    orbiter. height_m: above the sphere. least_from_skyline: whether the least elevation of the
    radio is counted from there. scan_s: no contact is shorter without being noticed. merge_s: gaps
    that do not count, as of an Earth that grazes terrain. first_utc: the earliest instant.
    around: what is around a platform in orbit; None at the site.
    """

    view: Callable[[Station, np.ndarray], StationView]
    skyline_deg: Callable[[np.ndarray, np.ndarray], np.ndarray]
    height_m: Callable[[np.ndarray], np.ndarray]
    least_from_skyline: bool
    scan_s: float
    merge_s: float
    first_utc: np.datetime64
    around: Track | None = None


def viewpoints(
    scenario: Scenario, ephemeris: Ephemeris, first_utc: np.datetime64, last_utc: np.datetime64
) -> dict[str, Viewpoint]:
    """The viewpoint of every platform for first_utc..last_utc.

    Raises ScenarioError if a skyline or an orbit cannot be used.
    """
    ground = None if scenario.site is None else _on_ground(scenario, ephemeris, first_utc)
    found = {}
    for platform in scenario.platform:
        if platform.flies:
            track, earliest_utc = track_of(scenario, platform, ephemeris, first_utc, last_utc)
            found[platform.name] = _in_orbit(track, earliest_utc)
        else:
            assert ground is not None  # read_scenario requires a site of platforms on the ground
            found[platform.name] = ground
    return found


def track_of(
    scenario: Scenario,
    platform: Platform,
    ephemeris: Ephemeris,
    first_utc: np.datetime64,
    last_utc: np.datetime64,
) -> tuple[Track, np.datetime64]:
    """What is around a platform that flies, for first_utc..last_utc, and from when on it is known.

    That is earlier if a station is set up before the span and the orbit is known then. Raises
    ScenarioError if the orbit cannot be used.
    """
    before_s = 60.0 * max(station.set_up_min for station in scenario.station)
    orbit = orbit_of(scenario, platform, ephemeris, first_utc, last_utc, before_s)
    known_s = np.ceil(covered_from_s(orbit, ephemeris, first_utc, before_s) * 1000.0) / 1000.0
    known_utc = utc_of_tdb(ephemeris, np.array([known_s]))[0].astype("datetime64[s]")
    earliest_utc = min(first_utc, known_utc + np.timedelta64(1, "s"))
    return orbiter_track(ephemeris, orbit, earliest_utc, last_utc), earliest_utc


def _on_ground(scenario: Scenario, ephemeris: Ephemeris, first_utc: np.datetime64) -> Viewpoint:
    profile, site = site_profile(scenario), scenario.landing_site

    def view(station: Station, times_utc: np.ndarray) -> StationView:
        return station_view(ephemeris, times_utc, *site.place, *station.place)

    return Viewpoint(
        view,
        lambda times_utc, azimuth_deg: skyline_elevation_deg(profile, azimuth_deg),
        lambda times_utc: np.full(len(times_utc), site.height_m),
        False,
        ON_GROUND_SCAN_S,
        60.0,
        np.datetime64("1900-01-01", "s"),
    )


def _in_orbit(track: Track, earliest_utc: np.datetime64) -> Viewpoint:
    @lru_cache(maxsize=16)  # stations share the scan, with a dozen refinements
    def around(instants: bytes) -> Around:
        return track(np.frombuffer(instants, dtype="datetime64[s]"))

    def at(times_utc: np.ndarray) -> Around:
        return around(np.asarray(times_utc, dtype="datetime64[s]").tobytes())

    return Viewpoint(
        lambda station, times_utc: station_seen(at(times_utc), *station.place),
        lambda times_utc, azimuth_deg: limb_radius_deg(at(times_utc).orbiter_km) - 90.0,
        lambda times_utc: 1000.0 * (length(at(times_utc).orbiter_km) - MOON_RADIUS_KM),
        True,
        IN_ORBIT_SCAN_S,
        1.0,
        earliest_utc,
        at,
    )
