"""The skyline of a site from elevation models, and what to know before it is trusted."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path
from typing import NamedTuple

import numpy as np

from obsplan.common.constants import MOON_RADIUS_KM
from obsplan.common.errors import ScenarioError
from obsplan.common.text import readable
from obsplan.physics.elevation_model import Model, read_model
from obsplan.physics.model_windows import BLOCKS_AWAY, Around, read_around
from obsplan.physics.terrain_skyline import View, along, ground_radius_m, skyline

# An instrument or antenna on a small lander; common practice, no source.
EYE_HEIGHT_M = 2.0
CLOSE_M = 10_000.0  # ground that ends closer than this gets a caution
# Heights that differ by more are an error: a wrong site, sphere, scale or model does that, an
# imprecise landing point does not. A smaller difference gets a caution.
GROUND_AGREES_M, GROUND_NEAR_M = 100.0, 20.0
# By how much two models of the same ground may differ besides: over a pixel of the coarser one.
SLOPE_BETWEEN = 0.1
FEW_PLACES = 20
# A coarse model flattens some of the relief; ground that is not alike has none in common.
RELIEF_AGREES, ALIKE = 1.5, 0.9
# So near to the site a model does not resolve what makes the skyline.
CREST_PIXELS = 3.0
# What a file may have lost, to name it in a message.
SCALES = (0.5, 0.25, 0.2, 0.1, 0.01, 0.001, 2.0, 4.0, 5.0, 10.0, 100.0, 1000.0)


@dataclass(frozen=True)
class SiteView:
    """A skyline from elevation models.

    ground_height_m: of the site above 1737.4 km. assumed: for each model what was read and
    assumed. remarks: how far the models reach. cautions: what may make the skyline wrong.
    """

    view: View
    ground_height_m: float
    assumed: tuple[str, ...]
    remarks: tuple[str, ...]
    cautions: tuple[str, ...]

    @property
    def profile(self) -> np.ndarray:
        """As `skyline.read_profile` returns it: (n, 2), rounded to 1e-4 deg."""
        return np.round(np.column_stack([self.view.azimuth_deg, self.view.elevation_deg]), 4)


class Part(NamedTuple):
    """A model that was read around the site."""

    model: Model
    around: Around


def site_view(
    paths: Sequence[Path],
    latitude_deg: float,
    longitude_deg: float,
    height_above_ground_m: float = EYE_HEIGHT_M,
    height_m: float | None = None,
) -> SiteView:
    """The skyline from nested models, in any order; the finest with data at a place counts.

    `height_m` is what the site's ground is expected to be above 1737.4 km. Raises
    ScenarioError if a model cannot be used, if none has data at the site, or if heights
    contradict each other: the model's and `height_m`, a model's and its own stated range,
    two models'.
    """
    site = latitude_deg, longitude_deg
    read = [(model, read_around(model, *site)) for model in models_of(paths)]
    parts, ground_m = sound_parts(read, site, height_m)
    grids = [part.around.grid for part in parts]
    ground_height_m = ground_m - MOON_RADIUS_KM * 1000
    view = skyline(grids, *site, ground_m + height_above_ground_m)
    cautions = [
        *_height_cautions(ground_height_m, height_m),
        *_model_cautions(read),
        *_near_cautions(view),
    ]
    return SiteView(
        view,
        ground_height_m,
        tuple(readable(_assumed(part)) for part in parts),
        (_reach(view),),
        tuple(map(readable, cautions)),
    )


def models_of(paths: Sequence[Path]) -> list[Model]:
    """The models in the files, from fine to coarse; raises ScenarioError as `read_model` does."""
    return sorted((read_model(path) for path in paths), key=lambda model: model.pixel_m)


# ------------------------------------------------------------------------------ errors


def sound_parts(
    read: list[tuple[Model, Around | None]], site: tuple[float, float], height_m: float | None
) -> tuple[list[Part], float]:
    """The models with data around a site, and the radius of its ground from the Moon's centre.

    Raises ScenarioError if none has data at the site, or if heights contradict each other: the
    model's and `height_m`, a model's and its own stated range, two models'.
    """
    parts = [Part(model, around) for model, around in read if around]
    ground_m = float(ground_radius_m([part.around.grid for part in parts], *site))
    if np.isnan(ground_m):
        raise ScenarioError(_no_ground(read, site))
    _require_stated_range(parts, site)
    if height_m is not None:
        _require_height(parts, site, ground_m - MOON_RADIUS_KM * 1000, height_m)
    _require_agreement(parts, site)
    return parts, ground_m


def _no_ground(read: list[tuple[Model, Around | None]], site: tuple[float, float]) -> str:
    """Why no model has ground at the site: one line, which begins with the models' names."""
    names = ", ".join(str(model.path) for model, _ in read)
    where = f"the site at latitude {site[0]:g}, longitude {site[1]:g}"
    covers = [model for model, _ in read if _inside(model, site)]
    if covers:
        around = [a for model, a in read if a and model in covers]
        what = "there is nodata at" if around else "there is nothing but nodata around"
        return f"{names}: {what} {where}; name a model with data there"
    return f"{names}: {where} lies outside the elevation model; name a model that covers the site"


