"""A scenario becomes tasks and nodes in whole steps."""

import numpy as np
import pytest
from tools.small import platform, scenario, world

from obsplan.planning.problem.from_scenario import build_problem, exclusive_pairs
from obsplan.planning.problem.slot_profile import slot_profile

DAY = np.arange(1440)


def question(*activities, relaxed=False, platforms=(platform(),), **columns):
    scene = scenario(*activities, platforms=platforms)
    return build_problem(world(scene, **columns), relaxed=relaxed)


def test_profile_is_warm_up_then_run_then_rest():
    scene = scenario(
        {
            "name": "dig",
            "duration_min": 40,
            "warm_up_min": 10,
            "warm_up_w": 6.0,
            "power_w": 30.0,
            "data_mbit": 8.0,
        }
    )
    draw_w, data_mbit = slot_profile(scene.activity[0], 60)
    assert draw_w.tolist() == [6.0] * 10 + [30.0] * 40 + [0.0] * 10
    assert data_mbit.tolist() == pytest.approx([0.0] * 10 + [0.2] * 40 + [0.0] * 10)


DIG = {
    "name": "dig",
    "duration_min": 40,
    "warm_up_min": 5,
    "warm_up_w": 6.0,
    "power_w": 30.0,
    "data_mbit": 8.0,
    "count": 3,
    "must": 1,
    "gap_min": 20,
    "value": 4.0,
    "repeat_worth": 0.5,
}


def test_task_has_mean_load_and_highest_draw_of_each_step():
    (task,) = question(DIG).tasks
    assert (task.name, task.node, task.length) == ("dig", 0, 3)
    assert task.load_w.tolist() == pytest.approx([(5 * 6 + 10 * 30) / 15, 30.0, 30.0])
    assert task.peak_w.tolist() == [30.0, 30.0, 30.0]
    assert task.data_mbit.tolist() == pytest.approx([2.0, 3.0, 3.0])
    assert (task.count, task.must, task.gap, task.value) == (3, 1, 2, 4.0)
    assert [task.run_value(0, k) for k in range(3)] == [4.0, 2.0, 1.0]
    assert task.held.tolist() == [0]


def test_relaxed_task_has_the_lowest_draw_but_the_same_energy():
    (strict,), (relaxed,) = question(DIG).tasks, question(DIG, relaxed=True).tasks
    assert relaxed.peak_w.tolist() == [6.0, 30.0, 30.0]
    assert np.array_equal(relaxed.load_w, strict.load_w)


def test_settling_and_gap_are_rounded_up_to_steps():
    tasks = question(
        {"name": "open", "gap_min": 1},
        {"name": "look", "gap_min": 15, "after": [{"activity": "open", "settle_min": 16}]},
    ).tasks
    assert [t.gap for t in tasks] == [1, 1]
    (need,) = tasks[1].needs
    # "open" lasts four steps, and 16 min take two more to settle.
    assert (need.task, need.first, need.last) == (0, -96, -6)
    assert not need.met.any()


def test_node_sums_minutes_into_steps():
    heater = np.where(DAY < 20, 9.0, 0.0)
    parts = [
        platform(
            battery={"end": 0.3, "charge_limit_w": 50.0},
            store={"start_mbit": 3.0, "end_limit_mbit": 80.0},
        )
    ]
    (node,) = question(
        {"name": "look"}, platforms=parts, generation_w=DAY / 15.0, base_load_w=2.0 + heater
    ).nodes
    assert node.generation_w[:3].tolist() == pytest.approx([7 / 15, 22 / 15, 37 / 15])
    assert node.base_w[:3].tolist() == pytest.approx([11.0, 5.0, 2.0])
    assert node.base_peak_w[:3].tolist() == [11.0, 11.0, 2.0]
    assert (node.capacity_wh, node.reserve_wh, node.start_wh) == (1000.0, 200.0, 800.0)
    # What may be left at the end is never more than the store holds.
    assert (node.end_wh, node.store_end_mbit) == (300.0, 50.0)
    assert (node.charge_limit_w, node.store_start_mbit, node.receiver) == (50.0, 3.0, -1)
    assert node.send_mbit[0] == pytest.approx(20 * 15 * 60 / 1000)

    (plain,) = question({"name": "look"}).nodes
    assert (plain.charge_limit_w, plain.end_wh, plain.store_end_mbit) == (np.inf, 200.0, 50.0)


