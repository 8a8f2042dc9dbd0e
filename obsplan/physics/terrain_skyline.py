"""The skyline of gridded heights on the curved Moon, as seen from a site.

Every point of the ground is a direction from the Moon's centre and a radius. Seen from
radius q, a point at radius r and angular distance t from the site is at the elevation with
the tangent (r cos t - q) / (r sin t): curvature is exact, nothing is expanded.

Near the site, where a pixel is wider than the spacing of azimuths, the ground is sampled
along the ray of each azimuth, bilinear between pixel centres. Farther out every pixel
counts, in the azimuth nearest to it, so that no peak is missed: there the skyline is the
highest ground within half the spacing to either side.

A model may be a chain of grids, each of which continues the one before in larger pixels.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Union

import numpy as np

AZIMUTHS = 720
# Rays as far as the spacing of azimuths is as wide as a pixel, and 5 % farther.
NEAR_PIXELS = 1.05 * AZIMUTHS / (2 * np.pi)
# Spacing of samples along a ray: a share of the distance, then of a pixel.
FIRST_PIXELS, GROWTH, STEP_PIXELS = 0.05, 0.03, 0.25
# The highest samples of a ray are refined, with this many new samples around each.
CRESTS, CREST_SAMPLES = 8, 17


@dataclass(frozen=True)
class Grid:
    """Gridded heights and where on the sphere the pixels lie.

    height_m: (rows, columns), NaN where unknown, above a sphere of `radius_m`.
    pixel_m: the longest side of a pixel anywhere in the grid.
    locate: latitude and longitude in degrees to row and column, whole at pixel centres.
    place: row and column to latitude and longitude.
    stride: pixels over which directions may be interpolated in a straight line.
    hole: rows and columns that do not count, since a finer grid of the same model does.
    beyond: the same model farther out in larger pixels, with this grid as its hole.
    """

    height_m: np.ndarray
    radius_m: float
    pixel_m: float
    locate: Callable[[np.ndarray, np.ndarray], tuple[np.ndarray, np.ndarray]]
    place: Callable[[np.ndarray, np.ndarray], tuple[np.ndarray, np.ndarray]]
    stride: int = 1
    hole: tuple[slice, slice] | None = None
    beyond: Union["Grid", None] = None


@dataclass(frozen=True)
class View:
    """A skyline at `AZIMUTHS` even azimuths.

    covered_m: how far the ground is known at each azimuth.
    crest_m: how far away the ground is that makes the skyline, and `crest_pixels`, the same
        in pixels of its model; NaN if that is the horizon of the bare sphere.
    """

    azimuth_deg: np.ndarray
    elevation_deg: np.ndarray
    covered_m: np.ndarray
    crest_m: np.ndarray
    crest_pixels: np.ndarray


def dip_deg(radius_m: float, eye_radius_m: float) -> float:
    """Dip of the horizon of a bare sphere below the local plane: acos(R / (R + h))."""
    return float(np.degrees(np.arccos(min(radius_m / eye_radius_m, 1.0))))


def chain(grid: Grid | None) -> Iterator[Grid]:
    """A grid and those that continue it farther out."""
    while grid:
        yield grid
        grid = grid.beyond


def ground_radius_m(grids: Sequence[Grid], latitude_deg, longitude_deg) -> np.ndarray:
    """Distance of the ground from the Moon's centre, from the finest model with data there.

    `grids`: the finest grid of each model, from fine to coarse; NaN if none has data.
    Bilinear between pixel centres.
    """
    latitude_deg, longitude_deg = np.broadcast_arrays(latitude_deg, longitude_deg)
    radius_m = np.full(latitude_deg.shape, np.nan)
    for grid in grids:
        unknown = np.isnan(radius_m)
        radius_m[unknown] = _radius_m(grid, latitude_deg[unknown], longitude_deg[unknown])
    return radius_m


def skyline(
    grids: Sequence[Grid], latitude_deg: float, longitude_deg: float, eye_radius_m: float
) -> View:
    """The skyline seen from `eye_radius_m` above the Moon's centre.

    `grids`: the finest grid of each model. A coarser model counts only where no finer one
    has data. Beyond all models there is no terrain; the skyline is nowhere below the horizon
    of a sphere through their lowest ground.
    """
    grids = sorted(grids, key=lambda grid: grid.pixel_m)
    lowest_m = min(
        part.radius_m + float(np.fmin.reduce(part.height_m, axis=None))
        for grid in grids
        for part in chain(grid)
    )
    slope = np.full(AZIMUTHS, -np.tan(np.radians(dip_deg(lowest_m, eye_radius_m))))
    reach_rad, crest_rad, crest_pixels = np.zeros(AZIMUTHS), *np.full((2, AZIMUTHS), np.nan)
    for k, grid in enumerate(grids):
        finer, finer_reach_rad = grids[:k], reach_rad.max()
        pixel_rad = grid.pixel_m / grid.radius_m
        for azimuth, rise, away_rad in (
            *_along_rays(grid, finer, latitude_deg, longitude_deg, eye_radius_m),
            *_far_pixels(grid, finer, finer_reach_rad, latitude_deg, longitude_deg, eye_radius_m),
        ):
            np.maximum.at(reach_rad, azimuth, away_rad)
            higher = rise > slope[azimuth]
            azimuth, rise, away_rad = azimuth[higher], rise[higher], away_rad[higher]
            np.maximum.at(slope, azimuth, rise)
            highest = rise == slope[azimuth]
            crest_rad[azimuth[highest]] = away_rad[highest]
            crest_pixels[azimuth[highest]] = away_rad[highest] / pixel_rad
    return View(
        np.arange(AZIMUTHS) * 360.0 / AZIMUTHS,
        np.degrees(np.arctan(slope)),
        reach_rad * grids[-1].radius_m,
        crest_rad * grids[-1].radius_m,
        crest_pixels,
    )


def along(latitude_deg: float, longitude_deg: float, azimuth_rad, away_rad):
    """Latitude and longitude in degrees along great circles from a site."""
    sky = np.stack(
        np.broadcast_arrays(
            np.sin(away_rad) * np.sin(azimuth_rad),
            np.sin(away_rad) * np.cos(azimuth_rad),
            np.cos(away_rad),
        ),
        axis=-1,
    )
    x, y, z = np.moveaxis(sky @ _east_north_up(latitude_deg, longitude_deg), -1, 0)
    return np.degrees(np.arctan2(z, np.hypot(x, y))), np.degrees(np.arctan2(y, x))


def east_and_north(
    latitude_deg: float, longitude_deg: float, site: tuple[float, float]
) -> tuple[float, float]:
    """How far a place lies east and north of a site: the angle to it, along its azimuth (rad).

    The inverse of `along`.
    """
    east, north, up = _east_north_up(*site) @ directions(latitude_deg, longitude_deg)
    level = np.hypot(east, north)
    angle = np.arctan2(level, up) / level if level else 1.0
    return float(east * angle), float(north * angle)


def directions(latitude_deg, longitude_deg) -> np.ndarray:
    """Unit vectors (..., 3) from the Moon's centre."""
    latitude, longitude = np.radians(latitude_deg), np.radians(longitude_deg)
    return np.stack(
        [
            np.cos(latitude) * np.cos(longitude),
            np.cos(latitude) * np.sin(longitude),
            np.sin(latitude) * np.ones_like(longitude),
        ],
        axis=-1,
    )


