"""Files that a flight team writes by hand, full of plausible mistakes: each has its own line.

The scenario is the short example; the plan is written down here, so that nothing is computed.
"""

import pytest
from click.testing import CliRunner

from obsplan.cli.main import main

PLAN = """slot,activity,start_utc,end_utc
s001,ground reading,2028-07-03T00:00:00Z,2028-07-03T02:00:00Z
s002,ground reading,2028-07-03T04:00:00Z,2028-07-03T06:00:00Z
s003,ground reading,2028-07-03T08:00:00Z,2028-07-03T10:00:00Z
s004,ground reading,2028-07-03T12:00:00Z,2028-07-03T14:00:00Z
s005,ground reading,2028-07-03T16:00:00Z,2028-07-03T18:00:00Z
s006,lander downlink,2028-07-03T18:00:00Z,2028-07-04T01:00:00Z
s007,mast release,2028-07-03T18:30:00Z,2028-07-03T19:30:00Z
s008,panorama,2028-07-03T19:30:00Z,2028-07-03T20:30:00Z
s009,ground reading,2028-07-03T20:00:00Z,2028-07-03T22:00:00Z
s010,panorama,2028-07-03T20:30:00Z,2028-07-03T21:30:00Z
s011,panorama,2028-07-03T21:30:00Z,2028-07-03T22:30:00Z
s012,panorama,2028-07-03T22:30:00Z,2028-07-03T23:30:00Z
s013,ground reading,2028-07-04T00:00:00Z,2028-07-04T02:00:00Z
s014,ground reading,2028-07-04T04:00:00Z,2028-07-04T06:00:00Z
s016,ground reading,2028-07-04T12:00:00Z,2028-07-04T14:00:00Z
"""
NOW = "2028-07-04T08:00:00Z"

AS_RUN = """slot,activity,start_utc,end_utc,status,reason
s001,ground reading,2028-07-03T00:10:00Z,2028-07-03T02:00:00Z,Done,
s002,ground reading,2027-07-03T04:00:00Z,,done,
s3,ground reading,2028-07-03T08:00:00Z,,failed,no contact
s004,ground readings,2028-07-03T12:00:00Z,,done,
s005,ground reading,3 July 2028 16:00,,done,
s007,mast release,2028-07-03T18:30:00Z,2028-07-03T17:30:00Z,done,
s008,panorama,2028-07-04T19:30:00Z,,done,
s009,ground reading,2028-07-03T20:00:00Z,,shortened,low charge
s010,panorama,2028-07-03T20:30:00Z,21:30,done,
s011,panorama,2028-07-03T21:30:00Z,2028-07-03T22:45:00Z,ok,
s012,panorama,2028-07-03T22:40:00Z,,done,
s012,panorama,2028-07-03T22:30:00Z,,failed,dust, shutter
s013,ground reading,2028-07-04T00:00:00Z,2028-07-04T04:00:00Z,shortened,
s014,panorama,2028-07-04T04:00:00Z,,done,
s016,ground reading,2028-07-04T12:00:00Z,,done,
s012,panorama,2028-07-03T22:40:00Z,,done,
"""
AS_RUN_LINES = [
    "row 1: no such column 'status'; did you mean 'outcome'?",
    "row 3, start_utc = '2027-07-03T04:00:00Z': outside the span; allowed is 2028-07-03T00:00Z to "
    "2028-07-05T12:00Z",
    "row 4, slot = 's3': no such slot in the timeline; did you mean 's003'?",
    "row 5, activity = 'ground readings': no such activity; did you mean 'ground reading'?",
    "row 6, start_utc = '3 July 2028 16:00': not a time; write it like 2028-07-01T00:00:00Z",
    "row 7, end_utc = '2028-07-03T17:30:00Z': not after start_utc = '2028-07-03T18:30:00Z'; leave "
    "end_utc empty for the length in the scenario",
    "row 8, start_utc = '2028-07-04T19:30:00Z': after now, 2028-07-04T08:00Z",
    "row 9, end_utc is missing: say when 'ground reading' ends",
    "row 10, end_utc = '21:30': not a time; write it like 2028-07-01T00:00:00Z",
    "row 11, outcome = 'ok': allowed are done, shortened, failed, or nothing",
    "row 12, start_utc = '2028-07-03T22:40:00Z': before row 11 ends, at 2028-07-03T22:45Z; runs of "
    '"panorama" may not overlap',
    "row 13: 'shutter' is right of the last column of the header; put a cell that contains the "
    "separator in quotes",
    "row 14, end_utc = '2028-07-04T04:00:00Z': lasts 240 min; a shortened run is shorter than its "
    "slot of 120 min",
    "row 15, activity = 'panorama': slot s014 is 'ground reading' in the timeline",
    "row 16, start_utc = '2028-07-04T12:00:00Z': after now, 2028-07-04T08:00Z",
    "row 17, slot = 's012': row 12 has it already; a slot has one outcome",
]

