"""What a check found, told without saying one thing twice."""

import numpy as np
import pandas as pd
from tools.small import START, platform, scenario, slots, world

from obsplan.checking.check import check_timeline
from obsplan.reporting.text.sentences import (
    MOST_LINES,
    margin_lines,
    verdict_lines,
    violation_lines,
)


def found(scene, rows, **columns):
    return violation_lines(check_timeline(world(scene, **columns), rows))


def test_a_slot_moved_off_the_grid_with_its_end_left_behind_has_a_line_for_each():
    scene = scenario({"name": "camera"})
    rows = slots(("camera", 125)).assign(end_utc=START + pd.Timedelta(minutes=180))
    assert found(scene, rows) == [
        '2028-07-01T02:05:00Z  grid: "camera" (slot s1) starts at 2028-07-01T02:05Z, 5 min after '
        'a whole step of 15 min; fix: start "camera" (slot s1) at 2028-07-01T02:00Z',
        '2028-07-01T02:05:00Z  duration: "camera" (slot s1) lasts 55 min from 2028-07-01T02:05Z, '
        'the scenario requests 60 min; fix: start "camera" (slot s1) at 2028-07-01T02:00Z',
    ]


def test_a_pair_that_overlaps_is_one_line_with_every_reason():
    scene = scenario({"name": "camera", "count": 2})
    (line,) = found(scene, slots(("camera", 60), ("camera", 75)))
    assert line == (
        '2028-07-01T01:15:00Z  instrument, repeat: "camera" (slot s1) and "camera" (slot s2) '
        'overlap for 45 min from 2028-07-01T01:15Z, but "camera" runs one slot at a time and '
        'runs of "camera" may not overlap; fix: start "camera" (slot s2) at 2028-07-01T02:00Z'
    )


def test_what_else_is_wrong_with_the_same_slots_has_a_line_of_its_own():
    scene = scenario({"name": "camera", "count": 2, "gap_min": 60, "contact": "whole"})
    rows = slots(("camera", 60), ("camera", 80))
    lines = found(scene, rows, in_contact=np.arange(1440) < 80)
    assert sorted(line.split(": ")[0].split("  ")[1] for line in lines) == [
        "contact",
        "contact",
        "gap",
        "grid",
        "instrument, repeat",
    ]
    assert all(line.count("; ") == 1 for line in lines)


def test_lines_that_tell_several_violations_say_how_many():
    scene = scenario({"name": "camera", "count": 2})
    lines = verdict_lines(check_timeline(world(scene), slots(("camera", 60), ("camera", 75))))
    assert lines[1] == "2 violations in 1 line: one for each rule that a line names"
    assert lines[2].startswith("2 violations; ")
    assert not any(
        " in 1 line" in line
        for line in verdict_lines(check_timeline(world(scene), slots(("camera", 65))))
    )


def test_many_lines_of_one_rule_are_counted():
    scene = scenario({"name": "camera", "count": 30})
    lines = found(scene, slots(*(("camera", 5 + 60 * k) for k in range(20))))
    assert len(lines) == MOST_LINES + 1
    assert lines[-1] == f"... and {20 - MOST_LINES} more of grid"


def test_rules_without_slots_stay_apart():
    scene = scenario({"name": "a", "must": 1}, {"name": "b", "must": 1})
    assert len(found(scene, slots())) == 2


def test_margins_never_read_minus_nothing():
    scene = scenario(platforms=[platform(battery={"start": 0.2})])
    verdict = check_timeline(world(scene), slots())
    verdict.margins.loc[0, "amount"] = -1e-3
    assert not any("-0.0" in line for line in margin_lines(verdict))
    assert "reserve, lander: 0.0 Wh" in margin_lines(verdict)[0]


def test_a_timeline_that_holds_names_the_rules_it_was_held_to():
    scene = scenario({"name": "camera"})
    lines = verdict_lines(check_timeline(world(scene), slots(("camera", 60))))
    assert lines[0] == "no violations; 9 rules checked"
    assert lines[-1].split(": ")[1].split(", ") == list(check_timeline(world(scene), slots()).rules)


def test_ten_thousand_rows_in_one_place_are_told_in_a_few_lines():
    scene = scenario({"name": "camera", "power_w": 1.0, "data_mbit": 1.0})
    rows = slots(*[("camera", 60)] * 10_000)
    lines = found(scene, rows)
    assert len(lines) < 3 * MOST_LINES
    assert max(map(len, lines)) < 1000


def test_window_edges_are_margins():
    scene = scenario({"name": "camera", "when": {"sun_visible_fraction": [0.5, 1]}})
    light = np.zeros(1440)
    light[100:300] = 1.0
    place = world(scene, {"sun_visible_fraction": light})
    margins = check_timeline(place, slots(("camera", 120), ("camera", 225))).margins
    rows = {r.margin: (r.where, r.condition, r.amount, r.time_utc) for r in margins.itertuples()}
    assert rows["window open before slot"] == (
        "s1",
        "visible fraction of the Sun",
        20.0,
        START + pd.Timedelta(minutes=120),
    )
    assert rows["window left after slot"] == (
        "s2",
        "visible fraction of the Sun",
        15.0,
        START + pd.Timedelta(minutes=285),
    )
    always = scenario({"name": "camera", "when": {"sun_visible_fraction": [0, 1]}})
    margins = check_timeline(world(always), slots(("camera", 120))).margins
    assert not margins["margin"].str.startswith("window").any()
