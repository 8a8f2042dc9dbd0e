"""Skyline: the elevation angle of the terrain against azimuth, as seen from the site.

A profile is a float array (n, 2): azimuth_deg, rising in [0, 360), and elevation_deg.
Between its points the skyline is a straight line, across north as everywhere else.
"""

import csv
from pathlib import Path

import numpy as np

from obsplan.common.errors import ScenarioError

FLAT = np.array([[0.0, 0.0]])
COLUMNS = {"azimuth_deg": (0.0, 360.0), "elevation_deg": (-10.0, 90.0)}


def skyline_elevation_deg(profile: np.ndarray, azimuth_deg: np.ndarray) -> np.ndarray:
    """Elevation of the skyline at `azimuth_deg`, of the same shape.

    Azimuths may lie outside 0..360. One point in the profile is a level skyline.
    """
    return np.interp(azimuth_deg, profile[:, 0], profile[:, 1], period=360.0)


def read_profile(path: str | Path) -> np.ndarray:
    """The profile in a CSV file with the header `azimuth_deg,elevation_deg`.

    Rows may come in any order; further columns are ignored. A row at azimuth 360 closes
    the circle: it is the row at 0, and when both are there they must agree. Raises
    ScenarioError naming file, row, column, value and what is allowed.
    """
    path = Path(path)
    heights: dict[float, float] = {}
    rows: dict[float, int] = {}
    try:
        with path.open(newline="", encoding="utf-8-sig") as handle:
            lines = csv.DictReader(handle, skipinitialspace=True)
            _require_columns(path, lines.fieldnames or [])
            for line in lines:
                azimuth, elevation = (
                    _number(path, lines.line_num, column, line[column]) for column in COLUMNS
                )
                _refuse_repeat(path, lines.line_num, azimuth, elevation, heights, rows)
                heights[azimuth] = elevation
                rows[azimuth] = lines.line_num
    except (OSError, UnicodeDecodeError, csv.Error) as problem:
        raise ScenarioError(
            f"{path}: the skyline profile cannot be read ({_reason(problem)}); needed is a CSV "
            f"file in UTF-8 with the header {','.join(COLUMNS)}"
        ) from problem
    if not heights:
        raise ScenarioError(f"{path}: no row below the header; a skyline needs at least one row")
    closing = heights.pop(360.0, None)
    if closing is not None:
        heights[0.0] = closing
    return np.array(sorted(heights.items()))


def _reason(problem: Exception) -> str:
    return getattr(problem, "strerror", None) or str(problem).splitlines()[0]


def _require_columns(path: Path, header: list[str]) -> None:
    for column in COLUMNS:
        if column not in header:
            raise ScenarioError(
                f"{path}: row 1: column {column} is missing, the header is "
                f"{','.join(header)!r}; it must hold {','.join(COLUMNS)}"
            )


def _number(path: Path, row: int, column: str, text: str | None) -> float:
    low, high = COLUMNS[column]
    try:
        value = float(text)
    except (TypeError, ValueError):
        value = float("nan")
    if not low <= value <= high:
        raise ScenarioError(
            f"{path}: row {row}: {column} is {(text or '').strip()!r}; allowed is a number from "
            f"{low:g} to {high:g}"
        )
    return value


def _refuse_repeat(path, row, azimuth, elevation, heights, rows) -> None:
    """A direction may have one elevation only; 0 and 360 are the same direction."""
    if azimuth in heights:
        raise ScenarioError(
            f"{path}: row {row}: azimuth_deg {azimuth:g} was given in row {rows[azimuth]} "
            "already; each azimuth is allowed once"
        )
    across = {0.0: 360.0, 360.0: 0.0}.get(azimuth)
    if across in heights and heights[across] != elevation:
        raise ScenarioError(
            f"{path}: row {row}: elevation_deg is {elevation:g} at azimuth {azimuth:g} and "
            f"{heights[across]:g} at azimuth {across:g} in row {rows[across]}; both are north, "
            "so the same elevation is needed"
        )
