"""Timelines and other tables as CSV: read with every mistake named, written in fixed bytes."""

import csv
import io
import os
from collections.abc import Callable
from datetime import datetime, timedelta, timezone
from difflib import get_close_matches
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from obsplan.errors import TableError
from obsplan.scenario import Scenario

NEEDED = ("activity", "start_utc")
COLUMNS = ("slot", "activity", "start_utc", "end_utc", "state")
STATES = ("planned", "locked", "done")
TIME_HINT = "write it like 2028-07-01T00:00:00Z"


class Row(NamedTuple):
    """A record of the file; `number` is its row in a spreadsheet, the header being row 1."""

    number: int
    cells: dict[str, str]


class Slot(NamedTuple):
    """What a row says."""

    slot: str
    activity: str
    start_utc: datetime
    end_utc: datetime
    state: str


def read_timeline(path: str | Path, scenario: Scenario) -> pd.DataFrame:
    """Read a timeline, written by obsplan or by hand, as slots in the order of the file.

    Columns `slot, activity, start_utc, end_utc, state`; the file needs only `activity` and
    `start_utc`. A missing end is as the scenario asks, a missing state `planned`, a missing
    or doubled slot id the number of its row (`row7`). Rows named as in
    `Scenario.sending_names` say when a platform may send. Raises TableError with one line
    for every mistake in the file.
    """
    path = Path(path)
    rows, lines = _rows(path, _records(path))
    slots: dict[int, Slot] = {}
    for row in rows:
        mistakes: list[str] = []
        slot = _slot(row, scenario, mistakes.append)
        lines += [f"row {row.number}, {mistake}" for mistake in mistakes]
        if slot is not None:
            slots[row.number] = slot
    lines += _collisions(slots)
    if lines:
        raise TableError("\n".join(f"{path}: {line}" for line in lines))
    table = pd.DataFrame(_with_ids(slots), columns=list(COLUMNS))
    return table.astype(
        {c: "datetime64[s, UTC]" if c.endswith("_utc") else "str" for c in COLUMNS}
    )


def write_csv(table: pd.DataFrame, path: str | Path) -> None:
    """Write `csv_text` of a table as UTF-8; the file appears whole or not at all.

    Raises TableError when the file cannot be written.
    """
    path = Path(path)
    if path.is_dir():
        raise TableError(f"{path}: is a directory; name a file")
    content = csv_text(table)
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        part.write_bytes(content.encode("utf-8"))
        os.replace(part, path)
    except OSError as problem:
        part.unlink(missing_ok=True)
        raise TableError(f"{path}: cannot be written ({problem.strerror})") from None


def csv_text(table: pd.DataFrame) -> str:
    """A table as CSV, the same characters every time.

    Comma, header, line feeds. An index named `*_utc` becomes the first column. Times are
    written as 2027-03-09T14:20:00Z (those without a zone are UTC), numbers with at most six
    decimals, truth as true or false, what is missing as nothing.
    """
    if str(table.index.name).endswith("_utc"):
        table = table.reset_index()
    columns = [[_text(value) for value in table[name].tolist()] for name in table]
    rows = [[str(name) for name in table], *zip(*columns)]
    return "".join(",".join(map(_quoted, row)) + "\n" for row in rows)


def _text(value: Any) -> str:
    if isinstance(value, bool | np.bool_):
        return "true" if value else "false"
    if value is None or pd.isna(value):
        return ""
    if isinstance(value, datetime | np.datetime64):
        time = pd.Timestamp(value)
        time = time.tz_localize("UTC") if time.tzinfo is None else time.tz_convert("UTC")
        return f"{time.round('s'):%Y-%m-%dT%H:%M:%SZ}"
    if isinstance(value, float | np.floating):
        text = f"{value:.6f}".rstrip("0").rstrip(".")
        return "0" if text == "-0" else text
    return str(value)


def _quoted(text: str) -> str:
    if any(mark in text for mark in ',"\r\n'):
        return '"' + text.replace('"', '""') + '"'
    return text


def _records(path: Path) -> list[tuple[int, list[str]]]:
    """Number and cells of every record that is not blank, without surrounding blanks."""
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except OSError as problem:
        raise TableError(f"{path}: cannot be read ({problem.strerror})") from None
    except UnicodeDecodeError:
        raise TableError(f"{path}: not UTF-8 text; save it as CSV UTF-8") from None
    heading = text.lstrip().replace("\r", "\n").partition("\n")[0]
    separator = ";" if heading.count(";") > heading.count(",") else ","
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    records, number = [], 0
    try:
        for number, cells in enumerate(reader, start=1):
            cells = [cell.strip() for cell in cells]
            if any(cells):
                records.append((number, cells))
    except csv.Error as problem:
        raise TableError(f"{path}: row {number + 1}: cannot be read ({problem})") from None
    return records


