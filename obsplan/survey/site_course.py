"""Many sites over many lunar days: sky, contacts, ground and power, computed together.

All sites of a call share one scan of the sky, every ten minutes; events are refined to a
second. Instants are whole seconds since 1970 (UTC), windows int64 (n, 2).
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pandas as pd

from obsplan.common import intervals
from obsplan.common.constants import SUN_RADIUS_KM
from obsplan.common.errors import ScenarioError
from obsplan.environment import contacts
from obsplan.environment.ground import soil_of
from obsplan.environment.power_columns import power_columns
from obsplan.environment.site_skyline import read_skyline
from obsplan.environment.unit_columns import table_columns
from obsplan.inputs.hardware import Platform
from obsplan.inputs.scenario import Scenario
from obsplan.inputs.sites_csv import Place
from obsplan.physics import earth_station, sky
from obsplan.physics.crossings import windows_where
from obsplan.physics.skyline import skyline_elevation_deg
from obsplan.physics.sun_disc import disc_clearance_deg, disc_overlap, disc_share_above
from obsplan.survey.lunar_days import (
    HOUR_S,
    PER_HOUR,
    SCAN_S,
    Range,
    instants,
    lunar_days,
    range_of,
    require_range,
)
from obsplan.survey.site_ground import (
    Light,
    light_at,
    means_by_hour,
    near_earth,
    past_light,
    surface_temperature_k,
)

GRAZING_S = 600.0  # as in sky.sun_events
# Latitude and longitude (degrees) and height (m) of one site, or arrays of many.
Site = tuple[float | np.ndarray, float | np.ndarray, float | np.ndarray]


def require_on_ground(scenario: Scenario) -> None:
    """Raise ScenarioError if a platform is in orbit: a file has its orbit for one span alone."""
    if flying := [p.name for p in scenario.platform if p.flies]:
        raise ScenarioError(
            f'platform "{flying[0]}" is in orbit, which is known for its own span alone; lunar '
            "days and sites are compared for platforms on the ground: leave it out of the scenario"
        )


def place_of(scenario: Scenario) -> Place:
    """The scenario's own site."""
    site = scenario.landing_site
    return Place(site.name, *site.place, site.slope_deg, site.aspect_deg, scenario.skyline_paths())


@dataclass(frozen=True)
class SiteCourse:
    """A site over the range: samples (n,) at `scan_s`, hourly samples (m,), and windows.

    days: number, local midnight, noon and next midnight of every lunar day (k, 4).
    eclipsed: share (n,) of the Sun's disc covered by the Earth, above the skyline.
    surface_k, generation_w, base_load_w, rate_kbps: hourly.
    light: some of the Sun above the skyline, full cover at its ends left out. eclipse: the
    Earth's disc on the Sun's, in light. earth_up: the Earth's centre above the skyline.
    sun_in_band, earth_high: the centre within the landing limits. contacts: per pair of direct
    platform and station, as (platform, station), from the end of set-up, when data begin to
    flow, to loss.
    """

    place: Place
    scan_s: np.ndarray
    days: np.ndarray
    sun_elevation_deg: np.ndarray
    earth_elevation_deg: np.ndarray
    eclipsed: np.ndarray
    surface_k: np.ndarray
    generation_w: dict[str, np.ndarray]
    base_load_w: dict[str, np.ndarray]
    rate_kbps: dict[tuple[str, str], np.ndarray]
    light: np.ndarray
    eclipse: np.ndarray
    earth_up: np.ndarray
    sun_in_band: np.ndarray
    earth_high: np.ndarray
    contacts: dict[tuple[str, str], np.ndarray]

    @property
    def hour_s(self) -> np.ndarray:
        """Instants (m,) of the hourly samples."""
        return self.scan_s[::PER_HOUR]

    def hourly_sum(self, samples: np.ndarray, first_s: float, last_s: float) -> float:
        """Integral over hours of hourly samples (m,) from one instant to another."""
        sums = np.append(0.0, np.cumsum((samples[1:] + samples[:-1]) / 2.0))
        return float(np.diff(np.interp([first_s, last_s], self.hour_s, sums))[0])

    @cached_property
    def any_contact(self) -> np.ndarray:
        """Windows in which any station is in contact with any platform."""
        return intervals.union(np.concatenate([*self.contacts.values(), np.empty((0, 2), int)]))

    @property
    def earth_hidden(self) -> np.ndarray:
        """Windows in which the Earth's centre is below the skyline."""
        return intervals.subtract(self.scan_s[[[0, -1]]], self.earth_up)

    @cached_property
    def lost_light_s(self) -> np.ndarray:
        """Seconds of full sunlight lost to eclipses until each sample (n,)."""
        return np.append(0.0, np.cumsum((self.eclipsed[1:] + self.eclipsed[:-1]) / 2.0)) * SCAN_S


