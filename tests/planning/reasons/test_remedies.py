"""The least increase that fits a run: found to a tenth, valid by the minute, in plain words."""

import re
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from tools.explained import booked, explained, small_battery, why
from tools.small import platform, scenario, world

from obsplan.environment.model import Reading
from obsplan.planning.reasons import unplaced
from obsplan.planning.reasons.remedies import larger_battery, larger_store, least, smallest
from obsplan.planning.reasons.what_if import Variant, with_run


@pytest.mark.parametrize("guess", [0.0, 0.1, 3.0, 12.3, 40.0])
def test_least_finds_the_smallest_tenth_that_is_enough(guess):
    assert least(lambda x: x >= 12.34, guess, most=50.0) == pytest.approx(12.4)
    assert least(lambda x: True, guess, most=50.0) == 0.0
    assert least(lambda x: x >= 12.34, guess, most=12.3) is None


def test_least_looks_at_nothing_below_and_may_stop_a_grain_too_high():
    asked = []

    def enough(x: float) -> bool:
        asked.append(x)
        return x >= 60.2

    assert 60.2 <= least(enough, 50.0, most=100.0, below=49.9, grain=5) < 60.7
    assert min(asked) >= 50.0


def test_smallest_goes_on_to_the_next_start_if_the_replay_refuses_the_first():
    scene = scenario({"name": "drill", "power_w": 90.0}, platforms=[small_battery()])
    environment = world(scene)
    empty = booked(scene, environment)
    tries = [Variant(with_run(empty, 0, start), environment) for start in (0, 4)]

    def late(tried: Variant) -> SimpleNamespace:
        return SimpleNamespace(is_valid=tried.booking.runs[0] == [4])

    def never(tried: Variant) -> SimpleNamespace:
        return SimpleNamespace(is_valid=False)

    def battery(tried: Variant, wh: float) -> Variant:
        return larger_battery(0, tried, wh)

    assert smallest(battery, tries, late, 1.0, 50.0) == (pytest.approx(30.0), 1)
    assert smallest(battery, tries, never, 1.0, 50.0) is None
    assert smallest(battery, tries, late, 1.0, 29.9) is None


def test_larger_battery_keeps_reserve_and_end_and_raises_what_telemetry_read():
    scene = scenario({"name": "drill"}, platforms=[small_battery(start=0.5, end=0.4)])
    read = replace(world(scene), readings={"lander": (Reading(60, 30.0, None),)})
    larger = larger_battery(0, Variant(booked(scene, read), read), 25.0)
    battery = larger.scenario.platform[0].battery
    levels_wh = np.array([battery.reserve, battery.start, battery.end]) * battery.capacity_wh
    assert battery.capacity_wh == 125.0
    assert levels_wh == pytest.approx([20.0, 75.0, 40.0])
    assert larger.environment.readings["lander"][0].stored_wh == 55.0
    node = larger.booking.problem.nodes[0]
    assert (node.capacity_wh, node.start_wh, node.reserve_wh, node.end_wh) == (125, 75, 20, 40)


@pytest.mark.parametrize(
    "end_mbit, room, left, at_the_end",
    [
        (None, True, False, 60.0),
        (20.0, True, False, 20.0),
        (20.0, False, True, 30.0),
        (20.0, True, True, 30.0),
        (54.0, True, False, 54.0),
    ],
)
def test_larger_store_gives_room_or_leave_to_keep(end_mbit, room, left, at_the_end):
    store = {"capacity_mbit": 50.0, "end_limit_mbit": end_mbit}
    scene = scenario({"name": "camera"}, platforms=[platform(store=store)])
    environment = world(scene)
    plan = Variant(booked(scene, environment), environment)
    larger = larger_store(0, room, left, plan, 10.0)
    node, asked = larger.booking.problem.nodes[0], larger.scenario.platform[0].store
    assert (node.store_mbit, node.store_end_mbit) == (50.0 + 10 * room, at_the_end)
    assert asked.capacity_mbit == 50.0 + 10 * room
    assert min(asked.end_limit_mbit or np.inf, asked.capacity_mbit) == at_the_end


def test_data_that_a_slow_link_leaves_behind_need_a_faster_one():
    # 40 Mbit from 19:45 on; 255 minutes at 1.5 kbit/s carry 22.95 of the 35 that must go.
    part = platform(store={"capacity_mbit": 50.0, "end_limit_mbit": 5.0})
    late = {"name": "camera", "data_mbit": 40.0, "when": {"sun_elevation_deg": [13.2, 13.7]}}
    scene = scenario(late, platforms=[part])
    reason, change = why(scene, rate_kbps=1.5)
    assert reason == 'storage and downlink of "lander"'
    stored, faster = change.partition(" (start ")[0].split(", or ")
    assert re.fullmatch(r'"lander" could keep \S+ Mbit more in its storage at the end', stored)
    percent = re.fullmatch(r'the link of "lander" were (\S+) % faster', faster)[1]
    # 35 / 22.95, and a little for the quarter of an hour that the first data take to come.
    assert 52.5 <= float(percent) <= 54.0


def test_the_instant_named_is_that_of_the_start_named():
    """At first there is a link but no energy to send; later a slow link and some Sun."""
    part = platform(
        store={"capacity_mbit": 50.0},
        battery={"capacity_wh": 100.0, "start": 0.2},
        radio={"transmit_w": 10.0},
    )
    minute = np.arange(24 * 60)
    scene = scenario({"name": "camera", "data_mbit": 60.0, "power_w": 0.0}, platforms=[part])
    _, change = why(
        scene,
        generation_w=np.where((minute >= 120) & (minute < 180), 10.0, 0.0),
        rate_kbps=np.where(minute < 60, 20.0, np.where((minute >= 120) & (minute < 180), 1.0, 0.0)),
    )
    by, start = (pd.Timestamp(t) for t in pd.Series([change]).str.findall(r"\d{4}-\S+?Z")[0])
    assert start < by <= start + pd.Timedelta(hours=1)


def test_a_platform_may_bear_any_name():
    part = platform("lander {a}", store={"capacity_mbit": 20.0})
    scene = scenario(
        {"name": "camera", "platform": "lander {a}", "data_mbit": 30.0}, platforms=[part]
    )
    _, change = why(scene, rate_kbps=0.0)
    assert change.startswith('the storage of "lander {a}" held 10 Mbit more by ')


def test_a_second_interruption_keeps_the_plan_without_reasons(monkeypatch):
    scene = scenario({"name": "a", "count": 2}, {"name": "b", "count": 2})
    environment = world(scene)

    def interrupted(insertion):
        raise KeyboardInterrupt

    monkeypatch.setattr(unplaced, "_answer", interrupted)
    table = explained(environment, booked(scene, environment))
    assert table["reason"].tolist() == ["not analysed: interrupted"] * 2


def test_data_left_behind_when_contact_ends_need_longer_contact():
    """30 Mbit from 05:00 to 06:00, sent as they come, but contact ends at 05:10.

    The last of them are on board at 06:00 only.
    """
    part = platform(store={"capacity_mbit": 50.0, "end_limit_mbit": 0.0})
    camera = {"name": "camera", "data_mbit": 30.0, "when": {"local_time_h": [1.0, 2.0]}}
    scene = scenario(camera, platforms=[part])
    _, change = why(scene, rate_kbps=np.where(np.arange(1440) < 310, 20.0, 0.0))
    ways = change.partition(" (start ")[0].split(", or ")
    assert '"lander" had 50 min more contact from 2028-07-01T05:10Z' in ways
