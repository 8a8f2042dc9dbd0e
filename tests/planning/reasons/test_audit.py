"""The audit names what rules out any plan, and what is odd, before anything is solved."""

from dataclasses import replace
from unittest.mock import patch

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from tools.changed_keys import with_keys
from tools.small import cases, platform, scenario, world

from obsplan.common.errors import Infeasible
from obsplan.planning.plan import make_plan
from obsplan.planning.reasons import audit as room
from obsplan.planning.reasons.audit import FINDING_COLUMNS, audit, findings
from obsplan.planning.reasons.balance import balance
from obsplan.planning.reasons.finding import Severity

# A unit of hardware that warms nobody and nobody needs.
NODE = {
    "name": "box",
    "heat_capacity_j_k": 4000.0,
    "start_k": 270.0,
    "ground_w_k": 0.02,
    "operating_k": [243.0, 333.0],
}


def found(*activities, columns=None, sky=None, **parts) -> pd.DataFrame:
    scene = scenario(*activities, **parts)
    return audit(world(scene, sky, **(columns or {})))


def said(table: pd.DataFrame, severity: Severity) -> str:
    rows = table[table["severity"] == severity]
    return "\n".join(f"{row.where}: {row.finding}; {row.fix}" for row in rows.itertuples())


def quietly(table: pd.DataFrame) -> pd.DataFrame:
    """Without stations: a hand-made environment has no contacts of any."""
    return table[~table["where"].str.startswith("station")]


def test_a_sound_scenario_has_no_finding():
    table = quietly(found({"name": "a", "count": 3, "power_w": 5.0, "data_mbit": 1.0}))
    assert table.empty and list(table.columns) == list(FINDING_COLUMNS)


ASKED = {"name": "a", "must": 1}
# It radiates to the sky, and nothing heats it.
FREEZING = {
    "name": "box",
    "heat_capacity_j_k": 4000.0,
    "start_k": 290.0,
    "radiating_m2": 0.2,
    "surviving_k": [280.0, 400.0],
}


@pytest.mark.parametrize(
    ("activities", "parts", "words"),
    [
        (
            [ASKED | {"when": {"sun_elevation_deg": [80, 90]}}],
            {},
            'activity "a": has no window: no slot in the span has Sun elevation 80 to 90 deg',
        ),
        (
            [ASKED | {"count": 5, "must": 5, "gap_min": 600}],
            {},
            "its gap of 600 min leave room for 3 runs; 5 are required",
        ),
        ([ASKED | {"power_w": 120.0}], {}, "draws 120 W on top of at least 0.0 W of idling"),
        (
            [ASKED | {"data_mbit": 500.0}],
            {},
            "no slot in the span has room for its 500 Mbit with a store.capacity_mbit of 50",
        ),
        (
            [ASKED | {"power_w": 60.0, "count": 15, "must": 15}],
            {},
            "idling and the required runs need 900 Wh; 600 Wh are available",
        ),
        (
            [ASKED | {"data_mbit": 90.0, "count": 22, "must": 22}],
            {},
            "the required runs yield 1930 Mbit to send; the link carries 1728 Mbit",
        ),
        (
            [{"name": k, "instrument": "one", "count": 15, "must": 15} for k in "ab"],
            {"instruments": [{"name": "one", "platform": "lander"}]},
            'instrument "one": runs one slot at a time; its required runs take 30.0 h',
        ),
        (
            [{"name": k, "count": 15, "must": 15} for k in "ab"],
            {"platforms": [platform(one_at_a_time=True)]},
            'platform "lander": runs one slot at a time; its required runs take 30.0 h',
        ),
        (
            [{"name": "b"}, ASKED | {"after": [{"activity": "b", "settle_min": 1400}]}],
            {},
            'no start in its windows is late enough after the activities it waits for: "b"',
        ),
        (
            [{"name": "b"}, ASKED | {"after": [{"activity": "b", "decide_min": 1400}]}],
            {},
            'no start in its windows is late enough after the activities it waits for: "b"',
        ),
        (
            [
                {"name": "b", "data_mbit": 115.0},
                ASKED | {"after": [{"activity": "b", "received": True, "decide_min": 1300}]},
            ],
            {},
            'no start in its windows is late enough after the activities it waits for: "b"',
        ),
        (
            [
                {"name": "b", "when": {"sun_elevation_deg": [80, 90]}},
                ASKED | {"after": [{"activity": "b"}]},
            ],
            {},
            'after the activities it waits for: "b"',
        ),
        ([{"name": "b"}], {"platforms": [platform(idle_w=60.0)]}, "with no slot at all: "),
        (
            [{"name": "b"}],
            {"platforms": [platform(unit=[FREEZING])]},
            "outside its survival temperature of 280 to 400 K",
        ),
    ],
)
def test_what_rules_out_any_plan_is_named_and_planning_agrees(activities, parts, words):
    scene = scenario(*activities, **parts)
    offered = world(scene)
    told = said(audit(offered), Severity.INFEASIBLE)
    assert words in told and not told.endswith("; ")  # a fix or advice, where there is any
    with pytest.raises(Infeasible):
        make_plan(offered)


