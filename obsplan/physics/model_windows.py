"""Reading of an elevation model around a site: near ground in full, far ground by its crests.

A model of hundreds of millions of pixels is read in tiles, of each of which only the highest
pixel of every block is kept: 4 x 4 pixels, 8 x 8 and so on. Around a site the ground is a
chain of windows. In full pixels it reaches as far as 480 of them; from there on come blocks of
2 x 2 pixels, twice as far out blocks of 4 x 4, and so on, so that a block is never wider than
1/240 of its distance. No crest is lost, since a block is as high as its highest pixel. That
pixel may lie up to 0.71 blocks from the block's centre, where it is assumed: its azimuth is
then off by up to 0.17 deg, and its elevation by up to 0.3 % of itself and of the Moon's turn
between it and the site (1 deg every 30 km). On fractal ground in pixels of 20 m, over 40 km,
skylines differed from those of all pixels by 0.003 deg rms and by 0.04 deg at most.

Overviews in a file are not used: it does not say whether they keep the crests. Those of JPEG 2000
are means, which lower them.
"""

from collections import OrderedDict
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor, wait
from functools import reduce
from itertools import groupby
from pathlib import Path
from typing import NamedTuple

import numpy as np

from obsplan.common.errors import ScenarioError
from obsplan.physics.elevation_model import CACHE_MB, Model, Reading, opened_raster, reading
from obsplan.physics.lunar_map import LunarMap, Window, cap, sides_m
from obsplan.physics.terrain_skyline import Grid

