"""Build the environment of a scenario: Sun, Earth, ground, power and links, by the minute.

It turns the arrays of physics/ into tables. Conditions, energy and contacts are sampled once a
minute, so that a replay can check every minute of a plan; the planner sums minutes into steps.
"""

from dataclasses import replace
from datetime import datetime, timedelta
from functools import lru_cache
from pathlib import Path

import numpy as np
import pandas as pd

from obsplan.common import intervals
from obsplan.environment.contacts import link_columns, relay_columns
from obsplan.environment.ground import ground_temperature_k
from obsplan.environment.model import Environment, span_ends, wanted_depths_m
from obsplan.environment.night import night_after
from obsplan.environment.orbiter_columns import HIDDEN_COLUMNS
from obsplan.environment.orbiter_table import (
    MAGNETOTAIL_LIMIT_DEG,
    hidden_table,
    orbiter_columns,
)
from obsplan.environment.orbits import known_around
from obsplan.environment.power_columns import power_columns
from obsplan.environment.relay_link import orbit_relay_columns
from obsplan.environment.site_skyline import site_profile
from obsplan.environment.stop_skies import generation_at_stops, stop_skies
from obsplan.environment.sun_and_earth import UNCOVERED, sun_and_earth
from obsplan.environment.team_shifts import team_shifts
from obsplan.environment.unit_columns import table_columns
from obsplan.environment.viewpoint import Viewpoint, viewpoints
from obsplan.ephemeris import Ephemeris, open_ephemeris
from obsplan.inputs.conditions import depth_column
from obsplan.inputs.scenario import Scenario, Site
from obsplan.physics import sky

# Time enough for the Earth to rise at a site on the limb.
AROUND_DAYS = 30

Sky = dict[str, np.ndarray]


def make_environment(
    scenario: Scenario,
    ephemeris_directory: Path | None = None,
    stations_out: dict[str, np.ndarray] | None = None,
) -> Environment:
    """Run the physics of a scenario over its span.

    `stations_out` gives, by station, windows (k, 2) in datetime64[s] in which it is out of
    service; another may be used then.

    Raises EphemerisError unless the kernels cover the span and, for the temperature of the
    ground, two years and two months before it; ScenarioError if the skyline, an orbit or a thermal
    table cannot be used.
    """
    ephemeris = open_ephemeris(ephemeris_directory)
    environment = _linked(scenario, ephemeris, stations_out)
    if scenario.site is not None:
        environment = _with_site(environment, scenario.site, ephemeris)
    skies = {
        name: table.assign(**table_columns(scenario.platform_named(name).unit, scenario, table))
        for name, table in environment.skies.items()
    }
    environment = replace(environment, skies=skies)
    if scenario.site is None:
        environment = replace(environment, sky=skies[scenario.platform[0].name])
    environment = replace(environment, stop_sky=stop_skies(scenario, environment.sky))
    platforms = {
        p.name: pd.concat(
            [
                power_columns(p, environment.sky_of(p.name), scenario.folder),
                environment.platforms[p.name],
                generation_at_stops(environment, p),
            ],
            axis=1,
        )
        for p in scenario.platform
    }
    return replace(environment, platforms=platforms)


def _with_site(environment: Environment, site: Site, ephemeris: Ephemeris) -> Environment:
    """With the temperature of the ground, the events and the night at the site."""
    scenario = environment.scenario
    profile = site_profile(scenario)
    depths_m = 0.0, *wanted_depths_m(scenario)
    first, last = span_ends(scenario)
    ground_k = _ground_k(site, ephemeris, profile.tobytes(), first, last, depths_m)
    sky_table = environment.sky.assign(**_ground_columns(ground_k, depths_m))
    units = [unit for p in scenario.platform if not p.flies for unit in p.unit]
    sky_table = sky_table.assign(**table_columns(units, scenario, sky_table))
    events = pd.DataFrame(
        sky.sun_events(ephemeris, first, last, *site.place, profile),
        columns=["event", "time_utc"],
    )
    events["time_utc"] = pd.to_datetime(events["time_utc"], utc=True)
    night = night_after(scenario, ephemeris, profile)
    return replace(environment, sky=sky_table, events=events, night=night)


def make_link_environment(
    scenario: Scenario, ephemeris_directory: Path | None = None
) -> Environment:
    """Sun, Earth and contacts alone, in half the time.

    The sky table is without temperatures, the platforms' tables are without generation and
    base load, and there are no events. Raises EphemerisError unless the kernels cover the span;
    ScenarioError if the skyline cannot be read.
    """
    return _linked(scenario, open_ephemeris(ephemeris_directory))


def link_environment_around(
    scenario: Scenario, instant: datetime, ephemeris_directory: Path | None = None
) -> Environment:
    """Sun, Earth and contacts from a day before the UTC time `instant` to `AROUND_DAYS` after it.

    Its span takes the place of the scenario's own. It is cut to what the kernels and the orbits
    cover; raises EphemerisError or ScenarioError if they do not cover the instant.
    """
    ephemeris = open_ephemeris(ephemeris_directory)
    minute = instant.replace(second=0, microsecond=0)
    next_minute = timedelta(minutes=1)
    earliest = ephemeris.first.replace(second=0, microsecond=0) + next_minute
    first = max(minute - timedelta(days=1), min(minute, earliest))
    last = max(min(minute + timedelta(days=AROUND_DAYS), ephemeris.last), minute + next_minute)
    first, last = _known_around(scenario, ephemeris, minute, first, last)
    span = scenario.span.model_copy(update={"start_utc": first, "end_utc": last, "step_min": 1})
    return make_link_environment(scenario.model_copy(update={"span": span}), ephemeris_directory)


