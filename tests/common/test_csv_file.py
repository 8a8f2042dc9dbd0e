"""CSV: odd files through every input alike, mistakes named, tables written in fixed bytes."""

import csv
import os
import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from tools.small import scenario

import obsplan
from obsplan.common.csv_file import FORMULA, MOST_LINES, read_csv, write_csv
from obsplan.common.errors import ObsplanError, TableError
from obsplan.inputs.sites_csv import read_sites
from obsplan.inputs.timeline_csv import read_as_run, read_timeline
from obsplan.physics.skyline import read_profile


def sites_without_problems(path):
    """A bad row of this file is no error, but is told in the same words."""
    places = read_sites(path)
    for place in places:
        if place.problem:
            raise TableError(f"{path}: {place.problem}")
    return places


SCENARIO = scenario({"name": "look"}, {"name": "listen"})
# Every CSV input: its reader, columns that it needs, rows of cells, column of a bad cell.
INPUTS = {
    "timeline": (
        lambda path: read_timeline(path, SCENARIO).drop(columns="slot").to_csv(),
        ["activity", "start_utc"],
        [["look", "2028-07-01T02:00:00Z"], ["listen", "2028-07-01T03:00:00Z"]],
    ),
    "as run": (
        lambda path: read_as_run(path, SCENARIO).to_csv(),
        ["activity", "start_utc"],
        [["look", "2028-07-01T02:00:00Z"], ["listen", "2028-07-01T03:00:00Z"]],
    ),
    "skyline": (
        lambda path: read_profile(path).tolist(),
        ["elevation_deg", "azimuth_deg"],
        [["1.5", "10"], ["-0.25", "200.5"]],
    ),
    "sites": (
        sites_without_problems,
        ["name", "latitude_deg", "longitude_deg", "height_m"],
        [["rim", "-89.5", "10", "1200.5"], ["plain", "5", "340", "0"]],
    ),
}


def lines(records: list[list[str]], separator: str = ",", end: str = "\n") -> str:
    return "".join(separator.join(record) + end for record in records)


def decimal_commas(records: list[list[str]]) -> list[list[str]]:
    return [[cell.replace(".", ",") for cell in record] for record in records]


# Files that say the same as the plain one.
SAME = {
    "CRLF": lambda r: lines(r, end="\r\n"),
    "CR": lambda r: lines(r, end="\r"),
    "no last newline": lambda r: lines(r).rstrip("\n"),
    "byte-order mark": lambda r: "\ufeff" + lines(r),
    "semicolons": lambda r: lines(r, ";"),
    "semicolons and decimal commas": lambda r: lines(decimal_commas(r), ";"),
    "tabs": lambda r: lines(r, "\t"),
    "UTF-16 with tabs": lambda r: lines(r, "\t", "\r\n").encode("utf-16"),
    "quoted cells": lambda r: lines([[f'"{cell}"' for cell in record] for record in r]),
    "trailing separators": lambda r: lines([[*record, "", ""] for record in r]),
    "blanks around cells": lambda r: lines([[f" {cell} " for cell in record] for record in r]),
    "blank lines": lambda r: "\n,,\n" + lines(r).replace("\n", "\n\n,,,\n"),
    "header in other case": lambda r: lines([[c.replace("_", " ").title() for c in r[0]], *r[1:]]),
    "columns in other order": lambda r: lines([record[::-1] for record in r]),
}


@pytest.mark.parametrize("kind", INPUTS)
@pytest.mark.parametrize("odd", SAME)
def test_every_input_reads_what_programs_and_spreadsheets_write(tmp_path, kind, odd):
    read, columns, rows = INPUTS[kind]
    path = tmp_path / "table.csv"
    path.write_text(lines([columns, *rows]))
    plain = read(path)
    text = SAME[odd]([columns, *rows])
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    assert read(path) == plain