def test_relaxed_node_has_the_lowest_base_load_of_a_step():
    heater = np.where(DAY < 20, 9.0, 0.0)
    (node,) = question({"name": "look"}, relaxed=True, base_load_w=2.0 + heater).nodes
    assert node.base_peak_w[:3].tolist() == [11.0, 2.0, 2.0]
    assert node.base_w[1] == pytest.approx(5.0)


def test_sending_counts_the_minutes_in_contact_or_as_many_at_the_best_rate():
    """In the first step 5 min at 8 kbps and 5 min at 24 kbps: the data of 6.7 min at 24."""
    rate = np.select([DAY < 5, DAY < 10], [8.0, 24.0], 0.0)
    (strict,) = question({"name": "look"}, rate_kbps=rate).nodes
    (relaxed,) = question({"name": "look"}, relaxed=True, rate_kbps=rate).nodes
    assert strict.send_mbit[:2].tolist() == pytest.approx([(5 * 8 + 5 * 24) * 0.06, 0.0])
    assert strict.send_share[:2].tolist() == pytest.approx([10 / 15, 0.0])
    assert relaxed.send_share[:2].tolist() == pytest.approx([160 / 24 / 15, 0.0])
    assert np.array_equal(strict.send_mbit, relaxed.send_mbit)


def test_station_counts_where_it_serves_all_sending_minutes_of_a_step():
    station = np.select([DAY < 15, DAY < 20, DAY < 45], ["alpha", "", "beta"], "alpha")
    station = np.where((DAY >= 50) & (DAY < 55), "beta", station)
    rate = np.where((DAY >= 15) & (DAY < 20), 0.0, 20.0)
    (node,) = question({"name": "look"}, rate_kbps=rate, station=station).nodes
    assert node.station[:5].tolist() == [0, 1, 1, -1, 0]


def test_relay_names_the_node_that_receives():
    parts = [platform("rover", radio={"to": "lander"}), platform()]
    nodes = question({"name": "look"}, platforms=parts).nodes
    assert [n.receiver for n in nodes] == [1, -1]
    assert nodes[0].station.tolist() == [-1] * 96


def test_bins_beyond_the_coverage_bar_the_start():
    (task,) = question({"name": "look", "coverage": {"over": "span_h", "edges": [0, 1, 3]}}).tasks
    assert task.starts.sum() == 12 and task.bins.max() == 1 and len(task.held) == 2


def pairs(*activities, instruments=(), **changes):
    scene = scenario(
        *activities, instruments=instruments, platforms=[platform(**changes), platform("rover")]
    )
    names = [a.name for a in scene.activity]
    return {(names[i], names[j]) for i, j in exclusive_pairs(scene)}


def test_what_may_not_overlap():
    arm = [{"name": "arm", "platform": "lander"}]
    both = ({"name": "a", "instrument": "arm"}, {"name": "b", "instrument": "arm"})
    assert pairs(*both, instruments=arm) == {("a", "b")}
    assert pairs(*both, instruments=[arm[0] | {"one_at_a_time": False}]) == set()
    assert pairs({"name": "a"}, {"name": "b"}) == set()
    assert pairs({"name": "a"}, {"name": "b"}, one_at_a_time=True) == {("a", "b")}
    apart = ({"name": "a"}, {"name": "b", "platform": "rover"})
    assert pairs(*apart, one_at_a_time=True) == set()
    assert pairs({"name": "a", "not_with": ["b"]}, {"name": "b"}) == {("a", "b")}
    assert pairs({"name": "a"}, {"name": "b", "not_with": ["a"]}) == {("a", "b")}
    noisy = {"name": "b", "platform": "rover", "disturbs": True}
    assert pairs({"name": "a", "quiet": True}, noisy) == {("a", "b")}
    assert pairs(noisy, {"name": "a", "quiet": True}) == {("b", "a")}
    assert pairs({"name": "a", "quiet": True}, {"name": "b", "quiet": True}) == set()


def test_scenario_without_activities_is_a_problem_without_tasks():
    empty = question()
    assert empty.tasks == () and empty.exclusive == frozenset() and len(empty.nodes) == 1