def skyline_of(place: Place) -> np.ndarray:
    """The profile (n, 2) of a place; raises ScenarioError if it cannot be read."""
    return read_skyline(place.skyline, *place[1:4])


def site_courses(
    scenario: Scenario,
    places: list[Place],
    first_s: int,
    last_s: int,
    ephemeris_directory: Path | None = None,
    profiles: list[np.ndarray] | None = None,
) -> list[SiteCourse]:
    """Every place over the lunar days whose local noon lies in [first_s, last_s).

    `profiles` (one per place) replace the skylines that the places name. Stations,
    platforms, landing rules and soil are the scenario's. Raises EphemerisError unless the
    kernels cover the range and the time before it that sets the ground's temperature;
    ScenarioError if a skyline cannot be read.
    """
    require_range(first_s, last_s, ephemeris_directory)
    shared = range_of(first_s, last_s, scenario.station, ephemeris_directory)
    skies: dict[int, _Sky] = {}
    if profiles is None:
        profiles = [skyline_of(place) for place in places]
    for content in dict.fromkeys(profile.tobytes() for profile in profiles):
        members = [k for k, profile in enumerate(profiles) if profile.tobytes() == content]
        group = _skies(scenario, shared, [places[k] for k in members], profiles[members[0]])
        skies.update(zip(members, group))
    lights = [skies[k].light for k in range(len(places))]
    surface_k = surface_temperature_k(lights, soil_of(scenario.landing_site))
    return [
        _course(
            scenario,
            shared,
            place,
            skies[k],
            surface_k[k],
            lunar_days(shared, place.longitude_deg, first_s, last_s),
        )
        for k, place in enumerate(places)
    ]


class _Sky(NamedTuple):
    """The sky over one site: scans, windows, and light on the ground by the hour."""

    sun_elevation_deg: np.ndarray
    earth_elevation_deg: np.ndarray
    eclipsed: np.ndarray
    hourly_sun: tuple[np.ndarray, ...]
    light: Light
    windows: dict[str, np.ndarray]
    contacts: dict[tuple[str, str], np.ndarray]
    rate_kbps: dict[tuple[str, str], np.ndarray]


def _skies(scenario: Scenario, shared: Range, places: list[Place], profile) -> list[_Sky]:
    """Skies over places (s,) that share a skyline."""
    where = (
        np.array([place.latitude_deg for place in places]),
        np.array([place.longitude_deg for place in places]),
        np.array([place.height_m for place in places]),
    )
    times = instants(shared.scan_s)
    vectors = shared.track(times)
    seen = _signals(scenario, vectors, where, profile)
    sun = seen["sun"]
    above = disc_share_above(profile, sun[0], sun[1], seen["sun_radius"])
    uncovered = np.ones_like(above)
    near = near_earth(vectors)
    sun_near, earth_near = (
        tuple(part[:, near] for part in seen[body]) for body in ("sun", "earth")
    )
    apart = sky.sun_against_earth_deg(sun_near, earth_near)
    uncovered[:, near] -= disc_overlap(*apart)

    soil = soil_of(scenario.landing_site)
    earlier = past_light(shared.track(instants(shared.past_s)), where, places, profile, soil)
    light = light_at(places, profile, soil, sun, above, uncovered).by_hour().after(earlier)
    by_hour = (
        sky.irradiance_w_m2(sun[2][:, ::PER_HOUR]),
        means_by_hour(above * uncovered),
        sun[0][:, ::PER_HOUR],
        sun[1][:, ::PER_HOUR],
    )
    eclipses = _eclipse_ranges(shared.scan_s, near, seen["light"], apart)
    links = _links(scenario, shared, where, profile, times)
    skies = []
    for k, place in enumerate(places):
        spot = place[1:4]
        windows = _site_windows(scenario, shared, spot, profile, seen, k)
        windows["eclipse"], covered = _eclipse_windows(scenario, shared, spot, profile, eclipses[k])
        windows["light"] = sky.outside_cover(windows["light"], covered)
        pairs, rates = _site_links(scenario, shared, spot, profile, links, k)
        skies.append(
            _Sky(
                sun[0][k],
                seen["earth"][0][k],
                (above * (1.0 - uncovered))[k],
                (
                    *(part[k] for part in by_hour),
                    sky.local_time_h(vectors[0][:, ::PER_HOUR], place.longitude_deg),
                ),
                light.of(k),
                windows,
                pairs,
                rates,
            )
        )
    return skies


