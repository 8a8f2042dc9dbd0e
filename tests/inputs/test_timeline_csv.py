"""Timelines in and out of CSV: tolerant of spreadsheets, strict about meaning."""

from datetime import UTC, datetime, timedelta

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pandas.testing import assert_frame_equal

from obsplan.common.csv_file import write_csv
from obsplan.common.errors import TableError
from obsplan.inputs.outcomes import STATES
from obsplan.inputs.read_scenario import scenario_from
from obsplan.inputs.timeline_columns import READ_COLUMNS
from obsplan.inputs.timeline_csv import (
    AS_RUN_COLUMNS,
    another_scenario,
    read_as_run,
    read_timeline,
)

SCENARIO = scenario_from(
    {
        "title": "one camera",
        "site": {"name": "plain", "latitude_deg": 10.0, "longitude_deg": 20.0},
        "span": {"start_utc": "2028-07-01T00:00:00Z", "end_utc": "2028-07-02T00:00:00Z"},
        "station": [{"name": "alpha", "latitude_deg": 0.0, "longitude_deg": 0.0}],
        "platform": [
            {
                "name": "lander",
                "kind": "lander",
                "idle_w": 20.0,
                "bus_limit_w": 100.0,
                "battery": {"capacity_wh": 100.0, "reserve": 0.3},
                "radio": {"transmit_w": 10.0, "rate_kbps": 20.0},
                "store": {"capacity_mbit": 100.0},
            }
        ],
        "instrument": [{"name": "camera", "platform": "lander"}],
        "activity": [
            {"name": "panorama", "instrument": "camera", "duration_min": 50, "count": 9},
            {"name": "close-up", "instrument": "camera", "duration_min": 15, "count": 9},
        ],
    }
)
NAMES = ("panorama", "close-up", "lander downlink")


def read(tmp_path, text: str | bytes) -> pd.DataFrame:
    path = tmp_path / "timeline.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return read_timeline(path, SCENARIO)


def complaints(tmp_path, text: str | bytes) -> list[str]:
    with pytest.raises(TableError) as caught:
        read(tmp_path, text)
    lines = str(caught.value).splitlines()
    assert all(line.startswith(str(tmp_path / "timeline.csv")) for line in lines)
    return [line.removeprefix(f"{tmp_path / 'timeline.csv'}: ") for line in lines]


def utc(text: str) -> pd.Timestamp:
    return pd.Timestamp(text, tz="UTC")


def test_activity_and_start_are_enough(tmp_path):
    slots = read(tmp_path, "activity,start_utc\npanorama,2028-07-01T02:00:00Z\n")
    assert list(slots.columns) == list(READ_COLUMNS)
    assert slots.to_dict("records") == [
        {
            "slot": "row2",
            "activity": "panorama",
            "start_utc": utc("2028-07-01T02:00"),
            "end_utc": utc("2028-07-01T03:00"),
            "state": "planned",
            "reason": "",
        }
    ]


PLAIN = "slot,activity,start_utc,end_utc,state\n7,close-up,2028-07-01T02:00:00Z,,locked\n"


