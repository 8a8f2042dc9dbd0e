"""CSV files: reading names every mistake, writing gives the same bytes every time."""

import csv
import io
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from difflib import SequenceMatcher
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from obsplan.common.atomic_write import write_file
from obsplan.common.errors import TableError
from obsplan.common.input_file import read_input
from obsplan.common.instants import full_stamp, utc_from
from obsplan.common.text import did_you_mean, readable, shortened

SEPARATORS = (",", ";", "\t")
# Headers at least this alike mean the same column (status and state do, station and state do not).
ALIKE = 0.7
# A spreadsheet runs a cell that begins like this as a formula, wide forms too, unless it is a
# number. An apostrophe before it makes it text; one more is put before a text that has one.
FORMULA = re.compile(r"'*[=+\-@\t\r\n\uff1d\uff0b\uff0d\uff20]")
NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?")
# Control characters other than the line breaks and tabs of a text.
NO_TEXT = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f]")
MOST_ROWS = 200_000  # many times the largest survey, and within memory
# Mistakes that are listed; more lines would add nothing new.
MOST_LINES = 50


class Row(NamedTuple):
    """A record of the file; `number` is its row in a spreadsheet, the header being row 1.

    `cells` has a text for every known column, empty if the file has no such column.
    """

    number: int
    cells: dict[str, str]


@dataclass
class CsvFile:
    """The rows below the header of a CSV file, and what was found wrong or odd in them so far."""

    path: Path
    rows: list[Row]
    torn: list[Row]  # with cells right of the last column, or of no text; noted as mistakes
    decimal_comma: bool  # whether 12,5 is a number: the separator is not the comma
    mistakes: dict[tuple[str, str], list[int]] = field(default_factory=dict)
    oddities: dict[tuple[str, str], list[int]] = field(default_factory=dict)

    def wrong(self, row: Row | None, what: str, column: str = "") -> None:
        """Note a mistake: in a column of a row, in a row, or in the file as a whole.

        `what` says what is wrong and what is allowed. Equal mistakes become one line.
        """
        where = ""
        if row is not None and column:
            cell = row.cells[column]
            where = f", {column} = '{shortened(cell)}'" if cell else f", {column} is missing"
        self.mistakes.setdefault((where, what), []).extend([] if row is None else [row.number])

    def odd(self, row: Row, what: str, column: str) -> None:
        """Note something odd in a column of a row; equal oddities become one line of `notes`."""
        self.oddities.setdefault((f", {column}", what), []).append(row.number)

    def notes(self) -> list[str]:
        """A line for everything odd, with the name of the file."""
        return [readable(f"{self.path}: {_line(oddity)}") for oddity in self.oddities.items()]

    def number(
        self, row: Row, column: str, low: float, high: float, default: float | None = None
    ) -> float:
        """The number in a cell; text that is not a number in the range is noted and becomes NaN."""
        text = row.cells[column]
        if not text and default is not None:
            return default
        value = self.number_in(row, column)
        if value is None or not low <= value <= high:
            self.wrong(row, f"allowed is a number from {low:g} to {high:g}", column)
            return np.nan
        return value

    def time(self, row: Row, column: str) -> datetime | None:
        """The time in a cell, UTC unless it has a zone, to the second; a mistake is noted."""
        try:
            # Spreadsheets store times as binary fractions of a day: seconds come out slightly off.
            time = utc_from(row.cells[column]) + timedelta(microseconds=500_000)
        except ValueError as problem:
            self.wrong(row, str(problem), column)
            return None
        return time.replace(microsecond=0)

    def number_in(self, row: Row, column: str) -> float | None:
        """The number in a cell, None if there is none."""
        text = row.cells[column]
        try:
            value = float(text.replace(",", ".") if self.decimal_comma else text)
        except ValueError:
            return None
        return None if "_" in text else value

    def refuse_repeats(self, column: str, rule: str) -> None:
        """Note every cell of a column that an earlier row has too; `rule` says why not."""
        first: dict[str, int] = {}
        for row in self.rows:
            cell = row.cells[column]
            if cell and first.setdefault(cell, row.number) != row.number:
                self.wrong(row, f"row {first[cell]} has it already; {rule}", column)

    def reasons(self) -> dict[int, str]:
        """The mistakes of each row that has some, by its number."""
        found: dict[int, list[str]] = {}
        for (where, what), numbers in self.mistakes.items():
            for number in numbers:
                found.setdefault(number, []).append(f"row {number}{where}: {what}")
        return {number: "; ".join(lines) for number, lines in found.items()}

    def refuse_mistakes(self, explanation: str = "") -> None:
        """Raise TableError with a line for every mistake, if there are any, in order of rows.

        Only the first of very many mistakes are listed; a line of `explanation` may come before.
        """
        in_order = sorted(self.mistakes.items(), key=lambda each: min(each[1], default=0))
        if in_order:
            _refuse(self.path, [*map(_line, in_order)], explanation)