def _inside(model: Model, site: tuple[float, float]) -> bool:
    row, column = (float(at[0]) for at in model.map.locate(*np.reshape(site, (2, 1))))
    if model.map.turn:
        column = (column + 0.5) % model.map.turn - 0.5
    rows, columns = model.map.shape
    return -0.5 <= row <= rows - 0.5 and -0.5 <= column <= columns - 0.5


def _require_stated_range(parts: list[Part], site: tuple[float, float]) -> None:
    """Ground at the site must be in the range of heights that the model states of itself."""
    for model, around in parts:
        if model.stated is None:
            continue
        low_m, high_m = (
            end * around.reading.unit_m - around.reading.centre_m for end in model.stated
        )
        ground_m = float(ground_radius_m([around.grid], *site)) - model.map.radius_m
        if ground_m < low_m - GROUND_AGREES_M or ground_m > high_m + GROUND_AGREES_M:
            raise ScenarioError(
                f"{model.path}: its ground at the site is at {ground_m:.0f} m, but it states "
                f"heights from {low_m:.0f} to {high_m:.0f} m; "
                f"{as_if(ground_m, high_m if abs(high_m) > abs(low_m) else low_m)}"
                "correct its scale, offset or sample type"
            )


def _require_height(parts: list[Part], site, ground_height_m: float, height_m: float) -> None:
    """The ground at the site must be near its `height_m`."""
    if abs(ground_height_m - height_m) <= GROUND_AGREES_M:
        return
    names = ", ".join(str(part.model.path) for part in parts)
    raise ScenarioError(
        f"{names}: the ground at the site is at {ground_height_m:.0f} m, but the site's height_m "
        f"is {height_m:g}; a difference of {GROUND_AGREES_M:g} m is allowed: "
        f"{as_if(ground_height_m, height_m)}"
        f"set height_m = {ground_height_m:.0f}, or correct the site's latitude and longitude"
    )


def _require_agreement(parts: list[Part], site: tuple[float, float]) -> None:
    """Models of the same ground must agree where both are known, in height and in relief."""
    for fine, coarse in combinations(parts, 2):
        heights_m, pixel_m = _where_both_are_known(fine, coarse, site)
        if len(pixel_m) < FEW_PLACES:
            continue
        apart_m = np.abs(heights_m[1] - heights_m[0]) - SLOPE_BETWEEN * pixel_m
        relief_m = heights_m.std(axis=1)
        alike = relief_m.min() > GROUND_NEAR_M and np.corrcoef(heights_m)[0, 1] > ALIKE
        times = relief_m[1] / relief_m[0] if alike else 1.0
        if np.median(apart_m) > GROUND_AGREES_M:
            middle = np.median(heights_m, axis=1)
            difference = (
                f"its ground is at {middle[1]:.0f} m in the median of places around the site, but "
                f"that of {fine.model.path} is at {middle[0]:.0f} m; {as_if(middle[1], middle[0])}"
            )
        elif not 1 / RELIEF_AGREES < times < RELIEF_AGREES:
            difference = (
                f"its relief around the site is {times:.2g} times that of {fine.model.path}, "
                "which shows the same ground; "
            )
        else:
            continue
        raise ScenarioError(
            f"{coarse.model.path}: {difference}correct the scale, offset or unit of one of them"
        )


def _where_both_are_known(
    fine: Part, coarse: Part, site: tuple[float, float]
) -> tuple[np.ndarray, np.ndarray]:
    """Heights (2, n) of two models at the same places around a site, and the larger pixel (n,)."""
    sphere_m = fine.model.map.radius_m
    reach_m = min(fine.model.pixel_m * max(fine.model.map.shape), sphere_m)
    azimuth_rad = np.linspace(0, 2 * np.pi, 36, endpoint=False)
    away_m = np.linspace(fine.model.pixel_m, reach_m, 60)[:, None]
    place = along(*site, azimuth_rad, away_m / sphere_m)
    radii_m = [ground_radius_m([part.around.grid], *place) for part in (fine, coarse)]
    heights_m = np.stack(radii_m) - MOON_RADIUS_KM * 1000
    pixel_m = np.maximum(coarse.model.pixel_m, away_m / BLOCKS_AWAY) * np.ones_like(heights_m[0])
    both = ~np.isnan(heights_m).any(axis=0)
    return heights_m[:, both], pixel_m[both]