@pytest.mark.parametrize(
    "text",
    [
        "state,extra,start_utc,activity,slot\nlocked,1.5,2028-07-01T02:00:00Z,close-up,7\n",
        PLAIN.replace("\n", "\r\n"),
        PLAIN.replace("\n", "\r"),
        "\ufeff" + PLAIN,
        PLAIN.replace(",", ";"),
        PLAIN.replace("00Z", "00+00:00"),
        PLAIN.replace("02:00:00Z", "04:00:00+02:00"),
        PLAIN.replace("02:00:00Z", "02:00:00.000Z"),
        PLAIN.replace("02:00:00Z", "02:00:00.0000000+00:00"),
        PLAIN.replace("02:00:00Z", "01:59:59.997Z"),
        PLAIN.replace("02:00:00Z", "02:00:00 UTC"),
        PLAIN.replace(",", "\t"),
        PLAIN.replace(",", ";").replace("state", "state;power_w").replace("ked", "ked;12,5"),
        PLAIN.replace("start_utc", "Start UTC").replace("slot", "SLOT"),
        ("\ufeff" + PLAIN.replace(",", "\t").replace("\n", "\r\n")).encode("utf-16-le"),
        PLAIN.encode("utf-16"),
        PLAIN.replace("T", " "),
        PLAIN.replace("\n", ",,,\n"),
        PLAIN.replace("7,close-up,", "\n,,,\n 7 , close-up ,") + "\n\n,,,,\n",
        PLAIN.replace("locked", "Locked").replace("activity", " Activity "),
        PLAIN.replace("close-up", '"close-up"').rstrip("\n"),
    ],
    ids=[
        "other order and extra column",
        "CRLF",
        "CR",
        "byte-order mark",
        "semicolons",
        "offset zero",
        "other zone",
        "milliseconds of zero",
        "fraction of seven digits",
        "spreadsheet's rounding",
        "UTC in letters",
        "tabs",
        "semicolons and decimal comma",
        "blanks in the header",
        "UTF-16 with tabs",
        "UTF-16",
        "blank between date and time",
        "trailing empty columns",
        "blank lines and cells",
        "other case",
        "quotes, no last newline",
    ],
)
def test_spreadsheet_habits_change_nothing(tmp_path, text):
    assert_frame_equal(read(tmp_path, text), read(tmp_path, PLAIN))


def test_header_alone_is_an_empty_timeline(tmp_path):
    slots = read(tmp_path, "activity,start_utc\n")
    assert slots.empty and list(slots.columns) == list(READ_COLUMNS)
    assert str(slots["start_utc"].dt.tz) == "UTC"


def test_rows_without_an_id_or_with_a_copied_one_get_their_row_number(tmp_path):
    slots = read(
        tmp_path,
        "slot,activity,start_utc\n"
        "a,panorama,2028-07-01T02:00Z\n"
        "a,panorama,2028-07-01T04:00Z\n"
        "row5,panorama,2028-07-01T06:00Z\n"
        ",panorama,2028-07-01T08:00Z\n",
    )
    assert list(slots["slot"]) == ["a", "row3", "row5", "row5x"]


def test_every_mistake_of_a_file_is_named_with_row_column_value_and_remedy(tmp_path):
    lines = complaints(
        tmp_path,
        "activity,start_utc,end_utc,state\n"
        "panoramma,2028-07-01T02:00:00Z,,\n"
        "\n"
        "panorama,tomorrow,,done\n"
        "panorama,2028-07-01,,\n"
        "close-up,2028-07-01T06:00:00Z,2028-07-01T05:45:00Z,\n"
        "close-up,2028-07-01T08:00:00Z,noon,maybe\n"
        "zzz,2028-07-01T02:00:00.5Z,,\n"
        "panorama,0001-01-01T00:00:00Z,,\n"
        "panorama,2028-07-01T02:00:00Z,,,,3\n",
    )
    assert sorted(lines) == sorted(
        [
            "row 2, activity = 'panoramma': no such activity; did you mean 'panorama'?",
            "row 4, start_utc = 'tomorrow': not a time; write it like 2028-07-01T00:00:00Z",
            "row 5, start_utc = '2028-07-01': no time of day; write it like 2028-07-01T00:00:00Z",
            "row 6, end_utc = '2028-07-01T05:45:00Z': not after start_utc = "
            "'2028-07-01T06:00:00Z'; leave end_utc empty for the length in the scenario",
            "row 7, end_utc = 'noon': not a time; write it like 2028-07-01T00:00:00Z",
            "row 7, state = 'maybe': allowed are planned, locked, done, shortened, "
            "failed, or nothing",
            "row 8, activity = 'zzz': no such activity; known: panorama, close-up, lander downlink",
            "row 9, start_utc = '0001-01-01T00:00:00Z': the year is out of range; "
            "allowed are 1900 to 2200",
            "row 10: '3' is right of the last column of the header; put a cell that contains "
            "the separator in quotes",
        ]
    )


