"""Ruin and recreate: never worse, always feasible, the same every time."""

from dataclasses import replace
from threading import Event

import numpy as np
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from tools.brute import best_value
from tools.small import cases
from tools.tiny import level_node, task, tiny_problem, waits

from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.definition import Problem
from obsplan.planning.problem.from_scenario import build_problem
from obsplan.planning.problem.tolerances import TOLERANCE
from obsplan.planning.search.greedy import greedy_plan
from obsplan.planning.search.ruin_and_recreate import ruin_and_recreate


def improved(booking, rounds=40, seed=1):
    return [booking, *ruin_and_recreate(booking, Event(), seed, rounds)]


def planned(*tasks, exclusive=(), steps=8, **node):
    nodes = (level_node(steps, **node),)
    return greedy_plan(Problem(steps, 0.25, tasks, nodes, frozenset(exclusive)))


def test_plans_only_get_better_and_are_feasible():
    gained = best = sound = 0
    for seed in range(60):
        question = tiny_problem(seed)
        booking, exact = greedy_plan(question), best_value(question)
        if booking.flow.short or exact is None:
            continue
        plans = improved(booking)
        values = [plan.value() for plan in plans]
        assert values == sorted(values)
        assert all(not plan.simulate().short and plan.keeps_rules() for plan in plans)
        sound += 1
        gained += values[-1] > values[0] + 1e-9
        best += values[-1] >= exact - 1e-9
    # Greed alone is not best everywhere. 46 of these 52 end at the best; three of the others do
    # not because sending stays what it was while runs are placed.
    assert gained and best > 0.85 * sound


def one_long_run():
    """Alone the long run is worth most for its hours; the short ones fill them better."""
    long = task("long", length=5, value=6.0)
    short = task("short", length=2, value=2.1, count=4)
    greedy = planned(long, short, exclusive={(0, 1)})
    assert [len(runs) for runs in greedy.runs] == [1, 1]
    return greedy


def test_many_short_runs_replace_one_that_greedy_construction_preferred():
    best = improved(one_long_run())[-1]
    assert [len(runs) for runs in best.runs] == [0, 4]


def test_required_runs_and_the_first_of_a_prerequisite_stay():
    """Both stand in the way of looks that are worth more."""
    required = task("required", must=1, value=0.1)
    opened = task("open", value=0.0, length=2)
    look = task("look", value=5.0, count=8, needs=(waits(1, 0, length=2),))
    question = Problem(
        8, 0.25, (required, opened, look), (level_node(8),), frozenset({(0, 1), (0, 2), (1, 2)})
    )
    booking = Booking(question)
    for i, start in ((1, 0), (0, 4), (2, 3)):
        booking.add(i, start)
    booking.flow = booking.simulate()
    plans = improved(booking)
    assert [len(runs) for runs in plans[-1].runs] == [1, 1, 5]
    for plan in plans:
        assert len(plan.runs[0]) == 1 and plan.runs[1] == [0]


def test_energy_goes_where_it_is_worth_more():
    """Above the reserve there are 30 Wh: one run of 80 W or three of 40 W for 15 minutes."""

    def hungry(name, power_w, **changes):
        return task(name, load_w=np.array([power_w]), peak_w=np.array([power_w]), **changes)

    tasks = hungry("big", 80.0, value=5.0), hungry("small", 40.0, value=2.0, count=3)
    only_big = Booking(Problem(8, 0.25, tasks, (level_node(8, start_wh=50.0),), frozenset()))
    only_big.add(0, 3)
    only_big.flow = only_big.simulate()
    best = improved(only_big)[-1]
    assert best.value() == 7.0 and not best.flow.short  # 20 Wh and 10 Wh


def test_an_old_start_is_kept_where_it_is_preferred():
    preference = np.where(np.arange(8) == 5, 0.5, 0.0)
    late = Booking(
        Problem(
            8,
            0.25,
            (task("a", preference=preference), task("b", length=3)),
            (level_node(8),),
            frozenset({(0, 1)}),
        )
    )
    late.add(0, 2)
    late.flow = late.simulate()
    assert improved(late)[-1].runs[0] == [5]


def test_nothing_is_begun_once_the_search_is_stopped():
    stop = Event()
    stop.set()
    assert list(ruin_and_recreate(one_long_run(), stop, 1, 40)) == []
    assert list(ruin_and_recreate(one_long_run(), Event(), 1, 40))


def test_a_plan_without_runs_stays_as_it_is():
    assert improved(planned(task("never", count=0)))[1:] == []


@given(case=cases(hours=(4, 8)), seed=st.integers(0, 100))
@settings(max_examples=25)
def test_the_same_seed_gives_the_same_plan(case, seed):
    booking = greedy_plan(build_problem(case))
    assume(not booking.flow.short)
    one, two = (improved(booking, rounds=10, seed=seed)[-1] for _ in range(2))
    assert one.runs == two.runs and np.array_equal(one.may_send, two.may_send)
    assert not one.simulate().short and one.keeps_rules()


@given(seed=st.integers(0, 10_000))
@settings(max_examples=60)
def test_charge_and_data_with_sending_as_it_was_are_those_of_a_full_run(seed):
    booking = greedy_plan(tiny_problem(seed))
    assume(not booking.flow.short)
    assert booking.fits_stores()
    for n in range(len(booking.problem.nodes)):
        again = booking.recharged(n)
        # Sums taken in another order differ by rounding only.
        assert np.allclose(again.stored_wh, booking.flow.stored_wh, atol=1e-9)
        assert (again.needed_wh[n] <= again.stored_wh[n] + TOLERANCE).all()
        assert (again.needed_wh[n] >= booking.flow.needed_wh[n] - 1e-9).all()


def test_data_that_nothing_sends_do_not_fit_the_store():
    data = task("a", data_mbit=np.array([3.0]), count=2)
    node = {
        "store_mbit": 5.0,
        "send_mbit": np.array([0.0, 0, 0, 0, 0, 3, 0, 0]),
        "transmit_w": 5.0,
        "start_wh": 60.0,
    }
    booking = planned(data, **node)
    assert not booking.flow.short and booking.fits_stores()
    more = booking.copy()
    more.problem = replace(more.problem, tasks=(replace(data, count=3),))
    more.add(0, 7)
    assert not more.fits_stores()


def test_data_do_not_fit_where_the_bus_bars_the_transmitter():
    contact = {
        "send_mbit": np.array([0.0, 0, 0, 0, 0, 3, 0, 0]),
        "transmit_w": 40.0,
        "store_start_mbit": 2.0,
        "store_end_mbit": 0.0,
        "start_wh": 90.0,
    }
    booking = planned(task("a", peak_w=np.array([95.0]), count=0), **contact)
    assert booking.fits_stores()
    booking.add(0, 5)
    assert not booking.fits_stores() and booking.simulate().short
