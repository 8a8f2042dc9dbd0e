"""Elevation models of the Moon: GeoTIFF files as grids of heights, and what was assumed.

Scale, offset and nodata come from the file's tags. Whether values are heights or radii is not
always stated; it is inferred from the values and reported, and refused if ambiguous.
"""

import re
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, redirect_stderr
from dataclasses import dataclass
from io import StringIO
from pathlib import Path

import numpy as np

from obsplan.common.constants import MOON_RADIUS_KM
from obsplan.common.errors import ScenarioError
from obsplan.common.input_file import require_file
from obsplan.physics.terrain_skyline import Grid, View, directions, ground_radius_m, skyline

SUFFIXES = (".tif", ".tiff")
# An instrument or antenna on a small lander; common practice, no source.
EYE_HEIGHT_M = 2.0
CLOSE_M = 10_000.0  # ground that ends closer than this gets a remark
MOST_PIXELS = 250_000_000  # 1 GB of heights
# Far beyond any height on the Moon, some 11 km (common practice, no source), and far below
# its radius: tells heights from radii, and metres from kilometres.
RELIEF_M = 20_000.0
STEEPEST = 0.5  # relief over the size of a model; slopes of rest are below 35 degrees
SPHERE_M = (1_735_000.0, 1_740_000.0)  # radii in use for the Moon, 1737.4 and 1738 km
UNITS_M = {
    "m": 1.0,
    "metre": 1.0,
    "meter": 1.0,
    "metres": 1.0,
    "meters": 1.0,
    "km": 1000.0,
    "kilometre": 1000.0,
    "kilometer": 1000.0,
    "kilometres": 1000.0,
    "kilometers": 1000.0,
}


@dataclass(frozen=True)
class Model:
    """An elevation model: its grid, and a summary of what was read and assumed."""

    path: Path
    grid: Grid
    assumed: str


@dataclass(frozen=True)
class SiteView:
    """A skyline from elevation models, the site's ground height (above 1737.4 km), remarks."""

    view: View
    ground_height_m: float
    models: tuple[Model, ...]
    remarks: tuple[str, ...]

    @property
    def profile(self) -> np.ndarray:
        """As `skyline.read_profile` returns it: (n, 2), rounded to 1e-4 deg."""
        return np.round(np.column_stack([self.view.azimuth_deg, self.view.elevation_deg]), 4)


def site_view(
    paths: Sequence[Path],
    latitude_deg: float,
    longitude_deg: float,
    height_above_ground_m: float = EYE_HEIGHT_M,
) -> SiteView:
    """The skyline from nested models, in any order; the finest with data at a place counts.

    Raises ScenarioError if a model cannot be used or none has data at the site.
    """
    models = sorted((read_model(path) for path in paths), key=lambda m: m.grid.pixel_m)
    grids = [model.grid for model in models]
    ground_m = float(ground_radius_m(grids, latitude_deg, longitude_deg))
    if np.isnan(ground_m):
        names = ", ".join(str(model.path) for model in models)
        raise ScenarioError(
            f"{names}: the site at latitude {latitude_deg:g}, longitude {longitude_deg:g} lies "
            "outside the elevation model or in its nodata; name a model that covers the site"
        )
    view = skyline(grids, latitude_deg, longitude_deg, ground_m + height_above_ground_m)
    return SiteView(view, ground_m - MOON_RADIUS_KM * 1000, tuple(models), tuple(_remarks(view)))


def read_model(path: str | Path) -> Model:
    """Read band 1 of a GeoTIFF in a geographic or projected lunar reference system.

    Raises ScenarioError if rasterio is missing, or the file cannot be read, is not of
    the Moon, or does not say what its values are.
    """
    path, rasterio = Path(path), _rasterio()
    try:
        require_file(path)
        with _quietly(rasterio), rasterio.open(path, driver="GTiff") as source:
            sphere_m = _sphere_m(path, source)
            grid_to_ground, ground_to_grid, stride, around = _mapping(path, source, sphere_m)
            values, unit = _values(path, source)
            tags = source.scales[0], source.offsets[0], _projection(source)
    except (rasterio.errors.RasterioError, OSError, UnicodeDecodeError) as problem:
        raise ScenarioError(
            f"{path}: cannot be read as an elevation model ({_reason(path, problem)})"
        ) from None
    pixel_m = _pixel_m(grid_to_ground, values.shape, sphere_m)
    height_m, convention = _heights(path, values, unit, sphere_m, pixel_m * max(values.shape))
    scale, offset, projection = tags
    reach_km = pixel_m * np.array(values.shape[::-1]) / 1000
    assumed = (
        f"{projection}, {values.shape[1]} x {values.shape[0]} pixels of at most {pixel_m:.4g} m, "
        f"up to {reach_km[0]:.4g} x {reach_km[1]:.4g} km, scale {scale:g}, offset {offset:g}, "
        f"nodata {100 * np.isnan(height_m).mean():.2g} %, {convention}, "
        f"heights {np.nanmin(height_m):.0f} to {np.nanmax(height_m):.0f} m"
    )
    grid = Grid(height_m, sphere_m, pixel_m, ground_to_grid, grid_to_ground, stride, around)
    return Model(path, grid, assumed)