def test_rows_of_sending_are_read_with_their_own_length(tmp_path):
    slots = read(
        tmp_path,
        "slot,instrument,activity,start_utc,end_utc,state,value\n"
        "s1,camera,panorama,2028-07-01T02:00:00Z,,,3\n"
        "s2,radio,lander downlink,2028-07-01T02:15:00Z,2028-07-01T09:45:00Z,locked,0\n",
    )
    assert list(slots["activity"]) == ["panorama", "lander downlink"]
    assert list(slots["start_utc"]) == [utc("2028-07-01T02:00"), utc("2028-07-01T02:15")]
    assert list(slots["end_utc"]) == [utc("2028-07-01T03:00"), utc("2028-07-01T09:45")]
    assert list(slots["state"]) == ["planned", "locked"]


def test_mistakes_in_rows_of_sending_are_named(tmp_path):
    lines = complaints(
        tmp_path,
        "activity,start_utc,end_utc\n"
        "lander downlink,2028-07-01T02:00:00Z,\n"
        "lander downlnk,2028-07-01T03:00:00Z,2028-07-01T04:00:00Z\n"
        "panorama,2028-07-01T12:00:00Z,\n"
        "lander relay,2028-07-01T03:00:00Z,2028-07-01T04:00:00Z\n"
        "lander downlink,2028-07-01T05:00:00Z,2028-07-01T05:00:00Z\n"
        "lander downlink,2028-07-01T06:00:00Z,soon\n"
        "panorama,2028-07-01T08:00:00Z,\n",
    )
    assert sorted(lines) == sorted(
        [
            "row 2, end_utc is missing: say when 'lander downlink' ends",
            "row 3, activity = 'lander downlnk': no such activity; did you mean 'lander downlink'?",
            "row 5, activity = 'lander relay': no such activity; did you mean 'lander downlink'?",
            "row 6, end_utc = '2028-07-01T05:00:00Z': not after start_utc = '2028-07-01T05:00:00Z'",
            "row 7, end_utc = 'soon': not a time; write it like 2028-07-01T00:00:00Z",
        ]
    )


def test_rows_of_sending_in_a_file_without_ends_are_refused_in_one_line(tmp_path):
    text = "activity,start_utc\n" + "lander downlink,2028-07-01T02:00Z\n" * 9
    assert complaints(tmp_path, text) == [
        "rows 2, 3, 4, 5 and 5 more, end_utc is missing: say when 'lander downlink' ends"
    ]


def test_rows_that_repeat_or_overlap_are_read_for_the_check_to_judge(tmp_path):
    slots = read(
        tmp_path,
        "slot,activity,start_utc\n"
        "a,panorama,2028-07-01T10:00:00Z\n"
        "b,panorama,2028-07-01T10:00:00Z\n"
        "c,panorama,2028-07-01T10:30:00Z\n",
    )
    assert list(slots["slot"]) == ["a", "b", "c"]


def test_timeline_of_another_scenario_is_one_line_by_names_and_one_by_hash(tmp_path):
    rows = [f"{name},2028-07-01T{hour:02}:00Z\n" for hour, name in enumerate("abcdef")]
    text = "activity,start_utc\n" + "".join(rows) + "panorama,2028-07-01T10:00Z\n"
    (line,) = complaints(tmp_path, text)
    assert line.startswith("6 of 7 rows name no activity of this scenario, such as 'a'; ")
    (tmp_path / "summary.json").write_text('{"input_sha256_16": "0123", "title": "two cameras"}')
    mine = SCENARIO.model_copy(update={"input_hash": "4567"})
    path = tmp_path / "timeline.csv"
    with pytest.raises(TableError) as caught:
        read_timeline(path, mine)
    assert str(caught.value).splitlines()[0] == (
        f"{path}: was planned for another scenario, titled 'two cameras' (input hash 0123), this "
        "one has 4567"
    )
    assert another_scenario(path, SCENARIO.model_copy(update={"input_hash": "0123"})) == ""
    (tmp_path / "summary.json").write_text("[]")
    assert another_scenario(path, mine) == ""


