"""What is sent when: by the minute, in its rows, through relays, within bus and battery."""

from math import ceil

import numpy as np
import pytest
from pandas.testing import assert_frame_equal
from tools.replayed import DAY_MIN, broken, environment, platform, scenario, slots, the_one

from obsplan.checking.check import check_timeline
from obsplan.common.errors import ScenarioError, TableError


def sent_minutes(scene, *rows, name="lander", **columns):
    """Minutes in which a platform sends, and the verdict."""
    verdict = check_timeline(environment(scene, **columns), slots(*rows), fixes=False)
    return np.flatnonzero(verdict.resources[name]["sent_mbit"]).tolist(), verdict


def test_sending_starts_with_contact_and_ends_with_the_data():
    """20 kbps are 1.2 Mbit a minute: 30 Mbit take 25 minutes."""
    scene = scenario(platforms=[platform(store={"start_mbit": 30.0})])
    minutes, verdict = sent_minutes(scene)
    assert minutes == list(range(120, 145))
    table = verdict.resources["lander"]
    assert table["sent_mbit"].iloc[120] == pytest.approx(1.2)
    assert table["load_w"].iloc[119:146].tolist() == [0.0] + [10.0] * 25 + [0.0]
    assert table["stored_wh"].iloc[-1] == pytest.approx(800 - 10 * 25 / 60)


def test_data_of_the_minute_may_leave_in_it_with_the_transmitter_on_for_its_share():
    """Half a Mbit a minute at 1.2 Mbit a minute: 10 W for 5/12 of each minute."""
    scene = scenario({"name": "camera", "data_mbit": 30.0})
    minutes, verdict = sent_minutes(scene, ("camera", 120))
    assert minutes == list(range(120, 180))
    table = verdict.resources["lander"]
    assert table["sent_mbit"].iloc[120:180].tolist() == pytest.approx([0.5] * 60)
    assert table["load_w"].iloc[120:180].tolist() == pytest.approx([10.0 * 5 / 12] * 60)
    assert table["stored_wh"].iloc[-1] == pytest.approx(800 - 10 * 5 / 12)


def test_rest_of_the_data_takes_a_part_of_the_last_minute():
    scene = scenario(platforms=[platform(store={"start_mbit": 2.7})])
    table = sent_minutes(scene)[1].resources["lander"]
    assert table["sent_mbit"].iloc[119:124].tolist() == pytest.approx([0, 1.2, 1.2, 0.3, 0])
    assert table["load_w"].iloc[119:124].tolist() == pytest.approx([0, 10, 10, 2.5, 0])


def test_radio_that_draws_nothing_sends_whatever_the_battery():
    free = platform(battery={"start": 0.2}, radio={"transmit_w": 0.0}, store={"start_mbit": 3.0})
    minutes, verdict = sent_minutes(scenario(platforms=[free]), base_load_w=1.0)
    assert minutes == [120, 121, 122]
    assert verdict.resources["lander"]["load_w"].eq(1.0).all()


@pytest.mark.parametrize("stored_mbit", [1.2, 0.12])
def test_sending_waits_while_it_would_break_the_bus_limit(stored_mbit):
    """105 W are over the limit of 100 W, be it for a tenth of the minute (96 W on average)."""
    scene = scenario(
        {"name": "oven", "power_w": 95.0}, platforms=[platform(store={"start_mbit": stored_mbit})]
    )
    minutes, verdict = sent_minutes(scene, ("oven", 120))
    assert minutes == [180] and verdict.is_valid


def in_all_minutes(start_wh, **battery):
    """A platform in contact all day that spends 1 Wh on each minute of sending."""
    state = {"capacity_wh": 100.0, "start": start_wh / 100.0, "reserve": 0.2}
    return platform(battery=state | battery, radio={"transmit_w": 60.0}, store={"start_mbit": 24.0})


