"""Price-guided plans are feasible and improve; reduced worth is what a start adds beyond prices."""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from threading import Event

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tools.tiny import crowd, heat, level_node, task

from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.definition import Problem
from obsplan.planning.search.price_guided import price_guided_plans
from obsplan.planning.solver.dual_bound import relaxation


def within(steps: int, **changes) -> dict:
    length = changes.get("length", 1)
    return {
        "starts": np.arange(steps) + length <= steps,
        "bins": np.zeros(steps, dtype=int),
        "preference": np.zeros(steps),
    } | changes


@pytest.mark.parametrize("steps", [40, 400])  # starts spelled out, and cumulated
def test_reduced_worth_is_the_full_value_where_only_exclusion_binds(steps):
    tasks = (
        task("a", **within(steps, length=3, value=5.0, count=steps)),
        task("b", **within(steps, length=2, value=4.0, count=steps)),
    )
    problem = Problem(steps, 0.25, tasks, (level_node(steps),), frozenset({(0, 1)}))
    reduced = relaxation(problem).reduced_worth
    for row, its in zip(reduced, tasks):
        # Duals are optimal to 1e-4.
        assert row == pytest.approx(its.value * its.starts, abs=1e-2)


@pytest.mark.parametrize("steps", [40, 400])
def test_reduced_worth_of_a_scarce_run_is_what_its_start_adds_over_another(steps):
    """Of the single run wanted the start in the better bin is worth 3 more than elsewhere."""
    better = (np.arange(steps) >= steps // 2).astype(int)
    once = task(
        "once", **within(steps, bins=better, value=4.0, repeat_worth=0.25, held=np.array([1, 0]))
    )
    problem = Problem(steps, 0.25, (once,), (level_node(steps),), frozenset())
    reduced = relaxation(problem).reduced_worth[0]
    difference = reduced[steps // 2 + 1] - reduced[1]
    assert difference == pytest.approx(3.0, abs=2e-2)


@pytest.mark.parametrize("steps", [40, 400])
def test_a_start_pays_for_what_it_uses_of_a_budget(steps):
    """Of 5 Wh a run of "dear" makes 2 a Wh, one of "cheap" 1: the price is 2 a Wh."""
    tasks = (
        task("dear", **within(steps, value=4.0, count=steps)),
        task("cheap", **within(steps, value=1.0, count=steps)),
    )
    problem = Problem(steps, 0.25, tasks, (level_node(steps),), frozenset(), (heat(5.0, 2.0, 1.0),))
    relaxed = relaxation(problem)
    assert relaxed.bound == pytest.approx(10.0, abs=1e-2)
    for row, cost in zip(relaxed.resource_cost, (4.0, 2.0)):
        # Duals are optimal to 1e-4.
        assert row == pytest.approx(np.full(steps, cost), abs=1e-2)


def found(booking: Booking, stop: Event | None = None, rounds: int = 1) -> list[Booking]:
    relaxed = relaxation(booking.problem)
    with ThreadPoolExecutor(max_workers=1) as pool:
        return list(price_guided_plans(booking, pool, stop or Event(), relaxed, rounds))


@given(st.data())
@settings(max_examples=15, deadline=None)
def test_price_guided_plans_are_feasible_and_improve(data):
    problem = crowd(
        data.draw,
        gap=lambda draw, k: draw(st.integers(0, 4)),
        count=lambda draw, k: draw(st.integers(1, 5)),
    )
    worth = 0.0
    for booking in found(Booking(problem), rounds=3):
        assert booking.value() > worth and booking.keeps_rules()
        assert booking.flow.short is None and booking.fits_bus()
        worth = booking.value()
    assert worth > 0


def beside_another_task(**changes) -> Problem:
    """Two lanes of two tasks each, and a task in neither."""
    tasks = [task(f"task {k}", count=3, length=2, value=2.0 + k) for k in range(4)]
    tasks.append(task("alone", **changes))
    return Problem(8, 0.25, tuple(tasks), (level_node(8),), frozenset({(0, 1), (2, 3)}))


def test_price_guided_plans_have_the_runs_outside_the_lanes_too():
    problem = beside_another_task(must=1, count=2, value=5.0)
    best = found(Booking(problem), rounds=3)[-1]
    assert len(best.runs[4]) == 2
    # Of each pair the dearer fills its lane.
    assert [len(runs) for runs in best.runs[:4]] == [1, 3, 1, 3] and best.keeps_rules()


def test_price_guided_plans_are_feasible_where_energy_is_short():
    """Each run takes 4 Wh, and the battery has 20 beyond its reserve."""
    draws = {"load_w": np.full(2, 8.0), "peak_w": np.full(2, 8.0)}
    problem = beside_another_task(value=1.0)
    tasks = tuple(replace(its, **draws) for its in problem.tasks[:4]) + problem.tasks[4:]
    problem = replace(problem, tasks=tasks, nodes=(level_node(8, start_wh=40.0),))
    best = found(Booking(problem), rounds=3)[-1]
    assert best.flow.short is None and best.value() == 3 * 5.0 + 4.0 + 3.0 + 1.0


def test_price_guided_plans_keep_a_budget():
    """Each run of the lanes uses 4 Wh, and there are 20."""
    problem = replace(
        beside_another_task(value=1.0), budgets=(heat(20.0, 4.0, 4.0, 4.0, 4.0, 0.0),)
    )
    best = found(Booking(problem), rounds=3)[-1]
    assert best.keeps_rules() and best.value() == 3 * 5.0 + 4.0 + 3.0 + 1.0


def test_no_price_guided_plan_without_lanes_or_once_stopped():
    alone = Problem(8, 0.25, (task("a"), task("b")), (level_node(8),), frozenset())
    assert not found(Booking(alone))
    pair = replace(alone, exclusive=frozenset({(0, 1)}))
    stopped = Event()
    stopped.set()
    assert found(Booking(pair))
    assert not found(Booking(pair), stopped)