def as_if(found_m: float, expected_m: float) -> str:
    """What a file may have lost that would explain a wrong height, as part of a sentence."""
    for scale in SCALES:
        close_m = max(0.02 * abs(expected_m), GROUND_NEAR_M)
        if abs(found_m * scale - expected_m) <= close_m and abs(expected_m) > 2 * close_m:
            return f"it would fit if its values were scaled by {scale:g} (lost by the file?); "
    return ""


# ------------------------------------------------------------------------------ remarks


def _assumed(part: Part) -> str:
    """What was read of a model and assumed of its values, in a line."""
    model, around = part
    rows, columns = model.map.shape
    across_km, down_km = (model.pixel_m * n / 1000 for n in (columns, rows))
    label = "" if model.opened == model.path else f", described by {model.opened.name}"
    read = ""
    if around.pixels[0] < rows or around.pixels[1] < columns:
        read = f", of which {around.pixels[1]} x {around.pixels[0]} around the site were read"
    heights = [
        end * around.reading.unit_m - around.reading.centre_m for end in (around.low, around.high)
    ]
    return (
        f"{model.path}: {model.map.projection}, {columns} x {rows} pixels of at most "
        f"{model.pixel_m:.4g} m, up to {across_km:.4g} x {down_km:.4g} km{read}{label}, "
        f"scale {model.scale:g}, offset {model.offset:g}, "
        f"nodata {100 * (1 - around.known):.2g} %, {around.reading.words}, "
        f"heights {heights[0]:.0f} to {heights[1]:.0f} m"
    )


def _reach(view: View) -> str:
    """How far the models reach."""
    km = view.covered_m / 1000
    return (
        f"ground known to {km.min():.3g} km at azimuth {view.azimuth_deg[km.argmin()]:g} and to "
        f"{km.max():.3g} km at azimuth {view.azimuth_deg[km.argmax()]:g}; no terrain beyond"
    )


def _height_cautions(ground_height_m: float, height_m: float | None) -> Iterator[str]:
    if height_m is not None and abs(ground_height_m - height_m) > GROUND_NEAR_M:
        yield (
            f"the ground of the elevation model is at {ground_height_m:.0f} m, the site's "
            f"height_m is {height_m:g}; {as_if(ground_height_m, height_m)}the skyline is computed "
            "from the model's ground"
        )


def _model_cautions(read: list[tuple[Model, Around | None]]) -> Iterator[str]:
    for model, around in read:
        if around is None:
            yield f"{model.path}: has no data that can be seen from the site; it is not used"
            continue
        if not model.scale_kept:
            yield (
                f"{model.path}: its format states no scale or offset, and no PDS label lies "
                f"beside it; its values are taken as they are, {around.low:g} to {around.high:g}"
            )
        if model.stated is not None:
            low, high = model.stated
            slack = GROUND_AGREES_M / around.reading.unit_m
            if around.low < low - slack or around.high > high + slack:
                yield (
                    f"{model.path}: states values from {low:g} to {high:g}, but has values from "
                    f"{around.low:g} to {around.high:g}"
                )


def _near_cautions(view: View) -> Iterator[str]:
    """What the skyline misses: ground beyond a near end, and crests too near for the pixels."""
    short = view.covered_m < CLOSE_M
    if short.any():
        towards = np.exp(1j * np.radians(view.azimuth_deg[short])).sum()
        middle = (
            ""
            if abs(towards) < 1
            else f", around azimuth {np.degrees(np.angle(towards)) % 360:.0f}"
        )
        yield (
            f"the elevation models end within {CLOSE_M / 1000:g} km in {_share(short)} of all "
            f"azimuths{middle}; higher ground beyond that is missing from the skyline"
        )
    unresolved = view.crest_pixels < CREST_PIXELS
    if unresolved.any():
        far_m = view.crest_m[unresolved].max()
        yield (
            f"in {_share(unresolved)} of all azimuths the crest lies within {CREST_PIXELS:g} "
            f"pixels of the site, at most {far_m:.3g} m away, where the elevation model is too "
            "coarse to show it; add a finer model of the surroundings"
        )


def _share(of_azimuths: np.ndarray) -> str:
    return f"{max(round(100 * float(of_azimuths.mean())), 1)} %"