# A block counts from this many times its size on.
BLOCKS_AWAY = 240
TILE_ROWS, TILE_COLUMNS = 256, 1024
TILE_BLOCKS = (4, 8, 16, 32, 64, 128, 256)
TILE_CELLS = sum(TILE_ROWS * TILE_COLUMNS // block**2 for block in TILE_BLOCKS)
# Tiles are kept for the next site: those of two models of 20 000 x 20 000 pixels, or else all
# of the last model. Doubles take twice as much.
KEPT_BYTES = 280_000_000
STRIP_PIXELS = 4_000_000  # read at once
UNKEPT = ("JP2OpenJPEG",)  # of these GDAL keeps no decoded block for the next read
MOST_PIXELS = 30_000_000  # in full around a site
# Heights on the Moon go from -9.1 to 10.8 km (from memory); an eye is up to 1 km higher.
LOWEST_M, HIGHEST_M, EYE_M = -10_000.0, 11_000.0, 12_000.0


class Around(NamedTuple):
    """A model around a site: the finest grid of its chain, and what was read.

    low, high: range of the scaled values. known: share of pixels with data. pixels: rows and
    columns that were read.
    """

    grid: Grid
    reading: Reading
    low: float
    high: float
    known: float
    pixels: tuple[int, int]


class Tile(NamedTuple):
    """A tile of a model, values as stored.

    highest: of each block, NaN if none is known, by size of block. known: pixels with data.
    """

    highest: tuple[np.ndarray, ...]
    low: float
    high: float
    known: int
    pixels: int


class Level(NamedTuple):
    """A window in cells of `block` rows and `width` columns."""

    window: Window
    block: int
    width: int


class Held(NamedTuple):
    """A window and its values."""

    window: Window
    values: np.ndarray


_kept: OrderedDict[tuple, Tile] = OrderedDict()


def read_around(model: Model, latitude_deg: float, longitude_deg: float) -> Around | None:
    """The ground that may be seen from a site; None if the model has no data there.

    Raises ScenarioError if the file cannot be read or does not say what its values are.
    """
    site = latitude_deg, longitude_deg
    outer = cap(model.map, site, reach_rad(model.map.radius_m))
    return None if outer is None else _around(model, outer, _levels(model, site, outer))


def read_near(
    model: Model, latitude_deg: float, longitude_deg: float, away_m: float
) -> Around | None:
    """The ground so near to a site in full pixels; None if the model has no data there.

    What its values are is told from all ground that may be seen from the site, as in `read_around`.
    Raises ScenarioError as that does, and if the ground has more than `MOST_PIXELS`.
    """
    site, lunar = (latitude_deg, longitude_deg), model.map
    outer = cap(lunar, site, reach_rad(lunar.radius_m))
    inner = cap(lunar, site, away_m / lunar.radius_m)
    if outer is None or inner is None:
        return None
    pixels = (inner.bottom - inner.top) * (inner.right - inner.left)
    if pixels > MOST_PIXELS:
        raise ScenarioError(
            f"{model.path}: has {pixels} pixels within {away_m:.0f} m; allowed are {MOST_PIXELS}: "
            "use a coarser model"
        )
    return _around(model, outer, [Level(inner, 1, 1)])


def _around(model: Model, outer: Window, levels: list[Level]) -> Around | None:
    """The ground in the levels, read as the values within the outer window ask."""
    with opened_raster(model.path, model.opened) as source:
        tiles = _tiles(model, source, outer)
        seen = [tile for tile in tiles.values() if tile.known]
        if not seen:
            return None
        low, high = min(tile.low for tile in seen), max(tile.high for tile in seen)
        low, high = (end * model.scale + model.offset for end in (low, high))
        how = reading(model, low, high)
        grid: Grid | None = None
        for finer, level in reversed([*zip([None, *levels], levels)]):
            near = level.block < TILE_BLOCKS[0]
            stored = _from_file(model, source, level) if near else _from_tiles(tiles, level)
            values = stored.astype(float) * model.scale + model.offset
            height_m = (values * how.unit_m - how.centre_m).astype(np.float32)
            hole = _hole(model.map, level, finer.window) if finer else None
            grid = _grid(model, level, height_m, hole, grid)
    known = sum(tile.known for tile in seen) / sum(tile.pixels for tile in tiles.values())
    extent = outer.bottom - outer.top, outer.right - outer.left
    assert grid is not None
    return Around(grid, how, low, high, known, extent)


def reach_rad(radius_m: float) -> float:
    """Angular distance beyond which no ground of the Moon rises over the horizon."""
    low_m = radius_m + LOWEST_M
    return float(np.arccos(low_m / (radius_m + EYE_M)) + np.arccos(low_m / (radius_m + HIGHEST_M)))


# ------------------------------------------------------------------------------ windows


def _levels(model: Model, site: tuple[float, float], outer: Window) -> list[Level]:
    """Windows from fine to coarse, each aligned with the cells of the next."""
    lunar, reach = model.map, reach_rad(model.map.radius_m)
    found: list[Level] = []
    block = 1
    while True:
        away_rad = 2 * BLOCKS_AWAY * block * model.pixel_m / lunar.radius_m
        window = cap(lunar, site, away_rad) if away_rad < reach else outer
        if window:
            narrowest = found[-1].width if found else 1
            found.append(Level(window, block, max(narrowest, block * _merged(lunar, window))))
        if window and (away_rad >= reach or window == outer):
            break
        block *= 2
    return [
        level._replace(window=_aligned(lunar, level.window, following.block, following.width))
        for level, following in zip(found, [*found[1:], found[-1]])
    ]


def _merged(lunar: LunarMap, window: Window) -> int:
    """Columns that are joined where they crowd at a pole: to cells at most twice as tall as wide.

    Down to a quarter of the height of rows they stay apart.
    """
    down, across = sides_m(lunar, window)
    return 2 ** int(np.log2(down / across)) if down >= 4 * across else 1


def _aligned(lunar: LunarMap, window: Window, block: int, width: int) -> Window:
    """The window with ends at whole cells, or at the borders of the model."""
    rows, columns = lunar.shape
    bottom = min(-(-window.bottom // block) * block, rows)
    left, right = window.left // width * width, -(-window.right // width) * width
    right = right if lunar.around else min(right, columns)
    return Window(window.top // block * block, bottom, left, right)


def _hole(lunar: LunarMap, level: Level, inner: Window) -> tuple[slice, slice]:
    """Rows and columns of a level's cells that a finer window replaces."""
    top, left = level.window.top, level.window.left
    down = slice((inner.top - top) // level.block, -(-(inner.bottom - top) // level.block))
    if lunar.around and inner.right - inner.left >= lunar.shape[1]:
        return down, slice(None)
    across = slice((inner.left - left) // level.width, -(-(inner.right - left) // level.width))
    return down, across


def _grid(model: Model, level: Level, height_m: np.ndarray, hole, beyond: Grid | None) -> Grid:
    lunar, (top, _, left, _) = model.map, level.window
    block, width = level.block, level.width

    def place(row, column):
        return lunar.place(
            (np.asarray(row) + 0.5) * block + (top - 0.5),
            (np.asarray(column) + 0.5) * width + (left - 0.5),
        )

    def locate(latitude, longitude):
        row, column = lunar.locate(latitude, longitude)
        column = column + (0.5 - left)
        column = column if lunar.turn is None else np.mod(column, lunar.turn)
        return (row + (0.5 - top)) / block - 0.5, column / width - 0.5

    stride = _stride(max(lunar.bend_rad[0] * block, lunar.bend_rad[1] * width))
    pixel_m = model.pixel_m * block
    return Grid(height_m, lunar.radius_m, pixel_m, locate, place, stride, hole, beyond)


def _stride(pixel_rad: float) -> int:
    """Pixels over which a chord departs from its circle by a hundredth of a pixel: s^2 / 8."""
    return int(np.clip(np.sqrt(0.08 / pixel_rad), 1, 32))


# ------------------------------------------------------------------------------ pixels


def _from_file(model: Model, source, level: Level) -> np.ndarray:
    """Highest stored value of each cell, from all its pixels."""
    top, bottom, left, right = level.window
    most = MOST_PIXELS if source.driver in UNKEPT else STRIP_PIXELS
    rows = max(most // (right - left) // level.block, 1) * level.block
    strips = (
        _pixels(model, source, Window(first, min(first + rows, bottom), left, right))
        for first in range(top, bottom, rows)
    )
    return np.concatenate([_highest(strip, level.block, level.width) for strip in strips])


def _from_tiles(tiles: dict[tuple[int, int], Tile], level: Level) -> np.ndarray:
    """The same, from blocks of tiles; NaN beyond the tiles."""
    top, bottom, left, right = level.window
    size = min(level.block, TILE_BLOCKS[-1])
    down, across = TILE_ROWS // size, TILE_COLUMNS // size
    first_row, first_column = top // TILE_ROWS, left // TILE_COLUMNS
    rows = -(-bottom // TILE_ROWS) - first_row
    columns = -(-right // TILE_COLUMNS) - first_column
    dtype = next(iter(tiles.values())).highest[0].dtype
    blocks = np.full((rows * down, columns * across), np.nan, dtype)
    for (i, j), tile in tiles.items():
        row, column = (i - first_row) * down, (j - first_column) * across
        if 0 <= row < blocks.shape[0] and 0 <= column < blocks.shape[1]:
            part = tile.highest[TILE_BLOCKS.index(size)]
            blocks[row : row + part.shape[0], column : column + part.shape[1]] = part
    row, column = (
        (top - first_row * TILE_ROWS) // size,
        (left - first_column * TILE_COLUMNS) // size,
    )
    cut = blocks[row : row - (top - bottom) // size, column : column - (left - right) // size]
    return _highest(cut, level.block // size, level.width // size)


def _tiles(model: Model, source, outer: Window) -> dict[tuple[int, int], Tile]:
    """All tiles that a window touches, by number; only those that are not kept are read."""
    files = tuple(
        (name, Path(name).stat().st_mtime_ns, Path(name).stat().st_size) for name in source.files
    )
    rows = range(outer.top // TILE_ROWS, -(-outer.bottom // TILE_ROWS))
    columns = range(outer.left // TILE_COLUMNS, -(-outer.right // TILE_COLUMNS))
    numbers = [(i, j) for i in rows for j in columns]
    tiles = {at: _kept[files, *at] for at in numbers if (files, *at) in _kept}
    for at in tiles:
        _kept.move_to_end((files, *at))
    held = Held(Window(0, 0, 0, 0), np.empty((0, 0)))
    made: dict[tuple[int, int], Future[Tile]] = {}
    with ThreadPoolExecutor(1) as pool:
        for i, first, end in _runs([at for at in numbers if at not in tiles], source):
            top, left, right = i * TILE_ROWS, first * TILE_COLUMNS, end * TILE_COLUMNS
            strip = Window(top, top + TILE_ROWS, left, right)
            following = _held(model, source, strip, held)
            if following is not held:
                wait(made.values())  # these were made meanwhile: no more than two are in memory
            held = following
            values = held.values[strip.top - held.window.top :][:TILE_ROWS]
            for k, j in enumerate(range(first, end)):
                part = values[:, k * TILE_COLUMNS : (k + 1) * TILE_COLUMNS]
                made[i, j] = pool.submit(_tile, part)
    for at, tile in made.items():
        tiles[at] = _kept[files, *at] = tile.result()
    while len(_kept) > max(KEPT_BYTES // (4 * TILE_CELLS), len(tiles)):
        _kept.popitem(last=False)
    return tiles


def _held(model: Model, source, strip: Window, held: Held) -> Held:
    """Pixels that include a strip: those held, or whole blocks of a file that would be unkept."""
    (top, bottom, left, right), height = strip, source.block_shapes[0][0]
    if source.driver not in UNKEPT or height <= TILE_ROWS:
        return Held(strip, _pixels(model, source, strip))
    above, below, *sides = held.window
    if above <= top and below >= min(bottom, source.height) and sides == [left, right]:
        return held
    whole = Window(top // height * height, -(-bottom // height) * height, left, right)
    whole = whole._replace(bottom=min(whole.bottom, source.height))
    return Held(whole, _pixels(model, source, whole))


def _runs(numbers: list[tuple[int, int]], source) -> Iterator[tuple[int, int, int]]:
    """Tiles that are read together as (row, first column, end).

    A block of the file that is taller than a tile is left only once all its tiles are read, so
    that it need not be decoded again for each row of them.
    """
    height, width = source.block_shapes[0]
    most = max(STRIP_PIXELS // (TILE_ROWS * TILE_COLUMNS), 1)
    if height > TILE_ROWS:
        # As many as half of GDAL's cache holds, or one block.
        tall_bytes = height * TILE_COLUMNS * np.dtype(source.dtypes[0]).itemsize
        most = max(min(most, CACHE_MB * 500_000 // tall_bytes), width // TILE_COLUMNS, 1)
    if width >= source.width:
        most = -(-source.width // TILE_COLUMNS)

    def block(at: tuple[int, int]) -> tuple[int, int, int]:
        return at[0] * TILE_ROWS // max(height, TILE_ROWS), at[1] // most, at[0]

    for (_, _, i), group in groupby(sorted(numbers, key=block), block):
        for _, run in groupby(enumerate(j for _, j in group), lambda pair: pair[1] - pair[0]):
            columns = [j for _, j in run]
            yield i, columns[0], columns[-1] + 1


def _tile(values: np.ndarray) -> Tile:
    highest, size = [], 1
    blocks = values
    for block in TILE_BLOCKS:
        blocks = _highest(blocks, block // size, block // size)
        highest.append(blocks)
        size = block
    known = int(np.count_nonzero(values == values))
    low, high = np.fmin.reduce(values, axis=None), np.fmax.reduce(blocks, axis=None)
    return Tile(tuple(highest), float(low), float(high), known, values.size)


def _pixels(model: Model, source, window: Window) -> np.ndarray:
    """Stored values as floats that hold them exactly, NaN if unknown.

    The window is cut off at the model's borders; on a model that goes around it may lie
    across the seam.
    """
    rows, columns = model.map.shape
    top, bottom = window.top, min(window.bottom, rows)
    left, right = window.left, window.right
    if not model.map.around:
        right = min(right, columns)
    parts = []
    while left < right:
        first = left % columns
        end = min(first + right - left, columns)
        parts.append(_read(model, source, ((top, bottom), (first, end))))
        left += end - first
    return np.concatenate(parts, axis=1) if len(parts) > 1 else parts[0]


def _read(model: Model, source, window) -> np.ndarray:
    dtype = np.result_type(source.dtypes[0], np.float32)
    values = source.read(1, window=window, out_dtype=dtype)
    if model.nodata is not None:
        with np.errstate(over="ignore"):  # one beyond all that the pixels can be
            values[values == model.nodata] = np.nan
    if not {"all_valid", "nodata"} & {flag.name for flag in source.mask_flag_enums[0]}:
        values[source.read_masks(1, window=window) == 0] = np.nan
    if np.dtype(source.dtypes[0]).kind == "f":
        values[np.isinf(values)] = np.nan
    return values


def _highest(values: np.ndarray, rows: int, columns: int) -> np.ndarray:
    """The highest of each rows x columns values; the last cells may have fewer."""
    missing = -values.shape[0] % rows, -values.shape[1] % columns
    if any(missing):
        values = np.pad(values, [(0, more) for more in missing], constant_values=np.nan)
    values = reduce(np.fmax, (values[k::rows] for k in range(rows)))
    return reduce(np.fmax, (values[:, k::columns] for k in range(columns)))
