"""Rules of one slot alone: conditions, coverage, contact, span, grid, duration, counts."""

import numpy as np
import pandas as pd
import pytest
from tools.replayed import DAY_MIN, START, broken, environment, platform, scenario, slots, the_one

from obsplan.checking.check import check_timeline

CONDITIONS = [
    # rule, condition, start that holds, start that does not, first bad minute, amount, unit
    ("Sun elevation", {"sun_elevation_deg": [8, 14]}, 435, 360, 360, 0.5, "deg"),
    ("visible fraction of the Sun", {"sun_visible_fraction": [0.9, 1]}, 1140, 1170, 1200, 0.9, ""),
    ("Earth elevation", {"earth_elevation_deg": [22, 40]}, 1080, 1200, 1200, 1259 / 144 - 8, "deg"),
    ("Earth phase", {"earth_phase_deg": [70, 90]}, 480, 360, 360, 2.5, "deg"),
    (
        "surface temperature",
        {"surface_temperature_k": [200, 280]},
        1080,
        1140,
        1153,
        1199 / 14.4 - 80,
        "K",
    ),
    (
        "ground temperature",
        {"ground": {"depth_m": 0.3, "temperature_k": [240, 246]}},
        795,
        840,
        865,
        899 / 144 - 6,
        "K",
    ),
    ("local time", {"local_time_h": [22, 4]}, 420, 450, 481, 509 / 60 - 8, "h"),
    ("local time", {"local_time_h": [21, 23]}, 120, 0, 0, 1.0, "h"),
    ("magnetotail", {"in_magnetotail": True}, 720, 690, 690, 30.0, "min"),
    ("magnetotail", {"in_magnetotail": False}, 660, 675, 720, 15.0, "min"),
]


@pytest.mark.parametrize("rule, when, good, bad, first, amount, unit", CONDITIONS)
def test_condition_must_hold_in_every_minute_of_the_slot(
    rule, when, good, bad, first, amount, unit
):
    scene = scenario({"name": "camera", "when": when})
    assert broken(scene, ("camera", good)).empty
    found = the_one(scene, ("camera", bad))
    assert found == (rule, "s1", first, pytest.approx(amount, abs=1e-9), unit)


def test_the_depth_of_a_ground_temperature_is_told():
    ground = {"depth_m": 0.3, "temperature_k": [240, 246]}
    scene = scenario({"name": "camera", "when": {"ground": ground}})
    (message,) = broken(scene, ("camera", 840))["message"]
    assert "ground temperature at 0.3 m at 2028-07-01T14:59Z is 246.24 K, 0.24 K outside" in message


@pytest.mark.parametrize(
    "asked, start, words",
    [
        (True, 690, "has the Moon outside the magnetotail for 30 min"),
        (False, 675, "has the Moon in the magnetotail for 15 min"),
    ],
)
def test_magnetotail_is_told_in_words(asked, start, words):
    scene = scenario({"name": "camera", "when": {"in_magnetotail": asked}})
    (message,) = broken(scene, ("camera", start))["message"]
    assert words in message
    assert "magnetotail" in check_timeline(environment(scene), pd.DataFrame()).rules


def test_condition_broken_twice_in_a_slot_is_two_violations():
    scene = scenario({"name": "camera", "when": {"sun_visible_fraction": [0.5, 1]}})
    world = environment(scene)
    world.sky["sun_visible_fraction"] = 1.0
    world.sky.iloc[[65, 66, 100], world.sky.columns.get_loc("sun_visible_fraction")] = 0.2
    found = check_timeline(world, slots(("camera", 60))).violations
    assert list(found["time_utc"]) == [START + pd.Timedelta(minutes=m) for m in (65, 100)]
    assert found["message"][0] == (
        '"camera" (slot s1): visible fraction of the Sun at 2028-07-01T01:05Z is 0.2, 0.3 '
        "outside the allowed 0.5 to 1 (2 min from 2028-07-01T01:05Z); "
        'fix: start "camera" (slot s1) at 2028-07-01T01:45Z'
    )


def test_condition_on_a_value_that_is_not_known_is_broken():
    scene = scenario({"name": "camera", "when": {"surface_temperature_k": [0, 500]}})
    world = environment(scene)
    world.sky.loc[START + pd.Timedelta(minutes=70), "surface_temperature_k"] = np.nan
    found = check_timeline(world, slots(("camera", 60))).violations
    assert list(found["rule"]) == ["surface temperature"]
    assert "not known" in found["message"][0]


