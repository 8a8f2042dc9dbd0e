"""What the execution rule makes of runs that meet something else than predicted."""

from dataclasses import replace

import numpy as np
import pytest
from tools.small import platform, scenario, scenario_table, slots, world

from obsplan.analysis.goal_table import goal_counters
from obsplan.checking.check import check_timeline
from obsplan.checking.goal_worth import goal_value
from obsplan.checking.limits import limits_of
from obsplan.checking.replay import replay
from obsplan.checking.slots import read_slots
from obsplan.futures import walk
from obsplan.futures.draws import draw
from obsplan.futures.execute import each_alone, make_futures
from obsplan.futures.goal_chances import goal_futures_table
from obsplan.futures.tables import causes_table, futures_table
from obsplan.inputs.read_scenario import scenario_from
from obsplan.inputs.uncertainty import Uncertainty


def executed(environment, *rows, uncertain=(), samples=20, seed=1):
    return make_futures(
        environment, slots(*rows), samples=samples, seed=seed, uncertain=list(uncertain)
    )


def codes(futures):
    """Outcomes of each run over all futures."""
    return [set(column.tolist()) for column in futures.outcome.code.T]


def longer(of, *factor):
    return Uncertainty(what="run length", of=of, factor=factor)


def test_a_late_run_pushes_the_next_on_its_platform_up_to_the_slip():
    part = platform(one_at_a_time=True)
    scene = scenario({"name": "drive"}, {"name": "look"}, platforms=[part], hours=6)
    late = executed(
        world(scene), ("drive", 0), ("look", 60), uncertain=[longer("drive", 1, 1.2, 1.4)]
    )
    drive_min = late.outcome.start_min[:, 1]
    assert codes(late) == [{walk.MADE}, {walk.MADE}]
    # 60 min that take up to 1.4 times as long: the next starts when it is over, 0 to 24 min late.
    assert drive_min.min() > 60 and drive_min.max() <= 84
    later = executed(
        world(scene), ("drive", 0), ("look", 60), uncertain=[longer("drive", 1.6, 2, 2.4)]
    )
    assert codes(later) == [{walk.MADE}, {walk.LATE}]
    assert futures_table(later)["not_made"].tolist() == ["", "too late 1"]


def test_a_run_that_takes_longer_yields_the_same_data_and_more_draw():
    scene = scenario({"name": "drive", "power_w": 60.0, "data_mbit": 12.0}, hours=6)
    far = executed(world(scene), ("drive", 0), uncertain=[longer("drive", 1.9, 2, 2.1)], samples=1)
    assert far.received.all() and far.outcome.aboard_mbit.max() == pytest.approx(0, abs=1e-9)
    # 800 Wh at first; an hour at 60 W is 60 Wh, twice as long about twice that.
    used_wh = 1000 * (0.8 - far.outcome.lowest.min())
    minutes = far.outcome.received_min[0, 0]
    assert 114 <= minutes <= 127 and used_wh > 113


def test_a_run_is_skipped_if_the_measured_arrays_cannot_bear_it_and_never_forced():
    part = platform(battery={"start": 0.3, "capacity_wh": 100.0}, idle_w=1.0)
    scene = scenario({"name": "oven", "power_w": 30.0}, platforms=[part], hours=4)
    sunlit = world(scene, generation_w=22.0)
    rows = ("oven", 60), ("oven", 180)
    weak = Uncertainty(what="array output", factor=(0.4, 0.5, 0.6))
    # 21 W for an hour, then 9 Wh an hour short, 30 Wh above the reserve; at half of the arrays 20
    # short with 20 above, and two hours later the arrays have filled in 20.
    assert codes(executed(sunlit, *rows)) == [{walk.MADE}, {walk.MADE}]
    skipped = executed(sunlit, *rows, uncertain=[weak], samples=60)
    assert codes(skipped)[0] == {walk.MADE, walk.CHARGE}
    assert not skipped.outcome.below.any()
    # What the arrays yield is measured: the weakest futures are those in which it is skipped.
    factor = drawn_of(skipped).factor[:, 0, walk.ARRAYS]
    is_made = skipped.made[:, 0]
    assert factor[is_made].min() > factor[~is_made].max()


def test_what_comes_after_a_run_that_failed_is_skipped():
    scene = scenario(
        {"name": "insert"},
        {"name": "log", "after": [{"activity": "insert", "settle_min": 30}]},
        hours=6,
    )
    fails = Uncertainty(what="run fails", of="insert", chance=0.5)
    futures = executed(world(scene), ("insert", 0), ("log", 120), uncertain=[fails], samples=60)
    code = futures.outcome.code
    assert codes(futures) == [{walk.MADE, walk.FAILED}, {walk.MADE, walk.ORDER}]
    assert ((code[:, 0] == walk.FAILED) == (code[:, 1] == walk.ORDER)).all()


