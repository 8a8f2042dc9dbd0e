"""What blocks a run is known by construction, and is what is named."""

from dataclasses import replace

import numpy as np
import pytest
from tools.explained import booked, explained, small_battery, why
from tools.small import platform, scenario, world
from tools.tiny import heat

from obsplan.checking.user_rules import with_rule
from obsplan.checking.violation import Violation
from obsplan.environment.user_windows import with_windows
from obsplan.planning.problem.timeline_table import timeline_table
from obsplan.planning.reasons.blocking import Constraint, blocking_amounts, tolerance_of
from obsplan.planning.reasons.reason_wording import BrokenRules
from obsplan.planning.reasons.unplaced import explain

NO_DOWNLINK = {"rate_kbps": 0.0}


# --- the table


def test_table_is_empty_with_its_columns_when_all_fits():
    scene = scenario({"name": "camera"})
    environment = world(scene)
    table = explained(environment, booked(scene, environment, ("camera", 0)))
    assert table.empty
    assert list(table) == ["activity", "requested", "placed", "reason", "would_fit_if"]


def test_one_row_for_each_activity_that_lacks_runs_in_the_order_of_the_scenario():
    scene = scenario({"name": "z", "count": 3}, {"name": "m"}, {"name": "a", "count": 2})
    environment = world(scene)
    table = explained(
        environment, booked(scene, environment, ("z", 0), ("z", 8), ("m", 0), ("a", 0))
    )
    assert table[["activity", "requested", "placed"]].values.tolist() == [["z", 3, 2], ["a", 2, 1]]


# --- windows that a script gives


def test_runs_that_fill_the_windows_of_a_script_are_told_so():
    """An hour is open, and it is taken: it is the windows that leave no room, not other runs."""
    scene = scenario({"name": "camera", "count": 2})
    open_ = (np.arange(1440) >= 300) & (np.arange(1440) < 375)
    environment = with_windows(world(scene), "camera", open_)
    table = explained(environment, booked(scene, environment, ("camera", 20)))
    assert table["reason"][0] == "window: own windows"
    # The quarter of an hour after the slot is open already.
    until = "2028-07-01T06:00Z to 2028-07-01T07:00Z"
    assert table["would_fit_if"][0] == f"its own windows were open from {until} too"


def test_windows_that_hold_no_more_are_the_reason_even_if_no_change_is_found():
    """A rule of the user's forbids a second run, wherever it is."""

    def once(environment, runs):
        for run in runs[1:].itertuples():
            yield Violation("", run.start_utc, 1.0, "run", "is one too many", slots=(run.slot,))

    scene = scenario({"name": "camera", "count": 3, "when": {"sun_elevation_deg": [14.4, 90]}})
    environment = with_rule(world(scene), "once", once)
    table = explained(environment, booked(scene, environment, ("camera", 91)))
    assert table["reason"][0] == "its windows leave room for 1 run: Sun elevation"


# --- one constraint blocks


def test_run_that_fits_as_it_is_was_not_found_by_the_search():
    scene = scenario({"name": "camera", "count": 2})
    reason, change = why(scene, ("camera", 0))
    assert reason == "not found by the search"
    assert change == "nothing changed: it fits at 2028-07-01T01:00Z"


def test_run_that_adds_no_value_is_said_to_add_none():
    scene = scenario({"name": "camera", "count": 2, "repeat_worth": 0.0})
    reason, change = why(scene, ("camera", 0))
    assert reason == "one more run adds no value"
    assert change == "nothing changed: it fits at 2028-07-01T01:00Z"


def test_run_whose_data_needs_a_contact_that_the_plan_left_unused_fits_as_it_is():
    scene = scenario({"name": "camera", "count": 2, "data_mbit": 30.0})
    environment = world(scene)
    booking = booked(scene, environment, ("camera", 0))
    booking.may_send[:] = False
    booking.flow = booking.simulate()
    assert booking.flow.held_mbit[0, -1] == pytest.approx(30.0)
    table = explained(environment, booking)
    assert table["would_fit_if"][0] == "nothing changed: it fits at 2028-07-01T01:00Z"