STATE = """at_utc = 2028-07-04T07:30:00

[[platform]]
name = "Lander"
state_of_charge = 71
stored_mbits = 120

[[platform]]
name = "lander"
array_factor = 85
stored_mbit = 1200

[[instrument]]
name = "thermometer"
from_utc = 2028-07-04T06:00:00Z
until_utc = 2028-07-04T05:00:00Z

[[station]]
name = "Heron"

[[slots]]
slot = "s001"
outcome = "done"

[[slot]]
slot = 2
outcome = "done"

[[slot]]
slot = "s3"
outcome = "failed"

[[slot]]
slot = "s004"
outcome = "fail"
start_utc = 2028-07-02T12:00:00Z

[[slot]]
slot = "s005"
outcome = "shortened"

[[slot]]
slot = "s007"
outcome = "done"
start_utc = "2028-07-03 18:40"

[[slot]]
slot = "s008"
outcome = "done"
end_utc = 2028-07-04T20:30:00Z

[[slot]]
slot = "s010"
outcome = "done"

[[slot]]
slot = "s010"
outcome = "failed"

[[slot]]
slot = "s016"
outcome = "done"
"""
STATE_LINES = [
    "at_utc = 2028-07-04 07:30:00: the time has no zone; end it with Z for UTC",
    'platform 1 "Lander".state_of_charge = 71: out of range: allowed is 0 to 1',
    "platform 1 \"Lander\".stored_mbits: unknown key; did you mean 'stored_mbit'?",
    'platform 2 "lander".array_factor = 85: out of range: allowed is 0 to 2',
    "slot 1.slot = 2: must be text in quotes",
    "slot 3 \"s004\".outcome = \"fail\": allowed are 'done', 'shortened' or 'failed'",
    'slot 5 "s007".start_utc = "2028-07-03 18:40": the time has no zone; end it with Z for UTC',
    "slots: unknown key; did you mean 'slot'?",
    "platform \"Lander\": no such platform in the scenario; did you mean 'lander'?",
    'platform "lander".stored_mbit = 1200: more than the storage capacity; allowed is 0 to 400',
    'instrument "thermometer".until_utc = 2028-07-04T05:00Z: must be after the start of the '
    "outage, 2028-07-04T06:00Z",
    "station \"Heron\": no such station in the scenario; did you mean 'Heron Hill'?",
    'slot "s005".end_utc: missing; say when the run ended',
    "slot \"s3\": no such slot in the timeline; did you mean 's003'?",
    'slot "s004".start_utc = 2028-07-02T12:00Z: outside the span; allowed is 2028-07-03T00:00Z to '
    "2028-07-05T12:00Z",
    'slot "s008".end_utc = 2028-07-04T20:30Z: after now, 2028-07-04T08:00Z',
    'slot "s010": listed twice; a slot has one outcome',
    'slot "s016".start_utc = 2028-07-04T12:00Z: after now, 2028-07-04T08:00Z',
]


@pytest.fixture
def refused(tmp_path, monkeypatch):
    """What a command says of a file `name` in a folder with the short scenario and its plan."""
    monkeypatch.chdir(tmp_path)

    def lines(name: str, text: str, *words: str) -> list[str]:
        CliRunner().invoke(main, ["start", "mine", "--minimal"])
        (tmp_path / "plan.csv").write_text(PLAN)
        (tmp_path / name).write_text(text)
        command, *rest = words
        told = CliRunner().invoke(
            main, [command, "mine/scenario.toml", "plan.csv", *rest, "--now", NOW]
        )
        assert told.exit_code == 2 and not (tmp_path / "out").exists()
        assert all(line.startswith(f"{name}: ") for line in told.stderr.splitlines()), told.stderr
        return [line.removeprefix(f"{name}: ") for line in told.stderr.splitlines()]

    return lines


def test_each_mistake_of_an_as_run_file_has_one_line_in_order_of_rows(refused):
    assert refused("as_run.csv", AS_RUN, "compare", "as_run.csv") == AS_RUN_LINES


def test_a_replan_says_the_same_of_it(refused):
    asked = ("replan", "--as-run", "as_run.csv", "-o", "out")
    assert refused("as_run.csv", AS_RUN, *asked) == AS_RUN_LINES


def test_each_mistake_of_a_telemetry_file_has_one_line(refused):
    asked = ("replan", "--state", "state.toml", "-o", "out")
    assert refused("state.toml", STATE, *asked) == STATE_LINES


def test_check_says_the_same_of_it_too(refused):
    text = STATE.replace('slot = "s3"', 'slot = "s003"')
    told = refused("state.toml", text, "check", "--state", "state.toml")
    assert told == [line for line in STATE_LINES if '"s3"' not in line]
