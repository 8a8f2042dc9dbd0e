"""The replay finds every broken rule, with amounts worked out by hand, and no others."""

import subprocess
import sys
from math import ceil

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pandas.testing import assert_frame_equal

from obsplan.check import check, resources_table
from obsplan.environment import Environment
from obsplan.errors import ScenarioError, TableError
from obsplan.plan import plan
from obsplan.timeline import TIMELINE_COLUMNS
from obsplan.scenario import scenario_from
from obsplan.tables import read_timeline, write_csv

START = pd.Timestamp("2028-07-01T00:00Z")
DAY_MIN = 1440


def platform(name="lander", **changes):
    """A platform whose battery loses nothing, so that sums are done in the head."""
    battery = {"capacity_wh": 1000.0, "reserve": 0.2, "start": 0.8,
               "charge_efficiency": 1.0, "discharge_efficiency": 1.0}  # fmt: skip
    parts = {
        "name": name,
        "kind": "lander",
        "idle_w": 0.0,
        "bus_limit_w": 100.0,
        "battery": battery | changes.pop("battery", {}),
        "radio": {"transmit_w": 10.0, "rate_kbps": 20.0} | changes.pop("radio", {}),
        "store": {"capacity_mbit": 50.0} | changes.pop("store", {}),
    }
    return parts | changes


def scenario(*activities, platforms=(platform(),), instruments=(), hours=24):
    """A scenario in which every activity has its own instrument unless it names another."""
    own = [
        {"name": a["name"], "platform": a.pop("platform", "lander")}
        for a in activities
        if "instrument" not in a
    ]
    return scenario_from(
        {
            "title": "test",
            "site": {"name": "plain", "latitude_deg": 10.0, "longitude_deg": 20.0},
            "span": {
                "start_utc": START.isoformat(),
                "end_utc": (START + pd.Timedelta(hours=hours)).isoformat(),
            },
            "station": [{"name": "alpha", "latitude_deg": 0.0, "longitude_deg": 0.0}],
            "platform": list(platforms),
            "instrument": own + list(instruments),
            "activity": [
                {"instrument": a["name"], "duration_min": 60, "count": 9} | a for a in activities
            ],
        }
    )


def environment(scene, **columns):
    """Every condition on a straight line over the day; contact from 02:00 to 08:00.

    `columns` replace columns of every platform, or of one as `lander_rate_kbps`.
    """
    minute = np.arange(scene.steps * scene.span.step_min)
    index = pd.date_range(START, periods=len(minute), freq="min", name="time_utc")
    sky = pd.DataFrame(
        {
            "sun_elevation_deg": 5 + minute / 144,
            "sun_visible_fraction": np.where((minute >= 1200) & (minute < 1260), 0.0, 1.0),
            "earth_elevation_deg": 30 - minute / 144,
            "earth_phase_deg": 60 + minute / 48,
            "in_magnetotail": minute >= 720,
            "surface_temperature_k": 200 + minute / 14.4,
            "temperature_30cm_k": 240 + minute / 144,
            "local_time_h": (20 + minute / 60) % 24,
        },
        index=index,
    )
    contact = (minute >= 120) & (minute < 480)
    platforms = {}
    for part in scene.platform:
        relays = part.radio.to != "earth"
        table = pd.DataFrame(
            {
                "generation_w": 0.0,
                "base_load_w": 0.0,
                "rate_kbps": np.where(contact | relays, part.radio.rate_kbps, 0.0),
                "station": np.where(contact & (not relays), "alpha", ""),
                "in_contact": contact,
            },
            index=index,
        )
        for key in table:
            for asked in (key, f"{part.name}_{key}"):
                if asked in columns:
                    table[key] = columns[asked]
        platforms[part.name] = table
    none = pd.DataFrame()
    return Environment(sky=sky, platforms=platforms, contacts=none, events=none, kernels={})


def slots(*rows):
    """Slots as (activity, minute of start) or (activity, minute of start, minute of end)."""
    table = pd.DataFrame(
        [(f"s{k}", row[0], row[1], row[2] if len(row) > 2 else None)
         for k, row in enumerate(rows, start=1)],
        columns=["slot", "activity", "start_utc", "end_utc"],
    )  # fmt: skip
    for column in ("start_utc", "end_utc"):
        minutes = table[column].astype(float) * 60
        table[column] = START + pd.to_timedelta(minutes, unit="s")
    return table


def broken(scene, *rows, **columns):
    return check(scene, environment(scene, **columns), slots(*rows)).violations


def the_one(scene, *rows, **columns):
    """The only violation of a timeline; its time in minutes of the span."""
    found = broken(scene, *rows, **columns)
    assert len(found) == 1, found["message"].tolist()
    row = found.iloc[0]
    minute = (row["time_utc"] - START) / pd.Timedelta(minutes=1)
    return row["rule"], row["slots"], minute, row["amount"], row["unit"]


def test_no_slots_hold():
    scene = scenario({"name": "camera"})
    verdict = check(scene, environment(scene), pd.DataFrame())
    assert verdict.holds
    assert verdict.summary == f"no violation found of {len(verdict.rules)} rules"


