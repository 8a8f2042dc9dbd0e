"""Elevation models made up for tests: heights by formula, on grids or in GeoTIFF files."""

import numpy as np
import rasterio
from rasterio.crs import CRS
from rasterio.transform import Affine

from obsplan.physics.terrain_skyline import Grid, directions

RADIUS_M = 1_737_400.0
DEGREES = CRS.from_proj4("+proj=longlat +R=1737400 +no_defs")
SOUTH = CRS.from_proj4("+proj=stere +lat_0=-90 +lon_0=0 +R=1737400 +units=m +no_defs")


def away_m(latitude_deg, longitude_deg, site) -> np.ndarray:
    """Distance over the sphere from a site (latitude, longitude)."""
    apart = directions(latitude_deg, longitude_deg) - directions(*map(np.float64, site))
    return 2 * np.arcsin(np.sqrt((apart**2).sum(axis=-1)) / 2) * RADIUS_M


def grid(height, site=(0.0, 0.0), pixel_m=100.0, pixels=401, rows=None) -> Grid:
    """A grid of degrees around a site near the equator; `height` of latitude, longitude."""
    step = np.degrees(pixel_m / RADIUS_M)
    shape = (rows or pixels, pixels)
    top = site[0] + step * (shape[0] - 1) / 2
    left = site[1] - step * (shape[1] - 1) / 2

    def place(row, column):
        return top - np.asarray(row) * step, left + np.asarray(column) * step

    def locate(latitude, longitude):
        turned = (np.asarray(longitude) - left + 180) % 360 - 180
        return (top - np.asarray(latitude)) / step, turned / step

    row, column = np.meshgrid(*map(np.arange, shape), indexing="ij")
    values = np.asarray(height(*place(row, column)), dtype=np.float32)
    return Grid(np.broadcast_to(values, shape), RADIUS_M, pixel_m, locate, place, stride=16)


def write(path, values, crs, transform, scale=1.0, offset=0.0, unit=None, **profile):
    """A GeoTIFF with one band."""
    values = np.asarray(values)
    shape = {"height": values.shape[0], "width": values.shape[1]}
    with rasterio.open(
        path,
        "w",
        driver="GTiff",
        count=1,
        dtype=values.dtype,
        crs=crs,
        transform=transform,
        **shape,
        **profile,
    ) as target:
        target.write(values, 1)
        target.scales, target.offsets = (scale,), (offset,)
        if unit:
            target.units = (unit,)
    return path


def in_degrees(path, height, site, pixel_deg, pixels, east=0.0, **tags):
    """A geographic model centred on a site, its longitudes moved by `east`."""
    transform = Affine(
        pixel_deg,
        0,
        site[1] + east - pixel_deg * pixels / 2,
        0,
        -pixel_deg,
        site[0] + pixel_deg * pixels / 2,
    )
    x, y = _centres(transform, pixels)
    values = height(y, x).astype(tags.pop("dtype", "float32"))
    return write(path, values, DEGREES, transform, **tags)


def stereographic(path, height, pixel_m, pixels, centre=(0.0, 0.0), **tags):
    """A model around the south pole; the formula of the projection is Snyder 1987, 21-33."""
    transform = Affine(
        pixel_m, 0, centre[0] - pixel_m * pixels / 2, 0, -pixel_m, centre[1] + pixel_m * pixels / 2
    )
    x, y = _centres(transform, pixels)
    latitude = np.degrees(2 * np.arctan(np.hypot(x, y) / (2 * RADIUS_M))) - 90
    values = height(latitude, np.degrees(np.arctan2(x, y)))
    return write(path, values.astype("float32"), SOUTH, transform, **tags)


def _centres(transform, pixels):
    column, row = np.meshgrid(np.arange(pixels) + 0.5, np.arange(pixels) + 0.5)
    return transform.a * column + transform.c, transform.e * row + transform.f