@pytest.mark.parametrize("spare_wh", [0, 0.25, 1, 2.5, 5])
def test_sending_leaves_what_the_loads_to_come_need(spare_wh):
    """10 W for 4 h need 40 Wh above the 20 Wh reserve; the spare alone may be sent with."""
    scene = scenario(platforms=[in_all_minutes(60.0 + spare_wh)], hours=4)
    minutes, verdict = sent_minutes(scene, base_load_w=10.0, rate_kbps=20.0)
    assert minutes == list(range(ceil(spare_wh)))
    table = verdict.resources["lander"]
    # A Wh is a minute of 60 W, in which 1.2 Mbit go.
    shares = [min(max(spare_wh - k, 0), 1) for k in range(6)]
    assert table["sent_mbit"].iloc[:6].tolist() == pytest.approx([1.2 * x for x in shares])
    assert table["load_w"].iloc[:6].tolist() == pytest.approx([10 + 60 * x for x in shares])
    assert verdict.is_valid
    assert verdict.margins["amount"][0] == pytest.approx(0.0, abs=1e-9)


def test_loss_on_the_way_out_leaves_less_to_send_with():
    """1 Wh of spare gives 0.8 Wh to the bus: 48 s of 60 W, which carry 0.96 Mbit."""
    scene = scenario(platforms=[in_all_minutes(21.0, discharge_efficiency=0.8)], hours=4)
    minutes, verdict = sent_minutes(scene, rate_kbps=20.0)
    assert minutes == [0] and verdict.is_valid
    table = verdict.resources["lander"]
    assert table["sent_mbit"].iloc[0] == pytest.approx(0.96)
    assert table["load_w"].iloc[0] == pytest.approx(48.0)
    assert table["stored_wh"].iloc[1] == pytest.approx(20.0)


@pytest.mark.parametrize(
    "end_wh, share, level_wh", [(99.75, 1 / 7, 60.25), (99.5, 2 / 7, 60.0), (99.0, 4 / 7, 59.5)]
)
def test_charge_forgone_and_charge_drawn_both_count(end_wh, share, level_wh):
    """60 W for 80 min put in 40 Wh at 0.5; what the end leaves spare of them is sent with.

    While it is on, the radio takes the 60 W that would charge with 30 W, and 60 W more of the
    battery, which gives 75 W for them: a minute of it costs 105 W min, or 1.75 Wh.
    """
    lossy = in_all_minutes(60.0, end=end_wh / 100, charge_efficiency=0.5, discharge_efficiency=0.8)
    lossy |= {"radio": {"transmit_w": 120.0, "rate_kbps": 20.0}, "bus_limit_w": 120.0}
    sun = np.where(np.arange(240) < 80, 60.0, 0.0)
    minutes, verdict = sent_minutes(
        scenario(platforms=[lossy], hours=4), rate_kbps=20.0, generation_w=sun
    )
    table = verdict.resources["lander"]
    assert minutes == [0] and verdict.is_valid
    assert table["sent_mbit"].iloc[0] == pytest.approx(1.2 * share)
    assert table["load_w"].iloc[0] == pytest.approx(120.0 * share)
    assert table["stored_wh"].iloc[[1, -1]].tolist() == pytest.approx([level_wh, end_wh])


def test_a_slot_still_to_come_holds_sending_back():
    scene = scenario({"name": "oven", "power_w": 40.0}, platforms=[in_all_minutes(70.0)], hours=4)
    free, _ = sent_minutes(scene, rate_kbps=20.0)
    held, verdict = sent_minutes(scene, ("oven", 180), rate_kbps=20.0)
    # 24 Mbit take 20 minutes; the oven's 40 Wh leave 70 - 20 - 40 = 10 Wh for sending.
    assert free == list(range(20)) and held == list(range(10))
    assert verdict.is_valid


def test_sun_still_to_come_sets_sending_free():
    """Dark for 2 h at 10 W, then 100 W: before, only the 2 Wh above 20 + 20 Wh are free."""
    scene = scenario(platforms=[in_all_minutes(42.0)], hours=4)
    sun = np.where(np.arange(240) < 120, 0.0, 100.0)
    minutes, verdict = sent_minutes(scene, base_load_w=10.0, rate_kbps=20.0, generation_w=sun)
    assert minutes == [0, 1, *range(120, 138)]
    assert verdict.is_valid


