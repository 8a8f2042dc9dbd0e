"""The skyline of a site: flat, from a CSV profile, or from elevation models."""

from functools import lru_cache
from pathlib import Path

import numpy as np

from obsplan.common.model_files import MODEL_SUFFIXES, files_of
from obsplan.inputs.scenario import Scenario
from obsplan.physics.site_view import EYE_HEIGHT_M, site_view
from obsplan.physics.skyline import FLAT, read_profile


def site_profile(scenario: Scenario) -> np.ndarray:
    """The profile (n, 2) of the scenario's site; see `read_skyline`."""
    return read_skyline(scenario.skyline_paths(), *scenario.landing_site.place)


def site_cautions(scenario: Scenario) -> tuple[str, ...]:
    """What may make the skyline of the scenario's site wrong; see `skyline_cautions`."""
    if scenario.site is None:
        return ()
    return skyline_cautions(scenario.skyline_paths(), *scenario.site.place)


def read_skyline(
    paths: tuple[Path, ...], latitude_deg: float, longitude_deg: float, height_m: float
) -> np.ndarray:
    """The profile (n, 2) from no file (flat), one CSV profile, or elevation models.

    From models it is the skyline `EYE_HEIGHT_M` above their ground, so that an imprecise
    height does not put the site into a pit or on a mast; it is cached until a file changes.
    Raises ScenarioError if a file cannot be used, or if the models' ground differs too much
    from `height_m`; see `site_view`.
    """
    if not paths:
        return FLAT
    if not _are_models(paths):
        return read_profile(paths[0])
    return _from_models(paths, _states(paths), latitude_deg, longitude_deg, height_m)[0]


def skyline_cautions(
    paths: tuple[Path, ...], latitude_deg: float, longitude_deg: float, height_m: float
) -> tuple[str, ...]:
    """What may make the skyline from elevation models wrong, a sentence each."""
    if not paths or not _are_models(paths):
        return ()
    return _from_models(paths, _states(paths), latitude_deg, longitude_deg, height_m)[1]


def ground_height_m(
    paths: tuple[Path, ...], latitude_deg: float, longitude_deg: float
) -> float | None:
    """Height of the ground in elevation models; None if the skyline is not from models.

    Raises ScenarioError if a model cannot be used, or if none has data there.
    """
    if not paths or not _are_models(paths):
        return None
    return round(site_view(paths, latitude_deg, longitude_deg).ground_height_m, 1)


def _are_models(paths: tuple[Path, ...]) -> bool:
    return Path(paths[0]).suffix.lower() in MODEL_SUFFIXES


@lru_cache(maxsize=64)
def _from_models(
    paths, states, latitude_deg, longitude_deg, height_m
) -> tuple[np.ndarray, tuple[str, ...]]:
    seen = site_view(paths, latitude_deg, longitude_deg, EYE_HEIGHT_M, height_m)
    profile = seen.profile
    profile.flags.writeable = False
    return profile, seen.cautions


def _states(paths: tuple[Path, ...]) -> tuple:
    """Time and size of each file, to notice changes; empty for a missing one."""
    files = (file for path in paths for file in files_of(path))
    return tuple(
        (file.stat().st_mtime_ns, file.stat().st_size) if file.is_file() else () for file in files
    )
