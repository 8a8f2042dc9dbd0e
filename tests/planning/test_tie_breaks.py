"""Among plans of equal value: an earlier one, fewer switches, then one whose runs are spread."""

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from tools.small import cases
from tools.tiny import level_node, task, tiny_problem, waits

from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.definition import Problem
from obsplan.planning.problem.from_scenario import build_problem
from obsplan.planning.search.greedy import greedy_plan
from obsplan.planning.tie_breaks import (
    LONGER_WAIT_H,
    spread_out,
    starts_in_order,
    tidied,
    with_fewer_switches,
)


def booked(*runs, tasks, exclusive=(), step_h=0.25, **node):
    booking = Booking(Problem(8, step_h, tasks, (level_node(8, **node),), frozenset(exclusive)))
    for i, start in runs:
        booking.add(i, start)
    booking.flow = booking.simulate()
    return booking


def switches(booking):
    nodes = range(len(booking.problem.nodes))
    orders = [starts_in_order(booking, n) for n in nodes]
    return sum(a[1] != b[1] for order in orders for a, b in zip(order, order[1:]))


def test_a_late_run_moves_to_the_first_open_step():
    late = booked((0, 6), tasks=(task("a", length=2, starts=np.arange(8) >= 1),))
    assert tidied(late).runs == [[1]]


def test_a_run_stays_in_the_bin_where_it_is_worth_more():
    bins = np.repeat([0, 1], 4)
    again = task("again", count=2, repeat_worth=0.5, bins=bins, held=np.array([1, 0]))
    assert tidied(booked((0, 6), tasks=(again,))).runs == [[4]]


def test_runs_close_up_without_touching_a_rival_or_their_gap():
    tasks = task("a", length=2, count=2, gap=1), task("b", length=1)
    late = booked((1, 1), (0, 3), (0, 6), tasks=tasks, exclusive={(0, 1)})
    assert tidied(late).runs == [[1, 4], [0]]


@given(seed=st.integers(0, 10_000))
def test_tidying_keeps_worth_order_and_resources(seed):
    booking = greedy_plan(tiny_problem(seed))
    assume(not booking.flow.short)
    tidy, traded = tidied(booking), with_fewer_switches(booking)
    for plan in (tidy, traded):
        assert plan.value() >= booking.value() - 1e-9  # rounding of the sum
        assert plan.keeps_rules() and not plan.flow.short
    assert sum(map(sum, tidy.runs)) <= sum(map(sum, booking.runs))
    assert sum(map(sum, traded.runs)) == sum(map(sum, booking.runs))
    assert switches(traded) <= switches(booking)
    assert [len(runs) for runs in tidy.runs] == [len(runs) for runs in booking.runs]


@given(case=cases(hours=(4, 6)))
def test_tidying_never_costs_worth(case):
    booking = greedy_plan(build_problem(case))
    assert tidied(booking).value() >= booking.value() - 1e-9  # rounding of the sum


def test_two_runs_are_swapped_where_that_saves_switches():
    twice = {"count": 2, "length": 1}
    tasks = task("a", **twice), task("b", **twice)
    mixed = booked((0, 0), (1, 1), (0, 2), (1, 3), tasks=tasks, exclusive={(0, 1)})
    # Three switches; one is left, and no place is later than before.
    assert tidied(mixed).runs in ([[0, 1], [2, 3]], [[2, 3], [0, 1]])


def test_no_window_is_left_for_fewer_switches():
    late = task("a", count=2, starts=np.isin(np.arange(8), (0, 2)))
    mixed = booked((0, 0), (1, 1), (0, 2), tasks=(late, task("b")), exclusive={(0, 1)})
    assert list(map(sorted, tidied(mixed).runs)) == [[0, 2], [1]]


def test_repeated_runs_spread_over_the_starts_that_are_permitted():
    few = task("a", count=2, starts=np.arange(8) < 6)
    assert sorted(spread_out(booked((0, 0), (0, 1), tasks=(few,))).runs[0]) == [1, 4]


def test_a_single_run_and_one_that_others_need_stay_early():
    tasks = task("a"), task("b", count=2), task("c", needs=(waits(1, 1, 8, 8),))
    crammed = booked((0, 0), (1, 0), (1, 1), (2, 2), tasks=tasks)
    assert list(map(sorted, spread_out(crammed).runs)) == [[0], [0, 1], [2]]


def test_no_run_moves_where_its_data_would_wait():
    """Contact is in the first two steps and in the seventh; what is left is not sent at all."""
    contact = np.isin(np.arange(8), (0, 1, 6)).astype(float)
    node = {"transmit_w": 1.0, "send_mbit": contact, "send_share": contact}
    starts = np.isin(np.arange(8), (0, 1, 3, 7))
    with_data = task("a", count=2, data_mbit=np.array([1.0]), starts=starts)
    crammed = {"tasks": (with_data,), **node}
    hours = spread_out(booked((0, 0), (0, 1), step_h=1.0, **crammed))
    assert sorted(hours.runs[0]) == [0, 1]
    quarters = spread_out(booked((0, 0), (0, 1), step_h=0.25, **crammed))
    assert sorted(quarters.runs[0]) == [1, 3]


@given(seed=st.integers(0, 10_000))
def test_spreading_keeps_worth_rules_and_waiting(seed):
    booking = greedy_plan(tiny_problem(seed))
    assume(not booking.flow.short)
    spread = spread_out(booking)
    assert spread.value() == pytest.approx(booking.value(), abs=1e-9)  # rounding of the sum
    assert spread.keeps_rules() and not spread.flow.short
    most_mbit = sum(
        task.data_mbit.sum() * len(runs) for task, runs in zip(spread.problem.tasks, spread.runs)
    )
    longer_h = (spread.flow.held_mbit - booking.flow.held_mbit).sum() * spread.problem.step_h
    assert longer_h <= most_mbit * LONGER_WAIT_H + 1e-4
    assert [len(runs) for runs in spread.runs] == [len(runs) for runs in booking.runs]
