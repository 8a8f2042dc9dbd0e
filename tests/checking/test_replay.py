"""Power, charge and store by the minute: bus, battery and storage, and their balances."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pandas.testing import assert_frame_equal
from tools.replayed import DAY_MIN, broken, environment, platform, scenario, slots, the_one

from obsplan.checking.check import check_timeline


def test_bus_power_sums_base_slots_and_warm_up():
    scene = scenario(
        {"name": "oven", "power_w": 50.0, "warm_up_min": 20, "warm_up_w": 70.0},
        {"name": "camera", "power_w": 20.0},
    )
    # 20 + 70 + 20 W while the oven warms up, 20 + 50 + 20 W after: 10 W over in 00:15 to 00:20.
    assert broken(scene, ("oven", 0), ("camera", 30), base_load_w=20.0).empty
    found = the_one(scene, ("oven", 0), ("camera", 15), base_load_w=20.0)
    assert found == ("bus power", "s1 s2", 15, 10, "W")
    message = broken(scene, ("oven", 0), ("camera", 15), base_load_w=20.0)["message"][0]
    assert message == (
        'the bus of "lander" supplies 10 W more than its limit of 100 W at 2028-07-01T00:15Z '
        "(from 2028-07-01T00:15Z until 2028-07-01T00:20Z); "
        'fix: start "camera" (slot s2) at 2028-07-01T01:15Z'
    )


def test_a_failed_run_draws_power_and_yields_no_data():
    scene = scenario({"name": "camera", "power_w": 30.0, "data_mbit": 12.0})
    rows = slots(("camera", 600))
    done, failed = (
        check_timeline(environment(scene), rows.assign(state=state)).resources["lander"]
        for state in ("done", "failed")
    )
    assert done["stored_mbit"].iloc[-1] == pytest.approx(12.0)
    assert failed["stored_mbit"].max() == 0.0
    assert failed["load_w"].iloc[600:660].tolist() == [30.0] * 60


def test_slot_draws_nothing_once_its_run_is_over():
    scene = scenario(
        {
            "name": "camera",
            "duration_min": 40,
            "warm_up_min": 10,
            "power_w": 30.0,
            "warm_up_w": 6.0,
            "data_mbit": 8.0,
        }
    )
    table = check_timeline(environment(scene), slots(("camera", 600))).resources["lander"]
    assert table["load_w"].iloc[595:665].tolist() == [0] * 5 + [6] * 10 + [30] * 40 + [0] * 15
    assert table["stored_mbit"].iloc[610] == 0
    assert table["stored_mbit"].iloc[650] == pytest.approx(8.0)


@pytest.mark.parametrize(
    "slot, first, last",
    [(("oven", 60, 90), 60, 90), (("oven", -30), 0, 30), (("oven", 1410), 1410, 1440)],
)
def test_slot_cut_short_draws_power_only_while_it_lasts(slot, first, last):
    scene = scenario({"name": "oven", "power_w": 30.0})
    table = check_timeline(environment(scene), slots(slot)).resources["lander"]
    assert np.flatnonzero(table["load_w"]).tolist() == list(range(first, last))


def test_state_of_charge_below_reserve():
    """40 Wh an hour for 50 W on 80 % of the way out: 62.5 Wh an hour from 400 Wh above 200."""
    lossy = platform(battery={"discharge_efficiency": 0.8, "start": 0.45})
    scene = scenario({"name": "oven", "power_w": 50.0, "duration_min": 180}, platforms=[lossy])
    # 450 Wh - 3 h x 50/0.8 Wh = 262.5 Wh; a second oven run takes it to 75 Wh.
    assert broken(scene, ("oven", 0)).empty
    rule, who, minute, amount, unit = the_one(scene, ("oven", 0), ("oven", 300))
    assert (rule, who, unit) == ("state of charge", "s2", "Wh")
    # 62.5 Wh are gone after exactly an hour, so the next minute is the first below.
    assert minute == 361
    assert amount == pytest.approx(125.0)


def test_state_of_charge_names_the_slot_before_when_none_is_running():
    scene = scenario({"name": "oven", "power_w": 50.0}, hours=12)
    # 800 - 50 - 12 h x 50 W = 150 Wh, below 200 Wh from the end of the eleventh hour on.
    assert broken(scene, base_load_w=50.0).empty
    assert the_one(scene, ("oven", 60), base_load_w=50.0) == (
        "state of charge",
        "s1",
        661,
        pytest.approx(50.0),
        "Wh",
    )


def test_state_of_charge_names_the_slot_that_drew_not_the_one_that_starts_then():
    scene = scenario(
        {"name": "oven", "power_w": 50.5},
        {"name": "camera"},
        platforms=[platform(battery={"start": 0.25})],
    )
    assert the_one(scene, ("oven", 0), ("camera", 60)) == (
        "state of charge",
        "s1",
        60,
        pytest.approx(0.5),
        "Wh",
    )


def test_each_stretch_below_reserve_is_one_violation():
    scene = scenario(
        {"name": "oven", "power_w": 90.0},
        platforms=[platform(battery={"capacity_wh": 100.0, "start": 1.0, "reserve": 0.2})],
    )
    sun = np.where(np.arange(DAY_MIN) % 480 < 240, 0.0, 60.0)
    found = broken(scene, ("oven", 60), ("oven", 600), generation_w=sun)
    assert list(found["rule"]) == ["state of charge"] * 2
    assert list(found["slots"]) == ["s1", "s2"]
    assert list(found["amount"]) == pytest.approx([10.0, 10.0])


def test_end_charge():
    scene = scenario({"name": "oven", "power_w": 50.0}, platforms=[platform(battery={"end": 0.75})])
    assert broken(scene, ("oven", 600)).empty
    found = the_one(scene, ("oven", 600), ("oven", 720))
    assert found == ("end charge", "s2", DAY_MIN, pytest.approx(50.0), "Wh")


def test_battery_charges_with_loss_up_to_its_limit_and_spills_the_rest():
    lossy = platform(
        battery={
            "capacity_wh": 100.0,
            "start": 0.5,
            "charge_efficiency": 0.9,
            "charge_limit_w": 30.0,
        }
    )
    scene = scenario(platforms=[lossy], hours=3)
    verdict = check_timeline(environment(scene, generation_w=60.0, base_load_w=20.0), slots())
    table = verdict.resources["lander"]
    assert verdict.is_valid
    # 30 of 40 W go in at 0.9: 27 Wh an hour, 10 W are spilled; full after 50/27 h.
    assert table["stored_wh"].iloc[60] == pytest.approx(77.0)
    assert table["spilled_wh"].iloc[:60].sum() == pytest.approx(10.0)
    assert table["state_of_charge"].iloc[-1] == 1.0
    assert table["spilled_wh"].sum() == pytest.approx(3 * 40 - 50 / 0.9)


def test_storage():
    scene = scenario({"name": "camera", "data_mbit": 30.0})
    assert broken(scene, ("camera", 600)).empty
    rule, who, minute, amount, unit = the_one(scene, ("camera", 600), ("camera", 720))
    # Half a Mbit a minute: 20 Mbit of room are gone after 40 minutes.
    assert (rule, who, minute, unit) == ("storage", "s2", 761, "Mbit")
    assert amount == pytest.approx(10.0)


def test_end_storage():
    scene = scenario(
        {"name": "camera", "data_mbit": 30.0}, platforms=[platform(store={"end_limit_mbit": 5.0})]
    )
    assert broken(scene, ("camera", 0)).empty
    found = the_one(scene, ("camera", 600))
    assert found == ("end storage", "s1", DAY_MIN, pytest.approx(25.0), "Mbit")


BUSY = scenario(
    {"name": "camera", "power_w": 40.0, "data_mbit": 20.0, "count": 30},
    {"name": "radar", "platform": "rover", "power_w": 25.0, "data_mbit": 12.0, "count": 30},
    platforms=[
        platform(battery={"capacity_wh": 120.0, "reserve": 0.3, "end": 0.5}, bus_limit_w=55.0),
        platform(
            "rover",
            radio={"to": "lander", "rate_kbps": 8.0},
            battery={"capacity_wh": 60.0, "reserve": 0.3},
        ),
    ],
)


SUN = {"generation_w": np.where(np.arange(DAY_MIN) % 600 < 300, 0.0, 30.0), "base_load_w": 6.0}


RUNS = st.lists(
    st.tuples(st.sampled_from(["camera", "radar"]), st.integers(-1, 93).map(lambda k: 15 * k)),
    max_size=12,
)


@given(runs=RUNS)
@settings(max_examples=25, deadline=None)
def test_books_balance_whatever_the_slots(runs):
    busy = environment(BUSY, **SUN)
    tables = check_timeline(busy, slots(*runs), fixes=False).resources
    for part in BUSY.platform:
        table = tables[part.name]
        before = table["stored_wh"].to_numpy()
        gained_wh = (table["generation_w"] - table["load_w"]).to_numpy() / 60
        after = before + gained_wh - table["spilled_wh"].to_numpy()
        assert after[:-1] == pytest.approx(before[1:], abs=1e-9)
        assert (table["spilled_wh"] >= 0).all() and (before <= part.battery.capacity_wh).all()
    taken = {"lander": 20.0 / 60, "rover": 12.0 / 60}
    inside = {"lander": 0, "rover": 0}
    for activity, start in runs:
        name = {"camera": "lander", "radar": "rover"}[activity]
        inside[name] += sum(0 <= m < DAY_MIN - 1 for m in range(start, start + 60))
    lander, rover = tables["lander"], tables["rover"]
    # Levels are those at the start of the last minute, so what it moves does not count.
    passed = rover["sent_mbit"].iloc[:-1].sum()
    left = rover["stored_mbit"].iloc[-1] + passed
    assert left == pytest.approx(inside["rover"] * taken["rover"], abs=1e-6)
    left = lander["stored_mbit"].iloc[-1] + lander["sent_mbit"].iloc[:-1].sum()
    assert left == pytest.approx(inside["lander"] * taken["lander"] + passed, abs=1e-6)


HALF_DAY_MIN, BLOCK_MIN = 720, 90


def every_block(values):
    """Columns of minutes that change every hour and a half at most."""
    blocks = HALF_DAY_MIN // BLOCK_MIN
    return st.lists(values, min_size=blocks, max_size=blocks).map(
        lambda levels: np.repeat(np.array(levels), BLOCK_MIN)
    )


@st.composite
def worlds(draw):
    """A lander and a rover with lossy batteries, any Sun, loads, contact, slots and rows."""
    parts = []
    for name, to in (("lander", "earth"), ("rover", "lander")):
        battery = {
            "capacity_wh": draw(st.sampled_from([10.0, 60.0, 200.0])),
            "reserve": 0.3,
            "start": draw(st.sampled_from([0.3, 0.5, 1.0])),
            "end": draw(st.sampled_from([None, 0.6, 1.0])),
            "charge_efficiency": draw(st.sampled_from([1.0, 0.7])),
            "discharge_efficiency": draw(st.sampled_from([1.0, 0.8])),
            "charge_limit_w": draw(st.sampled_from([None, 8.0])),
        }
        store = {"capacity_mbit": 80.0, "start_mbit": draw(st.sampled_from([0.0, 30.0, 80.0]))}
        radio = {"to": to, "transmit_w": draw(st.sampled_from([0.0, 5.0, 40.0]))}
        parts.append(platform(name, battery=battery, store=store, radio=radio, bus_limit_w=60.0))
    scene = scenario(
        {"name": "camera", "power_w": 25.0, "data_mbit": 20.0},
        {"name": "radar", "platform": "rover", "power_w": 15.0, "data_mbit": 12.0},
        platforms=parts,
        hours=HALF_DAY_MIN // 60,
    )
    columns = {}
    for name in ("lander", "rover"):
        columns |= {
            f"{name}_generation_w": draw(every_block(st.sampled_from([0.0, 10.0, 60.0]))),
            f"{name}_base_load_w": draw(every_block(st.sampled_from([0.0, 6.0, 25.0]))),
            f"{name}_rate_kbps": draw(every_block(st.sampled_from([0.0, 3.0, 20.0]))),
        }
    steps = st.integers(0, HALF_DAY_MIN // 15 - 4).map(lambda k: 15 * k)
    runs = draw(st.lists(st.tuples(st.sampled_from(["camera", "radar"]), steps), max_size=6))
    stretches = st.tuples(st.sampled_from(sorted(scene.sending_names)), steps, st.integers(1, 300))
    drawn = draw(st.lists(stretches, max_size=4))
    return scene, columns, runs, [(name, start, start + length) for name, start, length in drawn]


def silenced(columns):
    return {k: np.zeros(HALF_DAY_MIN) if "rate" in k else v for k, v in columns.items()}


@given(world=worlds())
@settings(max_examples=25)
def test_sending_never_worsens_bus_or_battery(world):
    check_sending(world)


@pytest.mark.long
@given(world=worlds())
@settings(max_examples=1000)
def test_sending_in_a_thousand_worlds_never_worsens_bus_or_battery(world):
    check_sending(world)


def check_sending(world) -> None:
    """What sending takes is either spare, or made up for by a battery that fills anyway."""
    scene, columns, runs, rows = world
    sending = check_timeline(environment(scene, **columns), slots(*runs, *rows), fixes=False)
    silent = check_timeline(
        environment(scene, **silenced(columns)), slots(*runs, *rows), fixes=False
    )
    rules = ["bus power", "state of charge", "end charge"]
    kept = ["rule", "slots", "time_utc", "amount"]
    found, expected = (
        v.violations[v.violations["rule"].isin(rules)][kept].reset_index(drop=True)
        for v in (sending, silent)
    )
    assert_frame_equal(found, expected, atol=1e-6)
    for part in scene.platform:
        reserve_wh = part.battery.reserve * part.battery.capacity_wh
        short_wh, alone_wh = (
            np.maximum(reserve_wh - v.resources[part.name]["stored_wh"], 0)
            for v in (sending, silent)
        )
        # A rounding of sums over the span, far below what a battery can show.
        assert short_wh.to_numpy() == pytest.approx(alone_wh.to_numpy(), abs=1e-9)


@given(world=worlds())
@settings(max_examples=25)
def test_transmitter_is_on_for_the_share_that_the_data_takes(world):
    check_transmitter(world)


@pytest.mark.long
@given(world=worlds())
@settings(max_examples=1000)
def test_transmitter_of_a_thousand_worlds_is_on_for_the_share_that_the_data_takes(world):
    check_transmitter(world)


def check_transmitter(world) -> None:
    """And on only with room on the bus, at a rate, and in the rows where there are any."""
    scene, columns, runs, rows = world
    sending = check_timeline(
        environment(scene, **columns), slots(*runs, *rows), fixes=False
    ).resources
    silent = check_timeline(
        environment(scene, **silenced(columns)), slots(*runs), fixes=False
    ).resources
    names = {name: row for row, name in scene.sending_names.items()}
    for part in scene.platform:
        sent_mbit = sending[part.name]["sent_mbit"].to_numpy()
        quiet_w = silent[part.name]["load_w"].to_numpy()
        on_w = sending[part.name]["load_w"].to_numpy() - quiet_w
        quota_mbit = columns[f"{part.name}_rate_kbps"] * 0.06
        on = sent_mbit > 0
        assert (sent_mbit <= quota_mbit + 1e-12).all()
        share = sent_mbit[on] / quota_mbit[on]
        assert on_w[on] == pytest.approx(part.radio.transmit_w * share, abs=1e-9)
        assert (on_w[~on] == 0).all()
        assert (quiet_w[on] + part.radio.transmit_w <= part.bus_limit_w).all()
        if rows:
            inside = np.zeros(HALF_DAY_MIN, dtype=bool)
            for name, start, end in rows:
                inside[start:end] |= name == names[part.name]
            assert not (on & ~inside).any()


@given(world=worlds())
@settings(max_examples=25)
def test_energy_and_data_balance_whatever_the_losses(world):
    check_balance(world)


@pytest.mark.long
@given(world=worlds())
@settings(max_examples=1000)
def test_energy_and_data_balance_in_a_thousand_worlds(world):
    check_balance(world)


def check_balance(world) -> None:
    scene, columns, runs, rows = world
    tables = check_timeline(
        environment(scene, **columns), slots(*runs, *rows), fixes=False
    ).resources
    into = {"lander": tables["rover"]["sent_mbit"].to_numpy(), "rover": np.zeros(HALF_DAY_MIN)}
    taken = {"lander": ("camera", 20.0 / 60), "rover": ("radar", 12.0 / 60)}
    for part in scene.platform:
        table, battery = tables[part.name], part.battery
        level_wh = table["stored_wh"].to_numpy()
        net_w = (table["generation_w"] - table["load_w"]).to_numpy()
        quota_mbit = np.maximum(columns[f"{part.name}_rate_kbps"] * 0.06, 1e-12)
        on = table["sent_mbit"].to_numpy() / quota_mbit
        offered_w, beyond_w = np.zeros(len(net_w)), np.zeros(len(net_w))
        # The transmitter is on for a share of the minute, and off for the rest.
        off_w = net_w + on * part.radio.transmit_w
        for share, phase_w in ((on, off_w - part.radio.transmit_w), (1 - on, off_w)):
            kept_w = np.minimum(phase_w, battery.charge_limit_w or np.inf)
            rate = np.where(
                kept_w >= 0, battery.charge_efficiency, 1 / battery.discharge_efficiency
            )
            offered_w += share * kept_w * rate
            beyond_w += share * (phase_w - kept_w)
        spilled_w = table["spilled_wh"].to_numpy() * 60
        refused_w = spilled_w - beyond_w
        change_w = offered_w - refused_w * battery.charge_efficiency
        assert level_wh[1:] - level_wh[:-1] == pytest.approx((change_w / 60)[:-1], abs=1e-9)
        assert (spilled_w >= -1e-9).all() and (level_wh <= battery.capacity_wh).all()
        # Only what the battery has no way or no room for is spilled.
        full = np.append(level_wh[1:] >= battery.capacity_wh - 1e-9, True)
        assert (refused_w >= -1e-9).all() and (full | (refused_w <= 1e-9)).all()
        new_mbit = into[part.name].copy()
        for activity, start in runs:
            if activity == taken[part.name][0]:
                new_mbit[start : start + 60] += taken[part.name][1]
        level_mbit = table["stored_mbit"].to_numpy()
        change_mbit = (new_mbit - table["sent_mbit"].to_numpy())[:-1]
        assert level_mbit[1:] - level_mbit[:-1] == pytest.approx(change_mbit, abs=1e-9)
        assert (level_mbit >= 0).all()


@given(runs=RUNS, order=st.randoms())
@settings(max_examples=15, deadline=None)
def test_order_of_the_rows_changes_nothing(runs, order):
    table = slots(*runs)
    rows = list(range(len(table)))
    order.shuffle(rows)
    verdicts = [
        check_timeline(environment(BUSY, **SUN), t, fixes=False) for t in (table, table.iloc[rows])
    ]
    assert_frame_equal(verdicts[0].violations, verdicts[1].violations)
    assert_frame_equal(verdicts[0].margins, verdicts[1].margins)


def test_empty_battery_is_told_without_negative_energy():
    scene = scenario(platforms=[platform(battery={"end": 0.5})])
    messages = broken(scene, base_load_w=90.0)["message"]
    assert len(messages) == 2 and not any("-" in m.replace("2028-07-0", "") for m in messages)
    assert "ends the span" in messages[1] and "short of the required 500 Wh" in messages[1]
    assert "short of its reserve of 200 Wh" in messages[0]