def read_csv(
    path: str | Path,
    columns: Sequence[str],
    needed: Sequence[str],
    *,
    others: bool = True,
    may_be_empty: bool = True,
    beside: Sequence[str] = (),
    meant: Mapping[str, str] | None = None,
) -> CsvFile:
    """Read a CSV file, written by a program or a spreadsheet, as rows of texts.

    Columns are separated by commas, semicolons or tabs, and named by the header in any order and
    case, with spaces for underscores. The text is UTF-8, or UTF-16 with its mark. Empty rows are
    skipped, spaces around cells removed. Columns `beside` these are read too if they are there.
    Other columns are ignored, or with `others=False` a mistake; so is a name that looks like a
    missing one of `columns`, or that `meant` says is another name of it. Raises TableError if the
    file cannot be read, if one of the columns `needed` is missing or one of `columns` appears
    twice, and with `others=False` if one is unknown; other mistakes are noted in the result.
    """
    path = Path(path)
    text = _text_of(path)
    separator, records = _records(path, text)
    header = [re.sub(r"\s+", "_", name.lower()) for name in records[0][1]] if records else []
    while header and not header[-1]:
        header.pop()
    misnamed = _misnamed(header, columns, beside, meant or {})
    place = {column: header.index(name) for name, column in misnamed.items()}
    place |= {name: header.index(name) for name in (*columns, *beside) if name in header}
    strange = [
        f"row 1: no such column '{shortened(name)}'; {did_you_mean(meant_name, columns)}"
        for name in dict.fromkeys(header)
        if (meant_name := misnamed.get(name, name)) != name or not (others or name in columns)
    ]
    lines = _header_mistakes(header, columns, needed, place) + ([] if others else strange)
    if lines:
        _refuse(path, lines)
    file = CsvFile(path, [], [], separator != ",")
    for line in strange:
        file.wrong(None, line)
    if not records[1:] and not may_be_empty:
        file.wrong(None, "no row below the header; at least one is needed")
    for number, cells in records[1:]:
        beyond = [cell for cell in cells[len(header) :] if cell]
        cells += [""] * (len(header) - len(cells))
        known = (*columns, *beside)
        row = Row(number, {c: cells[place[c]] if c in place else "" for c in known})
        garbled = [column for column, cell in row.cells.items() if NO_TEXT.search(cell)]
        for column in garbled:
            file.wrong(row, "contains a control character, which no text has", column)
        if beyond:
            file.wrong(
                row,
                f"'{shortened(beyond[0])}' is right of the last column of the header; put a cell "
                "that contains the separator in quotes",
            )
        (file.torn if beyond or garbled else file.rows).append(row)
    return file


def write_csv(table: pd.DataFrame, path: str | Path) -> None:
    """Write `csv_text` of a table as UTF-8; the file appears whole or not at all.

    Raises TableError if the file cannot be written.
    """
    path = Path(path)
    try:
        write_file(path, csv_text(table).encode("utf-8"))
    except OSError as problem:
        raise TableError(f"{path}: cannot be written ({problem.strerror})") from None


def csv_text(table: pd.DataFrame) -> str:
    """A table as CSV, the same characters every time.

    Comma, header, line feeds. An index named `*_utc` becomes the first column. Times are
    written as 2027-03-09T14:20:00Z (those without a zone are UTC), numbers with at most six
    decimals, booleans as true or false, missing values as empty cells. A text that a spreadsheet
    would run as a formula gets an apostrophe before it, which `read_csv` takes away again.
    """
    if str(table.index.name).endswith("_utc"):
        table = table.reset_index()
    columns = [[_text(value) for value in table[name].tolist()] for name in table]
    rows = [[_harmless(str(name)) for name in table], *zip(*columns)]
    return "".join(",".join(map(_quoted, row)) + "\n" for row in rows)


def _text(value: Any) -> str:
    if isinstance(value, bool | np.bool_):
        return "true" if value else "false"
    if value is None or pd.isna(value):
        return ""
    if isinstance(value, datetime | np.datetime64):
        time = pd.Timestamp(value)
        time = time.tz_localize("UTC") if time.tzinfo is None else time.tz_convert("UTC")
        return full_stamp(time.round("s"))
    if isinstance(value, float | np.floating):
        text = f"{value:.6f}".rstrip("0").rstrip(".")
        return "0" if text == "-0" else text
    return _harmless(str(value))


