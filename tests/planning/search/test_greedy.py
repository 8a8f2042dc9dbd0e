"""Greedy construction: required runs first, then the highest value density; always feasible."""

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from tools.left_to_repair import refused_for_good
from tools.small import cases, scenario, world
from tools.tiny import heat, level_node, task, tiny_problem, waits

from obsplan.checking.check import check_timeline
from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.definition import Problem
from obsplan.planning.problem.from_scenario import build_problem
from obsplan.planning.problem.timeline_table import plan_slots
from obsplan.planning.search.greedy import greedy_plan


def planned(*tasks, exclusive=(), **node):
    nodes = (level_node(8, **node),)
    return greedy_plan(Problem(8, 0.25, tasks, nodes, frozenset(exclusive)))


def test_every_wanted_run_is_placed_when_all_fit():
    booking = planned(task("a", count=3, gap=1), task("b", count=2))
    assert booking.runs == [[0, 2, 4], [0, 1]]


def test_required_run_comes_before_one_worth_more():
    only = np.arange(8) == 3
    rich, required = task("rich", value=99.0, starts=only), task("poor", must=1, starts=only)
    assert planned(rich, required, exclusive={(0, 1)}).runs == [[], [3]]
    assert planned(rich, task("poor", starts=only), exclusive={(0, 1)}).runs == [[3], []]


def test_run_that_others_wait_for_comes_first():
    opened = task("open", value=0.0, length=2)
    look = task("look", value=5.0, count=2, needs=(waits(0, 1, length=2),))
    assert planned(opened, look).runs == [[0], [3, 4]]
    assert planned(task("look", needs=(waits(1, 0),)), task("open")).runs == [[1], [0]]


def test_most_valuable_start_goes_before_the_earliest():
    bins = np.repeat([0, 1], 4)
    again = task("again", count=2, repeat_worth=0.5, bins=bins, held=np.array([1, 0]))
    assert planned(again).runs == [[4, 0]]


def test_energy_goes_to_the_run_worth_most_for_what_it_draws():
    """Above the reserve there are 10 Wh: one run of 40 W for a quarter of an hour."""
    hungry = {"load_w": np.array([40.0]), "peak_w": np.array([40.0])}
    booking = planned(task("a", **hungry), task("b", value=2.0, **hungry), start_wh=30.0)
    assert booking.runs == [[], [0]]
    thrifty = {"load_w": np.array([10.0]), "peak_w": np.array([10.0])}
    booking = planned(task("a", value=2.0, **hungry), task("b", count=4, **thrifty), start_wh=30.0)
    assert booking.runs == [[], [0, 1, 2, 3]]


def test_required_run_without_a_place_is_left_out():
    booking = planned(task("a", must=1, starts=np.zeros(8, dtype=bool)), task("b"))
    assert booking.runs == [[], [0]]


def test_filling_a_booking_keeps_what_is_there():
    question = Problem(8, 0.25, (task("a", count=3, gap=1),), (level_node(8),), frozenset())
    booking = Booking(question)
    booking.add(0, 3)
    assert greedy_plan(question, booking).runs == [[3, 0, 5]]


def test_no_tasks_no_runs():
    assert planned().runs == []


@given(seed=st.integers(0, 10_000))
@settings(max_examples=60)
def test_what_is_booked_is_within_count_and_starts_and_worth_what_it_says(seed):
    booking = greedy_plan(question := tiny_problem(seed))
    for what, starts in zip(question.tasks, booking.runs):
        assert len(starts) <= what.count
        assert what.starts[starts].all()
    if any(booking.runs):
        assert booking.flow.short is None and booking.keeps_rules()


@given(case=cases(level=True, lossless=True))
@settings(max_examples=30)
def test_quick_plan_passes_the_independent_check(case):
    question = build_problem(case)
    assume(not Booking(question).flow.short)  # else not even idling is possible
    booking = greedy_plan(question)
    # Required runs that do not fit are left out, for the caller to notice.
    assume(not booking.lacks_required_runs())
    verdict = check_timeline(case, plan_slots(case.scenario, booking))
    assert not refused_for_good(case, booking, verdict)


def test_two_quick_plans_of_one_problem_are_the_same():
    for seed in range(20):
        assert greedy_plan(tiny_problem(seed)).runs == greedy_plan(tiny_problem(seed)).runs


@pytest.mark.parametrize("count", [1, 7])
def test_runs_fill_the_day_from_the_morning(count):
    scene = scenario({"name": "look", "count": count, "power_w": 5.0})
    booking = greedy_plan(build_problem(world(scene, generation_w=20.0)))
    assert booking.runs == [[4 * k for k in range(count)]]


def test_a_run_worth_nothing_is_not_placed_but_for_its_must():
    idle, required = task("idle", count=2, value=0.0), task("required", count=2, must=1, value=0.0)
    assert [len(runs) for runs in planned(idle, required).runs] == [0, 1]


def test_what_a_run_uses_of_a_budget_lowers_its_density():
    """Three runs of the cheaper are worth 6 where one of the dearer uses it all."""
    tasks = task("all", value=3.0), task("third", value=2.0, count=3)
    budgets = (heat(3.0, 3.0, 1.0),)
    problem = Problem(8, 0.25, tasks, (level_node(8),), frozenset(), budgets)
    assert [len(runs) for runs in greedy_plan(problem).runs] == [0, 3]
