"""A timeline with a drive that there is none of is told why."""

import pytest
from tools.places import with_drive

from obsplan.common.errors import TableError
from obsplan.inputs.read_scenario import read_scenario
from obsplan.inputs.timeline_csv import read_timeline


def asked(tmp_path, text):
    (tmp_path / "s.toml").write_text(text)
    return read_scenario(tmp_path / "s.toml")


def told(tmp_path, scenario, name):
    path = tmp_path / "timeline.csv"
    path.write_text(f"activity,start_utc\n{name},2028-07-05T01:00:00Z\n")
    with pytest.raises(TableError) as caught:
        read_timeline(path, scenario)
    return str(caught.value).removeprefix(f"{path}: ")


def test_a_drive_that_takes_longer_than_the_span(tmp_path):
    """56 m at 0.02 m/min take 47 h, of 36 h there are."""
    text = with_drive().replace("[10, 0.5], [15, 0.3], [20, 0.15]", "[10, 0.02]")
    scenario = asked(tmp_path, text)
    assert told(tmp_path, scenario, "drive R1 to R3") == (
        "row 2, activity = 'drive R1 to R3': no such drive: no way from R1 to R3 keeps to "
        "permitted slopes, away from hazards, in reach of the relay and within the span"
    )


def test_a_drive_in_other_parts_than_it_has(tmp_path):
    scenario = asked(tmp_path, with_drive())
    assert "the rover drives from lander to R1 at once, 'drive lander to R1'" in told(
        tmp_path, scenario, "drive lander to R1 (1 of 2)"
    )
    assert "from R1 to R3 in 2 parts, the first is 'drive R1 to R3 (1 of 2)'" in told(
        tmp_path, asked(tmp_path, with_drive().replace("= 60.0", "= 40.0")), "drive R1 to R3"
    )


def test_a_drive_back_to_where_the_rover_must_not_end(tmp_path):
    text = with_drive().replace("[platform.drive]", 'parking = { stop = ["R2"] }\n[platform.drive]')
    scenario = asked(tmp_path, text)
    assert "the rover has to end at R2, and does not go back to lander" in told(
        tmp_path, scenario, "drive R1 to lander"
    )


def test_names_that_are_no_drive_are_told_as_ever(tmp_path):
    assert "no such activity; did you mean" in told(tmp_path, asked(tmp_path, with_drive()), "lasr")
