"""The linear model says the same as trying every plan."""

from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import Bounds, LinearConstraint, milp
from tools.brute import best_of_tiny, plan_worth, resources_hold
from tools.small import platform, scenario, slots, world
from tools.tiny import level_node, tiny_problem

from obsplan.checking.check import check_timeline
from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.definition import Problem
from obsplan.planning.problem.from_scenario import build_problem
from obsplan.planning.solver import model as model_module
from obsplan.planning.solver.model import build_model, cliques

# Seeds of tiny problems.
MANY = pytest.mark.parametrize(
    "seeds",
    [range(40), pytest.param(range(40, 500), marks=pytest.mark.long)],
    ids=["some", "others"],
)


def optimum(model, whole=True):
    """Value and point of the best of a model by scipy's solver, (None, None) without any."""
    found = milp(
        -model.cost,
        integrality=model.integer if whole else None,
        bounds=Bounds(model.low, model.high),
        constraints=LinearConstraint(model.matrix, model.row_low, model.row_high),
        # In scipy 1.17.1 presolve loses the optimum of problem 147 with cumulated sums.
        options={"mip_rel_gap": 0.0, "presolve": False},
    )
    assert found.status in (0, 2), found.message
    return (None, None) if found.status == 2 else (-found.fun, found.x)


def same(value, expected):
    # The solver's own tolerance on rows is 1e-6; values here are multiples of 1/8.
    return value == expected if None in (value, expected) else abs(value - expected) < 1e-5


@MANY
def test_optimum_is_that_of_trying_every_plan(seeds):
    wrong, feasible, worth = [], 0, set()
    for seed in seeds:
        expected = best_of_tiny(seed)
        value, _ = optimum(build_model(tiny_problem(seed)))
        if not same(value, expected):
            wrong.append((seed, value, expected))
        feasible += expected is not None
        worth.add(expected)
    assert wrong == []
    # The problems are neither all hopeless nor all alike.
    assert feasible > 0.75 * len(seeds) and len(worth) > 15


@MANY
def test_sums_spelled_out_and_cumulated_have_the_same_optimum(monkeypatch, seeds):
    problems = [tiny_problem(seed, nearby=seed % 2 == 0) for seed in seeds]
    spelled = [optimum(build_model(problem))[0] for problem in problems]
    monkeypatch.setattr(model_module, "SPELL_OUT_STARTS", 0)
    cumulated = [optimum(build_model(problem))[0] for problem in problems]
    assert [k for k, pair in zip(seeds, zip(spelled, cumulated)) if not same(*pair)] == []


def test_cumulated_sums_need_columns_of_their_own(monkeypatch):
    problem = tiny_problem(3)
    spelled = build_model(problem).matrix.shape
    monkeypatch.setattr(model_module, "SPELL_OUT_STARTS", 0)
    assert build_model(problem).matrix.shape > spelled


def test_columns_of_starts_are_where_the_task_may_start():
    for seed in range(20):
        problem = tiny_problem(seed)
        model = build_model(problem)
        for task, columns in zip(problem.tasks, model.start):
            assert np.array_equal(columns >= 0, task.starts)
            assert model.integer[columns[columns >= 0]].all()
        for node, columns in zip(problem.nodes, model.sending):
            assert np.array_equal(columns >= 0, node.send_mbit > 0)


def test_best_point_is_a_plan_that_holds():
    for seed in range(30):
        problem = tiny_problem(seed)
        model = build_model(problem)
        value, x = optimum(model)
        if value is None:
            continue
        runs = [
            [t for t in np.flatnonzero(columns >= 0).tolist() if x[columns[t]] > 0.5]
            for columns in model.start
        ]
        assert plan_worth(problem, runs) == pytest.approx(value, abs=1e-5)
        assert resources_hold(problem, runs)


def test_relaxation_is_never_below_the_optimum():
    for seed in range(30):
        model = build_model(tiny_problem(seed))
        value, _ = optimum(model)
        if value is not None:
            assert optimum(model, whole=False)[0] >= value - 1e-6


def test_model_of_a_problem_without_tasks_is_feasible():
    node = level_node(steps=4)
    value, _ = optimum(build_model(Problem(4, 0.25, (), (node,), frozenset())))
    assert value == 0.0


@pytest.mark.parametrize("bus_limit_w, sends", [(20.0, True), (19.9, False)])
def test_transmitter_is_on_or_off_and_never_at_half_power(bus_limit_w, sends):
    """14 W of load and 6 W to send 0.1 of the 1 Mbit a step takes: 20 W or nothing."""
    node = level_node(
        steps=1,
        base_w=14.0,
        generation_w=20.0,
        bus_limit_w=bus_limit_w,
        transmit_w=6.0,
        send_mbit=1.0,
        store_start_mbit=1.0,
        store_end_mbit=0.9,
    )
    value, _ = optimum(build_model(Problem(1, 0.25, (), (node,), frozenset())))
    assert (value == 0.0) == sends


def most_sent(problem):
    """The largest share that the relaxation lets the first node send in the first step."""
    model = build_model(problem)
    model.cost[model.sending[0][0]] = 1.0
    return optimum(model, whole=False)[0]


def test_sending_in_the_sunny_half_of_a_step_is_free():
    """The arrays yield the transmitter's 30 W in the minutes in contact, and nothing after.

    On the hour's mean they yield 15 W, of which it takes half while it is on: of 12 Wh that
    would be stored, a full share costs 12 + 0.5 x 15 W x (1 / 0.8 - 0.8) = 15.375 Wh.
    """
    part = platform(
        battery={"start": 0.2, "charge_efficiency": 0.8, "discharge_efficiency": 0.8},
        radio={"transmit_w": 30.0, "rate_kbps": 20.0},
        store={"start_mbit": 36.0},
    )
    scene = scenario(platforms=[part], hours=1, step_min=60)
    sunny = np.arange(60) < 30
    columns = {"generation_w": np.where(sunny, 30.0, 0.0), "rate_kbps": np.where(sunny, 20.0, 0.0)}
    offered = world(scene, **columns)
    table = check_timeline(offered, slots()).resources["lander"]
    assert table["sent_mbit"].sum() == pytest.approx(36.0)
    assert table["stored_wh"].to_numpy() == pytest.approx(200.0)
    assert most_sent(build_problem(offered, relaxed=True)) == pytest.approx(1.0)
    strict = build_problem(offered)
    assert most_sent(strict) == pytest.approx(12 / 15.375)
    assert Booking(strict).flow.sent_share[0, 0] == pytest.approx(12 / 15.375)


@given(count=st.integers(1, 7), excludes=st.lists(st.booleans(), min_size=21, max_size=21))
@settings(max_examples=100)
def test_cliques_are_all_the_maximal_ones(count, excludes):
    pairs = frozenset(
        pair for pair, chosen in zip(combinations(range(count), 2), excludes) if chosen
    )
    crowds = [
        set(crowd)
        for size in range(2, count + 1)
        for crowd in combinations(range(count), size)
        if all(pair in pairs for pair in combinations(crowd, 2))
    ]
    largest = [crowd for crowd in crowds if not any(crowd < other for other in crowds)]
    assert cliques(count, pairs) == sorted(sorted(crowd) for crowd in largest)
