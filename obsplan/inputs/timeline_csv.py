"""Timelines and other tables as CSV: read with every mistake named, written in fixed bytes."""

import csv
import io
import json
import re
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from difflib import get_close_matches
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from obsplan.common.atomic_write import write_file
from obsplan.common.errors import TableError
from obsplan.inputs.scenario import Activity, Scenario

NEEDED = ("activity", "start_utc")
COLUMNS = ("slot", "activity", "start_utc", "end_utc", "state")
STATES = ("planned", "locked", "done", "shortened", "failed")
AS_RUN_COLUMNS = ("slot", "activity", "start_utc", "end_utc", "outcome", "reason")
OUTCOMES = ("done", "shortened", "failed")
SEPARATORS = (",", ";", "\t")
# More lines than these say nothing new.
MOST_LINES = 50
TIME_HINT = "write it like 2028-07-01T00:00:00Z"


class Row(NamedTuple):
    """A record of the file; `number` is its row in a spreadsheet, the header being row 1."""

    number: int
    cells: dict[str, str]


class Ran(NamedTuple):
    """What a row of what ran says."""

    slot: str
    activity: str
    start_utc: datetime
    end_utc: datetime
    outcome: str
    reason: str


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
    `Scenario.sending_names` say when a platform may send. Commas, semicolons or tabs part
    the cells; further columns are passed over; times are rounded to the second. Raises
    TableError with a line for every mistake in the file.
    """
    path = Path(path)
    rows, lines = _rows(path, _records(path), NEEDED, COLUMNS)
    lines += _unknown_names(rows, scenario)
    slots: dict[int, Slot] = {}
    endless: dict[str, list[int]] = {}
    for row in rows:
        mistakes: list[str] = []
        if row.cells["activity"] in scenario.sending_names and not row.cells.get("end_utc"):
            endless.setdefault(row.cells["activity"], []).append(row.number)
        slot = _slot(row, scenario, mistakes.append)
        lines += [f"row {row.number}, {mistake}" for mistake in mistakes]
        if slot is not None:
            slots[row.number] = slot
    lines += [
        f"{_numbers(where)}, end_utc is missing: '{name}' lasts as long as the row says"
        for name, where in endless.items()
    ]
    _refuse(path, lines, another_scenario(path, scenario))
    return _typed(_with_ids(slots), COLUMNS)


def read_as_run(path: str | Path, scenario: Scenario) -> pd.DataFrame:
    """Read what ran, as rows in the order of the file, with the care of `read_timeline`.

    Columns `slot, activity, start_utc, end_utc, outcome, reason`; the file needs only
    `activity` and `start_utc`. A missing slot id stays empty. A missing outcome is `done`.
    A missing end is as the scenario asks when the run was done, and the start when it
    failed; a shortened run must say when it ended. A failed run may end as it starts.
    Raises TableError with a line for every mistake in the file.
    """
    path = Path(path)
    rows, lines = _rows(path, _records(path), NEEDED, AS_RUN_COLUMNS)
    lines += _unknown_names(rows, scenario)
    ran, told = [], {}
    for row in rows:
        mistakes: list[str] = []
        found = _ran(row, scenario, mistakes.append)
        if found is not None and found.slot:
            before = told.setdefault(found.slot, row.number)
            if before != row.number:
                mistakes.append(
                    f"slot = '{found.slot}': is already told in row {before}; a slot "
                    "has one outcome"
                )
        lines += [f"row {row.number}, {mistake}" for mistake in mistakes]
        ran += [] if found is None else [found]
    _refuse(path, lines, another_scenario(path, scenario))
    return _typed(ran, AS_RUN_COLUMNS)


def another_scenario(path: str | Path, scenario: Scenario) -> str:
    """A line when the summary beside a timeline names another scenario, else ""."""
    try:
        facts = json.loads(Path(path).with_name("summary.json").read_text(encoding="utf-8"))
        wrote, title = facts["input_sha256_16"], facts["title"]
    except (OSError, ValueError, KeyError, TypeError):
        return ""
    if not scenario.input_hash or wrote == scenario.input_hash:
        return ""
    other = f", titled '{title}'" if title != scenario.title else ""
    return (
        f"{path}: was planned for another scenario{other} (input hash {wrote}), this one has "
        f"{scenario.input_hash}"
    )


def _refuse(path: Path, lines: list[str], origin: str) -> None:
    """Raise TableError with the lines, the first of very many; `origin` may explain them."""
    if lines:
        shown = [f"{path}: {line}" for line in lines[:MOST_LINES]]
        if len(lines) > MOST_LINES:
            shown.append(f"{path}: and {len(lines) - MOST_LINES} more mistakes")
        raise TableError("\n".join([origin, *shown] if origin else shown))


def _typed(rows: list, columns: tuple[str, ...]) -> pd.DataFrame:
    table = pd.DataFrame(rows, columns=list(columns))
    return table.astype({c: "datetime64[s, UTC]" if c.endswith("_utc") else "str" for c in columns})


def write_csv(table: pd.DataFrame, path: str | Path) -> None:
    """Write `csv_text` of a table as UTF-8; the file appears whole or not at all.

    Raises TableError when the file cannot be written.
    """
    path = Path(path)
    if path.is_dir():
        raise TableError(f"{path}: is a directory; name a file")
    try:
        write_file(path, csv_text(table).encode("utf-8"))
    except OSError as problem:
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
        content = path.read_bytes()
        wide = content[:2] in (b"\xff\xfe", b"\xfe\xff")
        text = content.decode("utf-16" if wide else "utf-8-sig")
    except OSError as problem:
        raise TableError(f"{path}: cannot be read ({problem.strerror})") from None
    except UnicodeDecodeError:
        raise TableError(f"{path}: not UTF-8 text; save it as CSV UTF-8") from None
    heading = text.lstrip("\r\n;, \t").replace("\r", "\n").partition("\n")[0]
    if "\0" in heading:
        raise TableError(f"{path}: not UTF-8 text; save it as CSV UTF-8")
    # Of the marks in the header, the one that parts most names.
    parted = {mark: next(csv.reader([heading], delimiter=mark), []) for mark in SEPARATORS}
    separator = max(SEPARATORS, key=lambda mark: len(parted[mark]))
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


def _rows(
    path: Path,
    records: list[tuple[int, list[str]]],
    needed: tuple[str, ...],
    known: tuple[str, ...],
) -> tuple[list[Row], list[str]]:
    """The rows under the header, and a line for each row with more cells than the header.

    Raises TableError when a needed column is missing, or a known one is there twice.
    """
    header = [re.sub(r"\s+", "_", name.lower()) for name in records[0][1]] if records else []
    while header and not header[-1]:
        header.pop()
    found = ", ".join(filter(None, header)) or "none"
    lines = [
        f"{path}: row 1: column {column} is missing; found are {found}"
        for column in needed
        if column not in header
    ]
    lines += [
        f"{path}: row 1: column {column} is there {header.count(column)} times"
        for column in known
        if header.count(column) > 1
    ]
    if lines:
        raise TableError("\n".join(lines))
    place = {column: header.index(column) for column in known if column in header}
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
            rows.append(Row(number, {c: cells[k] for c, k in place.items()}))
    return rows, surplus


def _unknown_names(rows: list[Row], scenario: Scenario) -> list[str]:
    """A line for each name that is no activity and no sending, with the rows that bear it."""
    known = [a.name for a in scenario.activity] + list(scenario.sending_names)
    allowed = set(known)
    where: dict[str, list[int]] = {}
    for row in rows:
        if row.cells["activity"] not in allowed:
            where.setdefault(row.cells["activity"], []).append(row.number)
    strange = sum(map(len, where.values()))
    if len(where) > 2 and strange > len(rows) / 2:
        return [
            f"{strange} of {len(rows)} rows name no activity of this scenario, such as "
            f"'{next(iter(where))}'; is the timeline that of another scenario? known are "
            f"{', '.join(known) or 'none'}"
        ]
    lines = []
    for name, numbers in where.items():
        near = get_close_matches(name, known, n=1, cutoff=0.5)
        hint = f"did you mean '{near[0]}'?" if near else f"known are {', '.join(known) or 'none'}"
        lines.append(f"{_numbers(numbers)}, activity = '{name}': no such activity; {hint}")
    return lines


def _numbers(rows: list[int]) -> str:
    """Row numbers as a sentence names them."""
    if len(rows) == 1:
        return f"row {rows[0]}"
    if len(rows) > 5:
        return f"rows {', '.join(map(str, rows[:4]))} and {len(rows) - 4} more"
    return f"rows {', '.join(map(str, rows[:-1]))} and {rows[-1]}"


def _slot(row: Row, scenario: Scenario, wrong: Callable[[str], None]) -> Slot | None:
    """The slot of a row; every mistake in it goes to `wrong`, and then there is none.

    Unknown names and sending without an end are told by the caller.
    """
    cell = {column: row.cells.get(column, "") for column in COLUMNS}
    name, state = cell["activity"], cell["state"].lower() or STATES[0]
    activity = _activity(scenario, name)
    sends = name in scenario.sending_names
    start = _time("start_utc", cell["start_utc"], wrong)
    end = _time("end_utc", cell["end_utc"], wrong) if cell["end_utc"] else None
    if start and end and end <= start and not (end == start and state == "failed"):
        wrong(
            f"end_utc = '{cell['end_utc']}': not after start_utc = '{cell['start_utc']}'"
            + ("" if sends else "; leave end_utc empty to let it last as the scenario asks")
        )
        return None
    if state not in STATES:
        wrong(f"state = '{cell['state']}': allowed are {', '.join(STATES)}, or nothing")
    if not (activity or (sends and end)) or start is None or (cell["end_utc"] and end is None):
        return None
    end = end or start + timedelta(minutes=scenario.slot_min(activity))
    return Slot(cell["slot"], name, start, end, state)


def _ran(row: Row, scenario: Scenario, wrong: Callable[[str], None]) -> Ran | None:
    """What a row says of a run; every mistake goes to `wrong`, and then there is none."""
    cell = {column: row.cells.get(column, "") for column in AS_RUN_COLUMNS}
    name, outcome = cell["activity"], cell["outcome"].lower() or OUTCOMES[0]
    activity = _activity(scenario, name)
    start = _time("start_utc", cell["start_utc"], wrong)
    end = _time("end_utc", cell["end_utc"], wrong) if cell["end_utc"] else None
    if outcome not in OUTCOMES:
        wrong(f"outcome = '{cell['outcome']}': allowed are {', '.join(OUTCOMES)}")
        return None
    if not cell["end_utc"] and (outcome == "shortened" or activity is None):
        if activity or name in scenario.sending_names:
            wrong("end_utc is missing: say when it ended")
        return None
    if start and end and (end < start or (end == start and outcome != "failed")):
        wrong(f"end_utc = '{cell['end_utc']}': not after start_utc = '{cell['start_utc']}'")
        return None
    if start is None or (cell["end_utc"] and end is None):
        return None
    if end is None:
        lasts = timedelta(minutes=scenario.slot_min(activity) if outcome == "done" else 0)
        end = start + lasts
    return Ran(cell["slot"], name, start, end, outcome, cell["reason"])


def _activity(scenario: Scenario, name: str) -> Activity | None:
    return next((a for a in scenario.activity if a.name == name), None)


def _time(column: str, text: str, wrong: Callable[[str], None]) -> datetime | None:
    """A time with a zone, rounded to the second; a mistake goes to `wrong`."""
    try:
        time = datetime.fromisoformat(re.sub(r"\s*(z|utc)$", "Z", text, flags=re.IGNORECASE))
    except ValueError:
        wrong(f"{column} = '{text}': not a time; {TIME_HINT}")
        return None
    if time.tzinfo is None:
        wrong(f"{column} = '{text}': the time has no zone; end it with Z for UTC")
    elif not 1900 <= time.year <= 2200:
        wrong(f"{column} = '{text}': the year is out of range; allowed are 1900 to 2200")
    else:
        # A spreadsheet counts days in binary fractions and so misses seconds by a little.
        time = time.astimezone(UTC) + timedelta(microseconds=500_000)
        return time.replace(microsecond=0)
    return None


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
