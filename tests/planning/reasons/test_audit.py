"""The audit names what rules out any plan, and what is odd, before anything is solved."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from tools.small import cases, platform, scenario, world

from obsplan.common.errors import Infeasible
from obsplan.planning.plan import make_plan
from obsplan.planning.reasons import audit as room
from obsplan.planning.reasons.audit import Finding, Severity, audit
from obsplan.planning.reasons.balance import balance


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
    assert table.empty and list(table.columns) == list(Finding._fields)


ASKED = {"name": "a", "must": 1}


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
            'one run yields 500 Mbit; the storage of "lander" holds 50',
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
            [
                {"name": "b", "when": {"sun_elevation_deg": [80, 90]}},
                ASKED | {"after": [{"activity": "b"}]},
            ],
            {},
            'after the activities it waits for: "b"',
        ),
        ([{"name": "b"}], {"platforms": [platform(idle_w=60.0)]}, "with no slot at all: "),
    ],
)
def test_what_rules_out_any_plan_is_named_and_planning_agrees(activities, parts, words):
    scene = scenario(*activities, **parts)
    offered = world(scene)
    assert words in said(audit(offered), Severity.INFEASIBLE)
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
    assert not audit(demo)["where"].str.startswith("station").any()
    offered = demo
    only = offered.contacts[offered.contacts["station"] == "Corrie"]
    table = audit(type(offered)(**vars(offered) | {"contacts": only}))
    assert 'station "Saltmarsh": is never in contact' in said(table, Severity.WARNING)


def test_nothing_rules_out_the_demo(demo):
    assert Severity.INFEASIBLE not in set(audit(demo)["severity"])


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
