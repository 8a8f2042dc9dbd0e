"""Groups of activities planned anew: never worse, always sound, the same every time."""

from concurrent.futures import ThreadPoolExecutor
from threading import Event

from small import tiny_problem

from obsplan.greedy import greedy_plan
from obsplan.groups import regroup


def regrouped(booking, workers: int):
    with ThreadPoolExecutor(workers) as pool:
        found = list(regroup(booking, pool, Event(), seed=1, tries=12, vain_tries=6))
    return [booking, *found]


def test_groups_only_ever_raise_the_value_and_hold():
    gained = 0
    for seed in range(150):
        booking = greedy_plan(tiny_problem(seed))
        if booking.flow.short:
            continue
        plans = regrouped(booking, 2)
        values = [plan.value() for plan in plans]
        assert values == sorted(values)
        assert all(not plan.flow.short and plan.is_orderly() for plan in plans)
        gained += values[-1] > values[0]
    assert gained  # greed alone is not best everywhere, and a group finds it


def test_what_groups_find_does_not_hang_on_the_number_of_workers():
    for seed in range(10):
        booking = greedy_plan(tiny_problem(seed))
        if not booking.flow.short:
            alone, three = (regrouped(booking, workers)[-1] for workers in (1, 3))
            assert alone.runs == three.runs