def _known_around(
    scenario: Scenario, ephemeris: Ephemeris, minute: datetime, first: datetime, last: datetime
) -> tuple[datetime, datetime]:
    """The part of first..last around a minute that the orbits of all platforms cover."""
    for platform in scenario.platform:
        if platform.flies:
            begin, end = known_around(scenario, platform, ephemeris, minute)
            first, last = max(first, begin), min(last, end)
    return first, last


def contact_windows(environment: Environment) -> np.ndarray:
    """Windows (n, 2) datetime64[s] in which any station is in contact with any platform."""
    both = environment.contacts[["acquisition_utc", "loss_utc"]]
    naive = both.apply(lambda times: times.dt.tz_localize(None)).to_numpy(dtype="datetime64[s]")
    return intervals.union(naive)


# Who compares hardware or activities asks again and again for one site and span.
@lru_cache(maxsize=4)
def _sky_of(
    site: Site, ephemeris: Ephemeris, profile: bytes, first: np.datetime64, last: np.datetime64
) -> tuple[np.ndarray, Sky]:
    minutes = np.arange(first, last, np.timedelta64(1, "m"))
    around = np.frombuffer(profile).reshape(-1, 2)
    over = sun_and_earth(site, sky.sun_and_earth_km(ephemeris, minutes), around)
    for values in (minutes, *over.values()):
        values.flags.writeable = False
    return minutes, over


@lru_cache(maxsize=4)
def _ground_k(
    site: Site,
    ephemeris: Ephemeris,
    profile: bytes,
    first: np.datetime64,
    last: np.datetime64,
    depths_m: tuple[float, ...],
) -> np.ndarray:
    """Temperatures (slopes, minutes, depths) of the ground."""
    minutes, over = _sky_of(site, ephemeris, profile, first, last)
    around = np.frombuffer(profile).reshape(-1, 2)
    ground_k = ground_temperature_k(site, ephemeris, around, minutes, over, list(depths_m))
    ground_k.flags.writeable = False
    return ground_k


def _linked(
    scenario: Scenario, ephemeris: Ephemeris, stations_out: dict[str, np.ndarray] | None = None
) -> Environment:
    """The environment without ground, power and events."""
    first, last = span_ends(scenario)
    minutes = np.arange(first, last, np.timedelta64(1, "m"))
    index = pd.DatetimeIndex(minutes, name="time_utc").tz_localize("UTC")
    seats = viewpoints(scenario, ephemeris, first, last)
    skies, occultations = _skies(scenario, seats, index, last)
    if scenario.site is None:
        sky_table = skies[scenario.platform[0].name]
    else:
        profile = site_profile(scenario)
        _, over = _sky_of(scenario.site, ephemeris, profile.tobytes(), first, last)
        sky_table = pd.DataFrame({key: over[key] for key in over if key != UNCOVERED}, index=index)
    links, contacts, unseen = {}, [], []
    for platform in scenario.platform:
        if platform.radio.to == "earth":
            links[platform.name], rows, not_seen = link_columns(
                platform, scenario, seats[platform.name], minutes, stations_out
            )
            contacts.append(rows)
            unseen.append(not_seen)
    for platform in scenario.platform:
        if platform.radio.to != "earth":
            in_contact, relay = links[platform.radio.to]["in_contact"], seats[platform.radio.to]
            links[platform.name] = (
                relay_columns(platform, in_contact, minutes)
                if relay.around is None
                else orbit_relay_columns(scenario, platform, relay, in_contact, minutes)
            )
    return Environment(
        scenario,
        sky_table,
        {p.name: pd.DataFrame(links[p.name], index=index) for p in scenario.platform},
        pd.concat(contacts, ignore_index=True),
        pd.DataFrame({"event": [], "time_utc": pd.DatetimeIndex([], tz="UTC")}),
        ephemeris.files,
        unseen=pd.concat(unseen, ignore_index=True),
        shifts=team_shifts(scenario),
        skies=skies,
        occultations=occultations,
    )


def _skies(
    scenario: Scenario,
    seats: dict[str, Viewpoint],
    index: pd.DatetimeIndex,
    last_utc: np.datetime64,
) -> tuple[dict[str, pd.DataFrame], pd.DataFrame]:
    """The sky of each platform in orbit, and what is hidden from them."""
    minutes = index.tz_localize(None).to_numpy(dtype="datetime64[s]")
    limit_deg = scenario.site.magnetotail_limit_deg if scenario.site else MAGNETOTAIL_LIMIT_DEG
    skies, hidden = {}, [pd.DataFrame(columns=list(HIDDEN_COLUMNS))]
    for name, seat in seats.items():
        if seat.around is not None:
            columns = orbiter_columns(seat.around(minutes), limit_deg)
            skies[name] = pd.DataFrame(columns, index=index)
            hidden.append(hidden_table(name, seat.around, minutes[0], last_utc))
    return skies, pd.concat(hidden[1:] or hidden, ignore_index=True)


def _ground_columns(ground_k: np.ndarray, depths_m: tuple[float, ...]) -> Sky:
    """Temperatures (slopes, minutes, depths) as columns; several slopes make a band."""
    columns = {}
    for depth_m, temperature_k in zip(depths_m, ground_k[0].T):
        columns[depth_column(depth_m)] = temperature_k
        if depth_m == 0 and len(ground_k) > 1:
            columns["surface_temperature_low_k"] = ground_k[..., 0].min(axis=0)
            columns["surface_temperature_high_k"] = ground_k[..., 0].max(axis=0)
    return columns