@contextmanager
def _quietly(rasterio) -> Iterator[None]:
    """Keep what rasterio remarks on a file to itself; what matters it raises.

    Of a remark that is not UTF-8 it prints a traceback, which nobody can catch.
    """
    with warnings.catch_warnings(), redirect_stderr(StringIO()):
        warnings.simplefilter("ignore", rasterio.errors.NotGeoreferencedWarning)
        yield


def _reason(path: Path, problem: Exception) -> str:
    if isinstance(problem, UnicodeDecodeError):
        return "its reference system or its tags are not UTF-8 text"
    if isinstance(problem, OSError) and problem.strerror:
        return problem.strerror
    return str(problem).splitlines()[0].removeprefix(f"{path}: ")


def _rasterio():
    try:
        import rasterio.crs
        import rasterio.errors
        import rasterio.warp
    except ImportError:
        raise ScenarioError(
            "elevation models need the package rasterio; install it with: "
            "pip install 'obsplan[terrain]'"
        ) from None
    return rasterio


def _sphere_m(path: Path, source) -> float:
    """Radius of the sphere to which the reference system belongs."""
    wkt = source.crs.to_wkt() if source.crs else ""
    found = re.search(r'(?:SPHEROID|ELLIPSOID)\["[^"]*",([0-9.eE+]+),([0-9.eE+]+)', wkt)
    if not found:
        raise ScenarioError(
            f"{path}: no reference system, so nothing says where on the Moon it lies; "
            "use a GeoTIFF with a lunar geographic or projected one"
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


def _projection(source) -> str:
    found = re.search(r'PROJECTION\["([^"]*)"', source.crs.to_wkt())
    return found[1].replace("_", " ").lower() if found else "geographic"


def _mapping(path: Path, source, sphere_m: float):
    """Pixel to ground and back, the stride of straight interpolation, and if it goes around."""
    turn = source.transform
    if turn.is_identity or not turn.determinant:
        raise ScenarioError(f"{path}: no geotransform, so nothing says where its pixels lie")
    if not source.crs.is_geographic:
        return _projected(source, sphere_m)
    if turn.b or turn.d:
        raise ScenarioError(f"{path}: a rotated geographic grid; write it north up")
    return _geographic(source)


def _geographic(source):
    """The mapping of a grid in degrees of longitude and latitude."""
    turn, back = source.transform, ~source.transform
    period = 360.0 / abs(turn.a)

    def place(row, column):
        x, y = _turned(turn, np.asarray(column) + 0.5, np.asarray(row) + 0.5)
        return y, x

    def locate(latitude, longitude):
        column, row = _turned(back, np.asarray(longitude), np.asarray(latitude))
        return row - 0.5, np.mod(column, period) - 0.5

    bend = np.radians(max(abs(turn.a), abs(turn.e)))
    return place, locate, _stride(bend), abs(source.width - period) < 0.01


def _projected(source, sphere_m: float):
    """The mapping of a grid in metres of a map projection."""
    rasterio = _rasterio()
    turn, back = source.transform, ~source.transform
    ground = rasterio.crs.CRS.from_proj4(f"+proj=longlat +R={sphere_m!r} +no_defs")
    crs = source.crs

    def place(row, column):
        row, column = np.broadcast_arrays(np.asarray(row), np.asarray(column))
        x, y = _turned(turn, column.ravel() + 0.5, row.ravel() + 0.5)
        longitude, latitude = rasterio.warp.transform(crs, ground, x, y)
        return np.reshape(latitude, row.shape), np.reshape(longitude, row.shape)

    def locate(latitude, longitude):
        latitude, longitude = np.broadcast_arrays(latitude, longitude)
        x, y = rasterio.warp.transform(ground, crs, longitude.ravel(), latitude.ravel())
        column, row = _turned(back, np.array(x), np.array(y))
        return np.reshape(row, latitude.shape) - 0.5, np.reshape(column, latitude.shape) - 0.5

    return place, locate, _stride(np.sqrt(abs(turn.determinant)) / sphere_m), False


def _turned(turn, x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    return turn.a * x + turn.b * y + turn.c, turn.d * x + turn.e * y + turn.f


def _stride(pixel_rad: float) -> int:
    """Pixels over which a chord departs from its circle by a hundredth of a pixel: s^2 / 8."""
    return int(np.clip(np.sqrt(0.08 / pixel_rad), 1, 32))


def _values(path: Path, source) -> tuple[np.ndarray, str]:
    """Scaled values, NaN for nodata, and the unit the file names."""
    if source.count != 1:
        raise ScenarioError(f"{path}: has {source.count} bands; allowed is one, of heights")
    if source.width * source.height > MOST_PIXELS or min(source.shape) < 2:
        raise ScenarioError(
            f"{path}: has {source.width} x {source.height} pixels; allowed are 2 x 2 up to "
            f"{MOST_PIXELS // 1_000_000} million in all: cut out the surroundings of the site"
        )
    raw = source.read(1, masked=True)
    # A signalling NaN, which no healthy file has, would be remarked on.
    with np.errstate(invalid="ignore", over="ignore"):
        values = np.ma.filled(raw.astype(float), np.nan) * source.scales[0] + source.offsets[0]
    values[~np.isfinite(values)] = np.nan
    if np.isnan(values).all():
        raise ScenarioError(f"{path}: contains nothing but nodata")
    return values, (source.units[0] or "").strip().lower()


def _heights(path: Path, values, unit: str, sphere_m: float, reach_m: float):
    """Heights in metres above the sphere, as float32, and in words what the values were."""
    if unit and unit not in UNITS_M:
        raise ScenarioError(f"{path}: its unit is '{unit}'; allowed are m and km")
    low, high = float(np.nanmin(values)), float(np.nanmax(values))

    def all_near(centre_m: float, unit_m: float) -> bool:
        return max(abs(low * unit_m - centre_m), abs(high * unit_m - centre_m)) <= RELIEF_M

    readings = [
        (what, word, centre_m, unit_m)
        for what, centre_m in (("heights above", 0.0), ("radii, less", sphere_m))
        for word, unit_m in (("m", 1.0), ("km", 1000.0))
        if all_near(centre_m, unit_m) and UNITS_M.get(unit, unit_m) == unit_m
    ]
    # Small values may also be km, unless the relief would then be too steep for the Moon.
    small = [reading[0] for reading in readings] == ["heights above"] * 2
    if small and (high == low == 0 or (high - low) * 1000 > STEEPEST * reach_m):
        readings = readings[:1]
    if len(readings) != 1:
        doubt = "could be " + " or ".join(
            f"{what.split()[0].rstrip(',')} in {word}" for what, word, *_ in readings
        )
        raise ScenarioError(
            f"{path}: values from {low:g} to {high:g}{f' {unit}' if unit else ''} "
            f"{doubt if readings else 'are neither heights nor radii of the Moon'}; "
            "set the unit of the band to m or km, its scale and its offset"
        )
    what, word, centre_m, unit_m = readings[0]
    given = "as the file says" if unit else "by their size"
    heights = (values * unit_m - centre_m).astype(np.float32)
    return heights, f"values are {what} {sphere_m / 1000:g} km in {word} ({given})"


def _pixel_m(place, shape: tuple[int, int], sphere_m: float) -> float:
    """The longest side of a pixel, sampled at 5 x 5 places."""
    row, column = np.meshgrid(*(np.linspace(0, n - 2, 5) for n in shape), indexing="ij")
    here = directions(*place(row, column))
    sides = [directions(*place(row + down, column + 1 - down)) - here for down in (0, 1)]
    return float(max(np.sqrt((side**2).sum(axis=-1)).max() for side in sides) * sphere_m)


def _remarks(view: View) -> list[str]:
    """How far the models reach, with a caution if that is near."""
    short = view.covered_m < CLOSE_M
    km = view.covered_m / 1000
    lines = [
        f"ground known to {km.min():.3g} km at azimuth {view.azimuth_deg[km.argmin()]:g} and to "
        f"{km.max():.3g} km at azimuth {view.azimuth_deg[km.argmax()]:g}; no terrain beyond"
    ]
    if short.any():
        towards = np.exp(1j * np.radians(view.azimuth_deg[short])).sum()
        middle = (
            ""
            if abs(towards) < 1
            else (f", around azimuth {np.degrees(np.angle(towards)) % 360:.0f}")
        )
        lines.append(
            f"caution: the models end within {CLOSE_M / 1000:g} km in {100 * short.mean():.0f} % "
            f"of all azimuths{middle}; higher ground beyond that is missing from the skyline"
        )
    return lines
