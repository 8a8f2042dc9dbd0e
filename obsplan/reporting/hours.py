"""Instants and windows as hours from the start of the span, as every picture needs them."""

from collections.abc import Iterable

import numpy as np
import pandas as pd

from obsplan.common import intervals
from obsplan.common.constants import ASTRONOMICAL_UNIT_KM, MOON_RADIUS_KM, SOLAR_IRRADIANCE_W_M2
from obsplan.environment.model import Environment
from obsplan.environment.site_skyline import site_profile
from obsplan.physics import sky
from obsplan.physics.skyline import skyline_elevation_deg

Windows = np.ndarray  # (n, 2), hours from the start of the span


def hours_of(environment: Environment, instants: Iterable) -> np.ndarray:
    """UTC instants as hours from the start of the span."""
    since = pd.DatetimeIndex(pd.to_datetime(instants, utc=True)) - environment.sky.index[0]
    return np.asarray(since / pd.Timedelta(hours=1), dtype=float)


def minute_edges_h(environment: Environment) -> np.ndarray:
    """The ends (n+1,) of the sky table's minutes."""
    return np.arange(len(environment.sky) + 1) / 60


def span_windows(environment: Environment, starts: Iterable, ends: Iterable) -> Windows:
    """Pairs of UTC instants, clipped to the span, sorted and merged."""
    pairs = np.stack([hours_of(environment, starts), hours_of(environment, ends)], axis=1)
    return intervals.union(np.clip(pairs, 0, len(environment.sky) / 60))


def contact_windows(environment: Environment, **of: str) -> Windows:
    """Contacts whose columns are as in `of`, say `station="..."`."""
    rows = environment.contacts
    for column, value in of.items():
        rows = rows[rows[column] == value]
    return span_windows(environment, rows["acquisition_utc"], rows["loss_utc"])


def skyline_at(environment: Environment, azimuth_deg: np.ndarray) -> np.ndarray:
    """Elevation of the site's skyline in these directions (n,), degrees.

    Without a site that of the Moon's limb in each minute (n,), below the level plane of an orbiter.
    """
    if environment.scenario.site is None:
        height_km = environment.sky["height_km"].to_numpy()
        return -np.degrees(np.arccos(MOON_RADIUS_KM / (MOON_RADIUS_KM + height_km)))
    return skyline_elevation_deg(site_profile(environment.scenario), azimuth_deg)


def darkness(environment: Environment) -> tuple[Windows, Windows]:
    """Night (the Sun's centre hidden, none of its light left) and eclipse by the Earth."""
    night, eclipse = _dark_minutes(environment)
    edges_h = minute_edges_h(environment)
    return intervals.from_mask(night, edges_h), intervals.from_mask(eclipse, edges_h)


def night_words(environment: Environment) -> str:
    """What a picture calls night: where terrain hides a risen Sun it is also shadow."""
    night, _ = _dark_minutes(environment)
    is_risen = environment.sky["sun_elevation_deg"].to_numpy() > 0
    return "night or shadow of terrain" if (night & is_risen).any() else "night"


def _dark_minutes(environment: Environment) -> tuple[np.ndarray, np.ndarray]:
    """Night and eclipse by minute, see `darkness`."""
    table = {column: values.to_numpy() for column, values in environment.sky.items()}
    sun_range_km = ASTRONOMICAL_UNIT_KM * np.sqrt(SOLAR_IRRADIANCE_W_M2 / table["irradiance_w_m2"])
    separation_deg, sun_radius_deg, earth_radius_deg = sky.sun_against_earth_deg(
        (table["sun_elevation_deg"], table["sun_azimuth_deg"], sun_range_km),
        (table["earth_elevation_deg"], table["earth_azimuth_deg"], table["earth_range_km"]),
    )
    above_deg = table["sun_elevation_deg"] - skyline_at(environment, table["sun_azimuth_deg"])
    eclipse = (separation_deg < sun_radius_deg + earth_radius_deg) & (above_deg > -sun_radius_deg)
    return (table["sun_visible_fraction"] <= 0) & (above_deg < 0) & ~eclipse, eclipse
