"""The booked passes of ground stations, as CSV; contacts.csv, edited, serves."""

from collections.abc import Sequence
from pathlib import Path

import pandas as pd

from obsplan.common.csv_file import read_csv
from obsplan.common.instants import stamp
from obsplan.common.text import did_you_mean

NEEDED = ("station", "acquisition_utc", "loss_utc")
COLUMNS = ("platform", *NEEDED)


def read_passes(path: Path, platforms: Sequence[str], stations: Sequence[str]) -> pd.DataFrame:
    """Booked passes in order of the file: columns COLUMNS, times UTC.

    A row without a platform books the station for every platform. Other columns are ignored.
    Raises TableError with a line for every mistake: a time that is none, a loss that is not after
    its acquisition, a station or platform that is unknown, rows that book a station twice.
    """
    file = read_csv(path, COLUMNS, NEEDED)
    rows = []
    for row in file.rows:
        for column, known in (("platform", platforms), ("station", stations)):
            name = row.cells[column]
            if name not in known and (name or column == "station"):
                file.wrong(row, f"no such {column}; {did_you_mean(name, list(known))}", column)
        acquisition, loss = (file.time(row, column) for column in NEEDED[1:])
        if acquisition is None or loss is None:
            continue
        if loss <= acquisition:
            file.wrong(
                row, f"allowed is a time after acquisition_utc, {stamp(acquisition)}", "loss_utc"
            )
        rows.append((row, acquisition, loss))
    before: dict[tuple[str, str], tuple[int, pd.Timestamp]] = {}
    for row, acquisition, loss in sorted(rows, key=lambda each: each[1]):
        name, station = row.cells["platform"], row.cells["station"]
        booked = [(each, station) for each in ([name] if name else platforms)]
        earlier = [before[each] for each in booked if each in before]
        number, until = max(earlier, key=lambda each: each[1], default=(0, acquisition))
        if acquisition < until:
            what = (
                f"row {number} has the station booked until {stamp(until)}; passes may not overlap"
            )
            file.wrong(row, what, "acquisition_utc")
        for each in booked:
            if each not in before or loss > before[each][1]:
                before[each] = row.number, loss
    file.refuse_mistakes()
    table = [(*(row.cells[c] for c in COLUMNS[:2]), *times) for row, *times in rows]
    passes = pd.DataFrame(table, columns=list(COLUMNS))
    for column in NEEDED[1:]:
        passes[column] = pd.to_datetime(passes[column], utc=True)
    return passes
