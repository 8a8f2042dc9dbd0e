"""Skyline: the elevation angle of the terrain against azimuth, as seen from the site.

A profile is a float array (n, 2): azimuth_deg, rising in [0, 360), and elevation_deg.
Between its points the skyline is a straight line, across north as everywhere else.
"""

from pathlib import Path

import numpy as np

from obsplan.common.csv_file import CsvFile, Row, read_csv
from obsplan.common.errors import ScenarioError, TableError

FLAT = np.array([[0.0, 0.0]])
COLUMNS = {"azimuth_deg": (0.0, 360.0), "elevation_deg": (-10.0, 90.0)}


def skyline_elevation_deg(profile: np.ndarray, azimuth_deg: np.ndarray) -> np.ndarray:
    """Elevation of the skyline at `azimuth_deg`, same shape; linear between points.

    Azimuths may be outside 0..360. A profile of one point is a level skyline.
    """
    return np.interp(azimuth_deg, profile[:, 0], profile[:, 1], period=360.0)


def read_profile(path: str | Path) -> np.ndarray:
    """The profile (n, 2) in a CSV file with the columns `azimuth_deg` and `elevation_deg`.

    Rows may come in any order; further columns are ignored. A row at azimuth 360 closes
    the circle: it is the row at 0, and if both are there they must agree. Raises
    ScenarioError with a line for every mistake: file, row, column and what is allowed.
    """
    try:
        file = read_csv(path, tuple(COLUMNS), tuple(COLUMNS), may_be_empty=False)
        points = _points(file)
        file.refuse_mistakes()
    except TableError as problem:
        raise ScenarioError(*problem.args) from None
    if 360.0 in points:
        points[0.0] = points.pop(360.0)
    return np.array([(azimuth, points[azimuth][0]) for azimuth in sorted(points)])


def _points(file: CsvFile) -> dict[float, tuple[float, Row]]:
    """Elevation by azimuth, in degrees, with the row that says so; mistakes are noted."""
    points: dict[float, tuple[float, Row]] = {}
    for row in file.rows:
        azimuth, elevation = (file.number(row, c, *limits) for c, limits in COLUMNS.items())
        if np.isnan(azimuth):
            continue  # which is noted
        if azimuth in points:
            number = points[azimuth][1].number
            file.wrong(
                row, f"row {number} has it already; each azimuth is allowed once", "azimuth_deg"
            )
            continue
        across = points.get({0.0: 360.0, 360.0: 0.0}.get(azimuth, np.nan))
        if across is not None and abs(across[0] - elevation) > 0:  # NaN is noted already
            file.wrong(
                row,
                f"row {across[1].number} has {across[0]:g}; azimuths 0 and 360 are both north and "
                "need the same elevation",
                "elevation_deg",
            )
        points[azimuth] = elevation, row
    return points
