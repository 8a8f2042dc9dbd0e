"""Elevation models of the Moon: what a GeoTIFF, JPEG 2000 file or PDS label says of itself.

Scale, offset, nodata and unit come from the file's tags or its PDS label. Whether values are
heights or radii is not always stated; it is inferred from the values and reported, and
refused if ambiguous.
"""

import json
import re
import warnings
from collections.abc import Iterator
from contextlib import contextmanager, redirect_stderr
from dataclasses import dataclass
from io import StringIO
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from obsplan.common.errors import ScenarioError
from obsplan.common.input_file import require_file
from obsplan.common.model_files import LABELS, label_of
from obsplan.common.text import shortened
from obsplan.physics.lunar_map import LunarMap, lunar_map, sides_m, whole

# GDAL's driver by suffix; no other may try, since some follow addresses that a file names.
DRIVERS = {
    ".tif": "GTiff",
    ".tiff": "GTiff",
    ".jp2": "JP2OpenJPEG",
    ".lbl": "PDS",
    ".img": "PDS",
    ".xml": "PDS4",
}
CACHE_MB = 64
# Far beyond any height on the Moon, some 11 km (common practice, no source), and far below
# its radius: tells heights from radii, and metres from kilometres.
RELIEF_M = 20_000.0
# What samples of a PDS3 image are, aliases included (PDS3 data dictionary, from memory). The reals
# of a VAX are not among them: GDAL would read them as others.
SAMPLE_TYPE = re.compile(
    "((MSB_|LSB_|SUN_|MAC_|PC_|VAX_)?((UN)?SIGNED_)?INTEGER|(IEEE_|SUN_|MAC_|PC_)?REAL|FLOAT)", re.I
)
STEEPEST = 0.5  # relief over the size of a model; slopes of rest are below 35 degrees
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
    """An elevation model as its file describes it; the values are not read yet.

    path: as given. opened: the file that GDAL opens, for some the label beside it.
    pixel_m: the longest side of a pixel. unit: of the scaled values, "" if not stated.
    scale, offset, nodata: of the values as stored. stated: least and greatest scaled value,
    if the file says so. scale_kept: whether the format can state a scale, or a label does.
    """

    path: Path
    opened: Path
    map: LunarMap
    pixel_m: float
    scale: float
    offset: float
    nodata: float | None
    unit: str
    stated: tuple[float, float] | None
    scale_kept: bool


class Reading(NamedTuple):
    """How scaled values are to be read: height = value * unit_m - centre_m, and in words."""

    unit_m: float
    centre_m: float
    words: str


def read_model(path: str | Path) -> Model:
    """What a file says of itself; band 1 in a geographic or projected lunar reference system.

    Raises ScenarioError if rasterio is missing, or the file cannot be opened or is not of
    the Moon.
    """
    path = Path(path)
    if path.suffix.lower() not in DRIVERS:
        raise ScenarioError(
            f"{path}: not an elevation model by its name; allowed are {', '.join(DRIVERS)}"
        )
    opened = label_of(path) or path
    with opened_raster(path, opened) as source:
        if source.count != 1:
            raise ScenarioError(f"{path}: has {source.count} bands; allowed is one, of heights")
        if min(source.shape) < 2:
            raise ScenarioError(
                f"{path}: has {source.width} x {source.height} pixels; allowed are 2 x 2 or more"
            )
        if np.dtype(source.dtypes[0]).kind not in "iuf":
            raise ScenarioError(f"{path}: has values of type {source.dtypes[0]}; allowed are reals")
        if any(Path(file).parent != opened.parent for file in source.files):
            raise ScenarioError(f"{path}: names a file outside its folder; keep both in one folder")
        lunar = lunar_map(path, source)
        whole_label = _label(source)
        _require_all_bytes(path, source, whole_label)
        _require_all_blocks(path, source)
        label = _image(whole_label)
        if source.driver == "PDS":
            _require_sample_type(path, label)
        scale, offset, nodata, kept = _stored(source, label)
        unit = (source.units[0] or str(label.get("UNIT", ""))).strip().lower()
        stated = _stated(source, label, scale, offset)
    if not (np.isfinite([scale, offset]).all() and scale > 0):
        raise ScenarioError(
            f"{path}: its scale is {scale:g} and its offset {offset:g}; allowed are a scale above "
            "0 and a finite offset"
        )
    unit = "" if unit in ("n/a", "none", "unk") else unit
    if unit and unit not in UNITS_M:
        raise ScenarioError(f"{path}: its unit is '{unit}'; allowed are m and km")
    pixel_m = max(sides_m(lunar, whole(lunar)))
    return Model(path, opened, lunar, pixel_m, scale, offset, nodata, unit, stated, kept)