def _east_north_up(latitude_deg: float, longitude_deg: float) -> np.ndarray:
    """The site's axes as rows, in the Moon's frame; at a pole by its longitude."""
    longitude = np.radians(longitude_deg)
    up = directions(latitude_deg, longitude_deg)
    east = np.array([-np.sin(longitude), np.cos(longitude), 0.0])
    return np.stack([east, np.cross(up, east), up])


def _radius_m(grid: Grid, latitude_deg, longitude_deg) -> np.ndarray:
    """Distance of one model's ground from the Moon's centre; outside or unknown NaN."""
    row, column = grid.locate(latitude_deg, longitude_deg)
    rows, columns = grid.height_m.shape
    inside = (np.abs(row - (rows - 1) / 2) <= rows / 2) & (
        np.abs(column - (columns - 1) / 2) <= columns / 2
    )
    radius_m = np.full(np.shape(inside), np.nan)
    radius_m[inside] = grid.radius_m + _height_m(grid.height_m, row[inside], column[inside])
    if grid.beyond:
        radius_m[~inside] = _radius_m(grid.beyond, latitude_deg[~inside], longitude_deg[~inside])
    return radius_m


def _height_m(height_m: np.ndarray, row: np.ndarray, column: np.ndarray) -> np.ndarray:
    """Bilinear height; the outer half of a border pixel is level."""
    row, column = (np.clip(at, 0, n - 1) for at, n in zip((row, column), height_m.shape))
    top, left = np.floor(row).astype(int), np.floor(column).astype(int)
    down, right = row - top, column - left
    # A neighbour of no weight must not spoil a pixel's own height when it is unknown.
    below, beside = top + (down > 0), left + (right > 0)
    upper = height_m[top, left] * (1 - right) + height_m[top, beside] * right
    lower = height_m[below, left] * (1 - right) + height_m[below, beside] * right
    return upper * (1 - down) + lower * down


