"""Windows reoptimised, and the changes of two of them combined where that is feasible."""

from concurrent.futures import ThreadPoolExecutor
from threading import Event

import numpy as np
import pytest
from tools.tiny import level_node, task, tiny_problem

from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.definition import Problem
from obsplan.planning.search.greedy import greedy_plan
from obsplan.planning.search.transmit_windows import BY_STEP, COARSE, with_planned_sending
from obsplan.planning.search.window_by_window import combined, improved_by_windows


def booked(tasks, *runs, exclusive=()):
    booking = Booking(Problem(8, 0.25, tasks, (level_node(8),), frozenset(exclusive)))
    for i, start in runs:
        booking.add(i, start)
    booking.flow = booking.simulate()
    return booking


def changed(booking, *moves):
    other = booking.copy()
    for i, start, sign in moves:
        other.add(i, start, sign)
    other.flow = other.simulate()
    return other


def test_gains_of_both_windows_are_kept():
    tasks = task("a", count=2), task("b", value=3.0)
    old = booked(tasks, (0, 1))
    both = combined(changed(old, (0, 3, 1)), old, changed(old, (1, 6, 1)))
    assert both.runs == [[1, 3], [6]] and both.value() == 5.0


def test_a_required_run_that_each_window_drops_stays():
    required = task("required", count=2, must=1)
    rich = tuple(
        task(name, value=5.0, starts=np.arange(8) == at) for name, at in (("p", 1), ("q", 6))
    )
    old = booked((required, *rich), (0, 1), (0, 6), exclusive={(0, 1), (0, 2)})
    left = changed(old, (0, 1, -1), (1, 1, 1))
    right = changed(old, (0, 6, -1), (2, 6, 1))
    assert len(combined(left, old, right).runs[0]) == 1


def test_more_runs_than_requested_are_not_combined():
    old = booked((task("a", count=2),), (0, 0))
    both = combined(changed(old, (0, 2, 1)), old, changed(old, (0, 5, 1)))
    assert len(both.runs[0]) == 2


def swept(booking, workers):
    with ThreadPoolExecutor(workers) as pool:
        return [booking, *improved_by_windows(booking, pool, Event(), hours=1, tail_h=0.5)]


def sound_plans(seeds):
    plans = [greedy_plan(tiny_problem(seed)) for seed in range(seeds)]
    return [booking for booking in plans if not booking.flow.short]


def test_reoptimised_windows_never_lower_the_value_and_are_feasible():
    gained = 0
    for booking in sound_plans(150):
        plans = swept(booking, 2)
        values = [plan.value() for plan in plans]
        assert values == sorted(values)
        assert all(not plan.flow.short and plan.keeps_rules() for plan in plans)
        gained += values[-1] > values[0]
    assert gained  # the greedy plan is not optimal everywhere


def test_plans_do_not_depend_on_the_number_of_workers():
    for booking in sound_plans(20):
        alone, three = (swept(booking, workers)[-1] for workers in (1, 3))
        assert alone.runs == three.runs


@pytest.mark.parametrize("models, sent", [((BY_STEP,), 2), ((COARSE,), 4), ((COARSE, BY_STEP), 4)])
def test_sending_goes_to_the_cheapest_steps_or_about_them(models, sent):
    """4 Mbit wait; two steps of 12 carry 4 Mbit each and the others 1, for the same energy."""
    send_mbit = np.where(np.isin(np.arange(12), (9, 11)), 4.0, 1.0)
    node = level_node(
        12, transmit_w=40.0, send_mbit=send_mbit, store_start_mbit=8.0, store_end_mbit=0.0
    )
    planned = with_planned_sending(Booking(Problem(12, 0.25, (), (node,), frozenset())), models)
    assert planned.may_send.sum() == sent and not planned.flow.short
