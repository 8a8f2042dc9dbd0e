"""The shifts of a team, as CSV."""

from pathlib import Path

import pandas as pd

from obsplan.common.csv_file import Row, read_csv
from obsplan.common.instants import stamp

COLUMNS = ("start_utc", "end_utc")


def read_shifts(path: Path) -> pd.DataFrame:
    """Shifts in order of time: columns COLUMNS, UTC. Other columns are ignored.

    Raises TableError with a line for every mistake: a time that is none, a shift that does not end
    after it begins, shifts that overlap.
    """
    file = read_csv(path, COLUMNS, COLUMNS)
    shifts: list[tuple[pd.Timestamp, pd.Timestamp, Row]] = []
    for row in file.rows:
        start, end = (file.time(row, column) for column in COLUMNS)
        if start is None or end is None:
            continue
        if end <= start:
            file.wrong(row, f"allowed is a time after start_utc, {stamp(start)}", "end_utc")
        shifts.append((start, end, row))
    shifts.sort(key=lambda shift: shift[:2])
    until, number = None, 0
    for start, end, row in shifts:
        if until is not None and start < until:
            what = f"row {number} has a shift until {stamp(until)}; shifts may not overlap"
            file.wrong(row, what, "start_utc")
        if until is None or end > until:
            until, number = end, row.number
    file.refuse_mistakes()
    table = pd.DataFrame([shift[:2] for shift in shifts], columns=list(COLUMNS))
    return table.apply(lambda column: pd.to_datetime(column, utc=True))