CONDITIONS = [
    # rule, condition, start that holds, start that does not, first bad minute, amount, unit
    ("sun elevation", {"sun_elevation_deg": [8, 14]}, 435, 360, 360, 0.5, "deg"),
    ("visible fraction", {"sun_visible_fraction": [0.9, 1]}, 1140, 1170, 1200, 0.9, ""),
    ("earth elevation", {"earth_elevation_deg": [22, 40]}, 1080, 1200, 1200, 1259 / 144 - 8, "deg"),
    ("earth phase", {"earth_phase_deg": [70, 90]}, 480, 360, 360, 2.5, "deg"),
    ("surface temperature", {"surface_temperature_k": [200, 280]}, 1080, 1140, 1153,
     1199 / 14.4 - 80, "K"),
    ("ground temperature", {"ground": {"depth_m": 0.3, "temperature_k": [240, 246]}}, 795, 840,
     865, 899 / 144 - 6, "K"),
    ("local time", {"local_time_h": [22, 4]}, 420, 450, 481, 509 / 60 - 8, "h"),
    ("local time", {"local_time_h": [21, 23]}, 120, 0, 0, 1.0, "h"),
    ("magnetotail", {"in_magnetotail": True}, 720, 690, 690, 30.0, "min"),
    ("magnetotail", {"in_magnetotail": False}, 660, 675, 720, 15.0, "min"),
]  # fmt: skip


@pytest.mark.parametrize("rule, when, good, bad, first, amount, unit", CONDITIONS)
def test_condition_must_hold_in_every_minute_of_the_slot(
    rule, when, good, bad, first, amount, unit
):
    scene = scenario({"name": "camera", "when": when})
    assert broken(scene, ("camera", good)).empty
    found = the_one(scene, ("camera", bad))
    assert found == (rule, "s1", first, pytest.approx(amount, abs=1e-9), unit)


@pytest.mark.parametrize("asked, start, words", [
    (True, 690, "is outside the magnetotail for 30 min"),
    (False, 675, "is in the magnetotail for 15 min"),
])  # fmt: skip
def test_magnetotail_is_told_in_words(asked, start, words):
    scene = scenario({"name": "camera", "when": {"in_magnetotail": asked}})
    (message,) = broken(scene, ("camera", start))["message"]
    assert words in message
    assert "magnetotail" in check(scene, environment(scene), pd.DataFrame()).rules


def test_condition_broken_twice_in_a_slot_is_two_violations():
    scene = scenario({"name": "camera", "when": {"sun_visible_fraction": [0.5, 1]}})
    world = environment(scene)
    world.sky["sun_visible_fraction"] = 1.0
    world.sky.iloc[[65, 66, 100], world.sky.columns.get_loc("sun_visible_fraction")] = 0.2
    found = check(scene, world, slots(("camera", 60))).violations
    assert list(found["time_utc"]) == [START + pd.Timedelta(minutes=m) for m in (65, 100)]
    assert found["message"][0] == (
        '"camera" (slot s1): visible fraction at 2028-07-01T01:05Z, 0.2, is 0.3 outside the '
        "allowed 0.5 to 1 (2 min from 2028-07-01T01:05Z); the nearest start that meets its "
        "conditions is 2028-07-01T01:45Z"
    )


def test_condition_on_a_value_that_is_not_known_is_broken():
    scene = scenario({"name": "camera", "when": {"surface_temperature_k": [0, 500]}})
    world = environment(scene)
    world.sky.loc[START + pd.Timedelta(minutes=70), "surface_temperature_k"] = np.nan
    found = check(scene, world, slots(("camera", 60))).violations
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


def test_instrument_runs_one_slot_at_a_time():
    shared = [{"name": "arm", "platform": "lander"}]
    two = ({"name": "dig", "instrument": "arm"}, {"name": "place", "instrument": "arm"})
    scene = scenario(*two, instruments=shared)
    assert broken(scene, ("dig", 60), ("place", 120)).empty
    found = the_one(scene, ("dig", 60), ("place", 105))
    assert found == ("instrument", "s1 s2", 105, 15, "min")
    free = scenario(*two, instruments=[shared[0] | {"one_at_a_time": False}])
    assert broken(free, ("dig", 60), ("place", 105)).empty


def test_platform_runs_one_slot_at_a_time():
    scene = scenario({"name": "dig"}, {"name": "look"}, platforms=[platform(one_at_a_time=True)])
    assert broken(scene, ("dig", 60), ("look", 120)).empty
    assert the_one(scene, ("look", 90), ("dig", 60)) == ("platform", "s2 s1", 90, 30, "min")


def test_repeat_may_not_overlap():
    free = [{"name": "sensor", "platform": "lander", "one_at_a_time": False}]
    scene = scenario({"name": "hum", "instrument": "sensor"}, instruments=free)
    assert broken(scene, ("hum", 60), ("hum", 120)).empty
    assert the_one(scene, ("hum", 60), ("hum", 75)) == ("repeat", "s1 s2", 75, 45, "min")


