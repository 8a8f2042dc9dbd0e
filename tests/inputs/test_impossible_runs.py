"""What cannot have run is refused in every file that tells of it: where, what, what is allowed."""

from datetime import timedelta

import pandas as pd
import pytest
from tools.small import START, platform, scenario, world

from obsplan.common.errors import StateError, TableError
from obsplan.inputs.read_state import read_state
from obsplan.inputs.timeline_csv import read_as_run, read_timeline
from obsplan.operations.as_run import compare_as_run
from obsplan.operations.replan import make_replan

SCENE = scenario(
    {"name": "log", "count": 9, "duration_min": 100, "warm_up_min": 20},
    {"name": "look", "count": 9, "instrument": "camera"},
    {"name": "zoom", "count": 9, "instrument": "camera", "duration_min": 30},
    {"name": "free", "count": 9, "instrument": "pair"},
    {"name": "loose", "count": 9, "instrument": "pair"},
    instruments=[
        {"name": "camera", "platform": "lander"},
        {"name": "pair", "platform": "lander", "one_at_a_time": False},
    ],
    platforms=[platform(), platform("rover", kind="rover", radio={"to": "lander"})],
    hours=48,
)
PLAN = """slot,activity,start_utc,end_utc,state
s1,log,2028-07-01T02:00Z,,planned
s2,look,2028-07-01T06:00Z,,planned
s3,zoom,2028-07-01T08:00Z,,planned
s4,free,2028-07-01T10:00Z,,planned
s5,look,2028-07-01T12:00Z,,failed
s6,lander downlink,2028-07-01T00:00Z,2028-07-01T09:00Z,planned
s7,look,2028-07-02T20:00Z,,planned
"""
NOW = START.to_pydatetime() + timedelta(hours=24)


@pytest.fixture
def plan(tmp_path):
    (tmp_path / "plan.csv").write_text(PLAN)
    return read_timeline(tmp_path / "plan.csv", SCENE)


def lines(caught, path) -> list[str]:
    told = str(caught.value).splitlines()
    assert all(line.startswith(f"{path}: ") for line in told), told
    return [line.removeprefix(f"{path}: ") for line in told]


def as_run_mistakes(tmp_path, plan, *rows, now=NOW) -> list[str]:
    path = tmp_path / "as_run.csv"
    path.write_text("\n".join(["slot,activity,start_utc,end_utc,outcome", *rows]) + "\n")
    with pytest.raises(TableError) as caught:
        read_as_run(path, SCENE, plan, now)
    return lines(caught, path)