@pytest.mark.parametrize(
    ("activities", "parts", "words"),
    [
        ([{"name": "a", "when": {"sun_elevation_deg": [80, 90]}}], {}, "has no window"),
        ([{"name": "a", "count": 9, "gap_min": 600}], {}, "leave room for 3 runs; 9 are requested"),
        (
            [{"name": "a", "count": 2, "gap_min": 2000}],
            {},
            "its gap of 2000 min is longer than the span, so it can run only once; 2 are requested",
        ),
        (
            [{"name": "a", "power_w": 60.0, "count": 15}],
            {},
            "idling and all requested runs need 900 Wh; 600 Wh are available, 67 % of that",
        ),
        (
            [{"name": "a", "data_mbit": 90.0, "count": 22}],
            {},
            "all requested runs yield 1930 Mbit to send; the link carries 1728 Mbit, 90 % of that",
        ),
        ([{"name": "a", "value": 0.0}], {}, "has no value"),
        (
            [{"name": "a", "duration_min": 12_000}],
            {},
            'activity "a": has no window: a slot is longer than the span',
        ),
        (
            [{"name": "a"}],
            {"platforms": [platform(unit=[NODE])]},
            'unit "box": has no instruments, so that nothing needs its operating_k',
        ),
        (
            [{"name": "a"}],
            {"instruments": [{"name": "spare", "platform": "lander"}]},
            'instrument "spare": is used by no activity',
        ),
        ([], {}, "there is no activity"),
    ],
)
def test_what_is_odd_is_a_warning_and_planning_goes_on(activities, parts, words):
    scene = scenario(*activities, **parts)
    offered = world(scene)
    table = audit(offered)
    assert words in said(table, Severity.WARNING) and Severity.INFEASIBLE not in set(
        table["severity"]
    )
    assert make_plan(offered).verdict.is_valid


@pytest.mark.parametrize(
    ("activity", "parts", "words"),
    [
        ({"duration_min": 40}, {}, "40 min are rounded up to a slot of 45 min"),
        ({}, {"hours": 24.1}, "its last 6 min are less than a step and are not used"),
        ({"count": 3, "repeat_worth": 0.0}, {}, "only its first run has a value"),
        (
            {"coverage": {"over": "sun_elevation_deg", "edges": [0, 10, 20, 40, 60]}},
            {},
            "its windows reach 2 of the 4 bins of its coverage over sun_elevation_deg",
        ),
    ],
)
def test_small_print_is_a_note(activity, parts, words):
    assert words in said(found({"name": "a"} | activity, **parts), Severity.NOTE)


def test_contact_gap_longer_than_the_store_lasts_is_told():
    rate_kbps = np.where(np.arange(1440) < 720, 0.0, 100.0)
    table = found({"name": "a", "count": 12, "data_mbit": 20.0}, columns={"rate_kbps": rate_kbps})
    words = (
        "in the longest contact gap all requested runs yield about 120 Mbit; the storage holds 50"
    )
    assert words in said(table, Severity.WARNING)


def test_too_many_starts_name_the_activity_and_what_to_coarsen(monkeypatch):
    monkeypatch.setattr(room, "MANY_STARTS", 150)
    table = found({"name": "a", "duration_min": 240}, {"name": "b"})
    assert 'there are 174 possible starts, 93 of them of "b"' in said(table, Severity.WARNING)
    assert "a step_min above 15" in said(table, Severity.WARNING)


def test_a_relay_carries_what_others_send_through_it():
    rover = platform(
        "rover",
        kind="rover",
        radio={"to": "lander", "rate_kbps": 5.0},
        store={"end_limit_mbit": 0.0},
    )
    lander = platform(store={"end_limit_mbit": 0.0})
    scene = scenario(
        {"name": "a", "platform": "rover", "data_mbit": 30.0, "count": 2, "must": 1},
        {"name": "b", "data_mbit": 7.0},
        platforms=[lander, rover],
    )
    table = balance(world(scene)).set_index(["platform", "resource"])
    assert table.loc[("rover", "link"), ["required", "requested"]].tolist() == [30.0, 60.0]
    assert table.loc[("lander", "link"), ["required", "requested"]].tolist() == [30.0, 67.0]
    assert table.loc[("rover", "link"), "available"] == pytest.approx(5.0 * 86.4)


def test_stations_never_heard_are_told(demo):
    only = demo.contacts.head(1).assign(station="alpha")
    told = said(audit(replace(world(scenario({"name": "a"})), contacts=only)), Severity.WARNING)
    assert 'station "beta": is never in contact' in told and '"alpha"' not in told


def test_nothing_rules_out_the_demo_and_all_its_stations_are_heard(demo):
    table = audit(demo)
    assert Severity.INFEASIBLE not in set(table["severity"])
    assert not table["where"].str.startswith("station").any()


RELAYED = {"to": "lander", "rate_kbps": 5.0, "range_limit_m": 100.0}
FAR = [{"from_utc": "2028-07-01T00:00:00Z", "distance_m": 250.0}]


