"""Rounding puts runs where the relaxation has them, or near, and is always feasible."""

import numpy as np
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from tools.tiny import level_node, task, tiny_problem

from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.definition import Problem
from obsplan.planning.search.greedy import greedy_plan
from obsplan.planning.search.rounding import plan_by_shares


def shares_of(problem: Problem, runs: list[list[int]]) -> np.ndarray:
    shares = np.zeros((len(problem.tasks), problem.steps))
    for row, starts in zip(shares, runs):
        row[starts] = 1.0
    return shares


def in_order(booking: Booking) -> list[list[int]]:
    return [sorted(starts) for starts in booking.runs]


@given(st.integers(0, 10**6))
@settings(max_examples=60, deadline=None)
def test_shares_of_a_feasible_plan_round_to_that_plan(seed):
    problem = tiny_problem(seed)
    assume(not Booking(problem).flow.short)
    plan = greedy_plan(problem)
    assert in_order(plan_by_shares(problem, shares_of(problem, plan.runs))) == in_order(plan)


@given(st.integers(0, 10**6))
@settings(max_examples=60, deadline=None)
def test_rounding_of_any_shares_is_feasible(seed):
    problem = tiny_problem(seed)
    assume(not Booking(problem).flow.short)
    shares = np.random.default_rng(seed).random((len(problem.tasks), problem.steps))
    booking = plan_by_shares(problem, shares)
    assert booking.keeps_rules() and booking.flow.short is None
    assert all(its.starts[runs].all() for its, runs in zip(problem.tasks, booking.runs))


def test_rivals_due_at_once_stand_side_by_side_the_one_worth_more_where_it_is_due():
    tasks = task("a", value=1.0), task("b", value=2.0)
    problem = Problem(8, 0.25, tasks, (level_node(8),), frozenset({(0, 1)}))
    (a,), (b,) = plan_by_shares(problem, shares_of(problem, [[3], [3]])).runs
    assert b == 3 and abs(a - 3) == 1


def test_run_due_where_it_may_not_begin_goes_to_the_nearest_start_or_nowhere():
    """As it is where the problem planned in is stricter than the one relaxed."""
    later = np.arange(8) >= 5
    tasks = task("a", starts=later), task("b", starts=later & ~later)
    problem = Problem(8, 0.25, tasks, (level_node(8),), frozenset())
    assert plan_by_shares(problem, shares_of(problem, [[2], [2]])).runs == [[5], []]


def test_runs_halfway_through_shares_begin_there():
    problem = Problem(8, 0.25, (task("a", count=2),), (level_node(8),), frozenset())
    shares = np.array([[0.3, 0.0, 0.3, 0.0, 0.4, 0.0, 0.6, 0.4]])
    assert in_order(plan_by_shares(problem, shares)) == [[2, 6]]
