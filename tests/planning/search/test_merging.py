"""The merged plan uses only starts of the given plans, is feasible and no worse than each."""

from dataclasses import replace
from threading import Event

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from tools.tiny import crowd, level_node, task, waits

from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.definition import Problem
from obsplan.planning.search.exact import best_plan
from obsplan.planning.search.merging import merged_starts
from obsplan.planning.search.two_lane_sweep import starts_along, two_lanes


def booked(problem: Problem, starts: np.ndarray) -> Booking:
    booking = Booking(problem)
    for i, row in enumerate(starts):
        for step in np.flatnonzero(row):
            booking.add(i, int(step))
    return booking


def swept_plans(problem: Problem, weights: np.ndarray) -> list[np.ndarray]:
    """One plan for each of several ideas of what a run of each task is worth."""
    permitted = np.array([its.starts for its in problem.tasks])
    most = np.full(permitted.shape, np.inf)
    plans = starts_along(problem, two_lanes(problem), weights[:, :, None] * permitted, most)
    return sorted(plans, key=lambda plan: booked(problem, plan).value(), reverse=True)


@given(st.data())
@settings(max_examples=40, deadline=None)
def test_merged_plan_is_the_best_among_the_starts_of_all(data):
    problem = crowd(
        data.draw,
        gap=lambda draw, k: draw(st.integers(0, 4)),
        count=lambda draw, k: draw(st.integers(1, 5)),
    )
    rows = st.lists(st.floats(0.1, 9), min_size=5, max_size=5)
    plans = swept_plans(problem, np.array(data.draw(st.lists(rows, min_size=2, max_size=4))))
    merged = merged_starts(problem, plans, np.zeros(plans[0].shape))
    among = np.logical_or.reduce(plans)
    booking = booked(problem, merged)
    assert booking.keeps_rules() and not (merged & ~among).any()
    tasks = tuple(replace(its, starts=may) for its, may in zip(problem.tasks, among))
    only = replace(problem, tasks=tasks)
    best, _ = best_plan(only, only, nodes=10_000)
    # It is looked for to a thousandth.
    assert booking.value() >= (1 - 1e-3) * best.value() - 1e-9


def test_what_costs_more_than_it_is_worth_is_left_out():
    tasks = (task("a", value=2.0), task("b", value=3.0))
    problem = Problem(8, 0.25, tasks, (level_node(8),), frozenset({(0, 1)}))
    plan = np.zeros((2, 8), dtype=bool)
    plan[0, 0] = plan[1, 4] = True
    resource_cost = np.zeros((2, 8))
    resource_cost[0, 0] = 2.5
    merged = merged_starts(problem, [plan], resource_cost)
    assert not merged[0].any() and merged[1, 4]


def test_required_runs_and_orders_stay_as_far_as_the_plans_have_them():
    """b and c are required too, but the first plan has neither, and none has c."""
    tasks = (
        task("a", value=2.0, must=1),
        task("b", value=3.0, must=1),
        task("c", must=1),
        task("waits for c", needs=(waits(2, 0),)),
        task("waits for a", needs=(waits(0, 0),)),
    )
    problem = Problem(8, 0.25, tasks, (level_node(8),), frozenset({(0, 1)}))
    one, other = np.zeros((2, 5, 8), dtype=bool)
    one[0, 2] = one[3, 5] = True
    # Here b is in the way of a, and one run comes before a, which it may not.
    other[1, 2] = other[4, 1] = other[4, 6] = True
    merged = merged_starts(problem, [one, other], np.zeros(one.shape))
    assert np.argwhere(merged).tolist() == [[0, 2], [3, 5], [4, 6]]


def test_once_stopped_the_first_plan_comes_back():
    problem = Problem(8, 0.25, (task("a"),), (level_node(8),), frozenset())
    none, one = np.zeros((2, 1, 8), dtype=bool)
    one[0, 3] = True
    stopped = Event()
    assert merged_starts(problem, [none, one], np.zeros((1, 8)), stopped).any()
    stopped.set()
    assert not merged_starts(problem, [none, one], np.zeros((1, 8)), stopped).any()
