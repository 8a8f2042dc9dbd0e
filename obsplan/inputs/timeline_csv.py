"""Timelines and as-run lists as CSV: tolerant of spreadsheets, strict about meaning."""

import json
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pandas as pd

from obsplan.common.csv_file import CsvFile, Row, read_csv
from obsplan.common.input_file import read_input
from obsplan.common.text import did_you_mean, number_text, shortened
from obsplan.inputs.impossible_runs import ToldRun, impossible
from obsplan.inputs.missing_drives import why_no_drive
from obsplan.inputs.outcomes import OTHER_NAMES, OUTCOMES, STATES
from obsplan.inputs.scenario import Scenario
from obsplan.inputs.timeline_columns import COMPARED, NEEDED, READ_COLUMNS, UNITS

AS_RUN_COLUMNS = ("slot", "activity", "start_utc", "end_utc", "outcome", "reason")
# A figure of a timeline this many times more or less than that of the scenario is told.
FAR = 10
MOST_MIN = 1e6  # more than any slot has
# What a reader tells of a file that it accepts, one line each.
Note = Callable[[str], None]
# Minutes that a row without an end lasts, from its activity and its state or outcome; None if the
# row must say when it ends.
Length = Callable[[str, str], float | None]


class Words(NamedTuple):
    """The column for the state or outcome, its allowed words (the first is the default), and
    other names that it is given by mistake."""

    column: str
    allowed: tuple[str, ...]
    meant: tuple[str, ...]


STATE = Words("state", STATES, ("status", "outcome", "result"))
OUTCOME = Words("outcome", OUTCOMES, OTHER_NAMES)


def read_timeline(
    path: str | Path,
    scenario: Scenario,
    now_utc: datetime | None = None,
    note: Note = lambda line: None,
) -> pd.DataFrame:
    """Read a timeline, written by obsplan or by hand, as slots in the order of the file.

    Columns `slot, activity, start_utc, end_utc, state, reason`; the file needs only `activity` and
    `start_utc`. A missing end means the length in the scenario, a missing state `planned`, a
    missing or repeated slot id becomes the number of its row (`row7`). Rows named as in
    `Scenario.sending_names` say when a platform may send. Times are rounded to the second.
    Platform, instrument and duration must fit the rest of their row; figures far from those of the
    scenario are told to `note`; further columns are ignored. Raises TableError with a line for
    every mistake, such as a slot that was done but cannot have been (at `now_utc`).
    """

    def length_min(name: str, state: str) -> float | None:
        return None if name in scenario.sending_names else _slot_min(scenario, name)

    file = _opened(path, READ_COLUMNS, STATE)
    runs = _read_rows(file, scenario, STATE, length_min, None, now_utc)
    _note_odd_figures(file, scenario, STATE)
    file.refuse_mistakes(another_scenario(path, scenario))
    for line in file.notes():
        note(line)
    return _typed(_with_ids(_cells(file, runs, STATE)), READ_COLUMNS)


def read_as_run(
    path: str | Path,
    scenario: Scenario,
    slots: pd.DataFrame | None = None,
    now_utc: datetime | None = None,
) -> pd.DataFrame:
    """Read what ran, as rows in the order of the file, under the same rules as `read_timeline`.

    Columns `slot, activity, start_utc, end_utc, outcome, reason`; the file needs only
    `activity` and `start_utc`. A missing slot id stays empty. A missing outcome is `done`, unless
    the row has a reason: then it is a mistake.
    A missing end means the length in the scenario if the run was done, and the start if it
    failed; a shortened run must say when it ended. A failed run may end as it starts. Raises
    TableError with a line for every mistake in the file: also for a run that cannot have been
    at `now_utc` (see `impossible`), or does not fit the timeline `slots`, if they are given.
    """

    def length_min(name: str, outcome: str) -> float | None:
        if outcome == "shortened" or name in scenario.sending_names:
            return None
        return 0.0 if outcome == "failed" else _slot_min(scenario, name)

    file = _opened(path, AS_RUN_COLUMNS, OUTCOME)
    runs = _read_rows(file, scenario, OUTCOME, length_min, slots, now_utc)
    file.refuse_mistakes(another_scenario(path, scenario))
    return _typed([cells for _, cells in _cells(file, runs, OUTCOME)], AS_RUN_COLUMNS)


def _opened(path: str | Path, columns: tuple[str, ...], words: Words) -> CsvFile:
    meant = dict.fromkeys(words.meant, words.column)
    return read_csv(path, columns, NEEDED, beside=COMPARED, meant=meant)


def another_scenario(path: str | Path, scenario: Scenario) -> str:
    """A line if the summary beside a timeline names another scenario, or is broken; else ""."""
    beside = Path(path).with_name("summary.json")
    try:
        summary = json.loads(read_input(beside))
        wrote, title = str(summary["input_sha256_16"]), str(summary["title"])
    except (FileNotFoundError, KeyError, TypeError):  # there is none, or it is another's
        return ""
    except (OSError, ValueError, RecursionError):
        return f"{beside}: cannot be read, so nothing says which scenario {path} was planned for"
    if not scenario.input_hash or wrote == scenario.input_hash:
        return ""
    other = f", titled '{shortened(title)}'" if title != scenario.title else ""
    return (
        f"{path}: was planned for another scenario{other} (input hash {shortened(wrote)}), this "
        f"one has {scenario.input_hash}"
    )


def _typed(rows: list[dict[str, object]], columns: tuple[str, ...]) -> pd.DataFrame:
    table = pd.DataFrame(rows, columns=list(columns))
    return table.astype({c: "datetime64[s, UTC]" if c.endswith("_utc") else "str" for c in columns})