def test_gap_counts_from_the_end_of_the_run_before():
    scene = scenario({"name": "camera", "gap_min": 45})
    assert broken(scene, ("camera", 60), ("camera", 165), ("camera", 270)).empty
    found = the_one(scene, ("camera", 60), ("camera", 150), ("camera", 255))
    assert found == ("gap", "s1 s2", 150, 15, "min")


def test_not_with_works_both_ways():
    scene = scenario({"name": "laser", "not_with": ["camera"]}, {"name": "camera"})
    assert broken(scene, ("laser", 60), ("camera", 120)).empty
    assert the_one(scene, ("laser", 60), ("camera", 90)) == ("not with", "s1 s2", 90, 30, "min")
    assert the_one(scene, ("camera", 60), ("laser", 90)) == ("not with", "s1 s2", 90, 30, "min")


def test_quiet_may_not_be_disturbed_by_another_activity():
    scene = scenario(
        {"name": "listen", "quiet": True, "disturbs": True}, {"name": "drill", "disturbs": True}
    )
    assert broken(scene, ("listen", 60), ("drill", 120)).empty
    assert the_one(scene, ("drill", 60), ("listen", 105)) == ("quiet", "s1 s2", 105, 15, "min")
    assert "quiet" not in set(broken(scene, ("listen", 60), ("listen", 105))["rule"])


def test_order_needs_an_earlier_run_that_has_settled():
    scene = scenario({"name": "open"}, {"name": "look", "after": [
        {"activity": "open", "settle_min": 30}]})  # fmt: skip
    assert broken(scene, ("open", 60), ("look", 150), ("open", 600)).empty
    found = the_one(scene, ("open", 60), ("look", 135))
    assert found == ("order", "s1 s2", 135, 15, "min")
    assert the_one(scene, ("look", 135)) == ("order", "s1", 135, 1, "run")


def test_count_and_must():
    scene = scenario({"name": "camera", "count": 2, "must": 1})
    assert broken(scene, ("camera", 60)).empty
    found = the_one(scene, ("camera", 60), ("camera", 240), ("camera", 120))
    assert found == ("count", "s2", 240, 1, "run")
    assert the_one(scene) == ("must", "", DAY_MIN, 1, "run")


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
        '"lander" draws 110 W at 2028-07-01T00:15Z, 10 W over its bus limit of 100 W (5 min from '
        "2028-07-01T00:15Z); 10 W less then would mend it, for instance by moving or dropping "
        '"oven" (slot s1) or "camera" (slot s2)'
    )


def test_slot_draws_nothing_once_its_run_is_over():
    scene = scenario({"name": "camera", "duration_min": 40, "warm_up_min": 10, "power_w": 30.0,
                      "warm_up_w": 6.0, "data_mbit": 8.0})  # fmt: skip
    table = check(scene, environment(scene), slots(("camera", 600))).resources["lander"]
    assert table["load_w"].iloc[595:665].tolist() == [0] * 5 + [6] * 10 + [30] * 40 + [0] * 15
    assert table["stored_mbit"].iloc[610] == 0
    assert table["stored_mbit"].iloc[650] == pytest.approx(8.0)


@pytest.mark.parametrize(
    "slot, first, last",
    [(("oven", 60, 90), 60, 90), (("oven", -30), 0, 30), (("oven", 1410), 1410, 1440)],
)
def test_slot_cut_short_draws_power_only_while_it_lasts(slot, first, last):
    scene = scenario({"name": "oven", "power_w": 30.0})
    table = check(scene, environment(scene), slots(slot)).resources["lander"]
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
        "state of charge", "s1", 661, pytest.approx(50.0), "Wh")  # fmt: skip


def test_state_of_charge_names_the_slot_that_drew_not_the_one_that_starts_then():
    scene = scenario({"name": "oven", "power_w": 50.5}, {"name": "camera"},
                     platforms=[platform(battery={"start": 0.25})])  # fmt: skip
    assert the_one(scene, ("oven", 0), ("camera", 60)) == (
        "state of charge", "s1", 60, pytest.approx(0.5), "Wh")  # fmt: skip


def test_each_stretch_below_reserve_is_one_violation():
    scene = scenario({"name": "oven", "power_w": 90.0}, platforms=[platform(
        battery={"capacity_wh": 100.0, "start": 1.0, "reserve": 0.2})])  # fmt: skip
    sun = np.where(np.arange(DAY_MIN) % 480 < 240, 0.0, 60.0)
    found = broken(scene, ("oven", 60), ("oven", 600), generation_w=sun)
    assert list(found["rule"]) == ["state of charge"] * 2
    assert list(found["slots"]) == ["s1", "s2"]
    assert list(found["amount"]) == pytest.approx([10.0, 10.0])


def test_end_charge():
    scene = scenario({"name": "oven", "power_w": 50.0},
                     platforms=[platform(battery={"end": 0.75})])  # fmt: skip
    assert broken(scene, ("oven", 600)).empty
    found = the_one(scene, ("oven", 600), ("oven", 720))
    assert found == ("end charge", "s2", DAY_MIN, pytest.approx(50.0), "Wh")


