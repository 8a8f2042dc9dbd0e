"""Where on the Moon the pixels of an elevation model lie, as its reference system says.

Pixels are counted by row and column, whole at pixel centres. Columns that follow longitude
are counted on past a whole turn, so that a window may lie across the model's seam.
"""

import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

import numpy as np

from obsplan.common.errors import ScenarioError
from obsplan.physics.terrain_skyline import along, directions

SPHERE_M = (1_735_000.0, 1_740_000.0)  # radii in use for the Moon, 1737.4 and 1738 km
# Where a projection is tried; one that is not for some of them gives no numbers there.
LATITUDES = 85.0, 60.0, 30.0, 1.0, -30.0, -60.0, -85.0
CAP_AZIMUTHS = 360
# A wider window takes the whole turn, since its ends would otherwise come near each other.
MOST_OF_A_TURN = 0.8


@dataclass(frozen=True)
class LunarMap:
    """The map of a model's pixels.

    shape: rows and columns. radius_m: of the sphere. projection: its name.
    locate: latitude and longitude in degrees to row and column.
    place: row and column to latitude and longitude.
    bend_rad: by how much directions turn from row to row and from column to column.
    turn: columns in a whole turn of longitude; None if columns do not follow longitude.
    """

    shape: tuple[int, int]
    radius_m: float
    projection: str
    locate: Callable[[np.ndarray, np.ndarray], tuple[np.ndarray, np.ndarray]]
    place: Callable[[np.ndarray, np.ndarray], tuple[np.ndarray, np.ndarray]]
    bend_rad: tuple[float, float]
    turn: float | None = None

    @property
    def around(self) -> bool:
        """Whether the last column is followed by the first."""
        return self.turn is not None and abs(self.shape[1] - self.turn) < 0.01


class Window(NamedTuple):
    """Rows and columns of a map; the ends are exclusive."""

    top: int
    bottom: int
    left: int
    right: int


def lunar_map(path: Path, source) -> LunarMap:
    """The map of an open raster; raises ScenarioError if it is not one of the Moon."""
    crs = source.crs
    radius_m = _sphere_m(path, crs)
    turn = source.transform
    if turn.is_identity or not turn.determinant or not np.isfinite([*turn]).all():
        raise ScenarioError(f"{path}: no geotransform, so nothing says where its pixels lie")
    shape = source.height, source.width
    if crs.is_geographic:
        if turn.b or turn.d:
            raise ScenarioError(f"{path}: a rotated geographic grid; write it north up")
        return _in_degrees(shape, radius_m, "geographic", turn)
    name = _projection(crs)
    to_degrees, to_metres = _transforms(path, crs, radius_m, name)
    if name == "equirectangular" and not (turn.b or turn.d):
        # A linear map of degrees, which PROJ would cut off at its own seam.
        longitude, latitude = to_degrees([0.0, 1e5, 0.0], [0.0, 0.0, 1e5])
        east = (longitude[1] - longitude[0]) % 360 / 1e5
        north = (latitude[2] - latitude[0]) / 1e5
        degrees = type(turn)(
            *(east * turn.a, 0, east * turn.c + longitude[0]),
            *(0, north * turn.e, north * turn.f + latitude[0]),
        )
        return _in_degrees(shape, radius_m, name, degrees)
    return _projected(shape, radius_m, name, turn, to_degrees, to_metres)


def sides_m(lunar: LunarMap, window: Window) -> tuple[float, float]:
    """The longest sides of pixels in a window, down and across, sampled at 5 x 5 places."""
    top, bottom, left, right = window
    row, column = np.meshgrid(
        np.linspace(top, bottom - 2, 5), np.linspace(left, right - 2, 5), indexing="ij"
    )
    here = directions(*lunar.place(row, column))
    down, across = (
        np.sqrt(((directions(*lunar.place(row + d, column + 1 - d)) - here) ** 2).sum(axis=-1))
        for d in (1, 0)
    )
    return float(down.max()) * lunar.radius_m, float(across.max()) * lunar.radius_m


def whole(lunar: LunarMap) -> Window:
    """All pixels of a map."""
    return Window(0, lunar.shape[0], 0, lunar.shape[1])


def cap(lunar: LunarMap, site: tuple[float, float], away_rad: float) -> Window | None:
    """A window with all pixels this near to a site; None if the model has none there.

    On a map that goes around, columns may begin below 0 and end beyond the last; they span a
    whole turn at most, and only if they must.
    """
    latitude, longitude = along(
        *site, np.linspace(0, 2 * np.pi, CAP_AZIMUTHS, endpoint=False), away_rad
    )
    latitude, longitude = (np.append(at, s) for at, s in zip((latitude, longitude), site))
    pole = abs(site[0]) + np.degrees(away_rad) >= 90
    if pole:
        latitude, longitude = np.append(latitude, np.sign(site[0]) * 90.0), np.append(longitude, 0)
    row, column = lunar.locate(latitude, longitude)
    if not (np.isfinite(row).all() and np.isfinite(column).all()):
        return whole(lunar)
    rows, columns = lunar.shape
    top, bottom = max(int(row.min()) - 2, 0), min(int(row.max()) + 3, rows)
    if lunar.turn is None:
        left, right = max(int(column.min()) - 2, 0), min(int(column.max()) + 3, columns)
    else:
        left, right = _turned_columns(lunar, lunar.turn, column, pole)
    return Window(top, bottom, left, right) if top < bottom and left < right else None


