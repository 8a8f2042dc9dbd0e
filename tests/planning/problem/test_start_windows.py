"""A slot may start where its conditions hold through every minute of it."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from tools.small import START, cases, scenario, slots, world

from obsplan.checking.check import check_timeline
from obsplan.planning.problem.start_windows import (
    commandable,
    condition_masks,
    coverage_bin,
    ground_windows,
    start_mask,
    why_no_window,
    windows,
    windows_table,
)

DAY = np.arange(1440)


def starts(asked: dict, **columns) -> list[int]:
    """Permitted starts of a one-hour slot, in minutes of the day."""
    sky = columns.pop("sky", None)
    scene = scenario({"name": "look"} | asked)
    mask = start_mask(world(scene, sky, **columns), scene.activity[0])
    return (np.flatnonzero(mask) * 15).tolist()


def every(first: int, last: int) -> list[int]:
    return list(range(first, last + 1, 15))


def test_without_conditions_only_the_span_limits_a_slot():
    assert starts({}) == every(0, 1380)
    assert starts({"duration_min": 1435, "warm_up_min": 5}) == [0]
    assert starts({"duration_min": 1441}) == []


CONDITIONS = [
    # the Sun climbs 1 deg in 144 min from 5 deg: 7 deg from minute 288 to 576 at 9 deg
    ("sun_elevation_deg", [7, 9], every(300, 510)),
    ("earth_elevation_deg", [20, 28], every(300, 1380)),
    ("earth_phase_deg", [60, 70], every(0, 420)),
    ("surface_temperature_k", [250, np.inf], every(720, 1380)),
    ("sun_elevation_deg", [-np.inf, 6], every(0, 75)),
    # local time begins at 20 h
    ("local_time_h", [21, 23], every(60, 120)),
    ("local_time_h", [22, 3], every(120, 360)),
    ("local_time_h", [0, 24], every(0, 1380)),
    ("sun_elevation_deg", [50, 60], []),
]


@pytest.mark.parametrize("key, limits, expected", CONDITIONS)
def test_condition_holds_through_the_whole_slot(key, limits, expected):
    assert starts({"when": {key: limits}}) == expected


def test_one_bad_minute_bars_every_slot_that_touches_its_step():
    fraction = np.where(DAY == 607, 0.4, 1.0)
    expected = [s for s in every(0, 1380) if not 555 <= s <= 600]
    asked = {"when": {"sun_visible_fraction": [0.5, 1.0]}}
    assert starts(asked, sky={"sun_visible_fraction": fraction}) == expected
    unknown = np.where(DAY == 607, np.nan, 1.0)
    assert starts(asked, sky={"sun_visible_fraction": unknown}) == expected


@pytest.mark.parametrize("asked, expected", [(True, every(720, 1380)), (False, every(0, 660))])
def test_magnetotail_may_be_asked_for_or_shunned(asked, expected):
    assert starts({"when": {"in_magnetotail": asked}}) == expected
    scene = scenario({"name": "look", "when": {"in_magnetotail": asked}})
    table = world(scene, {"in_magnetotail": not asked})
    reason = why_no_window(table, scene.activity[0])
    where = "in" if asked else "outside"
    assert reason == f"no slot in the span has the Moon {where} the magnetotail"


def test_windows_of_ground_temperature_are_to_the_minute():
    table = world(scenario({"name": "look"}))
    # At the surface 200 K and 1 K more every 14.4 min; 30 cm deep 240 K and 1 K in 144 min.
    both = ground_windows(table, 0.0, above_k=210.0, below_k=220.0)
    assert both["start_utc"].tolist() == [START + pd.Timedelta(minutes=144)]
    assert both["end_utc"].tolist() == [START + pd.Timedelta(minutes=289)]
    assert both["duration_min"].tolist() == [145]
    assert ground_windows(table, 0.3, below_k=241.0)["duration_min"].tolist() == [145]
    assert ground_windows(table, 0.3, above_k=250.0).empty
    waves = world(
        scenario({"name": "look"}), {"surface_temperature_k": 200 + 10.0 * (DAY % 60 < 20)}
    )
    assert ground_windows(waves, 0.0, above_k=205.0)["duration_min"].tolist() == [20] * 24


def test_ground_temperature_is_that_of_its_depth():
    limits = {"depth_m": 0.3, "temperature_k": [245, 300]}
    assert starts({"when": {"ground": limits}}) == every(720, 1380)


def test_contact_through_the_slot_or_at_its_start():
    contact = (DAY >= 118) & (DAY < 485)
    assert starts({"contact": "whole"}, in_contact=contact) == every(120, 420)
    assert starts({"contact": "start"}, in_contact=contact) == every(120, 480)
    assert starts({"contact": "none"}, in_contact=contact) == every(0, 1380)


def test_contact_is_that_of_the_platform_which_carries_the_instrument():
    from tools.small import platform

    scene = scenario(
        {"name": "look", "platform": "rover", "contact": "whole"},
        platforms=[platform(), platform("rover", radio={"to": "lander"})],
    )
    table = world(scene, lander_in_contact=DAY < 60, rover_in_contact=DAY >= 1380)
    assert np.flatnonzero(start_mask(table, scene.activity[0])).tolist() == [92]


@pytest.mark.parametrize(("first_min", "soonest_min"), [(119, 150), (120, 165), (134, 165)])
def test_a_command_counts_once_its_minute_of_contact_is_over(first_min, soonest_min):
    # With a lead of 30 min: heard in minute 119, complete at 120, so 150 is the soonest start;
    # heard in minute 120, complete at 121, so 151 is, and the next step begins at 165.
    asked = {"name": "look", "lead_min": 30}
    table = world(scenario(asked), in_contact=first_min <= DAY)
    activity = table.scenario.activity[0]
    assert np.flatnonzero(commandable(table, activity))[0] == first_min + 1 + 30
    assert np.flatnonzero(start_mask(table, activity))[0] * 15 == soonest_min
    for start_min, rules in ((soonest_min - 15, ["uplink"]), (soonest_min, [])):
        found = check_timeline(table, slots(("look", start_min)), fixes=False).violations
        assert found["rule"].tolist() == rules


def test_from_later_on_only_later_contacts_command():
    table = world(scenario({"name": "look", "lead_min": 10}), in_contact=DAY % 100 == 0)
    activity = table.scenario.activity[0]
    assert np.flatnonzero(commandable(table, activity, since_min=1))[0] == 100 + 1 + 10
    assert np.flatnonzero(commandable(table, activity, since_min=100))[0] == 100 + 1 + 10


def test_coverage_bins_are_half_open_and_judged_at_the_start():
    scene = scenario({"name": "look", "coverage": {"over": "span_h", "edges": [1, 2, 4]}})
    table = world(scene)
    bins = coverage_bin(table, scene.activity[0])
    assert bins[:18].tolist() == [-1] * 4 + [0] * 4 + [1] * 8 + [-1] * 2
    mask = start_mask(table, scene.activity[0])
    assert np.array_equal(mask, bins >= 0)


def test_coverage_follows_the_sky_and_leaves_out_what_is_not_known():
    asked = {"name": "look", "coverage": {"over": "sun_elevation_deg", "edges": [6, 8]}}
    scene = scenario(asked)
    sun = np.where(DAY // 60 == 5, np.nan, 5 + DAY / 144)
    bins = coverage_bin(world(scene, {"sun_elevation_deg": sun}), scene.activity[0])
    assert np.flatnonzero(bins == 0).tolist() == [k for k in range(10, 29) if k // 4 != 5]


def test_masks_are_by_the_minute_and_named_after_their_condition():
    asked = {
        "when": {
            "sun_elevation_deg": [7, 9],
            "ground": {"depth_m": 0.3, "temperature_k": [0, 245]},
        },
        "contact": "whole",
    }
    scene = scenario({"name": "look"} | asked)
    masks = condition_masks(world(scene, in_contact=DAY < 100), scene.activity[0])
    assert list(masks) == ["sun_elevation_deg", "ground", "contact"]
    assert [int(m.sum()) for m in masks.values()] == [289, 721, 100]


def test_windows_hold_whole_slots():
    scene = scenario({"name": "look", "when": {"sun_visible_fraction": [0.5, 1.0]}})
    bright = (DAY < 100) | ((DAY >= 300) & (DAY < 350)) | (DAY >= 1000)
    table = world(scene, {"sun_visible_fraction": bright.astype(float)})
    # 100 min hold six steps; 50 min hold no slot of an hour; 1000 min is no whole step.
    assert windows(table, scene.activity[0]).tolist() == [[0, 6], [67, 96]]
    rows = windows_table(table)
    assert rows["activity"].tolist() == ["look", "look"]
    assert rows["duration_min"].tolist() == [90.0, 435.0]
    assert rows["opens_utc"][1] == START + pd.Timedelta(minutes=1005)
    assert rows["closes_utc"][1] == START + pd.Timedelta(days=1)


def test_table_of_windows_is_empty_where_none_is_open():
    scene = scenario({"name": "look", "when": {"sun_elevation_deg": [80, 90]}})
    assert windows_table(world(scene)).empty


def test_a_store_smaller_than_the_data_of_a_run_needs_enough_contact_meanwhile():
    """60 Mbit in an hour, 50 fit; at 20 kbit/s 1.2 Mbit go in a minute, 10 in 9 of them."""
    sending = {"in_contact": DAY < 600, "rate_kbps": np.where(DAY < 600, 20.0, 0.0)}
    assert starts({"data_mbit": 60.0}, **sending) == every(0, 585)
    # At 590 min contact ends after ten minutes, at 585 after fifteen; from 595 on too early.
    assert starts({"data_mbit": 50.0}, **sending) == every(0, 1380)
    assert starts({"data_mbit": 60.0}, rate_kbps=0.0) == []


def test_a_bus_that_cannot_bear_run_and_transmitter_keeps_the_data_in_the_store():
    """The transmitter takes 10 of 100 W: it is off while a run draws 95 W."""
    assert starts({"data_mbit": 60.0, "power_w": 90.0}) == every(0, 1380)
    assert starts({"data_mbit": 60.0, "power_w": 95.0}) == []


REASONS = [
    (
        {"data_mbit": 60.0},
        {"rate_kbps": 0.0},
        "no slot in the span has room for its 60 Mbit with a store.capacity_mbit of 50 on "
        '"lander", even with what can be sent meanwhile',
    ),
    ({"duration_min": 1500}, {}, "a slot is longer than the span"),
    (
        {"when": {"sun_elevation_deg": [80, 90]}},
        {},
        "no slot in the span has Sun elevation 80 to 90 deg",
    ),
    (
        {"contact": "whole"},
        {"in_contact": DAY % 50 < 40},
        "no slot in the span has contact throughout",
    ),
    (
        {"contact": "start", "when": {"sun_elevation_deg": [6, 9]}},
        {"in_contact": False},
        "no slot in the span has contact at its start",
    ),
    (
        {"when": {"sun_elevation_deg": [5, 7], "surface_temperature_k": [250, 400]}},
        {},
        "no slot in the span meets all conditions; dropping one of these would open a window: "
        "Sun elevation 5 to 7 deg, surface temperature 250 to 400 K",
    ),
    (
        {"coverage": {"over": "span_h", "edges": [2, 3]}, "when": {"local_time_h": [8, 12]}},
        {},
        "no slot in the span meets all conditions; dropping one of these would open a window: "
        "local time 8 to 12 h, its start in a coverage bin",
    ),
    (
        {
            "when": {
                "sun_elevation_deg": [5, 7],
                "surface_temperature_k": [250, 260],
                "earth_phase_deg": [80, 90],
            }
        },
        {},
        "no slot in the span has all of these at once: Sun elevation 5 to 7 deg, "
        "Earth phase 80 to 90 deg, surface temperature 250 to 260 K",
    ),
    ({"when": {"sun_elevation_deg": [6, 9]}}, {}, ""),
]


@pytest.mark.parametrize("asked, columns, reason", REASONS)
def test_reason_names_the_condition_that_leaves_no_window(asked, columns, reason):
    scene = scenario({"name": "look"} | asked)
    table = world(scene, **columns)
    assert why_no_window(table, scene.activity[0]) == reason
    assert (reason == "") == start_mask(table, scene.activity[0]).any()


PLACEMENT = ["span", "grid", "duration", "Sun elevation", "coverage", "contact", "keep-out"]
PLACEMENT += ["own window", "team hours"]


@given(case=cases(hours=(2, 4), activities=(1, 2)))
@settings(max_examples=20)
def test_starts_are_those_that_the_check_finds_nothing_wrong_with(case):
    table = case
    scene = table.scenario
    for activity in scene.activity:
        rows = [(activity.name, scene.span.step_min * k) for k in range(scene.steps)]
        found = check_timeline(table, slots(*rows), fixes=False).violations
        found = found[found["rule"].isin(PLACEMENT)]
        wrong = {int(slot[1:]) - 1 for slot in found["slots"]}
        shut = set(np.flatnonzero(~start_mask(table, activity)).tolist())
        assert wrong <= shut
        for start in shut - wrong:  # too much data even for an empty store, or too slow a link
            row = slots((activity.name, scene.span.step_min * start))
            alone = check_timeline(table, row, fixes=False, keep_margins=True)
            assert {"storage", "data latency"} & set(alone.violations["rule"])