def test_battery_charges_with_loss_up_to_its_limit_and_spills_the_rest():
    lossy = platform(battery={"capacity_wh": 100.0, "start": 0.5, "charge_efficiency": 0.9,
                              "charge_limit_w": 30.0})  # fmt: skip
    scene = scenario(platforms=[lossy], hours=3)
    verdict = check(scene, environment(scene, generation_w=60.0, base_load_w=20.0), slots())
    table = verdict.resources["lander"]
    assert verdict.holds
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
    scene = scenario({"name": "camera", "data_mbit": 30.0},
                     platforms=[platform(store={"end_limit_mbit": 5.0})])  # fmt: skip
    assert broken(scene, ("camera", 0)).empty
    found = the_one(scene, ("camera", 600))
    assert found == ("end storage", "s1", DAY_MIN, pytest.approx(25.0), "Mbit")


def sent_minutes(scene, *rows, name="lander", **columns):
    """Minutes in which a platform sends, and the verdict."""
    verdict = check(scene, environment(scene, **columns), slots(*rows))
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
    scene = scenario({"name": "oven", "power_w": 95.0},
                     platforms=[platform(store={"start_mbit": stored_mbit})])  # fmt: skip
    minutes, verdict = sent_minutes(scene, ("oven", 120))
    assert minutes == [180] and verdict.holds


def in_all_minutes(start_wh, **battery):
    """A platform in contact all day that spends 1 Wh on each minute of sending."""
    state = {"capacity_wh": 100.0, "start": start_wh / 100.0, "reserve": 0.2}
    return platform(battery=state | battery, radio={"transmit_w": 60.0},
                    store={"start_mbit": 24.0})  # fmt: skip


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
    assert verdict.holds
    assert verdict.margins["amount"][0] == pytest.approx(0.0, abs=1e-9)


def test_loss_on_the_way_out_leaves_less_to_send_with():
    """1 Wh of spare gives 0.8 Wh to the bus: 48 s of 60 W, which carry 0.96 Mbit."""
    scene = scenario(platforms=[in_all_minutes(21.0, discharge_efficiency=0.8)], hours=4)
    minutes, verdict = sent_minutes(scene, rate_kbps=20.0)
    assert minutes == [0] and verdict.holds
    table = verdict.resources["lander"]
    assert table["sent_mbit"].iloc[0] == pytest.approx(0.96)
    assert table["load_w"].iloc[0] == pytest.approx(48.0)
    assert table["stored_wh"].iloc[1] == pytest.approx(20.0)


@pytest.mark.parametrize(
    "end_wh, share, level_wh", [(99.75, 0.25, 60.25), (99.5, 0.5, 60.0), (99.0, 0.7, 59.5)]
)
def test_charge_forgone_and_charge_drawn_both_count(end_wh, share, level_wh):
    """60 W for 80 min put in 40 Wh at 0.5; what the end leaves spare of them is sent with.

    Up to half of the minute, 120 W leave less of the 60 W to charge with: a Wh forgone is
    2 Wh for the radio. Beyond that the battery gives, and a Wh drawn is 0.8 Wh for it:
    1 Wh of spare is 0.5 Wh for 0.5 of the minute and 0.5 Wh x 0.8 x 60 / 120 W = 0.2 of it.
    """
    lossy = in_all_minutes(60.0, end=end_wh / 100, charge_efficiency=0.5,
                           discharge_efficiency=0.8)  # fmt: skip
    lossy |= {"radio": {"transmit_w": 120.0, "rate_kbps": 20.0}, "bus_limit_w": 120.0}
    sun = np.where(np.arange(240) < 80, 60.0, 0.0)
    minutes, verdict = sent_minutes(
        scenario(platforms=[lossy], hours=4), rate_kbps=20.0, generation_w=sun
    )
    table = verdict.resources["lander"]
    assert minutes == [0] and verdict.holds
    assert table["sent_mbit"].iloc[0] == pytest.approx(1.2 * share)
    assert table["load_w"].iloc[0] == pytest.approx(120.0 * share)
    assert table["stored_wh"].iloc[[1, -1]].tolist() == pytest.approx([level_wh, end_wh])


def test_a_slot_still_to_come_holds_sending_back():
    scene = scenario({"name": "oven", "power_w": 40.0}, platforms=[in_all_minutes(70.0)], hours=4)
    free, _ = sent_minutes(scene, rate_kbps=20.0)
    held, verdict = sent_minutes(scene, ("oven", 180), rate_kbps=20.0)
    # 24 Mbit take 20 minutes; the oven's 40 Wh leave 70 - 20 - 40 = 10 Wh for sending.
    assert free == list(range(20)) and held == list(range(10))
    assert verdict.holds