def test_a_run_ends_when_its_instrument_or_its_contact_is_lost():
    scene = scenario({"name": "look", "contact": "whole"}, {"name": "shake"}, hours=6)
    rows = ("look", 120), ("shake", 120)
    station = Uncertainty(what="out of service", of="alpha", per_day=12.0)
    lost = executed(world(scene), *rows, uncertain=[station], samples=60)
    assert codes(lost) == [{walk.MADE, walk.CONTACT}, {walk.MADE}]
    started = lost.outcome.start_min[:, 0] >= 0
    assert (started & (lost.outcome.code[:, 0] == walk.CONTACT)).any()
    tool = Uncertainty(what="out of service", of="lander", per_day=12.0)
    assert codes(executed(world(scene), *rows, uncertain=[tool], samples=60))[1] == {
        walk.MADE,
        walk.OUT,
    }


def test_loads_are_shed_when_a_run_takes_longer_than_the_charge_lasts():
    part = platform(battery={"start": 0.27, "capacity_wh": 1000.0})
    scene = scenario({"name": "drive", "power_w": 60.0}, platforms=[part], hours=6)
    # 70 Wh above the reserve: an hour takes 60, one of 80 min takes 80.
    futures = executed(world(scene), ("drive", 0), uncertain=[longer("drive", 1.3, 1.4, 1.5)])
    assert codes(futures) == [{walk.SHED}]
    assert (futures.outcome.below > 0).all() and not futures.outcome.empty.any()


def test_a_run_counts_once_its_data_are_on_earth():
    scene = scenario({"name": "look", "data_mbit": 12.0, "value": 4.0}, hours=4)
    # 20 kbit/s are 1.2 Mbit a minute, for ten minutes.
    seen = (np.arange(240) >= 200) & (np.arange(240) < 210)
    rate = np.where(seen, 20.0, 0.0)
    environment = world(scene, rate_kbps=rate, in_contact=seen, station=np.where(seen, "alpha", ""))
    slow = Uncertainty(what="link rate", factor=(0.7, 0.8, 0.9))
    futures = executed(environment, ("look", 0), uncertain=[slow])
    assert futures.made.all() and not futures.received.any()
    assert futures.certain_value == 4.0 and futures.mean_value == 0.0
    table = causes_table(each_alone(futures))
    assert table.loc[0, ["uncertainty", "cost"]].tolist() == ["link rate", 4.0]


@pytest.mark.parametrize("seed", range(4))
def test_each_future_is_the_replay_of_its_own_factors(seed):
    """Sending is free here, so that it does not matter what the forecasts knew."""
    parts = [
        platform(
            name,
            idle_w=4.0,
            battery={"capacity_wh": 90.0, "charge_efficiency": 0.9, "charge_limit_w": 30.0},
            radio={"transmit_w": 0.0, "rate_kbps": 6.0, "to": to},
        )
        for name, to in (("lander", "earth"), ("rover", "lander"))
    ]
    asked = [
        {"name": "drive", "platform": "rover", "power_w": 25.0, "data_mbit": 9.0, "count": 3},
        {"name": "look", "power_w": 15.0, "warm_up_min": 20, "warm_up_w": 5.0, "data_mbit": 14.0},
    ]
    scene = scenario(*asked, platforms=parts, hours=8)
    environment = world(scene, generation_w=np.where(np.arange(480) % 160 < 90, 18.0, 0.0))
    uncertain = [
        Uncertainty(what="array output", of="rover", factor=(0.3, 0.7, 1.1)),
        Uncertainty(what="idle draw", factor=(0.8, 1, 1.5)),
        Uncertainty(what="battery capacity", of="lander", factor=(0.5, 0.8, 1)),
        Uncertainty(what="link rate", factor=(0.3, 0.8, 1)),
        Uncertainty(what="run draw", of="drive", factor=(0.7, 1, 1.4)),
    ]
    rows = [("drive", 0), ("look", 30), ("drive", 150), ("drive", 330)]
    futures = executed(environment, *rows, uncertain=uncertain, samples=1, seed=seed)
    outcome, draws = futures.outcome, drawn_of(futures)
    runs, sending = read_slots(scene, slots(*rows))
    made = [run for k, run in enumerate(runs) if futures.made[0, k]]
    there, made = _with_factors(environment, made, draws)
    books = replay(there, made, {}, 480, _limits(there))
    for p, name in enumerate(futures.platforms):
        every = futures.world.every
        ends = books[name].stored_mbit[1:]
        most = [max(ends[k : k + every]) for k in range(0, 480, every)]
        assert outcome.most_mbit[0, p] == pytest.approx(most, abs=1e-6)
        full_wh = 90.0 * draws.capacity[0, p]
        assert outcome.lowest[0, p].min() == pytest.approx(books[name].stored_wh.min() / full_wh)