def test_run_that_only_the_replay_by_the_minute_refuses_is_told_the_charge_it_lacks():
    # Each quarter of an hour brings the 10 Wh that the run takes, but in its last 5 minutes;
    # 40 W for 10 minutes are 6.67 Wh.
    empty = small_battery(start=0.2)
    scene = scenario({"name": "heater", "power_w": 40.0}, platforms=[empty], hours=1)
    found = why(scene, generation_w=np.where(np.arange(60) % 15 < 10, 0.0, 120.0))
    change = 'the battery of "lander" held 6.7 Wh more before 2028-07-01T00:00Z'
    assert found == ('energy of "lander"', change)


def test_run_that_the_replay_refuses_for_lack_of_storage_is_not_said_to_fit():
    # 0.5 Mbit a minute; a link in the last 5 minutes of each quarter takes all there is. The store
    # has room for the ten minutes before that of one of the two.
    small = platform(store={"capacity_mbit": 8.0})
    both = ({"name": name, "data_mbit": 30.0} for name in ("camera", "radar"))
    scene = scenario(*both, platforms=[small], hours=1)
    rate_kbps = np.where(np.arange(60) % 15 < 10, 0.0, 50.0)
    reason, change = why(scene, ("radar", 0), rate_kbps=rate_kbps)
    assert reason == 'rule "storage" in the replay by the minute'
    assert change == (
        "no single change found; 1 constraint blocks the best start, "
        '2028-07-01T00:00Z (rule "storage")'
    )


def test_run_that_only_a_rule_of_the_users_refuses_is_told_the_rule():
    def late_runs(environment, runs):
        for run in runs[runs["start_utc"].dt.hour >= 1].itertuples():
            yield Violation("", run.start_utc, 1.0, "run", "is late", "", slots=(run.slot,))

    scene = scenario({"name": "camera", "count": 2}, hours=2)
    environment = with_rule(world(scene), "first hour only", late_runs)
    booking = booked(scene, environment, ("camera", 0))
    answer = explain(environment, booking, timeline_table(environment, booking))["camera"]
    assert answer.reason == BrokenRules(("first hour only",))
    assert str(answer.reason) == 'rule "first hour only" in the replay by the minute'
    assert answer.reason.short("lander") == "first hour only"
    assert str(answer.fix).endswith('(rule "first hour only")')


@pytest.mark.parametrize("excess_w, blocks", [(1e-10, False), (1e-8, True)])
def test_bus_power_blocks_a_run_beyond_the_rounding_that_a_plan_may_use(excess_w, blocks):
    scene = scenario({"name": "camera", "power_w": 30.0})
    environment = world(scene)
    booking = booked(scene, environment)
    booking.peak_w[0] = booking.problem.nodes[0].bus_limit_w - 30.0 + excess_w
    amount = blocking_amounts(booking, 0)[Constraint.BUS_POWER]
    assert bool((amount > tolerance_of(Constraint.BUS_POWER)).all()) == blocks


@pytest.mark.parametrize(
    "efficiency, missing",
    # 60 Wh to spend: 40 + 40 are 20 too many; at 0.8 a run takes 50, and 40 are missing.
    [(1.0, "20"), (0.8, "40")],
)
def test_energy_names_the_missing_charge_and_when_it_is_needed(efficiency, missing):
    part = small_battery(discharge_efficiency=efficiency)
    scene = scenario({"name": "drill", "power_w": 40.0, "count": 2}, platforms=[part])
    reason, change = why(scene, ("drill", 0))
    assert reason == 'energy of "lander"'
    assert change == f'the battery of "lander" held {missing} Wh more before 2028-07-01T01:00Z'


def test_missing_charge_counts_what_the_arrays_give_during_the_run():
    # A run of 72 Wh finds 60 to spend; 30 W come in from 20:00 on.
    scene = scenario({"name": "drill", "power_w": 72.0}, platforms=[small_battery()])
    generation_w = np.where(np.arange(24 * 60) >= 1200, 30.0, 0.0)
    booking = booked(scene, world(scene, generation_w=generation_w))
    missing_wh = blocking_amounts(booking, 0)[Constraint.ENERGY]
    assert missing_wh[[0, 76, 77, 78, 79]] == pytest.approx([12.0, 12.0, 4.5, 0.0, 0.0])


def test_run_for_which_no_full_battery_would_do_needs_a_larger_one():
    # 90 Wh, where 60 are to spend and 80 would be with a full battery.
    scene = scenario({"name": "drill", "power_w": 90.0}, platforms=[small_battery()])
    reason, change = why(scene)
    assert reason == 'energy of "lander"'
    assert change == 'the battery of "lander" held 30 Wh more before 2028-07-01T00:00Z'


