"""Timelines and as-run lists as CSV: tolerant of spreadsheets, strict about meaning."""

import json
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import NamedTuple

import pandas as pd

from obsplan.common.csv_file import CsvFile, Row, read_csv
from obsplan.common.text import did_you_mean
from obsplan.inputs.outcomes import OUTCOMES, STATES
from obsplan.inputs.scenario import Scenario
from obsplan.inputs.timeline_columns import NEEDED, READ_COLUMNS

AS_RUN_COLUMNS = ("slot", "activity", "start_utc", "end_utc", "outcome", "reason")

# Minutes that a row without an end lasts, from its activity and its state or outcome; None if the
# row must say when it ends.
Length = Callable[[str, str], float | None]


class Words(NamedTuple):
    """The column for the state or outcome, and its allowed words; the first is the default."""

    column: str
    allowed: tuple[str, ...]


def read_timeline(path: str | Path, scenario: Scenario) -> pd.DataFrame:
    """Read a timeline, written by obsplan or by hand, as slots in the order of the file.

    Columns `slot, activity, start_utc, end_utc, state`; the file needs only `activity` and
    `start_utc`. A missing end means the length in the scenario, a missing state `planned`, a
    missing or repeated slot id becomes the number of its row (`row7`). Rows named as in
    `Scenario.sending_names` say when a platform may send. Further columns are ignored; times are
    rounded to the second. Raises TableError with a line for every mistake.
    """

    def length_min(name: str, state: str) -> float | None:
        return None if name in scenario.sending_names else _slot_min(scenario, name)

    file = read_csv(path, READ_COLUMNS, NEEDED)
    rows = _read_rows(file, scenario, Words("state", STATES), length_min)
    file.refuse_mistakes(another_scenario(path, scenario))
    return _typed(_with_ids(rows), READ_COLUMNS)


def read_as_run(path: str | Path, scenario: Scenario) -> pd.DataFrame:
    """Read what ran, as rows in the order of the file, under the same rules as `read_timeline`.

    Columns `slot, activity, start_utc, end_utc, outcome, reason`; the file needs only
    `activity` and `start_utc`. A missing slot id stays empty. A missing outcome is `done`.
    A missing end means the length in the scenario if the run was done, and the start if it
    failed; a shortened run must say when it ended. A failed run may end as it starts.
    Raises TableError with a line for every mistake in the file.
    """

    def length_min(name: str, outcome: str) -> float | None:
        if outcome == "shortened" or name in scenario.sending_names:
            return None
        return 0.0 if outcome == "failed" else _slot_min(scenario, name)

    file = read_csv(path, AS_RUN_COLUMNS, NEEDED)
    file.refuse_repeats("slot", "a slot has one outcome")
    rows = _read_rows(file, scenario, Words("outcome", OUTCOMES), length_min)
    file.refuse_mistakes(another_scenario(path, scenario))
    return _typed([row for _, row in rows], AS_RUN_COLUMNS)


def another_scenario(path: str | Path, scenario: Scenario) -> str:
    """A line if the summary beside a timeline names another scenario, else ""."""
    try:
        summary = json.loads(Path(path).with_name("summary.json").read_text(encoding="utf-8"))
        wrote, title = summary["input_sha256_16"], summary["title"]
    except (OSError, ValueError, KeyError, TypeError):
        return ""
    if not scenario.input_hash or wrote == scenario.input_hash:
        return ""
    other = f", titled '{title}'" if title != scenario.title else ""
    return (
        f"{path}: was planned for another scenario{other} (input hash {wrote}), this one has "
        f"{scenario.input_hash}"
    )


def _typed(rows: list[dict[str, object]], columns: tuple[str, ...]) -> pd.DataFrame:
    table = pd.DataFrame(rows, columns=list(columns))
    return table.astype({c: "datetime64[s, UTC]" if c.endswith("_utc") else "str" for c in columns})


def _slot_min(scenario: Scenario, name: str) -> float:
    return scenario.slot_min(scenario.activity_named(name))


def _read_rows(
    file: CsvFile, scenario: Scenario, words: Words, length_min: Length
) -> list[tuple[int, dict[str, object]]]:
    """Row number and typed cells of every sound row; mistakes are noted in `file`."""
    known = _note_unknown_names(file, scenario)
    found = []
    for row in file.rows:
        cells = _read_row(file, row, words, length_min if row.cells["activity"] in known else None)
        if cells is not None:
            found.append((row.number, cells))
    return found


def _note_unknown_names(file: CsvFile, scenario: Scenario) -> set[str]:
    """Report rows that name neither an activity nor a transmit window; return the known names."""
    known = [a.name for a in scenario.activity] + list(scenario.sending_names)
    strange = [row for row in file.rows if row.cells["activity"] not in known]
    names = list(dict.fromkeys(row.cells["activity"] for row in strange))
    if len(names) > 2 and len(strange) > len(file.rows) / 2:
        file.wrong(
            None,
            f"{len(strange)} of {len(file.rows)} rows name no activity of this scenario, such as "
            f"'{names[0]}'; is the timeline from another scenario? known: "
            f"{', '.join(known) or 'none'}",
        )
        return set(known)
    hints = {name: f"no such activity; {did_you_mean(name, known)}" for name in names}
    for row in strange:
        file.wrong(row, hints[row.cells["activity"]], "activity")
    return set(known)


def _read_row(
    file: CsvFile, row: Row, words: Words, length_min: Length | None
) -> dict[str, object] | None:
    """The cells of a row with its times and state parsed, or None if any is wrong.

    `length_min` is None if the name of the row is unknown, which is reported already.
    """
    cells = row.cells
    word = cells[words.column].lower() or words.allowed[0]
    start, end = file.time(row, "start_utc"), None
    if cells["end_utc"]:
        end = file.time(row, "end_utc")
    if word not in words.allowed:
        file.wrong(row, f"allowed are {', '.join(words.allowed)}, or nothing", words.column)
        return None
    if length_min is None:
        return None
    lasts_min = length_min(cells["activity"], word)
    if not cells["end_utc"]:
        if lasts_min is None:
            file.wrong(row, f"say when '{cells['activity']}' ends", "end_utc")
        elif start is not None:
            end = start + timedelta(minutes=lasts_min)
    if start is None or end is None:
        return None
    if end < start or (end == start and word != "failed"):
        hint = "" if lasts_min is None else "; leave end_utc empty for the length in the scenario"
        file.wrong(row, f"not after start_utc = '{cells['start_utc']}'{hint}", "end_utc")
        return None
    return {**cells, "start_utc": start, "end_utc": end, words.column: word}


def _with_ids(rows: list[tuple[int, dict[str, object]]]) -> list[dict[str, object]]:
    """The rows with unique ids: the first row with an id keeps it."""
    taken = {row["slot"] for _, row in rows} | {""}
    seen: set[object] = {""}
    named = []
    for number, row in rows:
        slot = row["slot"]
        if slot in seen:
            slot = f"row{number}"
            while slot in taken:
                slot += "x"
            taken.add(slot)
        seen.add(slot)
        named.append(row | {"slot": slot})
    return named
