"""Batteries as they are: a limit on what they deliver, a taper near full, and fade."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from tools import small
from tools.replayed import platform, scenario, slots

from obsplan.checking.check import check_timeline
from obsplan.checking.replay import charging, needed_wh
from obsplan.inputs.cross_checks import reference_errors
from obsplan.inputs.hardware import Battery
from obsplan.planning.plan import make_plan

CAMERA = {"name": "camera", "power_w": 30.0}


def replayed(battery, *rows, activity=CAMERA, **columns):
    scene = scenario(activity, platforms=[platform(battery=battery)])
    return check_timeline(small.world(scene, **columns), slots(*rows))


def test_a_battery_delivers_no_more_than_its_limit():
    limited = {"discharge_limit_w": 20.0}
    assert replayed(limited, ("camera", 60), generation_w=10.0).is_valid
    found = replayed(limited, ("camera", 60), generation_w=8.0).violations
    assert found["rule"].tolist() == ["battery power"] and found["amount"][0] == pytest.approx(2.0)
    assert 'the battery of "lander" delivers 2 W more than its limit of 20 W' in found["message"][0]
    margin = replayed(limited, ("camera", 60), generation_w=12.0).margins.set_index("margin")
    assert margin.loc["battery power headroom", "amount"] == pytest.approx(2.0)


def test_a_plan_keeps_the_limit_and_its_bound_knows_it():
    scene = scenario(
        CAMERA | {"count": 4}, platforms=[platform(battery={"discharge_limit_w": 20.0})], hours=6
    )
    lit = np.arange(360) % 180 < 60
    made = make_plan(small.world(scene, generation_w=np.where(lit, 15.0, 5.0)))
    assert made.verdict.is_valid and made.value == 2.0
    assert made.bound == pytest.approx(2.0, rel=1e-5)  # raised for rounding in the solver


def test_charging_tapers_to_zero_at_full():
    battery = {"start": 0.2, "charge_limit_w": 60.0, "taper_above": 0.8, "capacity_wh": 100.0}
    table = replayed(battery, generation_w=90.0).resources["lander"]
    stored_wh = table["stored_wh"].to_numpy()
    gained_w = np.diff(stored_wh) * 60
    assert gained_w[:59] == pytest.approx(60.0)
    above = stored_wh[:-1] >= 80.0
    # On a straight line from 60 W at 80 Wh to none at 100 Wh.
    assert gained_w[above] == pytest.approx(3.0 * (100 - stored_wh[:-1][above]), abs=1e-9)
    assert 99.9 < stored_wh[-1] <= 100.0
    # What the battery does not take is lost.
    kept_wh = stored_wh[-1] - stored_wh[0]
    assert table["spilled_wh"].iloc[:-1].sum() + kept_wh == pytest.approx(90 * 1439 / 60)


@given(
    changes=st.lists(st.sampled_from([-8.0, -2.0, 0.0, 1.0, 3.0]), min_size=1, max_size=12),
    taper_above=st.sampled_from([0.5, 0.8, 0.95]),
    limit_w=st.sampled_from([60.0, 600.0]),
)
def test_the_energy_needed_is_what_just_suffices(changes, taper_above, limit_w):
    battery = Battery(
        capacity_wh=40.0,
        reserve=0.25,
        end=0.5,
        charge_limit_w=limit_w,
        taper_above=taper_above,
        charge_efficiency=1.0,
    )
    after_wh = charging(battery)

    def lasts(level_wh):
        for change_wh in changes:
            if level_wh < 10.0 - 1e-9:
                return False
            level_wh = after_wh(level_wh, change_wh)
        return level_wh >= 20.0 - 1e-9

    needed = needed_wh(battery, changes, 10.0, 20.0)[0]
    # Where not even a full battery lasts, only what comes before counts.
    if lasts(40.0):
        assert lasts(needed + 1e-7)
        assert needed <= 10.0 + 1e-9 or not lasts(needed - 1e-3)


def test_fade_takes_its_share_of_the_capacity():
    table = replayed({"fade": 0.25, "start": 0.6}).resources["lander"]
    assert table["stored_wh"].iloc[0] == pytest.approx(0.6 * 750.0)
    assert table["state_of_charge"].iloc[0] == pytest.approx(0.6)
    full = replayed({"fade": 0.25}, generation_w=90.0).resources["lander"]
    assert full["stored_wh"].max() == pytest.approx(750.0)


def test_a_taper_needs_a_charge_limit():
    table = small.scenario_table(CAMERA, platforms=[platform(battery={"taper_above": 0.8})])
    (line,) = reference_errors(table)
    assert line == (
        'platform "lander".battery.taper_above: needs charge_limit_w, from which the power falls'
    )
