"""traverse.csv: every drive from where to where, with its real minutes, metres and climb."""

import pandas as pd
import pytest
from tools.places import PLACES, with_drive
from tools.replayed import environment
from tools.small import START

from obsplan.analysis.traverse import traverse_table
from obsplan.analysis.traverse_columns import TRAVERSE_COLUMNS
from obsplan.inputs.along_routes import followed
from obsplan.inputs.read_scenario import read_scenario
from obsplan.inputs.timeline_columns import PLACE_COLUMNS, TIMELINE_COLUMNS
from obsplan.planning.problem.from_scenario import build_problem
from obsplan.planning.problem.timeline_table import described


def on_the_day(text):
    """The scenario on the day, and with the station, of the environment of the tests."""
    text = text.replace("2028-07-05T00", "2028-07-01T00").replace("07-06T12", "07-02T12")
    return text.replace('"north"', '"alpha"')


@pytest.fixture(scope="module")
def asked(tmp_path_factory):
    path = tmp_path_factory.mktemp("traverse") / "s.toml"
    text = with_drive().replace("longest_drive_m = 60.0", "longest_drive_m = 40.0")
    path.write_text(on_the_day(text))
    return read_scenario(path)


ROWS = [
    ("drive lander to R1", 1.0, 2.5, "done"),
    ("laser at R1", 3.0, 3.5, "planned"),
    ("sweep", 3.0, 4.0, "planned"),
    ("drive R1 to R2 (1 of 2)", 4.0, 5.0, "planned"),
    ("rover relay", 5.0, 5.5, "planned"),
    ("drive R1 to R2 (2 of 2)", 6.0, 7.0, "planned"),
]


def timeline(asked, rows):
    """The timeline of a plan from rows (activity, hours of its start and end, state)."""
    table = pd.DataFrame(rows, columns=["activity", "start_utc", "end_utc", "state"])
    table["slot"] = [f"s{k}" for k in range(1, len(rows) + 1)]
    for column in ("start_utc", "end_utc"):
        table[column] = START + pd.to_timedelta(table[column], unit="h")
    world = environment(followed(asked, table))
    return described(world, build_problem(world), table)


def test_every_drive_has_a_row_with_its_real_minutes(asked):
    table = traverse_table(asked, timeline(asked, ROWS))
    assert list(table.columns) == TRAVERSE_COLUMNS
    # 31.62 m to R1; 55.90 m from there to R2, in two parts; 0.5 m a minute.
    assert table["distance_m"].tolist() == pytest.approx([31.6228, 27.9508, 27.9508], abs=1e-4)
    assert table["odometer_m"].iloc[-1] == pytest.approx(31.6228 + 55.9017, abs=1e-3)
    assert table["leg"].tolist() == [1, 2, 2]
    assert table["part"].tolist() == ["1 of 1", "1 of 2", "2 of 2"]
    assert table["slot"].tolist() == ["s1", "s4", "s6"]
    assert table["from_stop"].tolist() == ["lander", "R1", "R1"]
    assert table["stop"].tolist() == ["R1", "R2", "R2"]
    minutes = (table["end_utc"] - table["start_utc"]) / pd.Timedelta(minutes=1)
    assert minutes.tolist() == pytest.approx([63.2456, 55.9017, 55.9017], abs=0.01)
    # 30 W for 64 and 56 minutes, whole ones; 0.5 Mbit a metre.
    assert table["energy_wh"].tolist() == pytest.approx([32.0, 28.0, 28.0])
    assert table["data_mbit"].tolist() == pytest.approx([15.8114, 13.9754, 13.9754], abs=1e-4)


def test_drives_that_failed_or_ended_short_count_with_what_they_drove(asked):
    rows = [
        ("drive lander to R1", 1.0, 1.5, "failed"),
        ("drive lander to R2 (1 of 2)", 2.0, 2.25, "shortened"),
    ]
    table = traverse_table(asked, timeline(asked, rows))
    leg_m = (20**2 + 35**2) ** 0.5
    assert table["leg"].tolist() == [1, 2]
    assert table["distance_m"].tolist() == pytest.approx([0, leg_m / 2 * 15 / leg_m])


def test_a_drive_that_is_made_again_is_of_the_same_leg(asked):
    rows = [
        ("drive lander to R1", 1.0, 1.5, "shortened"),
        ("drive lander to R1", 2.0, 3.5, "failed"),
        ("drive lander to R1", 4.0, 5.5, "done"),
        ("drive R1 to R2 (1 of 2)", 6.0, 7.0, "failed"),
        ("drive R1 to R3 (1 of 2)", 8.0, 9.5, "done"),
        ("drive R3 to R1 (2 of 2)", 10.0, 11.5, "planned"),
    ]
    table = traverse_table(asked, timeline(asked, rows))
    assert table["leg"].tolist() == [1, 1, 1, 2, 3, 4]


def test_a_stop_at_the_place_of_the_lander_is_no_metre_away(tmp_path):
    path = tmp_path / "s.toml"
    text = PLACES.replace("east_m = 30.0\nnorth_m = 10.0", "east_m = 0.0\nnorth_m = 0.0")
    path.write_text(on_the_day(text))
    there = read_scenario(path)
    table = traverse_table(there, timeline(there, [("drive lander to R1", 1.0, 1.5, "done")]))
    assert table[["distance_m", "odometer_m"]].to_numpy().tolist() == [[0.0, 0.0]]
    assert table["end_utc"].tolist() == table["start_utc"].tolist()


def test_a_timeline_tells_stops_if_there_are_any(asked):
    table = timeline(asked, ROWS)
    assert tuple(table.columns) == (*TIMELINE_COLUMNS, *PLACE_COLUMNS)
    at = dict(zip(table["slot"], zip(table["stop"], table["from_stop"])))
    assert at == {
        "s1": ("R1", "lander"),
        "s2": ("R1", ""),
        "s3": ("", ""),
        "s4": ("R2", "R1"),
        "s5": ("", ""),
        "s6": ("R2", "R1"),
    }