SPAN = "outside the span; allowed is 2028-07-01T00:00Z to 2028-07-03T00:00Z"
AS_RUN = [
    (
        ["s2,look,1950-07-01T06:00Z,1950-07-01T07:00Z,done"],
        [
            f"row 2, start_utc = '1950-07-01T06:00Z': {SPAN}",
            f"row 2, end_utc = '1950-07-01T07:00Z': {SPAN}",
        ],
    ),
    (
        [",look,2050-07-01T06:00Z,,done"],
        [f"row 2, start_utc = '2050-07-01T06:00Z': {SPAN}"],
    ),
    (
        [",look,2028-07-01T20:00Z,2028-08-01T21:00Z,failed"],
        [
            f"row 2, end_utc = '2028-08-01T21:00Z': {SPAN}",
        ],
    ),
    (
        [",look,2028-07-02T03:00Z,,done"],
        ["row 2, start_utc = '2028-07-02T03:00Z': after now, 2028-07-02T00:00Z"],
    ),
    (
        [",look,2028-07-01T23:30Z,,done"],
        [
            "row 2, start_utc = '2028-07-01T23:30Z': it ends at 2028-07-02T00:30Z, after now, "
            "2028-07-02T00:00Z"
        ],
    ),
    (
        ["s1,log,2028-07-01T02:00Z,2028-07-01T11:30Z,shortened"],
        [
            "row 2, end_utc = '2028-07-01T11:30Z': lasts 570 min; a shortened run is shorter than "
            "its slot of 120 min"
        ],
    ),
    (
        ["s1,log,2028-07-01T02:00Z,2028-07-01T04:00Z,shortened"],
        [
            "row 2, end_utc = '2028-07-01T04:00Z': lasts 120 min; a shortened run is shorter than "
            "its slot of 120 min"
        ],
    ),
    (
        ["s1,log,2028-07-01T02:00Z,2028-07-01T02:20Z,shortened"],
        [
            "row 2, outcome = 'shortened': it ended within the warm-up of 20 min and yielded "
            "nothing; allowed is failed"
        ],
    ),
    (
        ["s1,log,2028-07-01T02:00Z,2028-07-01T04:16Z,done"],
        [
            "row 2, end_utc = '2028-07-01T04:16Z': lasts 136 min; its slot has 120 min, and one "
            "step more is allowed: 135 min"
        ],
    ),
    (
        ["s9,look,2028-07-01T20:00Z,,done", "flight7,look,2028-07-01T22:00Z,,done"],
        [
            "row 2, slot = 's9': no such slot in the timeline; did you mean 's7'?",
            "row 3, slot = 'flight7': no such slot in the timeline; known: s1, s2, s3, s4, s5, s6, "
            "s7",
        ],
    ),
    (
        ["s2,zoom,2028-07-01T06:00Z,,done"],
        ["row 2, activity = 'zoom': slot s2 is 'look' in the timeline"],
    ),
    (
        ["s7,look,2028-07-01T20:00Z,,done"],
        [
            "row 2, start_utc = '2028-07-01T20:00Z': starts 24 h from its slot of "
            "2028-07-02T20:00Z; allowed are up to 12 h"
        ],
    ),
    (
        ["s5,look,2028-07-01T12:00Z,,done"],
        ["row 2, outcome = 'done': slot s5 is failed in the timeline; a slot has one outcome"],
    ),
    (
        ["s2,look,2028-07-01T06:00Z,,done"] * 3,
        ["rows 3 and 4, slot = 's2': row 2 has it already; a slot has one outcome"],
    ),
    (
        [",look,2028-07-01T20:00Z,,done"] * 3,
        [
            "rows 3 and 4, start_utc = '2028-07-01T20:00Z': before row 2 ends, at "
            '2028-07-01T21:00Z; runs of "look" may not overlap'
        ],
    ),
    (
        ["s2,look,2028-07-01T06:00Z,,done", ",zoom,2028-07-01T06:45Z,,done"],
        [
            "row 3, start_utc = '2028-07-01T06:45Z': before row 2 ends, at 2028-07-01T07:00Z; "
            '"camera" runs one slot at a time'
        ],
    ),
    (
        [",zoom,2028-07-01T11:45Z,,done"],
        [
            "row 2, start_utc = '2028-07-01T11:45Z': it ends at 2028-07-01T12:15Z, after slot s5 "
            'starts, at 2028-07-01T12:00Z; "camera" runs one slot at a time'
        ],
    ),
    (
        ["s6,lander downlink,2028-07-01T00:00Z,2028-07-01T08:00Z,failed"],
        [
            "row 2, outcome = 'failed': a transmit window can only be done; what was not sent is "
            "told by stored_mbit of the platform in the telemetry file"
        ],
    ),
]


@pytest.mark.parametrize(("rows", "told"), AS_RUN, ids=[each[1][0][:70] for each in AS_RUN])
def test_a_row_that_cannot_have_run_is_named(tmp_path, plan, rows, told):
    assert as_run_mistakes(tmp_path, plan, *rows) == told


def test_what_can_have_run_is_read(tmp_path, plan):
    rows = (
        "s1,log,2028-07-01T02:14Z,2028-07-01T04:29Z,done",  # late, and a step too long
        "s2,look,2028-07-01T17:59Z,,done",  # nearly half a day late
        "s4,free,2028-07-01T10:00Z,,done",
        ",loose,2028-07-01T10:30Z,,done",  # its instrument runs several at a time
        "s5,look,2028-07-01T12:00Z,2028-07-01T12:00Z,failed",
        ",zoom,2028-07-01T12:00Z,,done",  # right after a failure at the start
        "s6,lander downlink,2028-07-01T00:00Z,2028-07-01T09:00Z,done",
    )
    path = tmp_path / "as_run.csv"
    path.write_text("\n".join(["slot,activity,start_utc,end_utc,outcome", *rows]) + "\n")
    assert len(read_as_run(path, SCENE, plan.assign(end_utc=plan["end_utc"]), NOW)) == len(rows)