def _along_rays(
    grid, finer, latitude_deg, longitude_deg, eye_radius_m
) -> Iterator[tuple[np.ndarray, np.ndarray, np.ndarray]]:
    """Azimuth index, tangent of elevation and distance (rad) of the ground along rays.

    A crest may lie between two samples, so the surroundings of the highest are sampled again.
    """
    pixels = [FIRST_PIXELS]
    while pixels[-1] < NEAR_PIXELS:
        pixels.append(pixels[-1] + min(GROWTH * pixels[-1], STEP_PIXELS))
    away_rad = np.array(pixels) * grid.pixel_m / grid.radius_m
    away_rad = np.repeat(away_rad[away_rad < np.pi][:, None], AZIMUTHS, axis=1)
    azimuth = np.arange(AZIMUTHS)

    def rise(away_rad: np.ndarray) -> np.ndarray:
        place = along(latitude_deg, longitude_deg, azimuth * 2 * np.pi / AZIMUTHS, away_rad)
        radius_m = ground_radius_m([grid], *place)
        if finer:
            radius_m[~np.isnan(ground_radius_m(finer, *place))] = np.nan
        return (radius_m * np.cos(away_rad) - eye_radius_m) / (radius_m * np.sin(away_rad))

    def known(rise: np.ndarray, away_rad: np.ndarray):
        seen = ~np.isnan(rise)
        return np.nonzero(seen)[1], rise[seen], away_rad[seen]

    first = rise(away_rad)
    yield known(first, away_rad)
    ranked = np.where(np.isnan(first), -np.inf, first)
    highest = np.argpartition(ranked, -CRESTS, axis=0)[-CRESTS:]
    before = away_rad[np.maximum(highest - 1, 0), azimuth]
    after = away_rad[np.minimum(highest + 1, len(away_rad) - 1), azimuth]
    share = np.linspace(0, 1, CREST_SAMPLES)[:, None, None]
    between = (before + share * (after - before)).reshape(-1, AZIMUTHS)
    yield known(rise(between), between)


def _far_pixels(
    grid, finer, finer_reach_rad, latitude_deg, longitude_deg, eye_radius_m
) -> Iterator[tuple[np.ndarray, np.ndarray, np.ndarray]]:
    """The same for all pixels beyond the rays, a strip of rows at a time."""
    nearest = np.cos(min(NEAR_PIXELS * grid.pixel_m / grid.radius_m, np.pi))
    hidden = np.cos(min(finer_reach_rad, np.pi))
    axes = _east_north_up(latitude_deg, longitude_deg)
    for part in chain(grid):
        for first, sky in _strips(part, axes):
            keep = (sky[2] < nearest) & _counts(part, first, sky.shape[1])
            if finer:
                row, column = np.nonzero(keep & (sky[2] >= hidden))
                place = part.place(row + first, column)
                known = ~np.isnan(ground_radius_m(finer, *place))
                keep[row[known], column[known]] = False
            if not keep.any():
                continue
            east, north, up = sky[:, keep]
            height_m = part.height_m[first : first + sky.shape[1]][keep]
            radius_m = part.radius_m + height_m.astype(float)
            level = np.hypot(east, north)
            azimuth = np.rint(np.arctan2(east, north) * (AZIMUTHS / (2 * np.pi))).astype(int)
            # At the antipode the tangent has no bound, but the ground there is far below.
            rise = (radius_m * up - eye_radius_m) / (radius_m * np.maximum(level, 1e-12))
            yield azimuth % AZIMUTHS, rise, np.arctan2(level, up)


def _counts(grid: Grid, first: int, rows: int) -> np.ndarray:
    """Whether each pixel of a strip of rows is known and outside the hole."""
    counts = ~np.isnan(grid.height_m[first : first + rows])
    if grid.hole:
        down, across = grid.hole
        counts[max(down.start - first, 0) : max(down.stop - first, 0), across] = False
    return counts


def _strips(grid: Grid, axes: np.ndarray) -> Iterator[tuple[int, np.ndarray]]:
    """First row and unit vectors (3, rows, columns) along `axes`, a strip at a time.

    Directions are exact at every `stride`-th pixel, between them straight and made unit
    vectors again: exact in height, and off sideways by a small share of a pixel.
    """
    rows, columns = grid.height_m.shape
    node_column = np.array(_nodes(columns, grid.stride))
    column = np.arange(columns)

    def node_row(row: int) -> np.ndarray:
        sky = directions(*grid.place(np.full(len(node_column), row), node_column)) @ axes.T
        return np.stack([np.interp(column, node_column, part) for part in sky.T])

    node_rows = _nodes(rows, grid.stride)
    upper = node_row(node_rows[0])
    for first, last in zip(node_rows, [*node_rows[1:], rows]):
        lower = node_row(last) if last < rows else upper
        share = (np.arange(last - first) / (last - first))[:, None]
        sky = upper[:, None, :] * (1 - share) + lower[:, None, :] * share
        yield first, sky / np.sqrt((sky**2).sum(axis=0))
        upper = lower


def _nodes(count: int, stride: int) -> list[int]:
    """Every `stride`-th of `count` pixels, and the last."""
    return [*range(0, count - 1, stride), count - 1]