def _harmless(text: str) -> str:
    """The text with an apostrophe before it if a spreadsheet would run it."""
    return f"'{text}" if FORMULA.match(text) and not NUMBER.fullmatch(text) else text


def _as_meant(cell: str) -> str:
    """The text of a cell, without the blanks around it and the apostrophe of `_harmless`."""
    cell = cell.strip()
    return cell[1:] if cell.startswith("'") and FORMULA.match(cell) else cell


def _quoted(text: str) -> str:
    if any(mark in text for mark in ',"\r\n'):
        return '"' + text.replace('"', '""') + '"'
    return text


def _text_of(path: Path) -> str:
    try:
        content = read_input(path)
        wide = content[:2] in (b"\xff\xfe", b"\xfe\xff")
        text = content.decode("utf-16" if wide else "utf-8-sig")
    except OSError as problem:
        raise TableError(f"{path}: cannot be read ({problem.strerror})") from None
    except UnicodeDecodeError:
        text = "\0"
    if "\0" in _heading(text):
        raise TableError(f"{path}: not UTF-8 text; save it as CSV UTF-8")
    return text


def _heading(text: str) -> str:
    """The first line that is not blank."""
    return text.lstrip("\r\n;, \t").replace("\r", "\n").partition("\n")[0]


def _records(path: Path, text: str) -> tuple[str, list[tuple[int, list[str]]]]:
    """The separator, and number and cells of every record that is not blank."""
    heading, records, number = _heading(text), [], 0
    try:
        # The separator that splits the header into the most names.
        parted = {mark: next(csv.reader([heading], delimiter=mark), []) for mark in SEPARATORS}
        separator = max(SEPARATORS, key=lambda mark: len(parted[mark]))
        reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
        for number, cells in enumerate(reader, start=1):
            if number > MOST_ROWS:
                _refuse(path, [f"more than {MOST_ROWS} rows; allowed are that many"])
            cells = [_as_meant(cell) for cell in cells]
            if any(cells):
                records.append((number, cells))
    except csv.Error as problem:
        _refuse(path, [f"row {number + 1}: cannot be read ({problem})"])
    names = len(records[0][1]) if records else 0
    if len(records) > 1 and len(records[-1][1]) < names and not text.endswith(("\n", "\r")):
        _refuse(
            path,
            [
                f"row {records[-1][0]}: the file ends within this row, as if it was cut off: "
                f"{len(records[-1][1])} of {names} cells and no line break; complete the row"
            ],
        )
    return separator, records


def _header_mistakes(
    header: list[str], columns: Sequence[str], needed: Sequence[str], places: Mapping[str, int]
) -> list[str]:
    """What is wrong with the header so that rows cannot be read."""
    if not header:
        return [f"the file is empty; it needs the columns {', '.join(needed)}"]
    found = ", ".join(filter(None, header))
    lines = [
        f"row 1: column {column} is missing; the header has {found}"
        for column in needed
        if column not in places
    ]
    lines += [
        f"row 1: column {column} appears {header.count(column)} times; only once is allowed"
        for column in columns
        if header.count(column) > 1
    ]
    return lines


def _misnamed(
    header: list[str], columns: Sequence[str], beside: Sequence[str], meant: Mapping[str, str]
) -> dict[str, str]:
    """Names of the header that stand for a missing column -> the column."""
    found: dict[str, str] = {}
    for column in columns:
        if column not in header:
            for name in header:
                known = not name or name in columns or name in beside
                if meant.get(name) == column or (not known and _alike(name, column)):
                    found.setdefault(name, column)
    return found


def _alike(name: str, column: str) -> bool:
    """Whether a header says a column in nearly the same letters, or without its unit."""
    ratio = SequenceMatcher(None, name, column).ratio()
    return ratio >= ALIKE or name == column.rpartition("_")[0]


def _line(mistake: tuple[tuple[str, str], list[int]]) -> str:
    (where, what), rows = mistake
    return f"{_numbers(rows)}{where}: {what}" if rows else what


def _numbers(rows: Iterable[int]) -> str:
    """Row numbers as a sentence names them."""
    rows = sorted(rows)
    if len(rows) == 1:
        return f"row {rows[0]}"
    if len(rows) > 5:
        return f"rows {', '.join(map(str, rows[:4]))} and {len(rows) - 4} more"
    return f"rows {', '.join(map(str, rows[:-1]))} and {rows[-1]}"


def _refuse(path: Path, lines: list[str], explanation: str = "") -> None:
    shown = [f"{path}: {line}" for line in lines[:MOST_LINES]]
    if len(lines) > MOST_LINES:
        shown.append(f"{path}: and {len(lines) - MOST_LINES} more mistakes")
    raise TableError(*filter(None, [explanation, *shown]))
