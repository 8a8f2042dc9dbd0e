"""The list of sites of a survey, as CSV."""

from pathlib import Path
from typing import NamedTuple

from obsplan.common.csv_file import read_csv

NEEDED = ("name", "latitude_deg", "longitude_deg", "height_m")
COLUMNS = (*NEEDED, "slope_deg", "aspect_deg", "skyline")
LIMITS = {  # column: least, most, what an empty or missing cell means
    "latitude_deg": (-90.0, 90.0, None),
    "longitude_deg": (-180.0, 360.0, None),
    "height_m": (-20_000.0, 20_000.0, None),
    "slope_deg": (0.0, 90.0, 0.0),
    "aspect_deg": (0.0, 360.0, 0.0),
}


class Place(NamedTuple):
    """A site of a survey; `skyline` is its profile or elevation models, none if flat."""

    name: str
    latitude_deg: float
    longitude_deg: float
    height_m: float = 0.0
    slope_deg: float = 0.0
    aspect_deg: float = 0.0
    skyline: tuple[Path, ...] = ()


def read_sites(path: str | Path) -> list[Place]:
    """Sites of a CSV with name, latitude_deg, longitude_deg and height_m.

    Optional are slope_deg, aspect_deg and skyline: a CSV profile or elevation model beside the
    file, or flat. Raises TableError with one line for every mistake: a missing, repeated or unknown
    column, a bad number, a missing or repeated name.
    """
    file = read_csv(path, COLUMNS, NEEDED, others=False, may_be_empty=False)
    file.refuse_repeats("name", "names must differ")
    places = []
    for row in file.rows:
        if not row.cells["name"]:
            file.wrong(row, "every site needs its own", "name")
        numbers = {c: file.number(row, c, *limits) for c, limits in LIMITS.items()}
        skyline = row.cells["skyline"]
        files = () if skyline in ("", "flat") else ((file.path.parent / skyline).resolve(),)
        places.append(Place(row.cells["name"], **numbers, skyline=files))
    file.refuse_mistakes()
    return places