def _rows(path: Path, records: list[tuple[int, list[str]]]) -> tuple[list[Row], list[str]]:
    """The rows under the header, and a line for each row with more cells than the header.

    Raises TableError when a needed column is missing, or a known one is there twice.
    """
    header = [name.lower() for name in records[0][1]] if records else []
    while header and not header[-1]:
        header.pop()
    found = ", ".join(filter(None, header)) or "none"
    lines = [f"{path}: row 1: column {column} is missing; found are {found}"
             for column in NEEDED if column not in header]  # fmt: skip
    lines += [f"{path}: row 1: column {column} is there {header.count(column)} times"
              for column in COLUMNS if header.count(column) > 1]  # fmt: skip
    if lines:
        raise TableError("\n".join(lines))
    rows, surplus = [], []
    for number, cells in records[1:]:
        beyond = [cell for cell in cells[len(header) :] if cell]
        if beyond:
            surplus.append(
                f"row {number}: '{beyond[0]}' stands beyond the last column of the header; a cell "
                "that holds the separator must be in quotes"
            )
        else:
            cells += [""] * (len(header) - len(cells))
            rows.append(Row(number, {c: cells[header.index(c)] for c in COLUMNS if c in header}))
    return rows, surplus


def _slot(row: Row, scenario: Scenario, wrong: Callable[[str], None]) -> Slot | None:
    """The slot of a row; every mistake in it goes to `wrong`, and then there is none."""
    cell = {column: row.cells.get(column, "") for column in COLUMNS}
    name, state = cell["activity"], cell["state"].lower() or STATES[0]
    activity = next((a for a in scenario.activity if a.name == name), None)
    sends = name in scenario.sending_names
    if activity is None and not sends:
        known = [a.name for a in scenario.activity] + list(scenario.sending_names)
        near = get_close_matches(name, known, n=1, cutoff=0.5)
        hint = f"did you mean '{near[0]}'?" if near else f"known are {', '.join(known) or 'none'}"
        wrong(f"activity = '{name}': no such activity; {hint}")
    start = _time("start_utc", cell["start_utc"], wrong)
    end = _time("end_utc", cell["end_utc"], wrong) if cell["end_utc"] else None
    if start and end and end <= start:
        wrong(f"end_utc = '{cell['end_utc']}': not after start_utc = '{cell['start_utc']}'")
        return None
    if state not in STATES:
        wrong(f"state = '{cell['state']}': allowed are {', '.join(STATES)}, or nothing")
    if sends and not cell["end_utc"]:
        wrong(f"end_utc is missing: '{name}' lasts as long as the row says")
        return None
    if not (activity or sends) or start is None or (cell["end_utc"] and end is None):
        return None
    end = end or start + timedelta(minutes=scenario.slot_min(activity))
    return Slot(cell["slot"], name, start, end, state)


def _time(column: str, text: str, wrong: Callable[[str], None]) -> datetime | None:
    try:
        time = datetime.fromisoformat(text)
    except ValueError:
        wrong(f"{column} = '{text}': not a time; {TIME_HINT}")
        return None
    if time.tzinfo is None:
        wrong(f"{column} = '{text}': the time has no zone; end it with Z for UTC")
    elif not 1900 <= time.year <= 2200:
        wrong(f"{column} = '{text}': the year is out of range; allowed are 1900 to 2200")
    elif time.microsecond:
        wrong(f"{column} = '{text}': the time must be a whole second")
    else:
        return time.astimezone(timezone.utc)
    return None


def _collisions(slots: dict[int, Slot]) -> list[str]:
    """A line for each row that repeats, or overlaps, one of the same activity before it."""
    lines = []
    latest: dict[str, int] = {}
    for row in sorted(slots, key=lambda row: (slots[row].start_utc, slots[row].end_utc, row)):
        slot = slots[row]
        other = latest.setdefault(slot.activity, row)
        before = slots[other]
        if other != row and slot.start_utc < before.end_utc:
            same = (slot.start_utc, slot.end_utc) == (before.start_utc, before.end_utc)
            first, second = sorted((other, row))
            what = "are the same" if same else "overlap"
            lines.append(f"rows {first} and {second} {what}: activity '{slot.activity}' from "
                         f"{slot.start_utc:%Y-%m-%dT%H:%M:%SZ}; move or delete one")  # fmt: skip
        if slot.end_utc >= before.end_utc:
            latest[slot.activity] = row
    return lines


def _with_ids(slots: dict[int, Slot]) -> list[Slot]:
    """The slots, each with an id of its own: the first to name one keeps it."""
    taken = {slot.slot for slot in slots.values()} | {""}
    seen = {""}
    named = []
    for row, slot in slots.items():
        if slot.slot in seen:
            fresh = f"row{row}"
            while fresh in taken:
                fresh += "x"
            taken.add(fresh)
            slot = slot._replace(slot=fresh)
        seen.add(slot.slot)
        named.append(slot)
    return named