def test_charge_wanted_at_the_end_holds_sending_back():
    scene = scenario(platforms=[in_all_minutes(70.0, end=0.67)], hours=4)
    minutes, verdict = sent_minutes(scene, rate_kbps=20.0)
    assert minutes == [0, 1, 2] and verdict.is_valid


def test_surplus_beyond_a_full_battery_is_free_to_send_with():
    scene = scenario(platforms=[in_all_minutes(100.0, end=1.0)], hours=4)
    minutes, verdict = sent_minutes(scene, rate_kbps=20.0, generation_w=60.0)
    assert minutes == list(range(20)) and verdict.is_valid
    spilled = verdict.resources["lander"]["spilled_wh"]
    assert spilled.iloc[:20].sum() == 0 and spilled.sum() == pytest.approx(220.0)


def shortage(scene, **columns):
    """Minutes of sending, and the amounts short, which must be those without sending."""
    minutes, verdict = sent_minutes(scene, **columns)
    silent = sent_minutes(scene, **columns | {"rate_kbps": 0.0})[1]
    assert_frame_equal(verdict.violations, silent.violations)
    return minutes, verdict.violations["amount"].tolist()


def test_surplus_of_a_full_battery_is_sent_with_though_the_night_cannot_be_met():
    """81 Wh above the reserve of 20 Wh are wanted after two sunny hours; 100 Wh fit."""
    dark = np.arange(240) >= 120
    minutes, short_wh = shortage(
        scenario(platforms=[in_all_minutes(100.0)], hours=4),
        generation_w=np.where(dark, 0.0, 120.0),
        base_load_w=np.where(dark, 40.5, 0.0),
        rate_kbps=np.where(np.arange(240) < 118, 0.0, 20.0),
    )
    assert minutes == [118, 119]
    assert short_wh == pytest.approx([1.0])


def test_what_a_battery_fills_up_again_is_sent_with_though_the_night_cannot_be_met():
    """A dark hour, 60 Wh of Sun in the next, then 180 Wh wanted: 80 above the reserve fit.

    55 Wh + 60 Wh are 15 Wh more than fit, 15 minutes of sending; none is spilled then.
    """
    minute = np.arange(240)
    minutes, short_wh = shortage(
        scenario(platforms=[in_all_minutes(55.0)], hours=4),
        generation_w=np.where((minute >= 60) & (minute < 120), 60.0, 0.0),
        base_load_w=np.where(minute < 120, 0.0, 90.0),
        rate_kbps=20.0,
    )
    assert minutes == list(range(15))
    assert short_wh == pytest.approx([100.0])


def test_battery_below_its_reserve_fills_up_to_it_before_sending():
    """An hour at 12 W takes 21 Wh to 9 Wh; 60 W of Sun need 11 minutes back to 20 Wh."""
    minute = np.arange(240)
    minutes, short_wh = shortage(
        scenario(platforms=[in_all_minutes(21.0)], hours=4),
        generation_w=np.where(minute < 60, 0.0, 60.0),
        base_load_w=np.where(minute < 60, 12.0, 0.0),
        rate_kbps=20.0,
    )
    assert minutes == list(range(71, 91))
    assert short_wh == pytest.approx([11.0])


def test_power_above_the_charge_limit_is_sent_with_though_the_end_charge_cannot_be_met():
    """30 of 90 W go in, 2 x 30 Wh in 2 h; the rest drives 60 W until all is sent."""
    scene = scenario(platforms=[in_all_minutes(30.0, end=1.0, charge_limit_w=30.0)], hours=2)
    world = {"generation_w": 90.0, "rate_kbps": 20.0}
    minutes, short_wh = shortage(scene, **world)
    assert minutes == list(range(20))
    assert short_wh == pytest.approx([10.0])
    table = sent_minutes(scene, **world)[1].resources["lander"]
    assert table["sent_mbit"].iloc[:20].tolist() == pytest.approx([1.2] * 20)
    assert table["spilled_wh"].iloc[:21].tolist() == pytest.approx([0.0] * 20 + [1.0])


