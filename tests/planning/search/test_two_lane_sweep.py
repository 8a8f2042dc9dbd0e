"""Plans along two lanes keep every rule between runs; optimal where only exclusion binds."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tools.brute import _exclusive, _ordered
from tools.tiny import crowd, level_node, task

from obsplan.planning.problem.booking import plan_value
from obsplan.planning.problem.definition import Problem, after
from obsplan.planning.search import two_lane_sweep
from obsplan.planning.search.exact import best_plan
from obsplan.planning.search.two_lane_sweep import starts_along, two_lanes

STEPS = 24


def swept(problem: Problem, most: float = np.inf) -> list[list[int]]:
    rewards = np.array([task.value * task.starts for task in problem.tasks])
    most = np.full(rewards.shape, most)
    (starts,) = starts_along(problem, two_lanes(problem), rewards[None], most)
    return [np.flatnonzero(row).tolist() for row in starts]


@given(st.data())
@settings(max_examples=40, deadline=None)
def test_a_plan_that_only_exclusion_binds_is_optimal(data):
    problem = crowd(data.draw)
    inside = np.concatenate([lane.tasks for lane in two_lanes(problem)])
    tasks = [replace(its, starts=its.starts & (k in inside)) for k, its in enumerate(problem.tasks)]
    problem = replace(problem, tasks=tuple(tasks))
    best, bound = best_plan(problem, problem, nodes=10_000)
    found = plan_value(problem, swept(problem))
    assert found == pytest.approx(best.value(), abs=1e-9)
    assert found <= bound + 1e-9


@given(st.data())
@settings(max_examples=60, deadline=None)
def test_a_plan_keeps_windows_exclusion_gaps_counts_orders_and_what_a_bin_may_hold(data):
    problem = crowd(
        data.draw,
        gap=lambda draw, k: draw(st.integers(0, 6)),
        count=lambda draw, k: draw(st.integers(1, 5)),
    )
    unmet, tasks = np.zeros(STEPS, dtype=bool), list(problem.tasks)
    for k in range(1, len(tasks)):
        if data.draw(st.booleans()):
            settle = data.draw(st.integers(0, 3))
            tasks[k] = replace(tasks[k], needs=(after(k - 1, tasks[k - 1].length, settle, unmet),))
    problem = replace(problem, tasks=tuple(tasks))
    runs = swept(problem, most=2)
    inside = np.concatenate([lane.tasks for lane in two_lanes(problem)])
    # What waits for a task outside the lanes is left to whoever books the starts.
    waits = [
        replace(its, needs=tuple(need for need in its.needs if need.task in inside))
        for its in problem.tasks
    ]
    assert any(runs)
    assert not _exclusive(problem, runs) and _ordered(replace(problem, tasks=tuple(waits)), runs)
    for task_, starts in zip(problem.tasks, runs):
        assert task_.starts[starts].all() and len(starts) <= task_.count
        assert (np.diff(starts) >= task_.length + task_.gap).all()
        assert (np.bincount(task_.bins[starts], minlength=4) <= 2).all()


def test_one_run_begins_where_the_gap_is_longer_than_the_span():
    tasks = task("a", gap=60_000), task("b")
    problem = Problem(8, 0.25, tasks, (level_node(8),), frozenset({(0, 1)}))
    rewards = np.array([[np.ones(8), np.zeros(8)]])
    (starts,) = starts_along(problem, two_lanes(problem), rewards, np.full((2, 8), 9))
    assert starts.sum(axis=1).tolist() == [1, 0]


def test_no_run_begins_without_a_reward():
    problem = Problem(8, 0.25, (task("a"), task("b")), (level_node(8),), frozenset({(0, 1)}))
    rewards = np.array([[np.arange(8) == 3, np.zeros(8)], [np.zeros(8), np.arange(8) == 5]])
    starts = starts_along(problem, two_lanes(problem), rewards, np.full((2, 8), 9))
    assert np.argwhere(starts).tolist() == [[0, 0, 3], [1, 1, 5]]


@given(st.data())
@settings(max_examples=20, deadline=None)
def test_sweeps_side_by_side_give_the_same_plans_as_alone(data):
    problem = crowd(data.draw, gap=lambda draw, k: draw(st.integers(0, 4)))
    weights = data.draw(
        st.lists(st.lists(st.floats(0, 9), min_size=5, max_size=5), min_size=3, max_size=3)
    )
    rewards = np.array(weights)[:, :, None] * [its.starts for its in problem.tasks]
    most = np.full(rewards[0].shape, 2)
    together = starts_along(problem, two_lanes(problem), rewards, most)
    for one, starts in zip(rewards, together):
        assert np.array_equal(starts, starts_along(problem, two_lanes(problem), one[None], most)[0])


def test_lanes_hold_most_of_the_requested_time_or_there_are_none(monkeypatch):
    tasks = task("a", count=3), task("b", count=3), task("c", count=3), task("d", length=2)
    nodes = (level_node(8),)
    both = Problem(8, 0.25, tasks, nodes, frozenset({(0, 1), (2, 3)}))
    assert [lane.tasks.tolist() for lane in two_lanes(both)] == [[0, 1], [2, 3]]
    assert two_lanes(Problem(8, 0.25, tasks, nodes, frozenset({(0, 1)}))) is None
    assert two_lanes(Problem(8, 0.25, tasks, nodes, frozenset())) is None
    monkeypatch.setattr(two_lane_sweep, "MOST_STATES", 11)
    assert two_lanes(both) is None