@pytest.mark.parametrize(
    ("activity", "parts", "ways"),
    [
        (
            {"duration_min": 12_000, "when": {"sun_elevation_deg": [6, 90]}},
            {},
            ['duration_min of activity "a" to 1290 (now 12000)'],
        ),
        (
            {"count": 50, "gap_min": 0},
            {},
            ['duration_min of activity "a" to 15 (now 60)', 'count of activity "a" to 24 (now 50)'],
        ),
        (
            {"power_w": 120.0},
            {},
            ['bus_limit_w of platform "lander" to 120', 'power_w of activity "a" to 100'],
        ),
        (
            {"data_mbit": 130.0},
            {},
            ['store.capacity_mbit of platform "lander" to 58', 'data_mbit of activity "a" to 122'],
        ),
        (
            {"platform": "rover", "contact": "whole"},
            {"platforms": [platform(), platform("rover", radio=RELAYED, track=FAR)]},
            ['radio.range_limit_m of platform "rover" to 250 (now 100)'],
        ),
        (
            {"power_w": 60.0, "count": 15},
            {},
            ['battery.capacity_wh of platform "lander" to 1500 (now 1000)'],
        ),
    ],
)
def test_a_fix_names_the_key_the_value_that_is_enough_and_the_value_now(activity, parts, ways):
    """The days of the small scenario last 24 h, and their Sun is 6 deg high after 144 min."""
    scene = scenario({"name": "a"} | activity, **parts)
    offered = world(scene)
    if len(scene.platform) > 1:
        silent = {"rover_rate_kbps": 0.0, "rover_in_contact": False}
        offered = world(scene, **silent)
    told = [f.line for f in findings(offered)]
    for way in ways:
        assert any(f"set {way}" in line for line in told), told
    assert not any("widen" in line or "gap_min of" in line for line in told), told
    check_every_way(offered)


def test_time_to_decide_is_a_fix_where_a_run_waits_for_a_decision():
    """The last start is 23 h after the first, and the run before takes an hour."""
    after = [{"activity": "b", "decide_min": 1400}]
    offered = world(scenario({"name": "b"}, {"name": "a", "after": after}))
    (finding,) = [f for f in findings(offered) if "late enough" in f.finding]
    assert 'set decide_min after "b" of activity "a" to 1320 (now 1400)' in finding.line
    assert check_every_way(offered)


def test_a_battery_that_starts_at_its_reserve_is_not_told_to_be_larger():
    """Whatever its capacity, it has nothing to give."""
    empty = platform(battery={"start": 0.2})
    scene = scenario({"name": "a", "power_w": 60.0}, platforms=[empty])
    (finding,) = [f for f in findings(world(scene)) if "Wh are available" in f.finding]
    assert "battery.capacity_wh" not in finding.fix


def test_no_start_is_permitted_where_one_run_is_more_than_the_store_can_take():
    """50 Mbit and 72 Mbit an hour sent meanwhile: the bound counts no run of 130 Mbit either."""
    offered = world(scenario({"name": "a", "data_mbit": 130.0, "count": 3}, {"name": "b"}))
    made = make_plan(offered)
    assert made.value == 1.0 and made.bound == pytest.approx(1.0, abs=1e-5)
    (row,) = made.unplaced.itertuples()
    assert "store.capacity_mbit of 50" in row.reason
    assert make_plan(world(scenario({"name": "a", "data_mbit": 120.0}))).value == 1.0


def check_every_way(environment) -> int:
    """How many changes are told; each makes its finding go away."""
    told, order = 0, list(Severity)
    for finding in findings(environment):
        for way in finding.ways:
            with patch("obsplan.planning.reasons.finding.MOST_WAYS", 0):
                left = [
                    f for f in findings(with_keys(environment, way)) if f.where == finding.where
                ]
            same = [f for f in left if f.finding.split()[:3] == finding.finding.split()[:3]]
            milder = [f for f in same if order.index(f.severity) > order.index(finding.severity)]
            assert milder == same, (str(way), same)
            told += 1
    return told


@settings(max_examples=12)
@given(cases(hours=(2, 4)))
def test_every_change_that_mends_a_finding_mends_it(case):
    check_every_way(case)


@pytest.mark.long
@settings(max_examples=1000)
@given(cases())
def test_every_change_that_mends_a_finding_of_thousands_mends_it(case):
    check_every_way(case)


def check_no_plan_if_infeasible(environment) -> None:
    if Severity.INFEASIBLE in set(audit(environment)["severity"]):
        with pytest.raises(Infeasible):
            make_plan(environment)


@settings(max_examples=25)
@given(cases(hours=(2, 4)))
def test_whatever_the_audit_rules_out_no_plan_is_found_for(case):
    check_no_plan_if_infeasible(case)


@pytest.mark.long
@settings(max_examples=3000)
@given(cases())
def test_whatever_the_audit_rules_out_in_thousands_no_plan_is_found_for(case):
    check_no_plan_if_infeasible(case)
