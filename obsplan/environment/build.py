"""Build the environment of a scenario: Sun, Earth, ground, power and links, by the minute.

It turns the arrays of physics/ into tables. Conditions, energy and contacts are sampled once a
minute, so that a replay can check every minute of a plan; the planner sums minutes into steps.
"""

from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd

from obsplan.common import intervals
from obsplan.common.constants import SYNODIC_MONTH_DAYS
from obsplan.environment.contacts import link_columns, relay_columns
from obsplan.environment.model import Environment, span_ends, wanted_depths_m
from obsplan.environment.power_columns import power_columns
from obsplan.environment.site_skyline import site_profile
from obsplan.ephemeris import open_ephemeris
from obsplan.inputs.conditions import depth_column
from obsplan.inputs.scenario import Scenario
from obsplan.physics import regolith, sky

GROUND_STEP_MIN = 15
# Time enough for the Earth to rise at a site on the limb.
AROUND_DAYS = 30


def make_environment(
    scenario: Scenario,
    ephemeris_directory: Path | None = None,
    stations_out: dict[str, np.ndarray] | None = None,
) -> Environment:
    """Run the physics of a scenario over its span.

    `stations_out` gives, by station, windows (k, 2) in datetime64[s] in which it is out of
    service; another may be used then.

    Raises EphemerisError unless the kernels cover the span and the lunation before it, which
    sets the ground temperature; ScenarioError if the skyline cannot be read.
    """
    ephemeris = open_ephemeris(ephemeris_directory)
    profile = site_profile(scenario)
    first, last = span_ends(scenario)
    minutes = np.arange(first, last, np.timedelta64(1, "m"))

    sky_table = _sky_columns(scenario, ephemeris, profile, minutes)
    depths_m = [0.0, *wanted_depths_m(scenario)]
    ground_k = _ground(scenario, ephemeris, profile, minutes, depths_m)
    for depth_m, temperature_k in zip(depths_m, ground_k[0].T):
        sky_table[depth_column(depth_m)] = temperature_k
        if depth_m == 0 and len(ground_k) > 1:
            sky_table["surface_temperature_low_k"] = ground_k[..., 0].min(axis=0)
            sky_table["surface_temperature_high_k"] = ground_k[..., 0].max(axis=0)

    platforms = {p.name: power_columns(p, sky_table) for p in scenario.platform}
    contacts = []
    for platform in scenario.platform:
        if platform.radio.to == "earth":
            columns, rows = link_columns(
                platform, scenario, ephemeris, profile, minutes, stations_out
            )
            platforms[platform.name] = platforms[platform.name].assign(**columns)
            contacts.append(rows)
    for platform in scenario.platform:
        if platform.radio.to != "earth":
            in_contact = platforms[platform.radio.to]["in_contact"].to_numpy()
            columns = relay_columns(platform, in_contact, minutes)
            platforms[platform.name] = platforms[platform.name].assign(**columns)
    events = pd.DataFrame(
        sky.sun_events(ephemeris, first, last, *scenario.site.place, profile),
        columns=["event", "time_utc"],
    )
    events["time_utc"] = pd.to_datetime(events["time_utc"], utc=True)
    return Environment(
        scenario,
        sky_table,
        platforms,
        pd.concat(contacts, ignore_index=True),
        events,
        ephemeris.files,
    )


def environment_around(
    scenario: Scenario, instant: datetime, ephemeris_directory: Path | None = None
) -> Environment:
    """The same from a day before the UTC time `instant` to `AROUND_DAYS` after it.

    Its span takes the place of the scenario's own. It is cut to what the kernels cover; raises
    EphemerisError if they do not cover the instant.
    """
    ephemeris = open_ephemeris(ephemeris_directory)
    before, after = timedelta(days=1), timedelta(days=AROUND_DAYS)
    minute = instant.replace(second=0, microsecond=0)
    # The ground starts a lunation before the span.
    first = max(minute - before, min(minute, ephemeris.first + timedelta(days=31)))
    last = max(min(minute + after, ephemeris.last), minute + timedelta(minutes=1))
    span = scenario.span.model_copy(
        update={"start_utc": first.replace(second=0), "end_utc": last, "step_min": 1}
    )
    return make_environment(scenario.model_copy(update={"span": span}), ephemeris_directory)