def test_run_that_needs_more_than_twice_the_battery_has_no_single_change():
    scene = scenario(
        {"name": "drill", "power_w": 99.0, "duration_min": 120}, platforms=[small_battery()]
    )
    reason, change = why(scene)
    assert reason == "energy"
    assert change.startswith("no single change found; 1 constraint blocks the best start")
    assert change.endswith("(energy)")


def test_store_names_the_room_and_the_instant_at_which_it_is_full():
    # 30 Mbit aboard, 7.5 more each step from 01:00: over 50 in the third, 10 over at the end.
    scene = scenario({"name": "camera", "data_mbit": 30.0, "count": 2})
    reason, change = why(scene, ("camera", 0), **NO_DOWNLINK)
    assert reason == 'storage and downlink of "lander"'
    assert change == (
        'the storage of "lander" held 10 Mbit more by 2028-07-01T01:45Z (start 2028-07-01T01:00Z)'
    )


def test_store_that_overflows_further_and_further_lacks_all_that_comes():
    # 60 Mbit in an hour, 15 a step, into room for 20: over from the second step on, and
    # what is too much at the end is more than there is to be sent at first.
    part = platform(store={"capacity_mbit": 20.0})
    scene = scenario({"name": "camera", "data_mbit": 60.0}, platforms=[part])
    _, change = why(scene, **NO_DOWNLINK)
    assert change == (
        'the storage of "lander" held 40 Mbit more by 2028-07-01T00:30Z (start 2028-07-01T00:00Z)'
    )


def test_data_over_both_the_room_and_what_may_stay_lack_both():
    # 40 aboard; 20 more are 10 over the room and 15 over what may stay.
    store = {"capacity_mbit": 50.0, "end_limit_mbit": 45.0}
    scene = scenario(
        {"name": "camera", "data_mbit": 20.0, "count": 3}, platforms=[platform(store=store)]
    )
    _, change = why(scene, ("camera", 0), ("camera", 4), **NO_DOWNLINK)
    assert change == (
        'the storage of "lander" held 15 Mbit more by 2028-07-01T02:45Z and could keep as much '
        "more at the end (start 2028-07-01T02:00Z)"
    )


def test_data_left_at_the_end_names_what_may_stay_and_the_end():
    # Two runs of 4 Mbit that cannot be sent, 5 Mbit may stay: 3 too many.
    part = platform(store={"end_limit_mbit": 5.0})
    scene = scenario({"name": "camera", "data_mbit": 4.0, "count": 2}, platforms=[part])
    reason, change = why(scene, ("camera", 0), **NO_DOWNLINK)
    assert reason == 'storage and downlink of "lander"'
    assert change == (
        '"lander" could keep 3 Mbit more in its storage at the end (start 2028-07-01T01:00Z)'
    )


def test_store_of_the_platform_that_passes_data_on_is_the_one_named():
    # The rover's 30 Mbit arrive in the lander's store, which holds 20 and sends nothing.
    lander = platform(store={"capacity_mbit": 20.0}, radio={"transmit_w": 0.0})
    rover = platform("rover", radio={"to": "lander"}, store={"end_limit_mbit": 0.0})
    scene = scenario(
        {"name": "camera", "platform": "rover", "data_mbit": 30.0}, platforms=[lander, rover]
    )
    reason, change = why(scene, lander_rate_kbps=0.0)
    assert reason == 'storage and downlink of "rover"'
    assert change.startswith('"rover" could keep 10 Mbit more in its storage at the end (')


NOISE = {"name": "drill", "disturbs": True, "value": 5.0}


def quiet(name: str, value: float, **changes) -> dict:
    return {"name": name, "quiet": True, "value": value} | changes


@pytest.mark.parametrize(
    "worth, reason",
    [
        (9.0, 'exclusion with "listen": worth no more than the slot it would replace'),
        (5.0, 'exclusion with "listen": worth no more than the slot it would replace'),
        (2.0, 'exclusion with "listen"'),
    ],
)
def test_blocking_slot_is_named_with_what_its_removal_costs(worth, reason):
    scene = scenario(quiet("listen", worth), NOISE, hours=1)
    found = why(scene, ("listen", 0))
    change = f"slot s001 (listen, 2028-07-01T00:00Z) were removed: value -{worth:.1f} + 5.0"
    assert found == (reason, change)


