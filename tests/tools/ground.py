"""Ground under light that is a function of time, settled before the first sample."""

import numpy as np
import pandas as pd

from obsplan.common.constants import SYNODIC_MONTH_DAYS
from obsplan.environment.build import make_environment
from obsplan.inputs.read_scenario import scenario_from
from obsplan.physics.regolith import HIGHLAND, SETTLE_S, absorbed_flux_w_m2, ground_temperature_k
from tools.small import scenario_table

LUNATION_S = SYNODIC_MONTH_DAYS * 86400
LEAD_S = 30 * 86400  # by the hour, as before a span


def temperature_under(light, time_s, depth_m, soil=HIGHLAND, terrain=None):
    """Temperature (..., n, depths) at `time_s` (n,) from 0 on; `light` (..., m) = light(time_s).

    So is the terrain, if there is any. Two years before, three hours apart, and a month
    before, an hour apart, are seen too.
    """
    years = np.arange(-LEAD_S - SETTLE_S, -LEAD_S, 10800.0)
    every_s = np.concatenate([years, np.arange(-LEAD_S, 0.0, 3600.0), time_s])
    around = terrain and terrain(every_s)
    found = ground_temperature_k(light(every_s), every_s, depth_m, soil, around)
    return found[..., -len(time_s) :, :]


def sunlight(latitude_deg, time_s, **ground):
    """Absorbed flux on level ground, local noon at 0, the Sun on the equator at 1 au."""
    hour_angle = 2 * np.pi * time_s / LUNATION_S
    latitude = np.radians(latitude_deg)
    up = np.cos(latitude) * np.cos(hour_angle)
    east, north = -np.sin(hour_angle), -np.sin(latitude) * np.cos(hour_angle)
    azimuth_deg = np.degrees(np.arctan2(east, north))
    # The part of the disc above level ground is found from the elevation of its centre.
    return absorbed_flux_w_m2(1361.0, np.degrees(np.arcsin(up)), azimuth_deg, 1.0, **ground)


def at_site(latitude_deg, start_utc, hours, skyline=None, **site):
    """The environment of a small scenario at longitude 0; `skyline` is a CSV file."""
    table = scenario_table(hours=hours)
    start = pd.Timestamp(start_utc, tz="UTC")
    table["span"] |= {
        "start_utc": start.isoformat(),
        "end_utc": (start + pd.Timedelta(hours=hours)).isoformat(),
    }
    table["site"] |= {"latitude_deg": latitude_deg, "longitude_deg": 0.0} | site
    scenario = scenario_from(table)
    if skyline is not None:
        place = scenario.site.model_copy(update={"skyline": str(skyline)})
        scenario = scenario.model_copy(update={"site": place})
    return make_environment(scenario)


def ring(path, elevation_deg):
    """A skyline file (CSV) with these elevations at azimuths 0, 1, ... or all round."""
    rows = np.broadcast_to(elevation_deg, 360)
    lines = [f"{azimuth},{height:.6f}" for azimuth, height in enumerate(rows)]
    path.write_text("\n".join(["azimuth_deg,elevation_deg", *lines, ""]))
    return path