def test_sun_still_to_come_sets_sending_free():
    """Dark for 2 h at 10 W, then 100 W: before, only the 2 Wh above 20 + 20 Wh are free."""
    scene = scenario(platforms=[in_all_minutes(42.0)], hours=4)
    sun = np.where(np.arange(240) < 120, 0.0, 100.0)
    minutes, verdict = sent_minutes(scene, base_load_w=10.0, rate_kbps=20.0, generation_w=sun)
    assert minutes == [0, 1, *range(120, 138)]
    assert verdict.holds


def test_charge_wanted_at_the_end_holds_sending_back():
    scene = scenario(platforms=[in_all_minutes(70.0, end=0.67)], hours=4)
    minutes, verdict = sent_minutes(scene, rate_kbps=20.0)
    assert minutes == [0, 1, 2] and verdict.holds


def test_surplus_beyond_a_full_battery_is_free_to_send_with():
    scene = scenario(platforms=[in_all_minutes(100.0, end=1.0)], hours=4)
    minutes, verdict = sent_minutes(scene, rate_kbps=20.0, generation_w=60.0)
    assert minutes == list(range(20)) and verdict.holds
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
    """30 of 60 W go in, 2 x 30 Wh in 2 h; the rest drives 60 W for half of each minute."""
    scene = scenario(platforms=[in_all_minutes(30.0, end=1.0, charge_limit_w=30.0)], hours=2)
    world = {"generation_w": 60.0, "rate_kbps": 20.0}
    minutes, short_wh = shortage(scene, **world)
    assert minutes == list(range(40))
    assert short_wh == pytest.approx([10.0])
    table = sent_minutes(scene, **world)[1].resources["lander"]
    assert table["sent_mbit"].iloc[:40].tolist() == pytest.approx([0.6] * 40)
    assert table["spilled_wh"].iloc[:41].tolist() == pytest.approx([0.0] * 40 + [0.5])


def test_platform_without_energy_to_send_with_does_not_keep_the_station():
    """The fuller store has no Wh above its reserve, so the other is heard."""
    pair = [platform("alto", store={"start_mbit": 2.4}),
            platform("basso", store={"start_mbit": 40.0}, battery={"start": 0.7})]  # fmt: skip
    scene = scenario(platforms=pair, hours=7)
    minutes, verdict = sent_minutes(scene, name="alto", basso_base_load_w=500 / 7)
    assert minutes == [120, 121] and verdict.holds
    assert verdict.resources["basso"]["sent_mbit"].sum() == 0


PLANNED = platform(store={"start_mbit": 30.0})


def test_planned_sending_stays_inside_its_rows():
    """30 Mbit at 1.2 Mbit a minute are 25 minutes; before 02:00 there is no contact."""
    scene = scenario(platforms=[PLANNED])
    rows = [("lander downlink", 100, 130), ("lander downlink", 200, 210)]
    minutes, verdict = sent_minutes(scene, *rows)
    assert minutes == [*range(120, 130), *range(200, 210)]
    assert verdict.holds
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
    assert sent == minutes and verdict.holds


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
        found = check(scene, environment(scene), timeline).violations
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
        check(scene, environment(scene), slots(("camera", 60), *rows))


def test_rows_of_sending_in_a_table_without_their_columns_are_refused():
    scene = scenario({"name": "camera"})
    table = slots(("lander downlink", 130, 150))
    for column in ("start_utc", "end_utc"):
        with pytest.raises(TableError, match=column):
            check(scene, environment(scene), table.drop(columns=column))


@pytest.mark.parametrize("name", ["lander downlink", "lander relay"])
def test_names_of_sending_are_kept_from_activities(name):
    with pytest.raises(ScenarioError, match=f'activity "{name}": the name is kept for the radio'):
        scenario({"name": name})


def test_written_timeline_reads_back_and_holds(tmp_path):
    """All columns of a plan, rows of both kinds of sending among them."""
    scene = scenario(
        {"name": "camera", "data_mbit": 20.0, "power_w": 40.0, "count": 3, "value": 5.0},
        {"name": "radar", "platform": "rover", "power_w": 25.0, "data_mbit": 12.0, "count": 4},
        platforms=[
            platform(store={"end_limit_mbit": 0.0}),
            platform("rover", kind="rover", radio={"to": "lander", "rate_kbps": 8.0},
                     store={"end_limit_mbit": 0.0}),
        ],
    )  # fmt: skip
    world = environment(scene)
    timeline = plan(scene, world).timeline
    assert tuple(timeline.columns) == TIMELINE_COLUMNS
    assert {"camera", "radar", *scene.sending_names} == set(timeline["activity"])
    write_csv(timeline, tmp_path / "timeline.csv")
    read = read_timeline(tmp_path / "timeline.csv", scene)
    written, back = (check(scene, world, table) for table in (timeline, read))
    assert back.holds, back.violations["message"].tolist()
    for name, table in written.resources.items():
        assert_frame_equal(back.resources[name], table)
    # The rows of sending are what lets the data leave in time.
    unsent = read[~read["activity"].isin(["lander downlink"])]
    assert set(check(scene, world, unsent).violations["rule"]) == {"storage", "end storage"}