def test_transmitter_that_takes_from_what_charges_is_off_if_the_end_charge_cannot_be_met():
    """30 of 60 W go in; 60 W of sending would leave none of them, though 30 W are spilled."""
    scene = scenario(platforms=[in_all_minutes(30.0, end=1.0, charge_limit_w=30.0)], hours=2)
    minutes, short_wh = shortage(scene, generation_w=60.0, rate_kbps=20.0)
    assert minutes == [] and short_wh == pytest.approx([10.0])


def test_platform_without_energy_to_send_with_does_not_keep_the_station():
    """The fuller store has no Wh above its reserve, so the other is heard."""
    pair = [
        platform("alto", store={"start_mbit": 2.4}),
        platform("basso", store={"start_mbit": 40.0}, battery={"start": 0.7}),
    ]
    scene = scenario(platforms=pair, hours=7)
    minutes, verdict = sent_minutes(scene, name="alto", basso_base_load_w=500 / 7)
    assert minutes == [120, 121] and verdict.is_valid
    assert verdict.resources["basso"]["sent_mbit"].sum() == 0


PLANNED = platform(store={"start_mbit": 30.0})


def test_planned_sending_stays_inside_its_rows():
    """30 Mbit at 1.2 Mbit a minute are 25 minutes; before 02:00 there is no contact."""
    scene = scenario(platforms=[PLANNED])
    rows = [("lander downlink", 100, 130), ("lander downlink", 200, 210)]
    minutes, verdict = sent_minutes(scene, *rows)
    assert minutes == [*range(120, 130), *range(200, 210)]
    assert verdict.is_valid
    assert verdict.resources["lander"]["stored_mbit"].iloc[-1] == pytest.approx(6.0)
    more, _ = sent_minutes(scene, *rows, ("lander downlink", 300, 400))
    assert more == [*range(120, 130), *range(200, 210), *range(300, 305)]


@pytest.mark.parametrize(
    "row, minutes",
    [
        ((130.5, 133.5), [131, 132]),
        ((130.25, 130.75), []),
        ((-60, 122), [120, 121]),
        ((478, 2000), [478, 479]),
        ((-60, -30), []),
        ((1500, 1600), []),
    ],
)
def test_planned_sending_takes_whole_minutes_of_the_span(row, minutes):
    sent, verdict = sent_minutes(scenario(platforms=[PLANNED]), ("lander downlink", *row))
    assert sent == minutes
    # What is beyond the span counts for nothing, but the row is told to be wrong.
    inside = row[0] >= 0 and row[1] <= DAY_MIN
    assert list(verdict.violations["rule"]) == ([] if inside else ["span"])


def test_planned_sending_does_not_override_bus_or_battery():
    scene = scenario({"name": "oven", "power_w": 95.0}, platforms=[PLANNED])
    rows = ("oven", 120), ("lander downlink", 120, 190)
    assert sent_minutes(scene, *rows)[0] == list(range(180, 190))
    tight = scenario(platforms=[in_all_minutes(22.0)])
    assert sent_minutes(tight, ("lander downlink", 50, 60), rate_kbps=20.0)[0] == [50, 51]


def test_platform_without_rows_does_not_send_where_another_has_some():
    pair = [platform(name, store={"start_mbit": 2.4}) for name in ("alto", "basso")]
    scene = scenario(platforms=pair)
    minutes, verdict = sent_minutes(scene, ("alto downlink", 200, 230), name="alto")
    assert minutes == [200, 201]
    assert verdict.resources["basso"]["sent_mbit"].sum() == 0
    minutes, verdict = sent_minutes(
        scene, ("alto downlink", 200, 230), ("basso downlink", 201, 230), name="basso"
    )
    # Equally full at 03:22, so the first name goes before.
    assert minutes == [201, 203]
    assert np.flatnonzero(verdict.resources["alto"]["sent_mbit"]).tolist() == [200, 202]


