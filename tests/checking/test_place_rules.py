"""Where the rover stands: each rule of place is found broken in an edited timeline."""

import numpy as np
import pandas as pd
import pytest
from tools.replayed import START, environment, platform, slots
from tools.small import scenario_table

from obsplan.checking.check import check_timeline
from obsplan.checking.place_rules import along
from obsplan.inputs.read_scenario import scenario_from
from obsplan.inputs.telemetry_file import PlatformState, State
from obsplan.operations.telemetry import with_telemetry

# Metres east and north of the lander: R1 is 30 min away, R2 60 min from R1 in two parts.
STOPS = [
    {"name": "R1", "platform": "rover", "east_m": 15.0, "north_m": 0.0},
    {"name": "R2", "platform": "rover", "east_m": 15.0, "north_m": 30.0},
]
DRIVE = {
    "speed_by_slope": [[10, 0.5]],
    "power_w": 10.0,
    "longest_drive_m": 15.0,
    "contact": "none",
}
# Contact is from minute 120 to 480.
ROUND = [
    ("drive lander to R1", 120),
    ("LIBS at R1", 150),
    ("drive R1 to R2 (1 of 2)", 210),
    ("drive R1 to R2 (2 of 2)", 240),
    ("LIBS at R2", 270),
]


def scene(stops=STOPS, parking=None, **drive):
    rover = platform("rover", kind="rover", drive=DRIVE | drive, parking=parking or {})
    activities = (
        {"name": "LIBS", "platform": "rover", "at": "stops"},
        {"name": "hum", "platform": "rover"},
    )
    return scenario_from(scenario_table(*activities, platforms=[rover]) | {"stop": stops})


def found(asked, *rows, states=None, told=()):
    """The violations of rows, as (rule, slots, minute, amount, unit).

    told: what telemetry says of the rover, as (minute of the span, keys).
    """
    table = slots(*rows)
    table["state"] = states or ["planned"] * len(rows)
    parts = [
        PlatformState(name="rover", at_utc=START + pd.Timedelta(minutes=minute), **keys)
        for minute, keys in told
    ]
    known = with_telemetry(environment(asked), State(at_utc=START, platform=parts))
    violations = check_timeline(known, table, fixes=False).violations
    minutes = (violations["time_utc"] - START) / pd.Timedelta(minutes=1)
    kept = violations.assign(minute=minutes)[["rule", "slots", "minute", "amount", "unit"]]
    return [tuple(row) for row in kept.itertuples(index=False)]


def test_a_round_from_stop_to_stop_breaks_no_rule():
    assert found(scene(), *ROUND) == []
    assert found(scene(), ("hum", 135), *ROUND) == []  # what is at no stop may run while driving


def test_a_run_at_a_stop_where_the_rover_is_not():
    assert found(scene(), ("LIBS at R2", 60)) == [("place", "s1", 60, np.hypot(15, 30), "m")]
    left = [ROUND[0], *ROUND[2:4], ("LIBS at R1", 270)]
    assert found(scene(), *left) == [("place", "s3 s4", 270, 30, "m")]


def test_a_run_at_a_stop_between_two_parts_of_a_leg():
    assert found(scene(), *ROUND[:3], ("LIBS at R2", 240)) == [("place", "s3 s4", 240, 15, "m")]


def test_a_run_during_the_drive_that_leads_to_its_stop():
    assert found(scene(), ("drive lander to R1", 120), ("LIBS at R1", 135)) == [
        ("place", "s1 s2", 135, 15, "min")
    ]


def test_a_drive_that_leaves_a_run_behind():
    assert found(scene(), *ROUND[:2], ("drive R1 to R2 (1 of 2)", 195)) == [
        ("place", "s2 s3", 195, 15, "min")
    ]


def test_a_drive_from_where_the_rover_does_not_stand():
    assert found(scene(), ("drive R2 to R1 (1 of 2)", 120)) == [
        ("drive", "s1", 120, np.hypot(15, 30), "m")
    ]
    assert found(scene(), ROUND[0], ("drive lander to R2 (1 of 3)", 240)) == [
        ("drive", "s1 s2", 240, 15, "m")
    ]


def test_parts_of_a_leg_out_of_order():
    assert found(scene(), ROUND[0], ("drive R1 to R2 (2 of 2)", 240)) == [
        ("drive", "s1 s2", 240, 15, "m")
    ]
    missing = found(scene(), ROUND[0], ROUND[2], ("drive R1 to lander", 300))
    assert missing == [("drive", "s2 s3", 300, 15, "m")]


def test_a_part_that_begins_before_the_last_has_ended():
    rows = [ROUND[0], ROUND[2], ("drive R1 to R2 (2 of 2)", 225)]
    assert found(scene(), *rows) == [("instrument", "s2 s3", 225, 15, "min")]


def test_no_work_before_people_have_decided():
    """A drive ends at 150; people need 20 min; work at 165 is 5 min too early."""
    assert found(scene(decide_min=20), *ROUND[:1], ("LIBS at R1", 165)) == [
        ("look", "s1 s2", 165, 5, "min")
    ]
    assert found(scene(decide_min=15), *ROUND[:1], ("LIBS at R1", 165)) == []


