"""What two stretches changed is put together only where the whole still holds."""

import numpy as np
from small import level_node
from test_greedy import task

from obsplan.booking import Booking
from obsplan.problem import Problem
from obsplan.stretches import merged


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


def test_gains_of_both_stretches_are_kept():
    tasks = task("a", count=2), task("b", value=3.0)
    old = booked(tasks, (0, 1))
    both = merged(changed(old, (0, 3, 1)), old, changed(old, (1, 6, 1)))
    assert both.runs == [[1, 3], [6]] and both.value() == 5.0


def test_a_required_run_that_each_leaves_to_the_other_stays():
    required = task("required", count=2, must=1)
    rich = tuple(task(name, value=5.0, starts=np.arange(8) == at) for name, at in (("p", 1), ("q", 6)))
    old = booked((required, *rich), (0, 1), (0, 6), exclusive={(0, 1), (0, 2)})
    left = changed(old, (0, 1, -1), (1, 1, 1))
    right = changed(old, (0, 6, -1), (2, 6, 1))
    assert len(merged(left, old, right).runs[0]) == 1


def test_more_runs_than_wanted_are_not_put_together():
    old = booked((task("a", count=2),), (0, 0))
    both = merged(changed(old, (0, 2, 1)), old, changed(old, (0, 5, 1)))
    assert len(both.runs[0]) == 2