def test_rows_of_sending_are_no_slots():
    """They may overlap slots and each other, be off the grid, and take no number."""
    scene = scenario({"name": "oven", "count": 1}, platforms=[platform(one_at_a_time=True)])
    table = slots(("lander downlink", 122, 400), ("oven", 130, 190), ("lander downlink", 130, 150))
    rules = {"grid": "2"}
    for timeline in (table.drop(columns="slot"), table.drop(columns="slot").iloc[[1, 0, 2]]):
        found = check_timeline(environment(scene), timeline, fixes=False).violations
        assert dict(zip(found["rule"], found["slots"])) == rules
        rules = {"grid": "1"}


@pytest.mark.parametrize(
    "rows, complaint",
    [
        ([("lander downlink", 130)], "lander downlink needs an end_utc"),
        ([("lander downlink", 130, 150), ("lander downlink", 200)], "needs an end_utc in every"),
        ([("lander downlink", None, 150)], "needs a start_utc"),
        ([("lander downlink", 150, 150)], "must end after it starts"),
        ([("lander downlink", 150, 130)], "must end after it starts"),
        ([("lander relay", 130, 150)], "no such activity: lander relay"),
    ],
)
def test_rows_of_sending_that_say_no_stretch_are_refused(rows, complaint):
    scene = scenario({"name": "camera"})
    with pytest.raises(TableError, match=complaint):
        check_timeline(environment(scene), slots(("camera", 60), *rows))


def test_rows_of_sending_in_a_table_without_their_columns_are_refused():
    scene = scenario({"name": "camera"})
    table = slots(("lander downlink", 130, 150))
    for column in ("start_utc", "end_utc"):
        with pytest.raises(TableError, match=column):
            check_timeline(environment(scene), table.drop(columns=column))


@pytest.mark.parametrize("name", ["lander downlink", "lander relay"])
def test_names_of_sending_are_kept_from_activities(name):
    line = f'activity "{name}": the name is reserved for the radio'
    with pytest.raises(ScenarioError, match=line):
        scenario({"name": name})


def test_station_hears_the_platform_whose_store_is_fuller_for_its_size():
    pair = [
        platform("alto", store={"start_mbit": 6.6, "capacity_mbit": 60.0}),
        platform("basso", store={"start_mbit": 3.6, "capacity_mbit": 12.0}),
    ]
    scene = scenario(platforms=pair)
    basso, verdict = sent_minutes(scene, name="basso")
    alto = np.flatnonzero(verdict.resources["alto"]["sent_mbit"]).tolist()
    # Shares in per cent: 11 and 30, 20, 10; then 9 and 10; then 9 and 0.
    assert basso == [120, 121, 123]
    assert alto == [122, 124, 125, 126, 127, 128]


def test_station_hears_the_first_name_when_stores_are_equally_full():
    pair = [platform(name, store={"start_mbit": 2.4}) for name in ("basso", "alto")]
    minutes, verdict = sent_minutes(scenario(platforms=pair), name="alto")
    assert minutes == [120, 122]
    assert np.flatnonzero(verdict.resources["basso"]["sent_mbit"]).tolist() == [121, 123]


@pytest.mark.parametrize("stations", [{"basso_station": "beta"}, {"station": ""}])
def test_platforms_at_different_stations_send_side_by_side(stations):
    pair = [platform(name, store={"start_mbit": 2.4}) for name in ("alto", "basso")]
    scene = scenario(platforms=pair)
    minutes, verdict = sent_minutes(scene, name="alto", **stations)
    assert minutes == [120, 121]
    assert np.flatnonzero(verdict.resources["basso"]["sent_mbit"]).tolist() == [120, 121]


def test_platform_that_may_not_send_does_not_keep_the_station():
    pair = [
        platform("alto", store={"start_mbit": 1.2}),
        platform("basso", store={"start_mbit": 40.0}, bus_limit_w=5.0),
    ]
    minutes, _ = sent_minutes(scenario(platforms=pair), name="alto")
    assert minutes == [120]


def rover_and_lander(**lander_store):
    rover = platform(
        "rover", kind="rover", radio={"to": "lander", "rate_kbps": 10.0}, store={"start_mbit": 6.0}
    )
    return scenario(platforms=[platform(store=lander_store), rover])