@contextmanager
def opened_raster(path: Path, opened: Path) -> Iterator[Any]:
    """The open raster, with little of it in GDAL's cache; GDAL's complaints as ScenarioError."""
    try:
        import rasterio
        import rasterio.errors
    except ImportError:
        raise ScenarioError(
            "elevation models need the package rasterio; install it with: "
            "pip install 'obsplan[terrain]'"
        ) from None
    try:
        require_file(path)
        with (
            _quietly(rasterio),
            rasterio.Env(GDAL_CACHEMAX=CACHE_MB, GDAL_NUM_THREADS="ALL_CPUS"),
            rasterio.open(opened, driver=DRIVERS[opened.suffix.lower()]) as source,
        ):
            yield source
    except (rasterio.errors.RasterioError, OSError, UnicodeDecodeError) as problem:
        raise ScenarioError(
            f"{path}: cannot be read as an elevation model ({_reason(path, problem)})"
        ) from None


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


def reading(model: Model, low: float, high: float) -> Reading:
    """How the model's values are to be read, which go from `low` to `high` once scaled.

    Raises ScenarioError if they could be read in two ways or in none.
    """
    sphere_m = model.map.radius_m

    def all_near(centre_m: float, unit_m: float) -> bool:
        return max(abs(low * unit_m - centre_m), abs(high * unit_m - centre_m)) <= RELIEF_M

    readings = [
        (what, word, centre_m, unit_m)
        for what, centre_m in (("heights above", 0.0), ("radii, less", sphere_m))
        for word, unit_m in (("m", 1.0), ("km", 1000.0))
        if all_near(centre_m, unit_m) and UNITS_M.get(model.unit, unit_m) == unit_m
    ]
    # Small values may also be km, unless the relief would then be too steep for the Moon.
    small = [reading[0] for reading in readings] == ["heights above"] * 2
    reach_m = model.pixel_m * max(model.map.shape)
    if small and (high == low == 0 or (high - low) * 1000 > STEEPEST * reach_m):
        readings = readings[:1]
    if len(readings) != 1:
        doubt = "could be " + " or ".join(
            f"{what.split()[0].rstrip(',')} in {word}" for what, word, *_ in readings
        )
        raise ScenarioError(
            f"{model.path}: values from {low:g} to {high:g}{f' {model.unit}' if model.unit else ''}"
            f" {doubt if readings else 'are neither heights nor radii of the Moon'}; "
            "set the unit of the band to m or km, its scale and its offset"
        )
    what, word, centre_m, unit_m = readings[0]
    given = "as the file says" if model.unit else "by their size"
    words = f"values are {what} {sphere_m / 1000:g} km in {word} ({given})"
    return Reading(unit_m, centre_m, words)


def _label(source) -> dict[str, Any]:
    """A PDS3 label; empty if there is none."""
    # rasterio parts the label, one text, at its first colon.
    text = ":".join(part for item in source.tags(ns="json:PDS").items() for part in item)
    return json.loads(text) if text else {}


def _require_all_bytes(path: Path, source, label: dict[str, Any]) -> None:
    """GDAL reads as zeros what is missing at the end of the image of a PDS label."""
    images = [file for file in source.files if Path(file).suffix.lower() not in LABELS]
    if source.driver not in ("PDS", "PDS4") or not images or images[0].lower().endswith(".jp2"):
        return
    needed = source.width * source.height * np.dtype(source.dtypes[0]).itemsize
    needed += _bytes_before(label)
    size = Path(images[0]).stat().st_size
    if size < needed:
        raise ScenarioError(
            f"{path}: its image {Path(images[0]).name} is cut off: {needed} bytes are needed, "
            f"{size} are there"
        )


