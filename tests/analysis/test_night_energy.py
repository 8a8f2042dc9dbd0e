"""How long batteries last after last light, of how long a night."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from tools.small import START, platform, scenario, scenario_table, world

from obsplan.analysis.night_energy import night_energy
from obsplan.environment.build import make_environment
from obsplan.inputs.read_scenario import scenario_from
from obsplan.planning.plan import make_plan
from obsplan.reporting.text.sentences import night_lines

HALF_LUNATION_H = 354.367  # half of 29.530589 d


def after(night_h=HALF_LUNATION_H, light_h=12.0, **parts):
    """A plan of a day of which the light ends after some hours."""
    battery = {"capacity_wh": 1000.0, "reserve": 0.2, "start": 0.5} | parts.pop("battery", {})
    scene = scenario({"name": "look"}, platforms=[platform(battery=battery, **parts)])
    begin = START + pd.Timedelta(hours=light_h)
    night = begin, begin + pd.Timedelta(hours=night_h)
    made = make_plan(world(scene))
    return replace(made, environment=replace(made.environment, night=night))


def test_one_watt_through_half_a_mean_lunation_is_354_4_wh():
    battery = {"start": 0.3 + 0.0544, "reserve": 0.0}
    (row,) = night_energy(after(night_w=1.0, battery=battery))
    assert row.draw_w * row.night_h == pytest.approx(354.4, abs=0.05)
    assert row.empty_h == pytest.approx(row.night_h, abs=0.1)


def test_reserve_and_empty_battery_follow_from_the_charge_and_the_losses():
    (row,) = night_energy(after(night_w=10.0, battery={"discharge_efficiency": 0.9}))
    assert (row.stored_wh, row.reserve_h, row.empty_h) == pytest.approx((500.0, 27.0, 45.0))


def test_without_a_night_draw_idle_and_all_heaters_count():
    unit = {
        "name": "box",
        "heat_capacity_j_k": 4000.0,
        "start_k": 290.0,
        "ground_w_k": 0.01,
        "thermostat": {"power_w": 5.0, "on_below_k": 250.0, "off_above_k": 260.0},
    }
    heater = {"power_w": 7.0, "below_k": 21.0}
    (row,) = night_energy(after(idle_w=2.0, heater=heater, unit=[unit]))
    assert row.draw_w == 14.0


def test_the_charge_is_that_at_last_light():
    early, late = (night_energy(after(light_h=h, idle_w=2.0))[0] for h in (6.0, 30.0))
    assert early.stored_wh == pytest.approx(500 - 12)
    assert late.stored_wh == pytest.approx(500 - 2 * 1439 / 60)  # as the last minute begins


def test_lines_say_what_lasts():
    (short,) = night_lines(after(night_w=10.0))
    assert short == (
        'night: "lander" reaches its reserve 30.0 h after last light (2028-07-01T12:00Z), and its '
        "battery is empty after 50.0 h of the 354.4 h of this night, drawing 10 W of 500 Wh"
    )
    assert "lasts all 354.4 h of this night" in night_lines(after(night_w=1.0))[0]
    assert "stays above its reserve for all" in night_lines(after(night_w=0.5))[0]
    assert "stays above its reserve for all" in night_lines(after(night_w=0.0))[0]
    plan = after()
    assert night_lines(replace(plan, environment=replace(plan.environment, night=None))) == []


def test_the_night_is_the_one_that_ends_next_after_the_span():
    def night_of(start, end):
        table = scenario_table({"name": "look"}, platforms=[platform()])
        table["span"] = {"start_utc": start, "end_utc": end, "step_min": 60}
        return make_environment(scenario_from(table)).night

    by_day = night_of("2028-07-05T00:00:00Z", "2028-07-06T00:00:00Z")
    by_night = night_of("2028-07-20T00:00:00Z", "2028-07-21T00:00:00Z")
    assert by_day == by_night
    assert by_day[0] < pd.Timestamp("2028-07-20", tz="UTC") < by_day[1]
    # Half a lunation, less the time in which the disc and not its centre is up.
    hours = (by_day[1] - by_day[0]) / pd.Timedelta(hours=1)
    assert hours == pytest.approx(HALF_LUNATION_H, abs=8) and np.isfinite(hours)
