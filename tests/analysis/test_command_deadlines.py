"""When a slot must be commanded: table, rule and windows, each by its own arithmetic."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tools.small import START, platform, scenario_table, slots, world

from obsplan.analysis.command_deadlines import (
    DEADLINE_COLUMNS,
    LOADED_BEFORE,
    has_uplink_lead,
    uplink_deadlines,
)
from obsplan.checking.check import check_timeline
from obsplan.common.errors import ScenarioError
from obsplan.inputs.read_scenario import scenario_from
from obsplan.planning.problem.start_windows import start_mask, why_no_window

DAY = np.arange(1440)
# Light takes 384400 km / 299792.458 km/s = 1.28 s, so a command leaves two seconds early.
LIGHT = pd.Timedelta(seconds=2)


def scene_with(uplink: dict | None, *activities: dict, **parts):
    table = scenario_table(*(activities or ({"name": "sweep", "count": 9},)), **parts)
    return scenario_from(table | ({"uplink": uplink} if uplink else {}))


def at(minute: int) -> pd.Timestamp:
    return START + pd.Timedelta(minutes=minute)


def test_deadline_is_the_end_of_the_last_contact_that_leaves_the_lead():
    scene = scene_with({"lead_min": 30})
    contact = ((DAY >= 100) & (DAY < 200)) | ((DAY >= 400) & (DAY < 500))
    stations = np.where(DAY < 150, "alpha", "beta")
    rows = slots(("sweep", 600), ("sweep", 420), ("sweep", 165), ("sweep", 90))
    table = uplink_deadlines(world(scene, in_contact=contact, station=stations), rows)
    assert list(table.columns) == list(DEADLINE_COLUMNS)
    rows = [(r.slot, r.deadline_utc, r.station, r.contact_opens_utc) for r in table.itertuples()]
    assert rows[0][0] == "s4" and rows[0][1] is pd.NaT and rows[0][2] == ""
    assert rows[1:] == [
        ("s3", at(135) - LIGHT, "alpha", at(100)),
        ("s2", at(200) - LIGHT, "beta", at(150)),
        ("s1", at(500) - LIGHT, "beta", at(400)),
    ]
    later = uplink_deadlines(
        world(scene, in_contact=contact, station=stations),
        slots(("sweep", 600), ("sweep", 420), ("sweep", 165), ("sweep", 90)),
        at(150).to_pydatetime(),
    )
    assert later["slot"].tolist() == ["s2", "s1"]
    # At 300 min it is too late to command what starts at 420 min.
    late = uplink_deadlines(
        world(scene, in_contact=contact, station=stations),
        slots(("sweep", 600), ("sweep", 420)),
        at(300),
    )
    assert late["slot"].tolist() == ["s1"]


def test_slots_of_a_relayed_platform_are_commanded_through_its_receiver():
    rover = platform("rover", kind="rover", radio={"to": "lander"})
    scene = scene_with(
        {"lead_min": 0}, {"name": "drive", "platform": "rover"}, platforms=[platform(), rover]
    )
    contact = (DAY >= 100) & (DAY < 200)
    table = uplink_deadlines(world(scene, in_contact=contact), slots(("drive", 300)))
    assert table.loc[0, "station"] == "alpha" and table.loc[0, "deadline_utc"] == at(200) - LIGHT


def test_an_activity_may_ask_a_lead_of_its_own_and_one_without_any_has_no_deadline():
    scene = scene_with(None, {"name": "sweep"}, {"name": "arm", "lead_min": 120})
    assert has_uplink_lead(scene) and not has_uplink_lead(scene_with(None))
    table = uplink_deadlines(world(scene), slots(("sweep", 300), ("arm", 300)))
    assert list(table["activity"]) == ["arm"] and list(table["lead_min"]) == [120]
    assert table.loc[0, "deadline_utc"] == at(180) - LIGHT


def test_what_is_loaded_before_the_span_needs_no_contact():
    loaded = at(120).isoformat()
    scene = scene_with({"lead_min": 30, "loaded_until_utc": loaded})
    silent = world(scene, in_contact=DAY >= 600)
    assert check_timeline(silent, slots(("sweep", 0), ("sweep", 105), ("sweep", 645))).is_valid
    table = uplink_deadlines(silent, slots(("sweep", 0)))
    assert table.loc[0, "station"] == LOADED_BEFORE and table.loc[0, "deadline_utc"] is pd.NaT
    assert not check_timeline(silent, slots(("sweep", 120))).is_valid


def test_a_slot_that_no_contact_can_command_in_time_breaks_a_rule():
    scene = scene_with({"lead_min": 30})
    place = world(scene, in_contact=DAY >= 100)
    # The first minute of contact is over at 101, and the lead at 131.
    assert check_timeline(place, slots(("sweep", 135))).is_valid
    (found,) = check_timeline(place, slots(("sweep", 120))).violations.itertuples()
    assert (found.rule, found.slots, found.time_utc, found.amount, found.unit) == (
        "uplink",
        "s1",
        at(120),
        11.0,
        "min",
    )
    assert found.message == (
        '"sweep" (slot s1) cannot be commanded in time: no contact comes 30 min or more before '
        'it starts at 2028-07-01T02:00Z; fix: start "sweep" (slot s1) at 2028-07-01T02:15Z'
    )


def test_without_a_lead_the_rule_is_not_posed():
    scene = scene_with(None)
    verdict = check_timeline(world(scene, in_contact=False), slots(("sweep", 0)))
    assert verdict.is_valid and "uplink" not in verdict.rules


def test_without_any_contact_nothing_can_be_commanded():
    scene = scene_with({"lead_min": 0})
    place = world(scene, in_contact=False)
    assert not start_mask(place, scene.activity[0]).any()
    assert "contact to command it" in why_no_window(place, scene.activity[0])
    (found,) = check_timeline(place, slots(("sweep", 600))).violations.itertuples()
    assert found.rule == "uplink" and "no other start was found" in found.message


@pytest.mark.parametrize("uplink", [{"lead_min": -5}, {"lead_min": 5, "led_min": 5}, {}])
def test_bad_uplink_tables_are_named(uplink):
    with pytest.raises(ScenarioError, match="uplink"):
        scenario_from(scenario_table({"name": "sweep"}) | {"uplink": uplink})


@given(
    lead=st.integers(0, 200),
    loaded=st.one_of(st.none(), st.integers(0, 1440)),
    turns=st.lists(st.integers(0, 1439), max_size=4),
)
@settings(max_examples=25)
def test_rule_windows_and_table_agree(lead, loaded, turns):
    uplink = {"lead_min": lead}
    if loaded is not None:
        uplink["loaded_until_utc"] = at(loaded).isoformat()
    scene = scene_with(uplink, {"name": "sweep", "count": 99})
    contact = np.searchsorted(sorted(turns), DAY, side="right") % 2 == 1
    place = world(scene, in_contact=contact)
    starts = np.arange(0, 1440 - 60 + 1, 60)
    rows = slots(*(("sweep", int(m)) for m in starts))
    found = check_timeline(place, rows).violations
    late = set(found.loc[found["rule"] == "uplink", "slots"])
    by_table = uplink_deadlines(place, rows)
    unreachable = by_table["deadline_utc"].isna() & (by_table["station"] != LOADED_BEFORE)
    permitted = start_mask(place, scene.activity[0])
    by_windows = {f"s{k}" for k, m in enumerate(starts, start=1) if not permitted[m // 15]}
    assert late == set(by_table.loc[unreachable, "slot"]) == by_windows
