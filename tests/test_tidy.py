"""Runs move earlier where that is worth the same, and nothing else changes."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from small import cases, level_node, tiny_problem
from test_greedy import task

from obsplan.booking import Booking
from obsplan.greedy import greedy_plan
from obsplan.problem import Problem, problem
from obsplan.tidy import tidied


def booked(*runs, tasks, exclusive=(), **node):
    booking = Booking(Problem(8, 0.25, tasks, (level_node(8, **node),), frozenset(exclusive)))
    for i, start in runs:
        booking.add(i, start)
    booking.flow = booking.simulate()
    return booking


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
    if booking.flow.short:
        return
    tidy = tidied(booking)
    assert tidy.value() >= booking.value() - 1e-9
    assert tidy.is_orderly() and not tidy.flow.short
    assert sum(map(sum, tidy.runs)) <= sum(map(sum, booking.runs))
    assert [len(runs) for runs in tidy.runs] == [len(runs) for runs in booking.runs]


@given(case=cases(hours=(4, 6)))
def test_tidying_never_costs_worth(case):
    booking = greedy_plan(problem(*case))
    assert tidied(booking).value() >= booking.value() - 1e-9  # rounding of the sum
