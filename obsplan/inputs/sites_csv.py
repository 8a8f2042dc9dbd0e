"""The list of sites of a survey, as CSV."""

from math import nan
from pathlib import Path
from typing import NamedTuple

from obsplan.common.csv_file import CsvFile, Row, read_csv
from obsplan.inputs.named_files import IN_ITS_PLACE, leads_outside

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
    """A site of a survey; `skyline` is its profile or elevation models, none if flat.

    `problem` says what is wrong with its row, "" if nothing: numbers in it may then be NaN.
    """

    name: str
    latitude_deg: float
    longitude_deg: float
    height_m: float = 0.0
    slope_deg: float = 0.0
    aspect_deg: float = 0.0
    skyline: tuple[Path, ...] = ()
    problem: str = ""


def read_sites(path: str | Path, *, allow_outside: bool = False) -> list[Place]:
    """Sites of a CSV with name, latitude_deg, longitude_deg and height_m.

    Optional are slope_deg, aspect_deg and skyline: a CSV profile or elevation model in the folder
    of the file (anywhere, with `allow_outside`), or flat. A row with mistakes, such as a bad number
    or a repeated name, becomes a place with a `problem`. Raises TableError with a line for every
    mistake if the header is wrong (a missing, repeated or unknown column) or no row is right.
    """
    file = read_csv(path, COLUMNS, NEEDED, others=False, may_be_empty=False)
    file.refuse_repeats("name", "names must differ")
    rows, torn = sorted([*file.rows, *file.torn]), {row.number for row in file.torn}
    places = [
        Place(row.cells["name"], nan, nan, nan)
        if row.number in torn
        else _place(file, row, allow_outside)
        for row in rows
    ]
    problems = file.reasons()
    if len(problems) == len(rows):
        file.refuse_mistakes()
    return [
        place._replace(problem=problems.get(row.number, "")) for row, place in zip(rows, places)
    ]


def _place(file: CsvFile, row: Row, allow_outside: bool) -> Place:
    """The place in a row; what is wrong with it is noted."""
    name, skyline, folder = row.cells["name"], row.cells["skyline"], file.path.parent
    if not name:
        file.wrong(row, "every site needs its own", "name")
    latitude_deg, longitude_deg, height_m, slope_deg, aspect_deg = (
        file.number(row, column, *limits) for column, limits in LIMITS.items()
    )
    flat = skyline in ("", "flat")
    if not (flat or allow_outside) and leads_outside(folder, skyline):
        file.wrong(row, f"leads out of the folder of this file; {IN_ITS_PLACE}", "skyline")
    files = () if flat else ((folder / skyline).resolve(),)
    return Place(name, latitude_deg, longitude_deg, height_m, slope_deg, aspect_deg, files)