def test_relayed_data_passes_on_to_earth_in_the_same_minute():
    """10 kbps are 0.6 Mbit a minute: 6 Mbit take ten minutes on both ways."""
    scene = rover_and_lander()
    world = {"rover_rate_kbps": np.where(np.arange(DAY_MIN) < 200, 0.0, 10.0)}
    rover, verdict = sent_minutes(scene, name="rover", **world)
    assert rover == list(range(200, 210))
    lander = verdict.resources["lander"]
    assert lander["sent_mbit"].iloc[200:210].tolist() == pytest.approx([0.6] * 10)
    assert lander["stored_mbit"].max() == 0


def test_planned_relay_goes_by_its_own_name():
    scene = rover_and_lander()
    minutes, verdict = sent_minutes(scene, ("rover relay", 30, 34), name="rover")
    assert minutes == [30, 31, 32, 33] and verdict.is_valid
    assert verdict.resources["lander"]["stored_mbit"].iloc[-1] == pytest.approx(2.4)
    assert verdict.resources["lander"]["sent_mbit"].sum() == 0


def test_relay_with_little_energy_passes_on_a_part():
    """0.1 Wh of spare drives 10 W for 0.6 of a minute: 0.36 of 0.6 Mbit."""
    scene = rover_and_lander()
    world = {"rover_base_load_w": 599.9 / 24, "lander_rate_kbps": 0.0}
    minutes, verdict = sent_minutes(scene, name="rover", **world)
    assert minutes == [0] and verdict.is_valid
    assert verdict.resources["lander"]["stored_mbit"].iloc[1] == pytest.approx(0.36)
    assert verdict.resources["rover"]["stored_mbit"].iloc[1] == pytest.approx(5.64)


def test_relay_gives_no_more_than_the_receiver_has_room_for():
    scene = rover_and_lander(start_mbit=48.5)
    rover, verdict = sent_minutes(scene, name="rover", lander_rate_kbps=0.0)
    table = verdict.resources["rover"]
    assert rover == [0, 1, 2] and verdict.is_valid
    assert table["sent_mbit"].iloc[:3].tolist() == pytest.approx([0.6, 0.6, 0.3])
    assert table["stored_mbit"].iloc[-1] == pytest.approx(4.5)


def test_overfull_relay_names_the_slot_that_fills_it_from_another_platform():
    rover = platform("rover", kind="rover", radio={"to": "lander", "rate_kbps": 10.0})
    scene = scenario(
        {"name": "radar", "platform": "rover", "data_mbit": 40.0},
        platforms=[platform(store={"end_limit_mbit": 30.0}), rover],
    )
    assert broken(scene, ("radar", 60)).empty
    assert the_one(scene, ("radar", 600)) == (
        "end storage",
        "s1",
        DAY_MIN,
        pytest.approx(10.0),
        "Mbit",
    )


def test_full_store_names_the_row_of_sending_that_leaves_contact_unused():
    scene = scenario(
        {"name": "camera", "data_mbit": 30.0}, platforms=[platform(store={"end_limit_mbit": 5.0})]
    )
    rows = [("camera", 0), ("camera", 120), ("lander downlink", 120, 130)]
    found = broken(scene, *rows)
    assert list(found["rule"]) == ["end storage"]
    last = found.iloc[-1]
    assert last["slots"] == "s2 s3"
    assert last["message"].endswith(
        'fix: add a row "lander downlink" from 2028-07-01T02:10Z to 2028-07-01T08:00Z'
    )
    # Without the row, and with sending left open, all is sent.
    assert broken(scene, *rows[:2]).empty


def test_platform_whose_rows_of_sending_are_gone_is_told_to_have_one():
    rover = platform("rover", kind="rover")
    scene = scenario(
        {"name": "camera", "data_mbit": 30.0},
        platforms=[platform(store={"end_limit_mbit": 5.0}), rover],
    )
    (row,) = broken(scene, ("camera", 0), ("rover downlink", 120, 480)).itertuples()
    assert (row.rule, row.slots) == ("end storage", "s1")
    assert 'fix: add a row "lander downlink" from 2028-07-01T02:00Z to' in row.message