def test_a_summary_that_cannot_be_read_leaves_the_scenario_of_a_timeline_unknown(tmp_path):
    path = tmp_path / "timeline.csv"
    assert another_scenario(path, SCENARIO) == ""
    (tmp_path / "summary.json").write_text('{"input_sha256_16": "0123"} {}')
    assert another_scenario(path, SCENARIO) == (
        f"{tmp_path}/summary.json: cannot be read, so nothing says which scenario {path} was "
        "planned for"
    )


def test_very_many_mistakes_are_counted_not_all_listed(tmp_path):
    rows = [f"panorama,2028-07-01T02:00:00Z.{k:05}\n" for k in range(10_000)]
    lines = complaints(tmp_path, "activity,start_utc\n" + "".join(rows))
    assert len(lines) == 51
    assert lines[0].startswith("row 2, start_utc") and "not a time" in lines[0]
    assert lines[-1] == "and 9950 more mistakes"


def test_a_mistake_made_in_many_rows_is_one_line(tmp_path):
    lines = complaints(tmp_path, "activity,start_utc\n" + "panorama,2028-07-01\n" * 10_000)
    assert lines == [
        "rows 2, 3, 4, 5 and 9996 more, start_utc = '2028-07-01': no time of day; write it like "
        "2028-07-01T00:00:00Z"
    ]


def test_times_as_a_spreadsheet_writes_them_are_utc(tmp_path):
    (tmp_path / "plain.csv").write_text("activity,start_utc\npanorama,2028-07-01T02:00:00Z\n")
    (tmp_path / "sheet.csv").write_text("Activity;Start UTC\npanorama;2028-07-01 02:00\n")
    for read in (read_timeline, read_as_run):
        plain, sheet = (read(tmp_path / f"{name}.csv", SCENARIO) for name in ("plain", "sheet"))
        assert sheet.equals(plain)


def test_what_ran_is_read_with_its_outcome(tmp_path):
    path = tmp_path / "as_run.csv"
    path.write_text(
        "Slot;Activity;Start UTC;End UTC;Outcome;Reason\n"
        "s1;panorama;2028-07-01T10:00Z;;done;\n"
        "s2;panorama;2028-07-01T12:00Z;2028-07-01T12:20Z;Shortened;low charge, dust\n"
        "s3;close-up;2028-07-01T13:00Z;;failed;arm stuck\n"
        ";close-up;2028-07-01T14:00Z;;;\n"
    )
    ran = read_as_run(path, SCENARIO)
    assert list(ran.columns) == list(AS_RUN_COLUMNS)
    assert list(ran["outcome"]) == ["done", "shortened", "failed", "done"]
    minutes = (ran["end_utc"] - ran["start_utc"]) / pd.Timedelta(minutes=1)
    assert list(minutes) == [60, 20, 0, 15]
    assert ran["reason"][1] == "low charge, dust" and ran["slot"][3] == ""


def test_a_reason_without_an_outcome_is_no_run_that_was_done(tmp_path):
    path = tmp_path / "as_run.csv"
    path.write_text(
        "slot,activity,start_utc,end_utc,outcome,reason\n"
        "s1,panorama,2028-07-01T10:00Z,,,camera off\n"
        "s2,panorama,2028-07-01T12:00Z,,done,late by a minute\n"
    )
    with pytest.raises(TableError) as caught:
        read_as_run(path, SCENARIO)
    assert str(caught.value) == (
        f"{path}: row 2, outcome is missing: the row has a reason, 'camera off'; allowed are done, "
        "shortened, failed"
    )


