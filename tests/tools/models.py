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
    """A file with one band, a GeoTIFF unless `profile` has another driver."""
    values = np.asarray(values)
    shape = {"height": values.shape[0], "width": values.shape[1]}
    with rasterio.open(
        path,
        "w",
        count=1,
        dtype=values.dtype,
        crs=crs,
        transform=transform,
        **shape,
        **{"driver": "GTiff"} | profile,
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
    values = values.astype(tags.pop("dtype", "float32"))
    return write(path, values, SOUTH, transform, **tags)


def _centres(transform, pixels):
    column, row = np.meshgrid(np.arange(pixels) + 0.5, np.arange(pixels) + 0.5)
    return transform.a * column + transform.c, transform.e * row + transform.f


# ------------------------------------------------------------------ formats of archives


def pds3(path, stored, pixel_m, attached=False, on_map=None, **keys):
    """A PDS3 label, and the image it names beside it or after it in the same file.

    `stored` are int16, around the south pole unless they are `on_map`: arguments of
    `map_object`. The image object's `keys` are in small letters.
    """
    stored = np.asarray(stored, "<i2")
    rows, columns = stored.shape
    image = path if attached else path.with_suffix(".IMG")
    pointer = f"{LABEL_SIZE + 1:9d} <BYTES>" if attached else f'"{image.name}"'
    text = "\r\n".join(
        [
            "PDS_VERSION_ID = PDS3",
            f"RECORD_TYPE = FIXED_LENGTH\r\nRECORD_BYTES = {2 * columns}",
            f"FILE_RECORDS = {rows}",
            f"^IMAGE = {pointer}",
            *image_object(rows, columns, **keys),
            *map_object(stored.shape, pixel_m, **(on_map or {})),
            "END\r\n",
        ]
    )
    label = text.encode()
    path.write_bytes(label.ljust(LABEL_SIZE) + stored.tobytes() if attached else label)
    if not attached:
        image.write_bytes(stored.tobytes())
    return path


LABEL_SIZE = 4096


def image_object(rows, columns, **keys) -> list[str]:
    """The image object of a PDS3 label."""
    return [
        "OBJECT = IMAGE",
        f"LINES = {rows}\r\nLINE_SAMPLES = {columns}",
        "SAMPLE_TYPE = LSB_INTEGER\r\nSAMPLE_BITS = 16",
        *(f"{key.upper()} = {value}" for key, value in keys.items()),
        "END_OBJECT = IMAGE",
    ]


def map_object(
    shape, pixel_m, projection="POLAR STEREOGRAPHIC", centre=(-90.0, 0.0), sample=None
) -> list[str]:
    """The map projection object of a PDS3 label; its `centre` lies at column `sample`."""
    line, middle = (n / 2 - 0.5 for n in shape)
    return [
        "OBJECT = IMAGE_MAP_PROJECTION",
        f'MAP_PROJECTION_TYPE = "{projection}"',
        *(f"{axis}_AXIS_RADIUS = {RADIUS_M / 1000} <KM>" for axis in "ABC"),
        f"CENTER_LATITUDE = {centre[0]} <DEG>\r\nCENTER_LONGITUDE = {centre[1]} <DEG>",
        f"MAP_RESOLUTION = {np.radians(RADIUS_M) / pixel_m} <PIX/DEG>",
        f"MAP_SCALE = {pixel_m / 1000} <KM/PIXEL>",
        f"LINE_PROJECTION_OFFSET = {line}\r\nSAMPLE_PROJECTION_OFFSET = "
        f"{middle if sample is None else sample}",
        "END_OBJECT = IMAGE_MAP_PROJECTION",
    ]


def jpeg2000(path, stored, pixel_m, label=False, **keys):
    """A JPEG 2000 file around the south pole, which holds no scale; one may lie in a label."""
    stored = np.asarray(stored, "int16")
    rows, columns = stored.shape
    transform = Affine(pixel_m, 0, -pixel_m * columns / 2, 0, -pixel_m, pixel_m * rows / 2)
    with rasterio.open(
        path,
        "w",
        driver="JP2OpenJPEG",
        width=columns,
        height=rows,
        count=1,
        dtype="int16",
        crs=SOUTH,
        transform=transform,
        REVERSIBLE="YES",
        QUALITY="100",
    ) as target:
        target.write(stored, 1)
    if label:
        text = [
            "PDS_VERSION_ID = PDS3",
            "OBJECT = COMPRESSED_FILE",
            f'FILE_NAME = "{path.name}"\r\nENCODING_TYPE = "JP2"',
            "END_OBJECT = COMPRESSED_FILE",
            "OBJECT = UNCOMPRESSED_FILE",
            f'FILE_NAME = "{path.stem}.IMG"\r\nRECORD_TYPE = FIXED_LENGTH',
            f"RECORD_BYTES = {2 * columns}\r\nFILE_RECORDS = {rows}",
            f'^IMAGE = "{path.stem}.IMG"',
            *image_object(rows, columns, **keys),
            "END_OBJECT = UNCOMPRESSED_FILE",
            *map_object(stored.shape, pixel_m),
            "END\r\n",
        ]
        path.with_suffix(".LBL").write_bytes("\r\n".join(text).encode())
    return path


def pds4(path, stored, pixel_m, scale=1.0, offset=0.0):
    """A PDS4 label around the south pole, with its image beside it."""
    stored = np.asarray(stored, "int16")
    rows, columns = stored.shape
    transform = Affine(pixel_m, 0, -pixel_m * columns / 2, 0, -pixel_m, pixel_m * rows / 2)
    shape = {"width": columns, "height": rows, "count": 1}
    with rasterio.open(
        path, "w", driver="PDS4", dtype="int16", crs=SOUTH, transform=transform, **shape
    ) as target:
        target.write(stored, 1)
        target.scales, target.offsets = (scale,), (offset,)
    return path
