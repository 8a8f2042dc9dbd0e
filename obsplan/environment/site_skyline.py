"""The skyline of a site: flat, from a CSV profile, or from elevation models."""

from functools import lru_cache
from pathlib import Path

import numpy as np

from obsplan.common.errors import ScenarioError
from obsplan.inputs.scenario import Scenario
from obsplan.physics.elevation_model import EYE_HEIGHT_M, SUFFIXES, site_view
from obsplan.physics.skyline import FLAT, read_profile

# A wrong site, sphere or model differs by more, an imprecise landing point by less.
GROUND_AGREES_M = 100.0


def site_profile(scenario: Scenario) -> np.ndarray:
    """The profile (n, 2) of the scenario's site; see `read_skyline`."""
    return read_skyline(scenario.skyline_paths(), *scenario.site.place)


def read_skyline(
    paths: tuple[Path, ...], latitude_deg: float, longitude_deg: float, height_m: float
) -> np.ndarray:
    """The profile (n, 2) from no file (flat), one CSV profile, or elevation models.

    From models it is the skyline `EYE_HEIGHT_M` above their ground, so that an imprecise
    height does not put the site into a pit or on a mast; it is cached until a file changes.
    Raises ScenarioError if a file cannot be used, or if the models' ground differs from
    `height_m` by more than `GROUND_AGREES_M`.
    """
    if not paths:
        return FLAT
    if Path(paths[0]).suffix.lower() not in SUFFIXES:
        return read_profile(paths[0])
    profile, ground_m = _from_models(paths, _states(paths), latitude_deg, longitude_deg)
    if abs(ground_m - height_m) > GROUND_AGREES_M:
        names = ", ".join(str(path) for path in paths)
        raise ScenarioError(
            f"{names}: the ground at the site is at {ground_m:.0f} m, but the site's height_m is "
            f"{height_m:g}; a difference of {GROUND_AGREES_M:g} m is allowed: set height_m = "
            f"{ground_m:.0f}, or correct the site's latitude and longitude"
        )
    return profile


@lru_cache(maxsize=64)
def _from_models(paths, states, latitude_deg, longitude_deg) -> tuple[np.ndarray, float]:
    seen = site_view(paths, latitude_deg, longitude_deg, EYE_HEIGHT_M)
    profile = seen.profile
    profile.flags.writeable = False
    return profile, seen.ground_height_m


def _states(paths: tuple[Path, ...]) -> tuple:
    """Time and size of each file, to notice changes; empty for a missing one."""
    return tuple(
        (path.stat().st_mtime_ns, path.stat().st_size) if path.is_file() else () for path in paths
    )