# Files that cannot be read, and what is said below the name of the file.
BROKEN = {
    "empty": (lambda r: "", "the file is empty; it needs the columns {columns}"),
    "only blanks": (lambda r: "\n , \n", "the file is empty; it needs the columns {columns}"),
    "missing column": (
        lambda r: lines([record[1:] for record in r]),
        "row 1: column {first} is missing; the header has {others}",
    ),
    "doubled column": (
        lambda r: lines([[*record, record[0]] for record in r]),
        "row 1: column {first} appears 2 times; only once is allowed",
    ),
    "not UTF-8": (
        lambda r: lines([*r, ["\xe9"]]).encode("latin-1"),
        "not UTF-8 text; save it as CSV UTF-8",
    ),
    "UTF-16 without mark": (
        lambda r: lines(r).encode("utf-16-le"),
        "not UTF-8 text; save it as CSV UTF-8",
    ),
    "open quote": (lambda r: lines(r) + '"end', "row 4: cannot be read (unexpected end of data)"),
    "cut off in its last row": (
        lambda r: lines(r[:-1]) + r[-1][0],
        "row 3: the file ends within this row, as if it was cut off: 1 of {count} cells and no "
        "line break; complete the row",
    ),
    "endless header": (
        lambda r: lines([[*r[0], "x" * 200_000]]),
        "row 1: cannot be read (field larger than field limit (131072))",
    ),
    "cell without a column": (
        lambda r: lines([*r[:-1], [*r[-1], "", "5"]]),
        "row 3: '5' is right of the last column of the header; put a cell that contains the "
        "separator in quotes",
    ),
    "marks that a terminal obeys": (
        lambda r: lines([*r[:-1], [*r[-1], '"\x1b[2J\r\nrow 9: \u202e"']]),
        r"row 3: '\x1b[2J\r\nrow 9: \u202e' is right of the last column of the header; put a "
        "cell that contains the separator in quotes",
    ),
}


@pytest.mark.parametrize("kind", INPUTS)
@pytest.mark.parametrize("broken", BROKEN)
def test_every_input_names_what_is_wrong_with_a_file_in_one_line(tmp_path, kind, broken):
    read, columns, rows = INPUTS[kind]
    spoil, line = BROKEN[broken]
    path = tmp_path / "table.csv"
    text = spoil([columns, *rows])
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    with pytest.raises(ObsplanError) as caught:
        read(path)
    told = line.format(
        columns=", ".join(sorted(columns, key=ORDER.index)),
        first=columns[0],
        count=len(columns),
        others=", ".join(columns[1:]),
    )
    assert str(caught.value) == f"{path}: {told}"
    assert caught.value.exit_code == 2


ORDER = ["activity", "start_utc", "azimuth_deg", "elevation_deg"] + INPUTS["sites"][1]


@pytest.mark.parametrize("kind", INPUTS)
def test_every_input_names_the_row_and_column_of_a_bad_cell_as_a_spreadsheet_counts(tmp_path, kind):
    read, columns, rows = INPUTS[kind]
    path = tmp_path / "table.csv"
    path.write_text(lines([columns, ['""'], *rows[:1], [*rows[1][:-1], "1,5\x07"]], ";"))
    with pytest.raises(ObsplanError) as caught:
        read(path)
    told = str(caught.value)
    assert told.startswith(f"{path}: row 4, {columns[-1]} = '1,5\\x07': ") and "\n" not in told


@pytest.mark.parametrize("kind", INPUTS)
def test_every_input_names_a_file_that_is_not_there(tmp_path, kind):
    for path in (tmp_path / "nowhere.csv", tmp_path):
        with pytest.raises(ObsplanError) as caught:
            INPUTS[kind][0](path)
        assert str(caught.value).startswith(f"{path}: cannot be read (")


def test_a_decimal_comma_is_a_number_only_if_it_is_not_the_separator(tmp_path):
    path = tmp_path / "table.csv"
    for text, value in (("a;b\n1,5;2\n", 1.5), ('a,b\n"1,5",2\n', None), ("a;b\n1_0;2\n", None)):
        path.write_text(text)
        file = read_csv(path, ("a", "b"), ("a",))
        found = file.number(file.rows[0], "a", 0, 20)
        assert found == value or (value is None and np.isnan(found) and file.mistakes)


def test_equal_mistakes_are_one_line_and_very_many_are_counted(tmp_path):
    path = tmp_path / "table.csv"
    path.write_text("a\n" + "x\n" * 9 + "".join(f"y{k}\n" for k in range(MOST_LINES + 3)))
    file = read_csv(path, ("a",), ("a",))
    for row in file.rows:
        file.number(row, "a", 0, 1)
    with pytest.raises(TableError) as caught:
        file.refuse_mistakes("first this")
    told = str(caught.value).splitlines()
    assert told[0] == "first this"
    assert told[1] == (
        f"{path}: rows 2, 3, 4, 5 and 5 more, a = 'x': allowed is a number from 0 to 1"
    )
    assert told[-1] == f"{path}: and 4 more mistakes" and len(told) == MOST_LINES + 2


def test_cells_are_written_in_one_way_only(tmp_path):
    table = pd.DataFrame(
        {
            "activity": ["panorama", 'a "b", c', None],
            "start_utc": pd.to_datetime(["2027-03-09T14:20:00.4Z", None, "2027-03-10T00:00:00.0Z"]),
            "contact": [True, False, True],
            "count": [1, 20, -3],
            "power_w": [0.1 + 0.2, -1e-9, np.nan],
            "value": [100.0, 1234567.1234567, -2.5],
        }
    )
    write_csv(table, tmp_path / "table.csv")
    assert (tmp_path / "table.csv").read_bytes() == (
        b"activity,start_utc,contact,count,power_w,value\n"
        b"panorama,2027-03-09T14:20:00Z,true,1,0.3,100\n"
        b'"a ""b"", c",,false,20,0,1234567.123457\n'
        b",2027-03-10T00:00:00Z,true,-3,,-2.5\n"
    )