def _require_all_blocks(path: Path, source) -> None:
    """GDAL reads as zeros the blocks that a GeoTIFF leaves out, if it states no nodata value."""
    all_valid = "all_valid" in {flag.name for flag in source.mask_flag_enums[0]}
    if source.driver != "GTiff" or not all_valid:
        return
    rows, columns = (-(-size // block) for size, block in zip(source.shape, source.block_shapes[0]))
    places = (f"{column}_{row}" for row in range(rows) for column in range(columns))
    missing = sum(
        source.get_tag_item(f"BLOCK_OFFSET_{place}", "TIFF", bidx=1) is None for place in places
    )
    if missing:
        raise ScenarioError(
            f"{path}: {missing} of its {rows * columns} blocks are missing and would be read as "
            "zeros; set its nodata value, or write all blocks"
        )


def _require_sample_type(path: Path, label: dict[str, Any]) -> None:
    """GDAL takes the first byte of a sample for the highest if a PDS3 label does not say."""
    told = str(label.get("SAMPLE_TYPE", ""))
    if not SAMPLE_TYPE.fullmatch(told):
        what = f"says SAMPLE_TYPE = {shortened(told)}" if told else "has no SAMPLE_TYPE"
        raise ScenarioError(
            f"{path}: its label {what}; allowed are LSB_INTEGER, MSB_INTEGER, the same with "
            "UNSIGNED, PC_REAL and IEEE_REAL"
        )


def _bytes_before(label: dict[str, Any]) -> int:
    """Bytes before the image in its file: ^IMAGE counts bytes or records, from 1 on."""
    pointer = label.get("^IMAGE")
    pointer = pointer[-1] if isinstance(pointer, list) else pointer
    if isinstance(pointer, dict):
        pointer = f"{pointer.get('value')} <{pointer.get('unit')}>"
    found = re.fullmatch(r"(\d+)( *<BYTES>)?", str(pointer))
    if not found:
        return 0
    unit = 1 if found[2] else int(_number(label, "RECORD_BYTES") or 1)
    return (int(found[1]) - 1) * unit


def _image(label: dict[str, Any]) -> dict[str, Any]:
    """The image object of a label; empty if there is none."""
    if isinstance(label.get("IMAGE"), dict):
        return label["IMAGE"]
    inner = (_image(part) for part in label.values() if isinstance(part, dict))
    return next(filter(None, inner), {})


def _number(label: dict[str, Any], key: str) -> float | None:
    """A number of a label, with or without a unit; None if it is none."""
    value = label.get(key)
    value = value.get("value") if isinstance(value, dict) else value
    try:
        return float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError):
        return None


def _stored(source, label: dict[str, Any]) -> tuple[float, float, float | None, bool]:
    """Scale, offset and nodata, from the label if the format lost them; if one is stated."""
    scale, offset, nodata = source.scales[0], source.offsets[0], source.nodatavals[0]
    if (scale, offset) == (1.0, 0.0):
        scale = _number(label, "SCALING_FACTOR") or 1.0
        offset = _number(label, "OFFSET") or 0.0
    if nodata is None:
        nodata = _number(label, "MISSING_CONSTANT")
    kept = source.driver != "JP2OpenJPEG" or (scale, offset) != (1.0, 0.0)
    return scale, offset, nodata, kept


def _stated(source, label: dict[str, Any], scale: float, offset: float):
    """Least and greatest scaled value as the file states them; None if it does not.

    MINIMUM and MAXIMUM of a label are of values as stored, DERIVED_MINIMUM and _MAXIMUM of
    scaled ones (PDS3 data dictionary, from memory); so are minimum and minimum_scaled_value
    in the statistics of a PDS4 label. GDAL's statistics are of values as stored.
    """
    xml = "=".join(part for item in source.tags(ns="xml:PDS4").items() for part in item)
    statistics = re.search(r"<(?:\w+:)?Object_Statistics>.*?Object_Statistics>", xml, re.DOTALL)
    found = re.findall(r"<(?:\w+:)?(\w+)[^>]*>([^<]+)<", statistics[0]) if statistics else []
    told = label | dict(found)
    tags = source.tags(1)
    if tags.get("STATISTICS_APPROXIMATE") != "YES":
        told |= tags
    for low, high, stored in (
        ("DERIVED_MINIMUM", "DERIVED_MAXIMUM", False),
        ("minimum_scaled_value", "maximum_scaled_value", False),
        ("MINIMUM", "MAXIMUM", True),
        ("minimum", "maximum", True),
        ("STATISTICS_MINIMUM", "STATISTICS_MAXIMUM", True),
    ):
        ends = [end for end in (_number(told, low), _number(told, high)) if end is not None]
        if len(ends) == 2:
            return tuple(end * scale + offset if stored else end for end in ends)
    return None