def drawn_of(futures):
    """The draws of all these futures."""
    count = len(futures.value)
    scene = futures.environment.scenario
    return draw(scene, futures.world, futures.uncertain, range(count), futures.seed)


def _with_factors(environment, runs, draws):
    """The environment and the runs as they are in the only future."""
    scene, platforms = environment.scenario, dict(environment.platforms)
    for p, name in enumerate(sorted(platforms)):
        arrays, idle, _, rate = draws.factor[0, p]
        table = platforms[name]
        platforms[name] = table.assign(
            generation_w=table["generation_w"] * arrays,
            base_load_w=table["base_load_w"] * idle,
            rate_kbps=table["rate_kbps"] * rate,
        )
        battery = scene.platform_named(name).battery
        battery = battery.model_copy(update={"capacity_wh": 90.0 * draws.capacity[0, p]})
        scene = scene.with_part("platform", name, battery=battery)
    drawn = {}
    for a, activity in enumerate(scene.activity):
        more = float(draws.draw[0, a])
        update = {"power_w": activity.power_w * more, "warm_up_w": activity.warm_up_w * more}
        drawn[activity.name] = activity.model_copy(update=update)
    as_drawn = [replace(run, activity=drawn[run.activity.name]) for run in runs]
    return replace(environment, scenario=scene, platforms=platforms), as_drawn


def _limits(environment):
    return {p.name: limits_of(p, keep_margins=False) for p in environment.scenario.platform}


def goal_of(**changes):
    return {
        "name": "looks",
        "runs_of": ["look"],
        "over": "span_h",
        "edges": [0, 2, 4, 6],
        "runs_each": 1,
        "minimum": {"bins": 2, "runs_each": 1},
        "value": 30.0,
        "minimum_value": 24.0,
    } | changes


def test_goals_count_in_each_future_what_the_account_of_goals_counts():
    table = scenario_table({"name": "look", "data_mbit": 3.0}, {"name": "dig"}, hours=6)
    goals = [
        goal_of(),
        goal_of(name="both", runs_of=["look", "dig"], together=True, counted="done"),
    ]
    scene = scenario_from(table | {"goal": goals})
    environment = world(scene)
    rows = ("look", 0), ("look", 150), ("look", 270), ("dig", 30)
    fails = Uncertainty(what="run fails", of="look", chance=0.4)
    futures = executed(environment, *rows, uncertain=[fails], samples=30)
    for f in range(30):
        states = ["done" if made else "failed" for made in futures.made[f]]
        order = {run.slot: state for run, state in zip(futures.runs, states)}
        timeline = slots(*rows)
        timeline = timeline.assign(state=[order[slot] for slot in timeline["slot"]])
        resources = check_timeline(environment, timeline).resources
        for goal, each in zip(scene.goal, goal_counters(environment, timeline, resources)):
            there = futures.goal_counts(goal)[f]
            assert there.tolist() == each.there(np.inf)
            assert goal_value(goal, there[None])[0] == pytest.approx(each.value_at(np.inf))
    chances = goal_futures_table(futures).set_index("goal")
    counted = futures.goal_counts(scene.goal[0]) > 0
    assert chances.loc["looks", "minimum"] == (counted.sum(axis=1) >= 2).mean()
    assert chances.loc["looks", "complete"] == counted.all(axis=1).mean()
    assert 0 < chances.loc["looks", "complete"] < chances.loc["looks", "minimum"] < 1


def test_a_run_that_is_reported_as_failed_is_made_in_no_future_nor_what_comes_after_it():
    scene = scenario(
        {"name": "insert", "data_mbit": 3.0},
        {"name": "log", "after": [{"activity": "insert", "settle_min": 30}]},
        hours=6,
    )
    rows = slots(("insert", 0), ("log", 120)).assign(state=["failed", "planned"])
    futures = make_futures(
        world(scene),
        rows,
        samples=5,
        uncertain=[Uncertainty(what="run fails", of="log", chance=0.1)],
    )
    assert not futures.made[:, 0].any() and not futures.received[:, 0].any()
    assert set(futures.outcome.code[:, 1]) == {walk.ORDER}
    assert futures.certain_value == 0.0
