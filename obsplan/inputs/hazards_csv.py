"""Ground that a rover keeps out of, as CSV: circles, and polygons with a row for each corner."""

from pathlib import Path
from typing import NamedTuple

import numpy as np

from obsplan.common.csv_file import CsvFile, Row, read_csv
from obsplan.physics.hazard_shapes import Circle, Hazard, Polygon

COLUMNS = ("name", "east_m", "north_m", "radius_m")
NEEDED = ("east_m", "north_m")
FARTHEST_M = 100_000.0
LEAST_RADIUS_M = 0.01
MOST_HAZARDS = 2000


class NamedHazard(NamedTuple):
    """A hazard; its name is empty if the file gives none."""

    name: str
    shape: Hazard


def read_hazards(path: Path) -> tuple[NamedHazard, ...]:
    """The hazards in order of the file, metres east and north of the lander.

    A row with radius_m is a circle; rows without are the corners in order of the polygon of
    that name. Other columns are ignored. Raises TableError with a line for every mistake: a
    coordinate that is none, a polygon without a name or with fewer than three corners.
    """
    file = read_csv(path, COLUMNS, NEEDED)
    found: list[NamedHazard | str] = []
    corners: dict[str, list[tuple[float, float]]] = {}
    last: dict[str, Row] = {}
    for row in file.rows:
        name = row.cells["name"]
        place = _place(file, row)
        if row.cells["radius_m"]:
            radius_m = file.number(row, "radius_m", LEAST_RADIUS_M, FARTHEST_M)
            found.append(NamedHazard(name, Circle(place, radius_m)))
        elif not name:
            file.wrong(row, "give a radius_m for a circle, or a name for the corners of a polygon")
        else:
            if name not in corners:
                found.append(name)
            corners.setdefault(name, []).append(place)
            last[name] = row
    for name, places in corners.items():
        if len(set(places)) < 3:
            what = f"the polygon '{name}' has fewer than 3 corners; allowed are 3 or more"
            file.wrong(last[name], what)
    if len(found) > MOST_HAZARDS:
        file.wrong(None, f"{len(found)} hazards; at most {MOST_HAZARDS} are allowed")
    file.refuse_mistakes()
    return tuple(
        NamedHazard(each, Polygon(tuple(corners[each]))) if isinstance(each, str) else each
        for each in found
    )


def _place(file: CsvFile, row: Row) -> tuple[float, float]:
    east_m, north_m = (file.number(row, key, -FARTHEST_M, FARTHEST_M) for key in NEEDED)
    return (0.0, 0.0) if np.isnan(east_m + north_m) else (east_m, north_m)