def test_no_next_drive_before_the_pictures_are_on_earth():
    """20 Mbit at 20 kbit/s take 17 min, less what is sent during the drive; contact is from 120."""
    asked = scene(data_mbit_per_m=2.0, decide_min=30)
    late = found(asked, ("drive lander to R1", 60), ("drive R1 to R2 (1 of 2)", 120))
    assert [row[:3] for row in late] == [("look", "s1 s2", 120)]
    amount = late[0][3]
    assert found(asked, ("drive lander to R1", 60), ("drive R1 to R2 (1 of 2)", 195)) == []
    assert 30 < amount <= 75


def test_pictures_that_never_come_down():
    asked = scene(data_mbit_per_m=2.0)
    table = slots(("drive lander to R1", 480), ("LIBS at R1", 600))
    verdict = check_timeline(environment(asked), table, fixes=False)
    assert [v.rule for v in verdict.found] == ["look"]
    assert "do not reach Earth" in verdict.found[0].message


def test_a_decision_needs_a_contact_for_the_commands():
    """The decision falls at 480, when contact ends: no commands reach the rover any more."""
    asked = scene(decide_min=30, lead_min=10)
    late = found(asked, ("drive lander to R1", 420), ("LIBS at R1", 495))
    assert late == []  # the run itself is loaded; only the drive has a lead
    on = found(asked, ("drive lander to R1", 420), ("drive R1 to lander", 495))
    assert [row[:3] for row in on] == [("look", "s1 s2", 495)]


def test_parked_where_it_has_to_be():
    there = {"stop": ["R2"]}
    assert found(scene(parking=there), *ROUND) == []
    assert found(scene(parking=there), *ROUND[:2]) == [("parking", "s1", 1440, 30, "m")]
    assert found(scene(parking=there), *ROUND[:3]) == [("parking", "s3", 1440, 15, "m")]
    assert found(scene(parking=there)) == [("parking", "", 1440, np.hypot(15, 30), "m")]


def test_parked_near_the_lander():
    near = {"within_m": 20.0}
    assert found(scene(parking=near), ROUND[0]) == []
    too_far = found(scene(parking=near), *ROUND)
    assert too_far == [("parking", "s4", 1440, pytest.approx(np.hypot(15, 30) - 20), "m")]


def test_parking_is_asked_of_a_rover_whose_drives_are_over():
    asked, states = scene(parking={"stop": ["R2"]}), ["done"]
    assert found(asked, ROUND[0], states=states) == [("parking", "", 1440, 30, "m")]


def test_a_rover_is_parked_where_telemetry_has_seen_it_last():
    asked, short = scene(parking={"stop": ["R1"]}), [("drive lander to R1", 120, 135)]
    assert found(asked, *short, states=["shortened"]) == [("parking", "", 1440, 7.5, "m")]
    there = [(200, {"at": "R1"})]
    assert found(asked, *short, states=["shortened"], told=there) == []
    elsewhere = [(300, {"at": "R2"}), *there]
    assert found(asked, *short, states=["shortened"], told=elsewhere) == [
        ("parking", "", 1440, 30, "m")
    ]


def test_no_drive_leads_to_a_stop_that_telemetry_calls_unreachable():
    closed = [(230, {"unreachable": ("R2",)}), (400, {"unreachable": ("R2",)})]
    assert found(scene(), *ROUND, told=closed) == [("drive", "s4", 240, 1, "run")]
    over = ["done"] * 4 + ["planned"]
    assert found(scene(), *ROUND, states=over, told=closed) == []


def test_a_drive_that_ended_short_leaves_the_rover_between_the_stops():
    rows = [("drive lander to R1", 120, 135), ("LIBS at R1", 240)]
    states = ["shortened", "planned"]
    assert found(scene(), *rows, states=states) == [("place", "s1 s2", 240, 7.5, "m")]


def test_a_drive_that_failed_leaves_the_rover_where_it_was():
    rows = [("drive lander to R1", 120), ("LIBS at R1", 240)]
    assert found(scene(), *rows, states=["failed", "planned"]) == [("place", "s2", 240, 15, "m")]


def test_a_drive_takes_its_real_minutes():
    """Six metres at 0.5 m/min are 12 min, so a slot of 15 min; ten minutes are too few."""
    stops = [STOPS[0] | {"east_m": 6.0}]
    assert found(scene(stops), ("drive lander to R1", 120, 135)) == []
    short = found(scene(stops), ("drive lander to R1", 120, 130))
    assert short == [("duration", "s1", 120, 5, "min")]


def test_a_drive_may_be_made_again_once_the_rover_is_back():
    there, back, again = ROUND[0], ("drive R1 to lander", 240), ("drive lander to R1", 300)
    assert found(scene(), there, back, again) == []
    assert [row[0] for row in found(scene(), there, again)] == ["drive"]


@pytest.mark.parametrize("onward", ["drive lander to R1", "drive R1 to lander"])
def test_after_a_drive_that_ended_short_the_rover_goes_on_or_back(onward):
    rows = [("drive lander to R1", 120, 135), (onward, 240)]
    assert found(scene(), *rows, states=["shortened", "planned"]) == []


def test_a_point_along_a_path_is_found_by_length():
    path = ((0.0, 0.0), (3.0, 4.0), (3.0, 9.0))
    assert along(path, 0.5) == pytest.approx((3, 4))
    assert along(path, 0.8) == pytest.approx((3, 7))
    assert along(path, 1.0) == (3, 9)