def test_mistakes_in_what_ran_are_named(tmp_path):
    path = tmp_path / "as_run.csv"
    path.write_text(
        "slot,activity,start_utc,end_utc,outcome\n"
        "s1,panorama,2028-07-01T10:00Z,,done\n"
        "s1,panorama,2028-07-01T10:00Z,,failed\n"
        "s2,panorama,2028-07-01T12:00Z,,shortened\n"
        "s3,panorama,2028-07-01T13:00Z,2028-07-01T13:00Z,done\n"
        "s4,panorama,2028-07-01T13:00Z,,skipped\n"
        "s5,panoram,2028-07-01T13:00Z,,done\n"
    )
    with pytest.raises(TableError) as caught:
        read_as_run(path, SCENARIO)
    assert [line.removeprefix(f"{path}: ") for line in str(caught.value).splitlines()] == [
        "row 3, slot = 's1': row 2 has it already; a slot has one outcome",
        "row 4, end_utc is missing: say when 'panorama' ends",
        "row 5, end_utc = '2028-07-01T13:00Z': not after start_utc = '2028-07-01T13:00Z'; leave "
        "end_utc empty for the length in the scenario",
        "row 6, outcome = 'skipped': allowed are done, shortened, failed, or nothing",
        "row 7, activity = 'panoram': no such activity; did you mean 'panorama'?",
    ]


@st.composite
def timelines(draw) -> pd.DataFrame:
    """Timelines in any order, with odd ids; what has run does not overlap."""
    marks = st.one_of(st.characters(exclude_categories=["Cc", "Cs"]), st.sampled_from("\t\r\n"))
    clear = st.text(marks, max_size=8).map(str.strip).filter(bool)
    count = draw(st.integers(0, 8))
    ids = draw(st.lists(clear, min_size=count, max_size=count, unique=True))
    offsets_s = draw(st.permutations([k * 900 + draw(st.integers(0, 59)) for k in range(count)]))
    rows = []
    for slot, offset_s in zip(ids, offsets_s):
        start = datetime(2028, 7, 1, tzinfo=UTC) + timedelta(seconds=offset_s)
        activity = draw(st.sampled_from(NAMES))
        state = draw(st.sampled_from(STATES))
        if activity == "lander downlink" and state not in ("planned", "locked"):
            state = "done"
        longest_s = 3000 if state in ("planned", "locked") else 800
        end = start + timedelta(seconds=draw(st.integers(1, longest_s)))
        rows.append((slot, activity, start, end, state, draw(st.sampled_from(["", "dust"]))))
    table = pd.DataFrame(rows, columns=list(READ_COLUMNS))
    return table.astype(
        {c: "datetime64[s, UTC]" if c.endswith("_utc") else "str" for c in READ_COLUMNS}
    )


@given(table=timelines())
@settings(max_examples=60, deadline=None)
def test_write_then_read_is_the_identity(tmp_path_factory, table):
    path = tmp_path_factory.mktemp("identity") / "timeline.csv"
    write_csv(table, path)
    assert_frame_equal(read_timeline(path, SCENARIO), table)


@pytest.mark.parametrize("slot", ["a\rb", "a\nb", "a,b", "a;b", 'a"b', "'a'", "007", "=1+1"])
def test_odd_ids_come_back_as_they_were(tmp_path, slot):
    written = read(tmp_path, PLAIN).assign(slot=slot).astype({"slot": "str"})
    write_csv(written, tmp_path / "odd.csv")
    assert_frame_equal(read_timeline(tmp_path / "odd.csv", SCENARIO), written)


@pytest.mark.parametrize(
    ("header", "line"),
    [
        ("activity,start_utc,status", "no such column 'status'; did you mean 'state'?"),
        ("activity,start_utc,outcome", "no such column 'outcome'; did you mean 'state'?"),
        ("activity,start_utc,end", "no such column 'end'; did you mean 'end_utc'?"),
        ("activity,start,end_utc", "no such column 'start'; did you mean 'start_utc'?"),
        ("Slot ID,activity,start_utc", "no such column 'slot_id'; did you mean 'slot'?"),
    ],
)
def test_a_header_that_looks_like_a_column_is_not_ignored(tmp_path, header, line):
    assert complaints(tmp_path, f"{header}\n") == [f"row 1: {line}"]


@pytest.mark.parametrize("name", ["station", "site", "remarks", "value", "sun_elevation_deg"])
def test_a_header_of_the_users_own_is_ignored(tmp_path, name):
    assert read(tmp_path, f"activity,start_utc,{name}\n").empty