def test_a_timeline_that_says_what_cannot_have_run_is_refused(tmp_path):
    path = tmp_path / "timeline.csv"
    path.write_text(
        "slot,activity,start_utc,end_utc,state\n"
        "s1,look,1950-07-01T06:00Z,,done\n"
        "s2,look,2028-07-01T06:00Z,2028-07-01T12:00Z,done\n"
        "s3,zoom,2028-07-01T16:30Z,,done\n"
        "s4,zoom,2028-07-02T06:30Z,,done\n"
        "s5,look,1950-07-01T06:00Z,,planned\n"
        "s6,look,2028-07-01T16:45Z,,done\n"
    )
    with pytest.raises(TableError) as caught:
        read_timeline(path, SCENE, NOW)
    assert lines(caught, path) == [
        f"row 2, start_utc = '1950-07-01T06:00Z': {SPAN}",
        "row 3, end_utc = '2028-07-01T12:00Z': lasts 360 min; its slot has 60 min, and one step "
        "more is allowed: 75 min",
        "row 5, start_utc = '2028-07-02T06:30Z': after now, 2028-07-02T00:00Z",
        "row 7, start_utc = '2028-07-01T16:45Z': before row 4 ends, at 2028-07-01T17:00Z; "
        '"camera" runs one slot at a time',
    ]


STATE = [
    (
        'slot = "s2"\noutcome = "done"\nstart_utc = 1950-07-01T06:00:00Z',
        [f'slot "s2".start_utc = 1950-07-01T06:00Z: {SPAN}'],
    ),
    (
        'slot = "s1"\noutcome = "shortened"\nend_utc = 2028-07-01T11:30:00Z',
        [
            'slot "s1".end_utc = 2028-07-01T11:30Z: lasts 570 min; a shortened run is shorter than '
            "its slot of 120 min"
        ],
    ),
    (
        'slot = "s99"\noutcome = "done"',
        ['slot "s99": no such slot in the timeline; known: s1, s2, s3, s4, s5, s6, s7'],
    ),
    (
        'slot = "s7"\noutcome = "done"',
        ['slot "s7".start_utc = 2028-07-02T20:00Z: after now, 2028-07-02T00:00Z'],
    ),
    (
        'slot = "s2"\noutcome = "done"\nstart_utc = 2028-07-01T08:00:00Z',
        [
            'slot "s2".start_utc = 2028-07-01T08:00Z: not before its planned end, '
            "2028-07-01T07:00Z; give end_utc too"
        ],
    ),
    (
        'slot = "s2"\noutcome = "done"\nend_utc = 2028-07-01T05:00:00Z',
        ['slot "s2".end_utc = 2028-07-01T05:00Z: not after its start'],
    ),
    (
        'slot = "s5"\noutcome = "done"',
        ['slot "s5".outcome = "done": slot s5 is failed in the timeline; a slot has one outcome'],
    ),
    (
        'slot = "s2"\noutcome = "done"\n[[slot]]\nslot = "s2"\noutcome = "done"',
        ['slot "s2": listed twice; a slot has one outcome'],
    ),
    (
        'slot = "s2"\noutcome = "done"\nstart_utc = 2028-07-01T07:30:00Z\n'
        'end_utc = 2028-07-01T08:30:00Z\n[[slot]]\nslot = "s3"\noutcome = "done"',
        [
            'slot "s3".start_utc = 2028-07-01T08:00Z: before slot "s2" ends, at 2028-07-01T08:30Z; '
            '"camera" runs one slot at a time'
        ],
    ),
    (
        'slot = "s6"\noutcome = "failed"',
        [
            'slot "s6".outcome = "failed": a transmit window can only be done; what was not sent '
            "is told by stored_mbit of the platform in the telemetry file"
        ],
    ),
]


@pytest.mark.parametrize(("text", "told"), STATE, ids=[each[1][0][:70] for each in STATE])
def test_a_slot_of_the_telemetry_file_that_cannot_be_is_named(tmp_path, plan, text, told):
    path = tmp_path / "state.toml"
    path.write_text(f"[[slot]]\n{text}\n")
    with pytest.raises(StateError) as caught:
        read_state(path, SCENE, NOW, plan)
    assert lines(caught, path) == told


def test_a_run_listed_three_times_is_refused_by_all_that_count_runs(plan):
    """The tables may come from Python, not from a file."""
    once = plan[plan["slot"] == "s2"].rename(columns={"state": "outcome"}).assign(outcome="done")
    thrice = pd.concat([once.assign(slot="")] * 3, ignore_index=True)
    environment = world(SCENE)
    with pytest.raises(TableError, match='as run: "look" of 2028-07-01T06:00Z, start_utc'):
        compare_as_run(environment, plan, thrice)
    with pytest.raises(StateError, match='runs of "look" may not overlap'):
        make_replan(environment, plan, NOW, ran=thrice)