def test_station_hears_the_platform_whose_store_is_fuller_for_its_size():
    pair = [platform("alto", store={"start_mbit": 6.6, "capacity_mbit": 60.0}),
            platform("basso", store={"start_mbit": 3.6, "capacity_mbit": 12.0})]  # fmt: skip
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
    pair = [platform("alto", store={"start_mbit": 1.2}),
            platform("basso", store={"start_mbit": 40.0}, bus_limit_w=5.0)]  # fmt: skip
    minutes, _ = sent_minutes(scenario(platforms=pair), name="alto")
    assert minutes == [120]


def rover_and_lander(**lander_store):
    rover = platform("rover", kind="rover", radio={"to": "lander", "rate_kbps": 10.0},
                     store={"start_mbit": 6.0})  # fmt: skip
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
    assert minutes == [30, 31, 32, 33] and verdict.holds
    assert verdict.resources["lander"]["stored_mbit"].iloc[-1] == pytest.approx(2.4)
    assert verdict.resources["lander"]["sent_mbit"].sum() == 0


def test_relay_with_little_energy_passes_on_a_part():
    """0.1 Wh of spare drives 10 W for 0.6 of a minute: 0.36 of 0.6 Mbit."""
    scene = rover_and_lander()
    world = {"rover_base_load_w": 599.9 / 24, "lander_rate_kbps": 0.0}
    minutes, verdict = sent_minutes(scene, name="rover", **world)
    assert minutes == [0] and verdict.holds
    assert verdict.resources["lander"]["stored_mbit"].iloc[1] == pytest.approx(0.36)
    assert verdict.resources["rover"]["stored_mbit"].iloc[1] == pytest.approx(5.64)


def test_relay_gives_no_more_than_the_receiver_has_room_for():
    scene = rover_and_lander(start_mbit=48.5)
    rover, verdict = sent_minutes(scene, name="rover", lander_rate_kbps=0.0)
    table = verdict.resources["rover"]
    assert rover == [0, 1, 2] and verdict.holds
    assert table["sent_mbit"].iloc[:3].tolist() == pytest.approx([0.6, 0.6, 0.3])
    assert table["stored_mbit"].iloc[-1] == pytest.approx(4.5)


def test_overfull_relay_names_the_slot_that_fills_it_from_another_platform():
    rover = platform("rover", kind="rover", radio={"to": "lander", "rate_kbps": 10.0})
    scene = scenario({"name": "radar", "platform": "rover", "data_mbit": 40.0},
                     platforms=[platform(store={"end_limit_mbit": 30.0}), rover])  # fmt: skip
    assert broken(scene, ("radar", 60)).empty
    assert the_one(scene, ("radar", 600)) == (
        "end storage", "s1", DAY_MIN, pytest.approx(10.0), "Mbit")  # fmt: skip


def test_margins_are_the_tightest_spots():
    scene = scenario({"name": "drive", "power_w": 60.0, "contact": "whole", "data_mbit": 30.0},
                     {"name": "talk", "contact": "start"})  # fmt: skip
    margins = check(scene, environment(scene, lander_rate_kbps=0.0),
                    slots(("drive", 390), ("talk", 435))).margins  # fmt: skip
    rows = {row["margin"]: row for row in margins.to_dict("records")}
    minute = {k: (row["time_utc"] - START) / pd.Timedelta(minutes=1) for k, row in rows.items()}
    amount = {k: (row["where"], row["amount"], row["unit"]) for k, row in rows.items()}
    assert amount == {
        "state of charge above reserve": ("lander", pytest.approx(540.0), "Wh"),
        "bus power headroom": ("lander", 40.0, "W"),
        "store room": ("lander", pytest.approx(20.0), "Mbit"),
        "contact left after slot": ("s1", 30.0, "min"),
    }
    assert minute == {
        "state of charge above reserve": 450,
        "bus power headroom": 390,
        "store room": 450,
        "contact left after slot": 450,
    }


def test_resources_table_gathers_minutes_into_steps():
    scene = scenario({"name": "camera", "power_w": 30.0, "warm_up_min": 5, "duration_min": 10,
                      "data_mbit": 5.0}, platforms=[platform(), platform("other")])  # fmt: skip
    verdict = check(scene, environment(scene, generation_w=3.0), slots(("camera", 120)))
    table = resources_table(scene, verdict)
    assert list(table.columns) == ["platform", "generation_w", "load_w", "state_of_charge",
                                   "spilled_wh", "stored_mbit", "sent_mbit"]  # fmt: skip
    assert len(table) == 2 * 96
    assert table.index.name == "time_utc" and str(table.index.tz) == "UTC"
    assert table["platform"].iloc[:3].tolist() == ["lander", "other", "lander"]
    row = table[table["platform"] == "lander"].loc[START + pd.Timedelta(minutes=120)]
    # Ten minutes of 30 W, and of 10 W for the 5/12 in which 0.5 Mbit go, in a step of fifteen.
    assert row["load_w"] == pytest.approx((30.0 + 10.0 * 5 / 12) * 10 / 15)
    assert row["sent_mbit"] == pytest.approx(5.0)
    assert row["state_of_charge"] == pytest.approx(0.806)
    assert table["sent_mbit"].sum() == pytest.approx(5.0)


