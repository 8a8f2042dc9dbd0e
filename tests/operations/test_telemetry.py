"""A state is read with every mistake named, and told to environment and replay."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd
import pytest
from tools.small import START, platform, scenario, slots, world

from obsplan.checking.check import check_timeline
from obsplan.common.errors import StateError
from obsplan.environment.key_changes import KeyChange, changed
from obsplan.inputs.read_state import read_state
from obsplan.inputs.telemetry_file import State, UnitState
from obsplan.operations.fixed_slots import with_outcomes
from obsplan.operations.telemetry import reported_runs, stations_out, with_telemetry
from obsplan.planning.problem.start_windows import start_mask

NOW = datetime(2028, 7, 1, 6, tzinfo=UTC)


def scene(**parts):
    return scenario({"name": "sweep", "count": 3, "power_w": 10.0}, hours=12, **parts)


# 0.2 W/K to ground of 200 K, 4000 J/K: a time constant of 5.6 h.
BOX = {
    "name": "box",
    "instruments": ["sweep"],
    "heat_capacity_j_k": 4000.0,
    "start_k": 280.0,
    "ground_w_k": 0.2,
    "thermostat": {"power_w": 30.0, "on_below_k": 250.0, "off_above_k": 252.0},
    "surviving_k": [240.0, 300.0],
}


def with_box(*others):
    return scene(platforms=[platform(unit=[BOX, *others])])


def told(tmp_path, text: str, scene_, now=NOW):
    path = tmp_path / "state.toml"
    path.write_text(text)
    return read_state(path, scene_, now)


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ('[[platform]]\nname = "lander"\nstate_of_charge = 1.4', "state_of_charge = 1.4: out of"),
        ('[[platform]]\nname = "landr"', "no such platform in the scenario; did you mean 'lander'"),
        ('[[instrument]]\nname = "laser"', "no such instrument"),
        ('[[station]]\nname = "gamma"', "no such station"),
        ('[[unit]]\nname = "bxo"\ntemperature_k = 280', "no such unit in the scenario; did you"),
        ('[[unit]]\nname = "box"\ntemperature_k = 19', "out of range: allowed is 20 to 600"),
        ('[[unit]]\nname = "box"', "temperature_k: required but missing"),
        ('[[unit]]\nname = "bay"\ntemperature_k = 280', "not allowed, as the unit has a table"),
        (
            '[[unit]]\nname = "box"\nat_utc = 2028-07-01T07:00:00Z\ntemperature_k = 280',
            "allowed is 2028-07-01T00:00Z to 2028-07-01T06:00Z",
        ),
        (
            '[[platform]]\nname = "lander"\nstored_mbit = 51',
            "more than the storage capacity; allowed is 0 to 50",
        ),
        (
            '[[platform]]\nname = "lander"\n[[platform]]\nname = "lander"',
            "appears 2 times for one time; only once is allowed",
        ),
        (
            '[[slot]]\nslot = "s1"\noutcome = "done"\n[[slot]]\nslot = "s1"\noutcome = "failed"',
            "listed twice; a slot has one outcome",
        ),
        (
            '[[slot]]\nslot = "s1"\noutcome = "done"\n[[slot]]\nslot = "s1"\noutcome = "done"\n'
            'reason = "again"',
            "listed twice; a slot has one outcome",
        ),
        ('[[slot]]\nslot = "s1"\noutcome = "shortened"', "say when the run ended"),
        ('[[slot]]\nslot = "s1"\noutcome = "lost"', "allowed are 'done', 'shortened' or 'failed'"),
        ("at_utc = 2028-07-01T07:00:00Z", "is after --now"),
        ("at_utc = 2027-07-01T07:00:00Z", "outside the span"),
        ("at_utc = 2028-07-01T05:00:00", "no zone"),
        (
            '[[instrument]]\nname = "sweep"\nuntil_utc = 2028-07-01T05:00:00Z',
            "must be after the start of the outage",
        ),
        ("charge = 3", "unknown key"),
        ("[[platform", "not valid TOML"),
    ],
)
def test_every_mistake_is_one_line(tmp_path, text, line):
    with pytest.raises(StateError) as caught:
        told(tmp_path, text, with_box({"name": "bay", "table": "bay.csv"}))
    assert line in str(caught.value) and "\n" not in str(caught.value)
    assert str(caught.value).startswith(str(tmp_path / "state.toml"))


def test_a_state_without_a_time_needs_one_from_the_caller(tmp_path):
    with pytest.raises(StateError, match="at_utc: required"):
        told(tmp_path, "", scene(), now=None)
    assert told(tmp_path, "", scene()).at_utc == NOW


def test_state_and_what_ran_may_not_disagree(tmp_path):
    state = told(tmp_path, '[[slot]]\nslot = "s1"\noutcome = "failed"', scene())
    planned = slots(("sweep", 0)).assign(end_utc=START + pd.Timedelta(hours=1), state="planned")
    ran = pd.DataFrame(
        [("s1", "sweep", START, START + pd.Timedelta(hours=1), "done", "")],
        columns=["slot", "activity", "start_utc", "end_utc", "outcome", "reason"],
    )
    with pytest.raises(StateError, match="failed here, but done in what ran"):
        reported_runs(state, planned, ran)
    with pytest.raises(StateError, match="no such slot in the timeline"):
        reported_runs(state, planned.assign(slot="s9"))
    one = reported_runs(state, planned).iloc[0]
    assert (one["outcome"], one["start_utc"], one["end_utc"]) == ("failed", START, START)


def test_replay_goes_on_from_telemetry(tmp_path):
    scene_ = scene(platforms=[platform(idle_w=10.0)])
    state = told(
        tmp_path,
        '[[platform]]\nname = "lander"\nstate_of_charge = 0.5\n'
        "stored_mbit = 12.5\narray_factor = 0.5",
        scene_,
    )
    offered = with_telemetry(world(scene_, generation_w=8.0, rate_kbps=0.0), state)
    books = check_timeline(offered, slots()).resources["lander"]
    # 2 W short before, 6 W short after the arrays lost half.
    assert books["stored_wh"].iloc[359] == pytest.approx(800 - 2 * 359 / 60)
    assert books["stored_wh"].iloc[360] == pytest.approx(500)
    assert books["stored_wh"].iloc[480] == pytest.approx(500 - 6 * 2)
    assert (books["stored_mbit"].iloc[359], books["stored_mbit"].iloc[360]) == (0, 12.5)


def test_an_instrument_that_is_out_bars_starts_and_breaks_a_rule(tmp_path):
    scene_ = scene()
    state = told(
        tmp_path, '[[instrument]]\nname = "sweep"\nuntil_utc = 2028-07-01T08:00:00Z', scene_
    )
    offered = with_telemetry(world(scene_), state)
    open_ = start_mask(offered, scene_.activity[0])
    assert not open_[21:32].any() and open_[20] and open_[32]
    verdict = check_timeline(offered, slots(("sweep", 330), ("sweep", 480)))
    row = verdict.violations.iloc[0]
    assert len(verdict.violations) == 1 and (row["rule"], row["slots"]) == ("outage", "s1")
    assert row["amount"] == 30 and "outage" in verdict.rules


def test_a_lost_station_serves_nobody_and_relays_feel_it(tmp_path):
    rover = platform("rover", kind="rover", radio={"to": "lander", "rate_kbps": 5.0})
    scene_ = scene(platforms=[platform(), rover])
    state = told(tmp_path, '[[station]]\nname = "alpha"\nfrom_utc = 2028-07-01T07:00:00Z', scene_)
    offered = with_telemetry(world(scene_), state)
    for name in ("lander", "rover"):
        contact = offered.platforms[name]["in_contact"].to_numpy()
        assert contact[:420].all() and not contact[420:].any()
    assert not offered.platforms["lander"]["rate_kbps"].iloc[420:].any()


def test_another_station_serves_where_one_is_lost(demo, tmp_path):
    from obsplan.environment.build import make_environment

    before = demo
    scene_ = demo.scenario
    lost = scene_.station[0].name
    state = told(
        tmp_path,
        f'at_utc = 2028-07-04T00:00:00Z\n[[station]]\nname = "{lost}"',
        scene_,
        now=datetime(2028, 7, 4, tzinfo=UTC),
    )
    after = make_environment(scene_, stations_out=stations_out(scene_, state))
    one, other = (e.platforms["lander"]["station"].to_numpy() for e in (before, after))
    ahead = before.sky.index >= state.at_utc
    assert (one[ahead] == lost).any() and not (other[ahead] == lost).any()
    # Where both see the Moon the other takes over.
    assert ((one == lost) & (other != lost) & (other != "") & ahead).any()
    rows = after.contacts[after.contacts["station"] == lost]
    assert (rows["loss_utc"] <= state.at_utc).all()


def test_facts_break_no_rule_by_themselves_and_failed_runs_count_for_nothing():
    scene_ = scenario(
        {"name": "level", "data_mbit": 7.0},
        {"name": "listen", "after": [{"activity": "level"}]},
        hours=12,
    )
    offered = world(scene_, rate_kbps=0.0)
    rows = slots(("level", 3), ("listen", 240)).assign(
        end_utc=START + pd.to_timedelta([40, 300], unit="min")
    )
    done = check_timeline(offered, rows.assign(state=["done", "planned"]))
    failed = check_timeline(offered, rows.assign(state=["failed", "planned"]))
    planned = check_timeline(offered, rows)
    assert done.is_valid
    assert set(failed.violations["rule"]) == {"order"}
    assert {"grid", "duration"} <= set(planned.violations["rule"])
    assert done.resources["lander"]["stored_mbit"].iloc[-1] > 0
    assert failed.resources["lander"]["stored_mbit"].iloc[-1] == 0
    assert np.isfinite(failed.resources["lander"]["load_w"]).all()


def test_what_is_told_of_slots_stands_in_the_timeline(tmp_path):
    scene_ = scene()
    rows = slots(("sweep", 0), ("sweep", 120), ("sweep", 480)).assign(state="planned")
    rows["end_utc"] = rows["start_utc"] + pd.Timedelta(hours=1)
    state = told(
        tmp_path,
        """
        [[slot]]
        slot = "s1"
        outcome = "shortened"
        end_utc = 2028-07-01T00:20:00Z
        [[slot]]
        slot = "s2"
        outcome = "failed"
    """,
        scene_,
    )
    table = with_outcomes(scene_, rows, reported_runs(state, rows), NOW)
    assert table["state"].tolist() == ["shortened", "failed", "planned"]
    minutes = (table["end_utc"] - table["start_utc"]) / pd.Timedelta(minutes=1)
    assert minutes.tolist() == [20, 0, 60]
    load_w = check_timeline(world(scene_, rate_kbps=0.0), table).resources["lander"]["load_w"]
    assert load_w.sum() == 10.0 * (20 + 60)


def test_what_is_still_to_come_cannot_be_told(tmp_path):
    rows = slots(("sweep", 330)).assign(state="planned")
    rows["end_utc"] = rows["start_utc"] + pd.Timedelta(hours=1)
    state = told(tmp_path, '[[slot]]\nslot = "s1"\noutcome = "done"', scene())
    with pytest.raises(StateError, match="T06:30Z: after now, 2028-07-01T06:00Z"):
        with_outcomes(scene(), rows, reported_runs(state, rows), NOW)


def test_each_reading_counts_from_its_time_on(tmp_path):
    scene_ = scene(platforms=[platform(idle_w=10.0)])
    state = told(
        tmp_path,
        "at_utc = 2028-07-01T05:00:00Z\n"
        '[[platform]]\nname = "lander"\nat_utc = 2028-07-01T02:00:00Z\narray_factor = 0.5\n'
        'stored_mbit = 8.0\n[[platform]]\nname = "lander"\nstate_of_charge = 0.4\n',
        scene_,
    )
    offered = with_telemetry(world(scene_, generation_w=10.0, rate_kbps=0.0), state)
    factor = offered.platforms["lander"]["generation_w"] / 10
    assert (factor[:120] == 1).all() and (factor[120:] == 0.5).all()
    books = check_timeline(offered, slots()).resources["lander"]
    levels = books["stored_wh"].iloc[[120, 299, 300, 360]]
    assert levels.tolist() == pytest.approx([800, 800 - 5 * 179 / 60, 400, 395])
    assert (books["stored_mbit"].iloc[119], books["stored_mbit"].iloc[-1]) == (0, 8)
    # The jump to a measured level is no spilled energy.
    assert books["spilled_wh"].max() == 0
    with pytest.raises(ValueError, match="telemetry already"):
        with_telemetry(offered, state)


def test_units_and_their_heaters_go_on_from_measured_temperatures():
    scene = with_box()
    offered = world(scene, {"surface_temperature_k": 200.0}, base_load_w=1.0)
    times = [NOW, NOW - timedelta(hours=2)]
    read = zip(times, (270.0, 235.0))
    units = tuple(UnitState(name="box", at_utc=at, temperature_k=k) for at, k in read)
    known = with_telemetry(offered, State(at_utc=NOW, unit=units))
    assert known.unit_readings == {"box": ((240, 235.0), (360, 270.0))}
    before, after = (check_timeline(each, slots()).resources["lander"] for each in (offered, known))
    level_k = after["box_k"].to_numpy()
    assert (level_k[:240] == before["box_k"].to_numpy()[:240]).all()
    assert level_k[240] == 235.0 and level_k[360] == 270.0
    # It cools to 250 K in 1.8 h before the heater turns on.
    cooling = np.arange(100)
    falling_k = 200 + 70 * np.exp(-cooling * 60 * 0.2 / 4000)
    assert level_k[360:460] == pytest.approx(falling_k, abs=1e-9)
    # Idle loads are those of the replay, and the heater is on at once at 235 K.
    assert (after["load_w"] == known.platforms["lander"]["base_load_w"]).all()
    assert after["load_w"].iloc[240] == pytest.approx(31.0)
    assert after["load_w"].iloc[360] == pytest.approx(1.0)


def test_survival_counts_from_the_measured_temperature_on():
    offered = world(with_box(), {"surface_temperature_k": 200.0}, base_load_w=1.0)
    cold = UnitState(name="box", temperature_k=239.0)
    verdict = check_timeline(with_telemetry(offered, State(at_utc=NOW, unit=(cold,))), slots())
    (broken,) = verdict.found
    assert broken.rule == "survival temperature" and broken.time_utc == NOW
    assert broken.amount == pytest.approx(1.0)
    (left,) = verdict.margins.query("margin == 'survival temperature in range'")["amount"]
    assert left == pytest.approx(-1.0)


def test_a_changed_key_keeps_measured_temperatures():
    offered = world(with_box(), {"surface_temperature_k": 200.0}, generation_w=0.0)
    warm = UnitState(name="box", temperature_k=270.0)
    known = with_telemetry(offered, State(at_utc=NOW, unit=(warm,)))
    more = changed(known, KeyChange("platform", "lander", ("idle_w",), 0.0, 5.0))
    level_k, load_w = (more.platforms["lander"][c] for c in ("box_k", "base_load_w"))
    assert level_k.iloc[360] == 270.0
    assert load_w.iloc[360] == pytest.approx(known.platforms["lander"]["base_load_w"].iloc[360] + 5)