def _slot_min(scenario: Scenario, name: str) -> float:
    return scenario.slot_min(scenario.activity_named(name))


def _read_rows(
    file: CsvFile,
    scenario: Scenario,
    words: Words,
    length_min: Length,
    slots: pd.DataFrame | None,
    now_utc: datetime | None,
) -> list[ToldRun]:
    """The run of every row, as far as it can be read; mistakes are noted in `file`."""
    known = _note_unknown_names(file, scenario)
    runs = []
    for row in file.rows:
        is_known = row.cells["activity"] in known
        run = _read_row(file, row, words, length_min if is_known else None)
        if is_known:
            _note_contradictions(file, row, run, scenario)
        runs.append(run)
    over = [k for k, run in enumerate(runs) if run.outcome in OUTCOMES or words is OUTCOME]
    for k, column, what in impossible(scenario, [runs[k] for k in over], slots, now_utc):
        file.wrong(file.rows[over[k]], what, words.column if column == "outcome" else column)
    return runs


def _cells(file: CsvFile, runs: list[ToldRun], words: Words) -> list[tuple[int, dict[str, object]]]:
    """Row number and typed cells of every row of a file without mistakes."""
    return [
        (
            row.number,
            {
                **row.cells,
                "start_utc": run.start_utc,
                "end_utc": run.end_utc,
                words.column: run.outcome,
            },
        )
        for row, run in zip(file.rows, runs)
    ]


def _note_unknown_names(file: CsvFile, scenario: Scenario) -> set[str]:
    """Report rows that name neither an activity nor a transmit window; return the known names."""
    known = [a.name for a in scenario.known_activities] + list(scenario.sending_names)
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
    hints = {
        name: why_no_drive(scenario, name) or f"no such activity; {did_you_mean(name, known)}"
        for name in names
    }
    for row in strange:
        file.wrong(row, hints[row.cells["activity"]], "activity")
    return set(known)


def _read_row(file: CsvFile, row: Row, words: Words, length_min: Length | None) -> ToldRun:
    """What a row tells, without what is wrong in it, which is noted.

    `length_min` is None if the name of the row is unknown, which is reported already.
    """
    cells = row.cells
    word = cells[words.column].lower() or words.allowed[0]
    if words is OUTCOME and cells["reason"] and not cells[words.column]:
        why = f"the row has a reason, '{shortened(cells['reason'])}'"
        file.wrong(row, f"{why}; allowed are {', '.join(words.allowed)}", words.column)
        word = ""
    elif word not in words.allowed:
        file.wrong(row, f"allowed are {', '.join(words.allowed)}, or nothing", words.column)
        word = ""
    start, end = file.time(row, "start_utc"), None
    lasts_min = length_min(cells["activity"], word) if length_min and word else None
    if cells["end_utc"]:
        end = file.time(row, "end_utc")
    elif lasts_min is not None and start is not None:
        end = start + timedelta(minutes=lasts_min)
    elif lasts_min is None and length_min and word:
        file.wrong(row, f"say when '{cells['activity']}' ends", "end_utc")
    name, is_told = cells["activity"] if length_min else "", bool(cells["end_utc"])
    run = ToldRun(f"row {row.number}", cells["slot"], name, start, end, word, is_told)
    shortest_min = 0.0 if word in ("failed", "") else 1e-6
    if run.lasts_min is None or run.lasts_min >= shortest_min:
        return run
    hint = "; leave end_utc empty for the length in the scenario"
    what = f"not after start_utc = '{cells['start_utc']}'"
    file.wrong(row, what + (hint if lasts_min is not None else ""), "end_utc")
    return run._replace(end_utc=None)


def _note_contradictions(file: CsvFile, row: Row, run: ToldRun, scenario: Scenario) -> None:
    """Report cells that the same row or the scenario contradicts."""
    sender, planned_min = scenario.sending_names.get(run.activity), None
    fits = {"platform": sender, "instrument": "radio"}
    if sender is None:
        activity = scenario.activity_named(run.activity)
        fits = {"platform": scenario.platform_of(activity), "instrument": activity.instrument}
        planned_min = scenario.slot_min(activity)
    for column, fit in fits.items():
        if row.cells[column] not in ("", fit):
            what = f"'{run.activity}' has {fit} in the scenario; correct it, or leave it empty"
            file.wrong(row, what, column)
    duration_min = file.number(row, "duration_min", 0, MOST_MIN, np.nan)
    lasts_min, it_lasts = run.lasts_min, "from start_utc to end_utc it is"
    do = "correct one of them"
    if not run.end_is_told:
        lasts_min = None if run.outcome == "failed" else planned_min
        it_lasts, do = f"a slot of '{run.activity}' has", "give end_utc too"
    # Timelines have whole minutes, rounded down.
    if lasts_min is not None and abs(lasts_min - duration_min) >= 1:
        what = f"{it_lasts} {number_text(lasts_min)} min; {do}, or leave it empty"
        file.wrong(row, what, "duration_min")


def _note_odd_figures(file: CsvFile, scenario: Scenario, words: Words) -> None:
    """Note figures of runs that are far from those of the scenario, which the check uses."""
    activities = {a.name: a for a in scenario.known_activities}
    for row in file.rows:
        activity = activities.get(row.cells["activity"])
        if activity is None or row.cells[words.column].lower() in ("shortened", "failed"):
            continue
        for column in ("power_w", "energy_wh", "data_mbit"):
            told, figure = file.number_in(row, column), getattr(activity, column)
            if told is not None and not figure / FAR <= told <= figure * FAR:
                much = f"{number_text(figure)} {UNITS[column]}"
                what = f"far from the {much} of '{activity.name}' in the scenario, which are used"
                file.odd(row, what, column)


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