def test_of_blocking_slots_the_least_worthy_is_removed():
    scene = scenario(quiet("listen", 9.0), quiet("tune", 3.0), NOISE, hours=2)
    _, change = why(scene, ("listen", 0), ("tune", 4))
    assert change.startswith("slot s002 (tune, 2028-07-01T01:00Z) were removed: value -3.0 + 5.0")


def test_slot_may_be_removed_for_its_energy():
    # 60 Wh to spend: both do not go, one does, and the bus carries only one as well.
    listen, drill = {"power_w": 50.0}, NOISE | {"power_w": 55.0}
    scene = scenario(quiet("listen", 9.0, **listen), drill, hours=1, platforms=[small_battery()])
    _, change = why(scene, ("listen", 0))
    assert change.startswith("slot s001 (listen, ")


def test_required_slot_is_not_removed():
    scene = scenario(quiet("listen", 9.0, must=1), NOISE, hours=1)
    reason, change = why(scene, ("listen", 0))
    assert reason == "exclusion"
    assert change == (
        "no single change found; 1 constraint blocks the best start, 2028-07-01T00:00Z (exclusion)"
    )


def test_slot_that_others_wait_for_is_not_removed():
    drill = NOISE | {"not_with": ["read"]}
    read = {"name": "read", "after": [{"activity": "listen"}], "must": 1}
    scene = scenario(quiet("listen", 9.0), read, drill, hours=2)
    reason, change = why(scene, ("listen", 0), ("read", 4))
    assert reason == "exclusion"
    assert change.startswith("no single change found")


@pytest.mark.parametrize("gap_min, less_min", [(120, 60), (110, 50)])
def test_gap_names_by_how_much_it_is_too_long(gap_min, less_min):
    # In three hours an hour is left between the first run and the latest second one.
    scene = scenario({"name": "sweep", "gap_min": gap_min, "count": 2}, hours=3)
    reason, change = why(scene, ("sweep", 0))
    assert reason == "gap"
    assert change == f"the gap were {less_min} min shorter (start 2028-07-01T02:00Z)"


def test_run_that_only_its_own_kind_leaves_no_place_for_has_no_single_change():
    scene = scenario({"name": "sweep", "count": 2}, hours=1)
    reason, change = why(scene, ("sweep", 0))
    assert reason == "its windows leave room for 1 run"
    assert change.endswith("2028-07-01T00:00Z (its other runs)")


def test_bus_names_the_watts_it_lacks():
    # 60 + 60.25 W on a bus of 100 W; stated in tenths, rounded up.
    scene = scenario({"name": "a", "power_w": 60.0}, {"name": "b", "power_w": 60.25}, hours=1)
    reason, change = why(scene, ("a", 0))
    assert reason == 'bus power of "lander"'
    assert change == 'the bus of "lander" carried 20.3 W more (start 2028-07-01T00:00Z)'


def test_order_names_by_how_much_settling_takes_too_long():
    # The latest start, 02:00, is an hour after the end of the first; two hours are asked.
    read = {"name": "read", "after": [{"activity": "level", "settle_min": 120}]}
    scene = scenario({"name": "level"}, read, hours=3)
    reason, change = why(scene, ("level", 0))
    assert reason == 'order: waits for "level"'
    assert change == (
        'the settling time after "level" were 60 min shorter (start 2028-07-01T02:00Z)'
    )


def test_order_that_no_shorter_settling_fixes_is_lifted():
    read = {"name": "read", "after": [{"activity": "level", "settle_min": 30}]}
    scene = scenario({"name": "level"}, read, hours=3)
    _, change = why(scene, ("level", 8))
    assert change == 'its "after" condition on "level" were lifted (start 2028-07-01T02:00Z)'


def test_activity_that_waits_for_one_without_a_run_says_so():
    level = {"name": "level", "when": {"sun_elevation_deg": [89, 90]}}
    read = {"name": "read", "after": [{"activity": "level"}]}
    scene = scenario(level, read, hours=3)
    environment = world(scene)
    table = explained(environment, booked(scene, environment)).set_index("activity")
    assert table.loc["read", "reason"] == 'order: waits for "level", which has no run'
    assert table.loc["read", "would_fit_if"] == (
        'its "after" condition on "level" were lifted (start 2028-07-01T02:00Z)'
    )