def test_coverage_is_judged_at_the_start_and_half_open():
    sun = {"over": "sun_elevation_deg", "edges": [6, 10, 14]}
    scene = scenario({"name": "camera", "coverage": sun})
    assert broken(scene, ("camera", 150), ("camera", 1290)).empty
    assert the_one(scene, ("camera", 0)) == ("coverage", "s1", 0, 1.0, "deg")
    hours = scenario({"name": "camera", "coverage": {"over": "span_h", "edges": [1, 12]}})
    assert broken(hours, ("camera", 60), ("camera", 705)).empty
    assert the_one(hours, ("camera", 720)) == ("coverage", "s1", 720, 0.0, "h")


def test_contact_through_the_whole_slot():
    scene = scenario({"name": "drive", "contact": "whole"})
    assert broken(scene, ("drive", 120), ("drive", 420)).empty
    assert the_one(scene, ("drive", 450)) == ("contact", "s1", 480, 30, "min")


def test_contact_at_the_start():
    scene = scenario({"name": "drive", "contact": "start"})
    assert broken(scene, ("drive", 465)).empty
    assert the_one(scene, ("drive", 480)) == ("contact", "s1", 480, 1, "min")
    assert the_one(scene, ("drive", 105)) == ("contact", "s1", 105, 1, "min")


def test_span():
    scene = scenario({"name": "camera"})
    assert broken(scene, ("camera", 0), ("camera", 1380)).empty
    assert the_one(scene, ("camera", -30)) == ("span", "s1", -30, 30, "min")
    assert the_one(scene, ("camera", 1395)) == ("span", "s1", 1440, 15, "min")


def test_grid():
    scene = scenario({"name": "camera"})
    assert the_one(scene, ("camera", 125)) == ("grid", "s1", 125, 5, "min")
    assert the_one(scene, ("camera", 120.5)) == ("grid", "s1", 120.5, 0.5, "min")


def test_duration():
    scene = scenario({"name": "camera", "duration_min": 50})
    assert broken(scene, ("camera", 60, 120)).empty
    assert the_one(scene, ("camera", 60, 110)) == ("duration", "s1", 60, 10, "min")
    assert the_one(scene, ("camera", 60, 150)) == ("duration", "s1", 60, 30, "min")


def test_count_and_must():
    scene = scenario({"name": "camera", "count": 2, "must": 1})
    assert broken(scene, ("camera", 60)).empty
    found = the_one(scene, ("camera", 60), ("camera", 240), ("camera", 120))
    assert found == ("count", "s2", 240, 1, "run")
    assert the_one(scene) == ("must", "", DAY_MIN, 1, "run")


def test_rules_are_those_the_scenario_poses():
    bare = scenario({"name": "camera"})
    full = scenario(
        *({"name": f"a{k}", "when": row[1]} for k, row in enumerate(CONDITIONS)),
        {
            "name": "b",
            "gap_min": 15,
            "quiet": True,
            "not_with": ["a1"],
            "must": 1,
            "contact": "whole",
            "coverage": {"over": "span_h", "edges": [0, 24]},
            "after": [{"activity": "a1"}],
        },
        platforms=[
            platform(one_at_a_time=True, battery={"end": 0.5}, store={"end_limit_mbit": 5.0})
        ],
    )
    none = pd.DataFrame()
    assert check_timeline(environment(bare), none).rules == (
        "span",
        "grid",
        "duration",
        "instrument",
        "repeat",
        "count",
        "bus power",
        "state of charge",
        "storage",
    )
    assert check_timeline(environment(full), none).rules == (
        "span",
        "grid",
        "duration",
        "Sun elevation",
        "visible fraction of the Sun",
        "Earth elevation",
        "Earth phase",
        "surface temperature",
        "ground temperature",
        "local time",
        "magnetotail",
        "coverage",
        "contact",
        "instrument",
        "platform",
        "repeat",
        "gap",
        "not with",
        "quiet",
        "order",
        "count",
        "must",
        "bus power",
        "state of charge",
        "end charge",
        "storage",
        "end storage",
    )