def _site_windows(scenario, shared, spot: Site, profile, seen, k: int) -> dict[str, np.ndarray]:
    """Windows of light and of the landing limits at site k of those `seen`, which is at `spot`."""

    def signal(name: str) -> Callable[[np.ndarray], np.ndarray]:
        return lambda t: _signals(scenario, shared.track(t), spot, profile)[name]

    return {
        name: _windows(shared.scan_s, seen[name][k], signal(name), GRAZING_S)
        for name in ("light", "sun_in_band", "earth_up", "earth_high")
    }


def _signals(scenario: Scenario, vectors, where: Site, profile) -> dict:
    """Sun and Earth over one or more sites, and signals that are positive while an event lasts."""
    sun_km, earth_km, site_scale = vectors
    sun = sky.elevation_azimuth_range(sun_km, *where)
    earth = sky.elevation_azimuth_range(earth_km, *where, site_scale=site_scale)
    radius_deg = sky.angular_radius_deg(SUN_RADIUS_KM, sun[2])
    low_deg, high_deg = scenario.landing.sun_elevation_deg
    return {
        "sun": sun,
        "earth": earth,
        "sun_radius": radius_deg,
        "light": disc_clearance_deg(profile, sun[0], sun[1], radius_deg),
        "sun_in_band": np.minimum(sun[0] - low_deg, high_deg - sun[0]),
        "earth_up": earth[0] - skyline_elevation_deg(profile, earth[1]),
        "earth_high": earth[0] - scenario.landing.earth_elevation_min_deg,
    }