def _turned_columns(lunar: LunarMap, turn: float, column: np.ndarray, pole: bool):
    """First and end of columns that follow longitude; the site comes last in `column`."""
    columns = lunar.shape[1]
    site = (column[-1] - columns / 2 + turn / 2) % turn + (columns - turn) / 2
    aside = (column - column[-1] + turn / 2) % turn - turn / 2
    left, right = int(np.floor(site + aside.min())) - 2, int(np.ceil(site + aside.max())) + 3
    pole = pole or right - left > MOST_OF_A_TURN * turn
    if lunar.around:
        first = int(site) - columns // 2
        return (first, first + columns) if pole else (left, right)
    if pole or right - turn > 0 or left + turn < columns:
        return 0, columns
    return max(left, 0), min(right, columns)


def _sphere_m(path: Path, crs) -> float:
    """Radius of the sphere to which the reference system belongs."""
    wkt = crs.to_wkt() if crs else ""
    if not wkt:
        raise ScenarioError(
            f"{path}: no reference system, so nothing says where on the Moon it lies; "
            "use a model with a lunar geographic or projected one"
        )
    found = re.search(r'(?:SPHEROID|ELLIPSOID)\["[^"]*",([0-9.eE+]+),([0-9.eE+]+)', wkt)
    if not found:
        name = re.search(r'\["([^"]*)"', wkt)
        raise ScenarioError(
            f"{path}: its reference system '{name[1] if name else wkt[:60]}' belongs "
            "to no body; allowed are lunar degrees and projections of the Moon"
        )
    radius_m, inverse_flattening = float(found[1]), float(found[2])
    if not SPHERE_M[0] <= radius_m <= SPHERE_M[1]:
        raise ScenarioError(
            f"{path}: its reference system has a body of radius {radius_m / 1000:.1f} km, not "
            f"the Moon's; allowed are {SPHERE_M[0] / 1000:g} to {SPHERE_M[1] / 1000:g} km"
        )
    if inverse_flattening:
        raise ScenarioError(
            f"{path}: its reference system is flattened by 1/{inverse_flattening:g}; "
            "allowed is a sphere"
        )
    return radius_m


def _projection(crs) -> str:
    found = re.search(r'PROJECTION\["([^"]*)"', crs.to_wkt())
    return found[1].replace("_", " ").lower() if found else "unnamed"


def _in_degrees(shape: tuple[int, int], radius_m: float, name: str, turn) -> LunarMap:
    """The map of a grid whose columns follow longitude and whose rows follow latitude."""
    back = ~turn

    def place(row, column):
        x, y = _turned(turn, np.asarray(column) + 0.5, np.asarray(row) + 0.5)
        return y, x

    def locate(latitude, longitude):
        column, row = _turned(back, np.asarray(longitude), np.asarray(latitude))
        return row - 0.5, column - 0.5

    bend_rad = np.radians(abs(turn.e)), np.radians(abs(turn.a))
    return LunarMap(shape, radius_m, name, locate, place, bend_rad, 360.0 / abs(turn.a))


def _projected(shape, radius_m: float, name: str, turn, to_degrees, to_metres) -> LunarMap:
    """The map of a grid in metres of a map projection."""
    back = ~turn

    def place(row, column):
        row, column = np.broadcast_arrays(np.asarray(row), np.asarray(column))
        x, y = _turned(turn, column.ravel() + 0.5, row.ravel() + 0.5)
        longitude, latitude = to_degrees(x, y)
        return np.reshape(latitude, row.shape), np.reshape(longitude, row.shape)

    def locate(latitude, longitude):
        latitude, longitude = np.broadcast_arrays(latitude, longitude)
        x, y = to_metres(longitude.ravel(), latitude.ravel())
        column, row = _turned(back, np.array(x), np.array(y))
        return np.reshape(row, latitude.shape) - 0.5, np.reshape(column, latitude.shape) - 0.5

    bend = np.sqrt(abs(turn.determinant)) / radius_m
    return LunarMap(shape, radius_m, name, locate, place, (bend, bend))


def _transforms(path: Path, crs, radius_m: float, name: str):
    """Functions from x and y to longitude and latitude, and back; tried once at some place."""
    from rasterio.crs import CRS
    from rasterio.warp import transform

    ground = CRS.from_proj4(f"+proj=longlat +R={radius_m!r} +no_defs")

    def to_degrees(x, y):
        return transform(crs, ground, x, y)

    def to_metres(longitude, latitude):
        return transform(ground, crs, longitude, latitude)

    try:
        to_degrees([0.0, 1000.0], [0.0, 1000.0])
        to_metres([1.0] * len(LATITUDES), LATITUDES)
    except Exception:  # GDAL's own errors have no public base
        raise ScenarioError(
            f"{path}: its projection '{name}' is unknown here; use a model in lunar degrees or in "
            "a common projection such as polar stereographic"
        ) from None
    return to_degrees, to_metres


def _turned(turn, x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    return turn.a * x + turn.b * y + turn.c, turn.d * x + turn.e * y + turn.f