def test_summary_names_the_broken_rules():
    scene = scenario({"name": "camera", "must": 1})
    verdict = check(scene, environment(scene), slots(("camera", 125, 155)))
    assert not verdict.holds
    assert verdict.summary == (
        f"2 violations found; of {len(verdict.rules)} rules these are broken: grid, duration"
    )


def test_rules_are_those_the_scenario_poses():
    bare = scenario({"name": "camera"})
    full = scenario(
        *({"name": f"a{k}", "when": row[1]} for k, row in enumerate(CONDITIONS)),
        {"name": "b", "gap_min": 15, "quiet": True, "not_with": ["a1"], "must": 1,
         "contact": "whole", "coverage": {"over": "span_h", "edges": [0, 24]},
         "after": [{"activity": "a1"}]},
        platforms=[platform(one_at_a_time=True, battery={"end": 0.5},
                            store={"end_limit_mbit": 5.0})],
    )  # fmt: skip
    none = pd.DataFrame()
    assert check(bare, environment(bare), none).rules == (
        "span", "grid", "duration", "instrument", "repeat", "count", "bus power",
        "state of charge", "storage")  # fmt: skip
    assert check(full, environment(full), none).rules == (
        "span", "grid", "duration", "sun elevation", "visible fraction", "earth elevation",
        "earth phase", "surface temperature", "ground temperature", "local time",
        "magnetotail", "coverage",
        "contact", "instrument", "platform", "repeat", "gap", "not with", "quiet", "order",
        "count", "must", "bus power", "state of charge", "end charge", "storage",
        "end storage")  # fmt: skip


@pytest.mark.parametrize(
    "table, complaint",
    [
        (pd.DataFrame({"activity": ["camera"]}), "start_utc is missing"),
        (pd.DataFrame({"activity": ["x"], "start_utc": [START]}), "no such activity: x"),
        (pd.DataFrame({"activity": ["camera"], "start_utc": [START.tz_localize(None)]}), "zone"),
        (pd.DataFrame({"activity": ["camera"] * 2, "start_utc": [START, pd.NaT]}), "needs a start"),
        (slots(("camera", 60, 60)), "must end after it starts"),
    ],
)
def test_tables_that_are_no_slots_are_refused(table, complaint):
    scene = scenario({"name": "camera"})
    with pytest.raises(TableError, match=complaint):
        check(scene, environment(scene), table)


def test_environment_of_another_span_or_with_gaps_is_refused():
    scene, short = scenario({"name": "camera"}), scenario({"name": "camera"}, hours=12)
    with pytest.raises(ValueError, match="every minute"):
        check(scene, environment(short), slots())
    for column in ("generation_w", "base_load_w", "rate_kbps", "in_contact"):
        with pytest.raises(ValueError, match=f"{column} is not known"):
            check(scene, environment(scene, **{column: np.nan}), slots())


BUSY = scenario(
    {"name": "camera", "power_w": 40.0, "data_mbit": 20.0, "count": 30},
    {"name": "radar", "platform": "rover", "power_w": 25.0, "data_mbit": 12.0, "count": 30},
    platforms=[
        platform(battery={"capacity_wh": 120.0, "reserve": 0.3, "end": 0.5}, bus_limit_w=55.0),
        platform("rover", radio={"to": "lander", "rate_kbps": 8.0},
                 battery={"capacity_wh": 60.0, "reserve": 0.3}),
    ],
)  # fmt: skip
SUN = {"generation_w": np.where(np.arange(DAY_MIN) % 600 < 300, 0.0, 30.0), "base_load_w": 6.0}
RUNS = st.lists(
    st.tuples(st.sampled_from(["camera", "radar"]), st.integers(-1, 93).map(lambda k: 15 * k)),
    max_size=12,
)