def test_a_misnamed_header_hides_no_other_mistake(tmp_path):
    text = "activity,start,status\npanorama,soon,done\npanorama,2028-07-01T02:00Z,finished\n"
    assert complaints(tmp_path, text) == [
        "row 1: no such column 'start'; did you mean 'start_utc'?",
        "row 1: no such column 'status'; did you mean 'state'?",
        "row 2, start_utc = 'soon': not a time; write it like 2028-07-01T00:00:00Z",
        "row 3, state = 'finished': allowed are planned, locked, done, shortened, failed, or "
        "nothing",
    ]


def test_the_states_of_a_timeline_are_not_lost_as_outcomes(tmp_path):
    path = tmp_path / "as_run.csv"
    path.write_text("activity,start_utc,state\npanorama,2028-07-01T02:00Z,failed\n")
    with pytest.raises(TableError, match="no such column 'state'; did you mean 'outcome'?"):
        read_as_run(path, SCENARIO)
    path.write_text("activity,start_utc,state,outcome\npanorama,2028-07-01T02:00Z,planned,failed\n")
    assert read_as_run(path, SCENARIO)["outcome"].tolist() == ["failed"]


def test_cells_that_contradict_the_slot_are_named(tmp_path):
    lines = complaints(
        tmp_path,
        "activity,platform,instrument,start_utc,end_utc,duration_min\n"
        "panorama,lander,camera,2028-07-01T02:00Z,2028-07-01T03:00Z,60\n"
        "panorama,rover,camera,2028-07-01T04:00Z,,60\n"
        "panorama,lander,radio,2028-07-01T06:00Z,,\n"
        "panorama,lander,camera,2028-07-01T08:00Z,2028-07-01T09:00Z,120\n"
        "panorama,,,2028-07-01T10:00Z,,120\n"
        "panorama,,,2028-07-01T10:00Z,,two hours\n"
        "lander downlink,lander,camera,2028-07-01T02:00Z,2028-07-01T03:00Z,61\n",
    )
    assert lines == [
        "row 3, platform = 'rover': 'panorama' has lander in the scenario; correct it, or leave "
        "it empty",
        "row 4, instrument = 'radio': 'panorama' has camera in the scenario; correct it, or leave "
        "it empty",
        "row 5, duration_min = '120': from start_utc to end_utc it is 60 min; correct one of "
        "them, or leave it empty",
        "row 6, duration_min = '120': a slot of 'panorama' has 60 min; give end_utc too, or leave "
        "it empty",
        "row 7, duration_min = 'two hours': allowed is a number from 0 to 1e+06",
        "row 8, instrument = 'camera': 'lander downlink' has radio in the scenario; correct it, "
        "or leave it empty",
        "row 8, duration_min = '61': from start_utc to end_utc it is 60 min; correct one of them, "
        "or leave it empty",
    ]


def test_figures_far_from_the_scenario_are_told_and_not_used(tmp_path):
    path = tmp_path / "timeline.csv"
    path.write_text(
        "activity,start_utc,state,end_utc,energy_wh,data_mbit\n"
        "panorama,2028-07-01T02:00Z,,,0,40000\n"
        "panorama,2028-07-01T04:00Z,,,0,40000\n"
        "panorama,2028-07-01T06:00Z,locked,,90,400\n"
        "panorama,2028-07-01T08:00Z,shortened,2028-07-01T08:10Z,0,1\n"
        "panorama,2028-07-01T10:00Z,,,n/a,\n"
    )
    activity = SCENARIO.activity_named("panorama").model_copy(update={"data_mbit": 500.0})
    scenario = SCENARIO.model_copy(update={"activity": (activity,)})
    told: list[str] = []
    slots = read_timeline(path, scenario, note=told.append)
    assert len(slots) == 5
    assert told == [
        f"{path}: rows 2 and 3, data_mbit: far from the 500 Mbit of 'panorama' in the scenario, "
        "which are used",
        f"{path}: row 4, energy_wh: far from the 0 Wh of 'panorama' in the scenario, which are "
        "used",
    ]
