"""What a plan directory has of the sky: that of the site, and those of platforms in orbit."""

from collections.abc import Callable
from typing import Any, NamedTuple

import pandas as pd

from obsplan.environment.model import Environment
from obsplan.environment.orbiter_columns import ORBITER_COLUMNS
from obsplan.environment.relay_passes import has_orbit_relay, relay_passes


def sky_table(environment: Environment, platform: str | None = None) -> pd.DataFrame:
    """The sky table at the step of the plan (UTC index): the site's, or that of a platform."""
    table = environment.sky if platform is None else environment.sky_of(platform)
    return table.iloc[:: environment.scenario.span.step_min]


def site_sky_table(environment: Environment) -> pd.DataFrame | None:
    """The sky of the site; None without one."""
    return sky_table(environment) if environment.scenario.site else None


def orbiter_sky_table(environment: Environment) -> pd.DataFrame | None:
    """Sky tables of all platforms in orbit, one below the other (UTC index); None without any."""
    if not environment.skies:
        return None
    tables = [sky_table(environment, name).assign(platform=name) for name in environment.skies]
    return pd.concat(tables)[["platform", *ORBITER_COLUMNS]]


def occultations_table(environment: Environment) -> pd.DataFrame | None:
    """When Earth and Sun are hidden from platforms in orbit; None without any."""
    return environment.occultations if environment.skies else None


# The drawing library is slow to load, so it is imported only to draw.


def site_sky_figure(environment: Environment) -> Any:
    """The picture of the site's sky; None without a site."""
    from obsplan.reporting.figures.sky import sky_figure

    return sky_figure(environment) if environment.scenario.site else None


def orbiter_sky_picture(environment: Environment) -> Any:
    """The picture of the skies of platforms in orbit; None without any."""
    from obsplan.reporting.figures.orbiter_sky import orbiter_sky_figure

    return orbiter_sky_figure(environment) if environment.skies else None


def relay_passes_table(environment: Environment) -> pd.DataFrame | None:
    """The passes of relays in orbit; None if nothing is sent through any."""
    return relay_passes(environment) if has_orbit_relay(environment) else None


class SkyFile(NamedTuple):
    """A file of a plan directory: its content in one line, what makes it, when it is written."""

    holds: str
    content: Callable[[Environment], Any]
    when: str


WITH_SITE, IN_ORBIT = "with [site]", "with a platform in orbit"
WITH_RELAY = "with a relay in orbit"
SKY_FILES = {
    "sky.csv": SkyFile(
        "Sun, Earth, local time and ground temperature, step by step", site_sky_table, WITH_SITE
    ),
    "sky.png": SkyFile(
        "figure: Sun and Earth over the skyline, ground temperature, contacts",
        site_sky_figure,
        WITH_SITE,
    ),
    "orbiter_sky.csv": SkyFile(
        "Sun and Earth from each platform in orbit, and where it is, step by step",
        orbiter_sky_table,
        IN_ORBIT,
    ),
    "orbiter_sky.png": SkyFile(
        "figure: Earth and Sun hidden, phase and angles, the Earth below, contacts",
        orbiter_sky_picture,
        IN_ORBIT,
    ),
    "relay_passes.csv": SkyFile(
        "when a platform can send to its relay in orbit, how much, and for how long end to end",
        relay_passes_table,
        WITH_RELAY,
    ),
    "occultations.csv": SkyFile(
        "when Moon or Earth hide Earth or Sun from a platform in orbit, to the second",
        occultations_table,
        IN_ORBIT,
    ),
}