@given(runs=RUNS)
@settings(max_examples=25, deadline=None)
def test_books_balance_whatever_the_slots(runs):
    tables = check(BUSY, environment(BUSY, **SUN), slots(*runs)).resources
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
@settings(max_examples=60, deadline=None)
def test_sending_never_worsens_bus_or_battery(world):
    """What sending takes is either spare, or made up for by a battery that fills anyway."""
    scene, columns, runs, rows = world
    sending = check(scene, environment(scene, **columns), slots(*runs, *rows))
    silent = check(scene, environment(scene, **silenced(columns)), slots(*runs, *rows))
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
@settings(max_examples=60, deadline=None)
def test_transmitter_is_on_for_the_share_that_the_data_takes(world):
    """And on only with room on the bus, at a rate, and in the rows where there are any."""
    scene, columns, runs, rows = world
    sending = check(scene, environment(scene, **columns), slots(*runs, *rows)).resources
    silent = check(scene, environment(scene, **silenced(columns)), slots(*runs)).resources
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
@settings(max_examples=60, deadline=None)
def test_energy_and_data_balance_whatever_the_losses(world):
    scene, columns, runs, rows = world
    tables = check(scene, environment(scene, **columns), slots(*runs, *rows)).resources
    into = {"lander": tables["rover"]["sent_mbit"].to_numpy(), "rover": np.zeros(HALF_DAY_MIN)}
    taken = {"lander": ("camera", 20.0 / 60), "rover": ("radar", 12.0 / 60)}
    for part in scene.platform:
        table, battery = tables[part.name], part.battery
        level_wh = table["stored_wh"].to_numpy()
        spilled_w = table["spilled_wh"].to_numpy() * 60
        kept_w = (table["generation_w"] - table["load_w"]).to_numpy() - spilled_w
        rate = np.where(kept_w >= 0, battery.charge_efficiency, 1 / battery.discharge_efficiency)
        assert level_wh[1:] - level_wh[:-1] == pytest.approx((kept_w * rate / 60)[:-1], abs=1e-9)
        assert (spilled_w >= -1e-9).all() and (level_wh <= battery.capacity_wh).all()
        assert (kept_w <= (battery.charge_limit_w or np.inf) + 1e-9).all()
        # Only what the battery has no room or no way for is spilled.
        limited = kept_w >= (battery.charge_limit_w or np.inf) - 1e-9
        full = np.append(level_wh[1:] >= battery.capacity_wh - 1e-9, True)
        assert (limited | full | (spilled_w <= 1e-9)).all()
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
    verdicts = [check(BUSY, environment(BUSY, **SUN), t) for t in (table, table.iloc[rows])]
    assert_frame_equal(verdicts[0].violations, verdicts[1].violations)
    assert_frame_equal(verdicts[0].margins, verdicts[1].margins)


def test_check_stands_apart_from_the_planner():
    code = (
        "import sys, obsplan.check; "
        "print(*sorted(m for m in sys.modules if m.startswith('obsplan.')))"
    )
    loaded = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    ).stdout.split()
    assert loaded == ["obsplan.check", "obsplan.errors", "obsplan.hardware",
                      "obsplan.intervals", "obsplan.margins", "obsplan.pairs", "obsplan.quantities", "obsplan.references",
                      "obsplan.replay", "obsplan.rules", "obsplan.scenario",
                      "obsplan.wording"]  # fmt: skip


def test_runs_too_early_for_one_order_are_one_violation():
    scene = scenario({"name": "level"}, {"name": "block", "after": [{"activity": "level"}]})
    (row,) = broken(scene, ("block", 0), ("block", 60), ("block", 120)).itertuples()
    assert (row.rule, row.slots, row.amount) == ("order", "s1 s2 s3", 1)
    assert "(slot s1) and 2 more of its runs start from 2028-07-01T00:00Z" in row.message
    found = the_one(scene, ("block", 0), ("block", 60), ("level", 60), ("block", 120))
    assert found == ("order", "s3 s1 s2", 0, 120, "min")


def test_overlap_with_a_long_run_is_seen_past_a_short_one():
    scene = scenario({"name": "dig"}, {"name": "look"}, platforms=[platform(one_at_a_time=True)])
    found = broken(scene, ("dig", 0, 240), ("look", 60), ("look", 150))
    pairs = found.loc[found["rule"] == "platform", "slots"]
    assert list(pairs) == ["s1 s2", "s1 s3"]


def test_full_store_names_the_row_of_sending_that_leaves_contact_unused():
    scene = scenario({"name": "camera", "data_mbit": 30.0},
                     platforms=[platform(store={"end_limit_mbit": 5.0})])  # fmt: skip
    rows = [("camera", 0), ("camera", 120), ("lander downlink", 120, 130)]
    found = broken(scene, *rows)
    assert list(found["rule"]) == ["end storage"]
    last = found.iloc[-1]
    assert last["slots"] == "s2 s3"
    assert last["message"].endswith(
        'or by letting "lander downlink" (slot s3) send in the contact from 2028-07-01T02:10Z to '
        "2028-07-01T08:00Z too"
    )
    # Without the row, and with sending left open, all is sent.
    assert broken(scene, *rows[:2]).empty


def test_platform_whose_rows_of_sending_are_gone_is_told_to_have_one():
    rover = platform("rover", kind="rover")
    scene = scenario({"name": "camera", "data_mbit": 30.0},
                     platforms=[platform(store={"end_limit_mbit": 5.0}), rover])  # fmt: skip
    (row,) = broken(scene, ("camera", 0), ("rover downlink", 120, 480)).itertuples()
    assert (row.rule, row.slots) == ("end storage", "s1")
    assert 'by letting a row "lander downlink" send in the contact' in row.message


def test_empty_battery_is_told_without_negative_energy():
    scene = scenario(platforms=[platform(battery={"end": 0.5})])
    messages = broken(scene, base_load_w=90.0)["message"]
    assert len(messages) == 2 and not any("-" in m.replace("2028-07-0", "") for m in messages)
    assert "ends the span with 0 Wh" in messages[1]
    assert "short of its reserve of 200 Wh" in messages[0]