def contact_windows(environment: Environment) -> np.ndarray:
    """Windows (n, 2) datetime64[s] in which any station is in contact with any platform."""
    both = environment.contacts[["acquisition_utc", "loss_utc"]]
    naive = both.apply(lambda times: times.dt.tz_localize(None)).to_numpy(dtype="datetime64[s]")
    return intervals.union(naive)


def _sun_and_earth(scenario: Scenario, ephemeris, profile, times_utc) -> dict[str, np.ndarray]:
    """Sun and Earth as seen from the site, as columns of the sky table."""
    place = scenario.site.place
    sun_km, earth_km, site_scale = sky.sun_and_earth_km(ephemeris, times_utc)
    sun = sky.elevation_azimuth_range(sun_km, *place)
    earth = sky.elevation_azimuth_range(earth_km, *place, site_scale)
    site_km = sky.site_km(*place)[:, None]
    return {
        "sun_elevation_deg": sun[0],
        "sun_azimuth_deg": sun[1],
        "sun_visible_fraction": sky.sun_visible_fraction(*sun, *earth, profile),
        "irradiance_w_m2": sky.irradiance_w_m2(sun[2]),
        "local_time_h": sky.local_time_h(sun_km, scenario.site.longitude_deg),
        "earth_elevation_deg": earth[0],
        "earth_azimuth_deg": earth[1],
        "earth_range_km": earth[2],
        "earth_phase_deg": sky.earth_phase_deg(sun_km - site_km, earth_km - site_km * site_scale),
        "in_magnetotail": sky.tail_angle_deg(sun_km, earth_km)
        <= scenario.site.magnetotail_limit_deg,
    }


def _sky_columns(scenario, ephemeris, profile, minutes) -> pd.DataFrame:
    index = pd.DatetimeIndex(minutes, name="time_utc").tz_localize("UTC")
    return pd.DataFrame(_sun_and_earth(scenario, ephemeris, profile, minutes), index=index)


def _ground(scenario, ephemeris, profile, minutes, depths_m) -> np.ndarray:
    """Ground temperature (slopes, minutes, depths), begun one lunation before the span.

    The site's nominal slope comes first, then those within its uncertainty.
    """
    step = np.timedelta64(GROUND_STEP_MIN, "m")
    cycle_steps = round(SYNODIC_MONTH_DAYS * 1440 / GROUND_STEP_MIN)
    times_utc = np.arange(minutes[0] - cycle_steps * step, minutes[-1] + step + step, step)
    over = _sun_and_earth(scenario, ephemeris, profile, times_utc)
    site = scenario.site
    slope_deg, aspect_deg = np.array([[site.slope_deg], [site.aspect_deg]])
    if site.slope_uncertainty_deg:
        tilted = regolith.tilted_deg(site.slope_deg, site.aspect_deg, site.slope_uncertainty_deg)
        slope_deg, aspect_deg = np.append(slope_deg, tilted[0]), np.append(aspect_deg, tilted[1])
    absorbed_w_m2 = regolith.absorbed_flux_w_m2(
        over["irradiance_w_m2"],
        over["sun_elevation_deg"],
        over["sun_azimuth_deg"],
        over["sun_visible_fraction"],
        slope_deg[:, None],
        aspect_deg[:, None],
        site.normal_albedo,
    )
    samples_k = regolith.ground_temperature_k(
        absorbed_w_m2, GROUND_STEP_MIN * 60.0, np.array(depths_m), cycle_steps=cycle_steps
    )
    seconds = (times_utc - minutes[0]).astype("timedelta64[s]").astype(float)
    at = (minutes - minutes[0]).astype("timedelta64[s]").astype(float)
    return np.array(
        [[np.interp(at, seconds, depth) for depth in slope.T] for slope in samples_k]
    ).swapaxes(1, 2)