def test_index_of_times_is_the_first_column_and_other_zones_become_utc(tmp_path):
    index = pd.DatetimeIndex(["2027-03-09T15:20"], name="time_utc").tz_localize("Europe/Paris")
    write_csv(pd.DataFrame({"a_w": [1.0]}, index=index), tmp_path / "table.csv")
    assert (tmp_path / "table.csv").read_text() == "time_utc,a_w\n2027-03-09T14:20:00Z,1\n"


def test_naive_times_are_utc(tmp_path):
    times = np.array(["2027-03-09T14:20"], dtype="datetime64[s]")
    write_csv(pd.DataFrame({"start_utc": times}), tmp_path / "table.csv")
    assert (tmp_path / "table.csv").read_text() == "start_utc\n2027-03-09T14:20:00Z\n"


@given(st.floats(allow_nan=False, allow_infinity=False, min_value=-1e12, max_value=1e12))
def test_numbers_keep_six_decimals(tmp_path_factory, value):
    path = tmp_path_factory.getbasetemp() / "number.csv"
    write_csv(pd.DataFrame({"x_w": [value]}), path)
    text = path.read_text().splitlines()[1]
    # Half of the last decimal, and what a double itself cannot tell apart.
    assert float(text) == pytest.approx(value, abs=5.1e-7, rel=1e-15)
    assert text != "-0" and not ("." in text and text.endswith("0"))


# What a spreadsheet would run, in wide forms too; a number alone is harmless.
RUN = ["=1+1", "+1+1", "-1+1", "@SUM(A1)", "\t=1", "\r=1", "-x", "\uff1d1+1", "=", "-5.2 W"]
NOT_RUN = ["-5.2", "+3", "-1e-05", "-.5", "2028-07-01", "a=b", "'quoted'", "'", "5-3", ""]


@pytest.mark.parametrize("text", RUN)
def test_no_cell_begins_so_that_a_spreadsheet_runs_it(tmp_path, text):
    path = tmp_path / "table.csv"
    write_csv(pd.DataFrame({text: ["a"], "b": [text]}), path)
    with path.open(newline="") as lines:
        head, row = csv.reader(lines)
    assert head[0] == row[1] == "'" + text


@pytest.mark.parametrize("text", NOT_RUN)
def test_other_cells_are_written_as_they_are(tmp_path, text):
    path = tmp_path / "table.csv"
    write_csv(pd.DataFrame({"a": [text], "b": ["x"]}), path)
    assert path.read_text() == f"a,b\n{text},x\n"


@given(
    st.lists(
        st.text(st.sampled_from("=+-@\t\r\n',;\"e.5 a\uff1d"), max_size=6).filter(
            lambda text: text == text.rstrip() and not text.startswith(" ")
        ),
        min_size=1,
    )
)
def test_every_text_is_read_back_as_it_was(tmp_path_factory, texts):
    path = tmp_path_factory.getbasetemp() / "texts.csv"
    write_csv(pd.DataFrame({"row": range(len(texts)), "text": texts}), path)
    found = [row.cells["text"] for row in read_csv(path, ("row", "text"), ()).rows]
    # Blanks around a cell are not part of it, unless they keep a formula from running.
    assert found == [text if FORMULA.match(text) else text.strip() for text in texts]


def test_only_one_module_reads_and_writes_csv():
    for path in Path(obsplan.__file__).parent.rglob("*.py"):
        found = re.search(r"^import csv|\.to_csv\(|\bread_csv\(.*sep=", path.read_text(), re.M)
        assert not found or path.name == "csv_file.py", path


def test_failed_write_leaves_the_old_file_and_nothing_else(tmp_path, monkeypatch):
    path = tmp_path / "table.csv"
    write_csv(pd.DataFrame({"a_w": [1.0]}), path)

    def refuse(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", refuse)
    with pytest.raises(TableError, match="table.csv: cannot be written .No space left"):
        write_csv(pd.DataFrame({"a_w": [2.0]}), path)
    assert path.read_text() == "a_w\n1\n"
    assert list(tmp_path.iterdir()) == [path]


def test_writing_into_a_missing_folder_is_named(tmp_path):
    with pytest.raises(TableError, match="cannot be written"):
        write_csv(pd.DataFrame({"a_w": [1.0]}), tmp_path / "no" / "table.csv")