def _windows(scan_s, scanned: np.ndarray, exact: Callable, merge_s: float = 60.0) -> np.ndarray:
    """Windows in which an already scanned signal is positive; `exact` refines their ends."""

    def signal(times_utc):
        seconds = times_utc.astype(np.int64) - scan_s[0]
        if not (seconds % SCAN_S).any():
            return scanned[seconds // SCAN_S]
        return exact(times_utc)

    first, last = instants(scan_s[[0, -1]])
    windows = windows_where(signal, first, last, scan_s=SCAN_S, merge_s=merge_s)
    return windows.astype(np.int64)


def _eclipse_ranges(scan_s, near, light, apart) -> list[list[tuple[int, int]]]:
    """For each site the ranges, first and last second, in which an eclipse may happen.

    A touch that no scan meets is deeper than the smallest thing looked for, 0.1 deg away.
    """
    separation_deg, sun_radius_deg, earth_radius_deg = apart
    close = separation_deg < sun_radius_deg + earth_radius_deg + 0.1
    breaks = np.flatnonzero(np.diff(near) > 1) + 1
    ranges: list[list[tuple[int, int]]] = []
    for site in range(len(light)):
        ranges.append([])
        for part in np.split(np.arange(len(near)), breaks):
            if len(part) > 1 and (close[site, part] & (light[site, near[part]] > -0.1)).any():
                ranges[-1].append((scan_s[near[part[0]]], scan_s[near[part[-1]]]))
    return ranges


def _eclipse_windows(scenario, shared, spot, profile, ranges) -> tuple[np.ndarray, np.ndarray]:
    """Windows in which the Earth's disc is on the Sun's, and covers it all, in light."""

    def deeper_than(sun_radii: float) -> Callable[[np.ndarray], np.ndarray]:
        def signal(times_utc):
            seen = _signals(scenario, shared.track(times_utc), spot, profile)
            apart_deg, sun_deg, earth_deg = sky.sun_against_earth_deg(seen["sun"], seen["earth"])
            return np.minimum(earth_deg - sun_radii * sun_deg - apart_deg, seen["light"])

        return signal

    def windows(sun_radii: float) -> np.ndarray:
        signal = deeper_than(sun_radii)
        found = [windows_where(signal, *instants(np.array(r))).astype(np.int64) for r in ranges]
        return np.concatenate([np.empty((0, 2), np.int64), *found])

    return windows(-1.0), windows(1.0)


def _direct(scenario: Scenario) -> list[Platform]:
    return [p for p in scenario.platform if p.radio.to == "earth"]


def _links(scenario, shared, where, profile, times) -> dict:
    """For each direct platform and station: the scanned margins, and what is seen by the hour."""
    links = {}
    for station in scenario.station:
        mask = contacts.mask_profile(scenario, station)
        seen = shared.stations[station.name](times, *where)
        hourly = earth_station.StationView(*(part[:, ::PER_HOUR] for part in seen))
        for platform in _direct(scenario):
            margin = _margin_deg(seen, profile, mask, platform, station)
            links[platform.name, station.name] = margin, hourly, mask
    return links


def _site_links(scenario, shared, spot, profile, links, k):
    """Contacts of one site and the rate by the hour, for each direct platform and station."""
    windows, rates = {}, {}
    for station in scenario.station:
        for platform in _direct(scenario):
            margin, hourly, mask = links[platform.name, station.name]

            def exact(times_utc, station=station, platform=platform, mask=mask):
                seen = shared.stations[station.name](times_utc, *spot)
                return _margin_deg(seen, profile, mask, platform, station)

            pair = platform.name, station.name
            flows = _windows(shared.scan_s, margin[k], exact) + [60 * station.set_up_min, 0]
            windows[pair] = flows[flows[:, 0] < flows[:, 1]]
            seen = earth_station.StationView(*(part[k] for part in hourly))
            rates[pair] = np.asarray(contacts.rate_of(platform.radio, station, seen, spot[2]))
    return windows, rates


def _margin_deg(seen, profile, mask, platform: Platform, station) -> np.ndarray:
    """The smallest margin of a contact along lines of sight."""
    skyline_deg = skyline_elevation_deg(profile, seen.site_azimuth_deg)
    least_deg = platform.radio.minimum_elevation_deg
    return contacts.margins_deg(seen, skyline_deg, least_deg, mask, station).min(axis=0)


def _course(scenario, shared, place: Place, over: _Sky, surface_k, days) -> SiteCourse:
    """One site's course, with generation and base load of its platforms."""
    sun = ("irradiance_w_m2", "sun_visible_fraction", "sun_elevation_deg", "sun_azimuth_deg")
    names = (*sun, "local_time_h")
    by_hour = pd.DataFrame(dict(zip(names, over.hourly_sun)) | {"surface_temperature_k": surface_k})
    by_hour = by_hour.assign(**table_columns(scenario.units, scenario, by_hour))
    generation_w, base_load_w = {}, {}
    for platform in scenario.platform:
        columns = power_columns(platform, by_hour, scenario.folder, HOUR_S)
        generation_w[platform.name] = columns["generation_w"].to_numpy()
        base_load_w[platform.name] = columns["base_load_w"].to_numpy()
    return SiteCourse(
        place,
        shared.scan_s,
        days,
        over.sun_elevation_deg,
        over.earth_elevation_deg,
        over.eclipsed,
        surface_k,
        generation_w,
        base_load_w,
        over.rate_kbps,
        contacts=over.contacts,
        **over.windows,
    )
