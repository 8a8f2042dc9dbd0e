"""A window of a plan can be reoptimised without breaking the rest."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tools.brute import best_value
from tools.small import cases
from tools.tiny import heat, level_node, task, tiny_problem, waits

from obsplan.checking.check import check_timeline
from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.definition import Problem
from obsplan.planning.problem.excerpt import excerpt
from obsplan.planning.problem.from_scenario import build_problem
from obsplan.planning.problem.timeline_table import plan_slots
from obsplan.planning.search.first_plan import quick_plan
from obsplan.planning.search.greedy import greedy_plan
from obsplan.planning.search.window_by_window import Window, reoptimised


def booked(question: Problem, *runs: tuple[int, int]) -> Booking:
    booking = Booking(question)
    for which, start in runs:
        booking.add(which, start)
    booking.flow = booking.simulate()
    return booking


def eight(*tasks, exclusive=(), **node) -> Problem:
    return Problem(8, 0.25, tasks, (level_node(8, **node),), frozenset(exclusive))


def test_runs_of_the_free_steps_are_taken_out_and_the_rest_stays():
    booking = booked(eight(task("a", count=5)), (0, 0), (0, 2), (0, 3), (0, 6))
    part, rest = excerpt(booking, (2, 4), 6)
    assert sorted(rest.runs[0]) == [0, 6]
    assert part.steps == 4
    assert part.tasks[0].count == 3
    # Steps 2 and 3 are open; beyond, the piece only feels what they do.
    assert part.tasks[0].starts.tolist() == [True, True, False, False]
    assert booking.runs == [[0, 2, 3, 6]]


def test_fixed_runs_bar_starts_within_their_gap_and_of_their_rivals():
    question = eight(task("a", count=3, gap=1, length=2), task("b", length=2), exclusive={(0, 1)})
    part, _ = excerpt(booked(question, (0, 6), (0, 0)), (1, 6), 8)
    # a next to its own runs of steps 0-1 and 6-7, with a step between; b only clear of them
    assert np.flatnonzero(part.tasks[0].starts).tolist() == [2]
    assert np.flatnonzero(part.tasks[1].starts).tolist() == [1, 2, 3]


def test_no_start_reaches_past_the_piece():
    part, _ = excerpt(booked(eight(task("a", length=3))), (2, 6), 6)
    assert np.flatnonzero(part.tasks[0].starts).tolist() == [0, 1]


def test_first_run_that_others_wait_for_stays():
    question = eight(task("open", count=2), task("look", needs=(waits(0, 1),)))
    booking = booked(question, (0, 2), (0, 3), (1, 6))
    part, rest = excerpt(booking, (0, 5), 8)
    assert rest.runs == [[2], [6]]
    assert part.tasks[1].needs[0].met.tolist() == [False] * 4 + [True] * 4


def test_required_runs_outside_the_piece_count():
    booking = booked(eight(task("a", count=4, must=3)), (0, 0), (0, 1), (0, 6))
    part, _ = excerpt(booking, (5, 8), 8)
    assert (part.tasks[0].must, part.tasks[0].count) == (1, 2)


def test_places_in_a_bin_that_fixed_runs_hold_are_taken():
    half = task("a", count=4, repeat_worth=0.5, bins=np.repeat([0, 1], 4), held=np.array([0, 0]))
    part, _ = excerpt(booked(eight(half), (0, 0), (0, 1), (0, 6)), (2, 6), 8)
    assert part.tasks[0].held.tolist() == [2, 1]
    assert part.tasks[0].run_value(0, 0) == 0.25


def test_runs_outside_the_window_have_used_their_share_of_a_budget():
    question = eight(task("a", count=5), task("b"))
    question = replace(question, budgets=(heat(7.0, 2.0, 1.0), heat(1.0, 0.0, 0.5)))
    part, _ = excerpt(booked(question, (0, 0), (0, 2), (1, 6)), (2, 4), 8)
    assert [budget.limit for budget in part.budgets] == [4.0, 0.5]


def test_loads_outside_enter_as_base_load_and_the_charge_they_need_stays():
    hungry = task(
        "a", count=3, load_w=np.array([40.0]), peak_w=np.array([40.0]), data_mbit=np.array([3.0])
    )
    booking = booked(eight(hungry, start_wh=90.0), (0, 1), (0, 4), (0, 7))
    part, _ = excerpt(booking, (2, 4), 6)
    (node,) = part.nodes
    assert node.start_wh == pytest.approx(80.0)
    assert node.base_w.tolist() == [0.0, 0.0, 40.0, 0.0]
    assert node.base_peak_w.tolist() == [0.0, 0.0, 40.0, 0.0]
    assert node.base_data_mbit.tolist() == [0.0, 0.0, 3.0, 0.0]
    # The run of step 7 takes 10 Wh and 20 Wh must be left.
    assert node.end_wh == pytest.approx(30.0)
    assert node.store_start_mbit == pytest.approx(3.0)
    # At most 100 Mbit fit, 3 of which the last run will bring.
    assert node.store_end_mbit == pytest.approx(97.0)


def test_whole_span_as_a_piece_is_the_problem_itself():
    for seed in range(20):
        question = tiny_problem(seed)
        booking = greedy_plan(question)
        if booking.flow.short:
            continue
        free = [t for t in question.tasks if not t.needs]
        if len(free) < len(question.tasks):
            continue
        part, rest = excerpt(booking, (0, question.steps), question.steps)
        assert not any(rest.runs)
        assert best_value(part) == best_value(question)


@given(seed=st.integers(0, 10_000), free=st.tuples(st.integers(0, 9), st.integers(1, 10)))
@settings(max_examples=80)
def test_planning_a_piece_anew_never_lowers_the_value_and_always_holds(seed, free):
    booking = greedy_plan(question := tiny_problem(seed))
    first, last = min(free), max(free)
    if booking.flow.short or first >= min(last, question.steps):
        return
    last = min(last, question.steps)
    better = reoptimised(booking, Window((first, last), question.steps))
    assert better.value() >= booking.value()
    assert better.flow.short is None and better.fits_bus() and better.fits_budgets()
    best = best_value(question)
    # None: a required run found no place, neither in the quick plan nor by trying all.
    assert best is None or better.value() <= best + 1e-9


@given(case=cases(level=True, lossless=True, hours=(4, 8)), data=st.data())
@settings(max_examples=30)
def test_piece_planned_anew_passes_the_independent_check(case, data):
    table = case
    scene = table.scenario
    booking = quick_plan(build_problem(table))
    first = data.draw(st.integers(0, scene.steps - 2))
    last = data.draw(st.integers(first + 1, scene.steps))
    borne = data.draw(st.integers(last, scene.steps))
    better = reoptimised(booking, Window((first, last), borne))
    assert better.value() >= booking.value()
    if better is not booking:
        verdict = check_timeline(table, plan_slots(scene, better))
        assert verdict.is_valid, verdict.violations["message"].tolist()
