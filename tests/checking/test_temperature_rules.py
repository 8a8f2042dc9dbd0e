"""Units in the replay: the heat of runs, heaters on the bus, cold batteries, permitted ranges."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from tools import small
from tools.replayed import DAY_MIN, platform, scenario, slots

from obsplan.checking.check import check_timeline, resources_table
from obsplan.common.instants import stamp
from obsplan.planning.plan import make_plan
from obsplan.planning.reasons.audit import audit
from obsplan.reporting.summary import summary_of
from obsplan.reporting.text.sentences import verdict_lines
from obsplan.reporting.text.terminal import plan_lines

# 0.2 W/K to ground of 200 K, 4000 J/K: a time constant of 5.6 h.
NODE = {
    "name": "box",
    "instruments": ["camera"],
    "heat_capacity_j_k": 4000.0,
    "start_k": 260.0,
    "ground_w_k": 0.2,
}
HEATER = {"power_w": 15.0, "on_below_k": 250.0, "off_above_k": 260.0}
COLD = {"surface_temperature_k": 200.0}
CAMERA = {"name": "camera", "power_w": 10.0}


def lander(**unit):
    return platform(unit=[NODE | unit])


def world(scene, sky=COLD, **columns):
    return small.world(scene, sky, **{"base_load_w": 0.0} | columns)


def replayed(scene, *rows, sky=COLD, **columns):
    return check_timeline(world(scene, sky, **columns), slots(*rows))


def falling_k(minutes, start_k=260.0):
    return 200 + (start_k - 200) * np.exp(-minutes * 60 * 0.2 / 4000)


def test_an_idle_unit_follows_the_ground_and_a_run_warms_it_by_its_share():
    scene = scenario(CAMERA, platforms=[lander(run_heat_share=0.5)])
    idle_k = replayed(scene).resources["lander"]["box_k"].to_numpy()
    minutes = np.arange(DAY_MIN)
    assert idle_k == pytest.approx(falling_k(minutes), abs=1e-9)
    warm_k = replayed(scene, ("camera", 60)).resources["lander"]["box_k"].to_numpy()
    assert (warm_k[:61] == idle_k[:61]).all()
    # 5 W into 0.2 W/K for an hour, then the same decay.
    most_k = 25 * (1 - np.exp(-3600 * 0.2 / 4000))
    assert warm_k[120] - idle_k[120] == pytest.approx(most_k, abs=1e-9)
    assert warm_k[180] - idle_k[180] == pytest.approx(most_k * np.exp(-0.18), abs=1e-9)


def test_only_runs_of_instruments_in_the_unit_warm_it():
    other = {"name": "other", "power_w": 10.0}
    scene = scenario(CAMERA, other, platforms=[lander()])
    idle_k, other_k = (
        replayed(scene, *rows).resources["lander"]["box_k"] for rows in ((), (("other", 60),))
    )
    assert (idle_k == other_k).all()


def test_heat_of_a_run_saves_heater_power_on_the_bus_and_in_the_battery():
    scene = scenario(CAMERA | {"duration_min": 240}, platforms=[lander(thermostat=HEATER)])
    idle, run = (replayed(scene, *rows).resources["lander"] for rows in ((), (("camera", 60),)))
    drawn_wh = (run["load_w"] - idle["load_w"]).sum() / 60
    # 40 Wh are drawn. In the end the box stores at most 4000 J/K times 10 K = 11 Wh more or less.
    assert -11.2 < drawn_wh < 25
    assert set(np.round(idle["load_w"], 9)) >= {0.0, 15.0}
    assert run["box_k"].min() >= 250.0 - 1e-9


def test_sunlight_and_idle_heat_warm_a_unit():
    sky = COLD | {"irradiance_w_m2": 1000.0, "sun_visible_fraction": 0.5}
    part = lander(absorbing_m2=0.02, idle_heat_w=4.0)
    level_k = replayed(scenario(CAMERA, platforms=[part]), sky=sky).resources["lander"]["box_k"]
    # 14 W into 0.2 W/K above 200 K.
    end_k = 270 - 10 * np.exp(-(DAY_MIN - 1) * 60 * 0.2 / 4000)
    assert level_k.iloc[-1] == pytest.approx(end_k, abs=1e-9)


def test_a_run_outside_its_operating_range_is_a_violation():
    scene = scenario(CAMERA | {"power_w": 0.0}, platforms=[lander(operating_k=[230.0, 300.0])])
    assert replayed(scene, ("camera", 0)).is_valid
    below_min = 4000 / 0.2 / 60 * np.log(2)  # 60 K above the ground fall to 30 K
    found = replayed(scene, ("camera", 180)).violations
    assert found["rule"].tolist() == ["operating temperature"]
    row = found.iloc[0]
    minute = (row["time_utc"] - world(scene).sky.index[0]).total_seconds() / 60
    assert minute == np.ceil(below_min)
    assert row["amount"] == pytest.approx(230 - falling_k(240), abs=1e-6) and row["unit"] == "K"
    assert row["slots"] == "s1" and row["activity"] == "camera"
    assert '"camera" (slot s1): "box" has 229.' in row["message"]
    assert "outside its operating temperature of 230 to 300 K" in row["message"]
    assert 'fix: start "camera" (slot s1) at' in row["message"]


def test_heat_of_earlier_runs_can_make_a_unit_too_hot():
    hot = CAMERA | {"power_w": 30.0}
    scene = scenario(hot, platforms=[lander(operating_k=[0.0, 285.0])])
    assert replayed(scene, ("camera", 0)).is_valid
    found = replayed(scene, ("camera", 0), ("camera", 60)).violations
    assert found["rule"].tolist() == ["operating temperature"] and found["slots"][0] == "s2"


def test_switch_on_counts_at_the_start_alone():
    scene = scenario(CAMERA | {"power_w": 0.0}, platforms=[lander(switch_on_k=[230.0, 300.0])])
    assert replayed(scene, ("camera", 225)).is_valid  # 230.6 K at its start
    found = replayed(scene, ("camera", 240)).violations
    assert found["rule"].tolist() == ["switch-on temperature"]
    assert found["amount"][0] == pytest.approx(230 - falling_k(240), abs=1e-6)


def test_survival_counts_at_all_times_and_names_the_platform():
    scene = scenario(CAMERA, platforms=[lander(surviving_k=[230.0, 300.0])])
    found = replayed(scene).violations
    assert found["rule"].tolist() == ["survival temperature"]
    assert found["platform"][0] == "lander" and found["slots"][0] == ""
    assert found["amount"][0] == pytest.approx(230 - falling_k(DAY_MIN), abs=1e-6)


def test_rules_are_named_where_they_apply():
    rules = replayed(scenario(CAMERA, platforms=[lander(operating_k=[0.0, 400.0])])).rules
    assert "operating temperature" in rules and "survival temperature" not in rules


def test_a_cold_battery_takes_no_charge():
    battery = {"start": 0.5}
    part = platform(unit=[NODE | {"charges_above_k": 230.0}], battery=battery)
    scene = scenario(CAMERA, platforms=[part])
    verdict = replayed(scene, generation_w=12.0)
    table = verdict.resources["lander"]
    cold = (table["box_k"] < 230.0).to_numpy()
    gained_wh = np.diff(table["stored_wh"])
    assert cold.any() and gained_wh[~cold[:-1]] == pytest.approx(0.2)
    assert (gained_wh[cold[:-1]] == 0).all()
    assert table["spilled_wh"][cold].to_numpy() == pytest.approx(0.2)
    (told,) = verdict.cold_charging
    ends = table.index[cold.argmax()], small.START + pd.Timedelta(minutes=DAY_MIN)
    assert told[:4] == ("lander", "box", 230.0, (ends,)) and told.hours == cold.sum() / 60
    assert told.lost_wh == pytest.approx(0.2 * cold.sum())
    # Loads may still use what the arrays give, and take the rest from the battery.
    run = replayed(scene, ("camera", 600), generation_w=4.0).resources["lander"]
    assert np.diff(run["stored_wh"])[600:660] == pytest.approx(-0.1)


@pytest.mark.parametrize(
    "changes, generation_w",
    [
        ({"battery": {"start": 1.0}}, 12.0),  # full
        ({}, 0.0),  # nothing to charge with
        ({"unit": [NODE | {"charges_above_k": 190.0}]}, 12.0),  # warm enough
    ],
)
def test_a_cold_battery_that_misses_no_charge_is_not_told(changes, generation_w):
    cold = {"unit": [NODE | {"charges_above_k": 230.0}], "battery": {"start": 0.5}}
    scene = scenario(CAMERA, platforms=[platform(**cold | changes)])
    assert replayed(scene, generation_w=generation_w).cold_charging == ()


def test_audit_plan_and_check_say_when_a_battery_is_too_cold_to_charge():
    part = platform(unit=[NODE | {"charges_above_k": 230.0}], battery={"start": 0.5})
    offered = world(scenario(CAMERA, platforms=[part]), generation_w=12.0)
    made = make_plan(offered)
    (cold,) = made.verdict.cold_charging
    times = ", ".join(f"{stamp(since)} to {stamp(until)}" for since, until in cold.times_utc)
    assert str(cold) == (
        f'"lander" cannot charge its battery for {cold.hours:.1f} h, as "box" is colder than '
        f"230 K: {times}; {cold.lost_wh:.1f} Wh are lost"
    )
    line = f"too cold to charge: {cold}"
    assert line in plan_lines(made, Path("plan")) and line in verdict_lines(made.verdict)
    (idle,) = audit(offered).query("finding.str.contains('cannot charge')").itertuples()
    assert idle.severity == "warning"
    (told,) = summary_of(made)["cold_charging"]
    assert told["hours"] == round(cold.hours, 3) and told["times_utc"][0][1].endswith("Z")


# ------------------------------------------------------------------------------ tables

TABLE = {"name": "bay", "table": "bay.csv", "instruments": ["camera"]}


def with_table(**unit):
    scene = scenario(CAMERA, platforms=[platform(unit=[TABLE | unit])])
    minutes = np.arange(DAY_MIN)
    sky = {"bay_cold_k": 240.0 + minutes / 60, "bay_hot_k": 270.0 + minutes / 60}
    return scene, sky | {"bay_heater_w": np.where(minutes < 600, 7.0, 2.0)}


def test_lower_limits_bind_the_cold_case_and_upper_ones_the_hot_case():
    scene, sky = with_table(operating_k=[245.0, 290.0])
    for start, valid in ((285, False), (300, True), (1125, True), (1155, False)):
        assert replayed(scene, ("camera", start), sky=sky).is_valid == valid, start


def test_the_heater_of_a_table_is_part_of_the_load():
    scene, sky = with_table()
    load_w = replayed(scene, ("camera", 660), sky=sky).resources["lander"]["load_w"]
    assert load_w.iloc[599] == 7.0 and load_w.iloc[600] == 2.0 and load_w.iloc[660] == 12.0


def test_temperatures_are_in_the_table_of_resources():
    scene, sky = with_table()
    parts = [*scene.platform, scene.platform[0].model_copy(update={"name": "mast", "unit": ()})]
    scene = scene.model_copy(update={"platform": tuple(parts)})
    table = resources_table(scene, replayed(scene, sky=sky))
    lander_rows, mast = (table[table["platform"] == name] for name in ("lander", "mast"))
    assert lander_rows["bay_cold_k"].iloc[4] == 241.0 and lander_rows["bay_hot_k"].iloc[4] == 271.0
    assert mast["bay_cold_k"].isna().all()


def test_a_failed_run_needs_no_temperature():
    scene = scenario(CAMERA, platforms=[lander(operating_k=[400.0, 500.0])])
    rows = slots(("camera", 60)).assign(state="failed")
    assert check_timeline(world(scene), rows).is_valid
    assert not check_timeline(world(scene), slots(("camera", 60))).is_valid


def test_margins_say_how_near_units_come_to_the_ends_of_their_ranges():
    ranges = {"operating_k": [230.0, 300.0], "surviving_k": [195.0, 300.0]}
    scene = scenario(CAMERA | {"power_w": 0.0}, platforms=[lander(**ranges)])
    margins = replayed(scene, ("camera", 60)).margins.set_index("margin")
    operating = margins.loc["operating temperature in range"]
    assert operating["where"] == "box" and operating["unit"] == "K" and operating["room"] == 35.0
    assert operating["amount"] == pytest.approx(falling_k(120) - 230, abs=1e-9)
    assert (operating["time_utc"] - small.START).total_seconds() == 120 * 60
    survival = margins.loc["survival temperature in range"]
    assert survival["amount"] == pytest.approx(falling_k(DAY_MIN) - 195, abs=1e-9)
    assert "switch-on temperature in range" not in margins.index