@pytest.mark.parametrize(
    "when, reason, change",
    [
        # The Sun climbs to 15 deg; the last hour starts at 14.583 deg.
        (
            {"sun_elevation_deg": [16, 90]},
            "Sun elevation 16 to 90 deg",
            "its range of Sun elevation were 14.5 to 90 deg",
        ),
        # At 0.3 m the last hour starts at 249.583 K.
        (
            {"ground": {"depth_m": 0.3, "temperature_k": [260, 300]}},
            "ground temperature at 0.3 m 260 to 300 K",
            "its range of ground temperature at 0.3 m were 249.5 to 300 K",
        ),
    ],
)
def test_window_names_the_condition_and_how_far_it_would_have_to_open(when, reason, change):
    scene = scenario({"name": "camera", "when": when})
    found = why(scene)
    assert found == (
        f"no window: no slot in the span has {reason}",
        f"{change} (start 2028-07-01T23:00Z)",
    )


def test_window_that_is_full_may_open_further():
    # From 7 h on the Sun is at 7.9167 deg or less; the hour before the window is free.
    camera = {"name": "camera", "count": 2, "when": {"sun_elevation_deg": [7.5, 7.92]}}
    scene = scenario(camera, hours=7)
    reason, change = why(scene, ("camera", 24))
    assert reason == "window: Sun elevation"
    assert change == "its range of Sun elevation were 7 to 7.92 deg (start 2028-07-01T05:00Z)"


def test_contact_names_the_minutes_it_lacks():
    scene = scenario({"name": "drive", "contact": "whole"})
    in_contact = np.zeros(24 * 60, dtype=bool)
    in_contact[120:150] = True
    reason, change = why(scene, in_contact=in_contact)
    assert reason == "no window: no slot in the span has contact throughout"
    assert change == (
        "contact lasted 30 min longer between 2028-07-01T01:30Z and 2028-07-01T02:30Z"
    )


def test_contact_at_the_start_names_the_instant():
    scene = scenario({"name": "drive", "contact": "start"})
    _, change = why(scene, in_contact=False)
    assert change == "there were contact at 2028-07-01T00:00Z"


def test_commands_that_come_too_early_may_come_later():
    """Contact begins at 02:00, so a start at 03:00 leaves 59 min; the span ends with it."""
    scene = scenario({"name": "drive", "lead_min": 90}, hours=4)
    in_contact = np.arange(4 * 60) >= 120
    found = why(scene, in_contact=in_contact)
    assert found == (
        "no window: no slot in the span has a contact to command it 90 min or more "
        "before its start",
        "the lead time of its commands were 31 min shorter (start 2028-07-01T03:00Z)",
    )


def test_slot_longer_than_the_span_has_no_window_and_no_change():
    scene = scenario({"name": "camera", "duration_min": 120}, hours=1)
    found = why(scene)
    assert found == ("no window: a slot is longer than the span", "no single change found")


def test_constraints_that_block_together_are_all_named():
    listen, drill = quiet("listen", 9.0, must=1, power_w=60.0), NOISE | {"power_w": 60.0}
    scene = scenario(listen, drill, hours=1)
    reason, change = why(scene, ("listen", 0))
    assert reason == "exclusion and bus power"
    assert change == (
        "no single change found; 2 constraints block the best start, "
        "2028-07-01T00:00Z (exclusion, bus power)"
    )


# --- a budget is used up


def test_used_up_budget_is_named_with_what_is_missing():
    scene = scenario({"name": "camera", "count": 3}, {"name": "probe"})
    environment = world(scene)
    plan = booked(scene, environment, ("camera", 0), ("camera", 8), ("probe", 0))
    plan.problem = replace(plan.problem, budgets=(heat(5.0, 2.0, 0.5),))
    assert blocking_amounts(plan, 0)["heat"].tolist() == [1.5] * 93
    assert not blocking_amounts(plan, 1)["heat"].any()
    table = explained(environment, plan)
    assert table["reason"].tolist() == ["heat"]
    assert table["would_fit_if"].tolist() == [
        "no single change found; 1 constraint blocks the best start, 2028-07-01T01:00Z (heat)"
    ]
