"""Bounds against solvers the planner does not use, or not this way, on mid-size problems.

500 tiny problems against trying every plan are in tests/planning/search/test_strategy.py.
Here the whole mixed-integer model goes to `scipy.optimize.milp` (HiGHS by another interface
and with its own settings) and, if it is installed, to CP-SAT of OR-Tools, which searches by
clauses and whole numbers. No value they find may exceed our bound.
Sure: both are solvers in long use; they share our model, not our bound.
"""

import numpy as np
import pytest
from tools.second_solver import by_cp_sat, by_scipy
from tools.tiny import level_node

from obsplan.planning.problem.definition import Need, Node, Problem, Task, after
from obsplan.planning.search.exact import best_plan
from obsplan.planning.solver.dual_bound import upper_bound
from obsplan.planning.solver.model import build_model

SEEDS = range(50)
FEW = SEEDS[:8]
NODES = 1
# Rows hold to 1e-6 in those solvers, so an answer may be worth as much more than it should.
SLACK = 1e-5


def mid_problem(seed: int) -> Problem:
    """60 to 100 steps, one or two nodes, four to six tasks that compete for energy and time."""
    rng = np.random.default_rng([seed, 2])
    steps = int(rng.integers(60, 101))
    nodes = tuple(_node(rng, steps, k) for k in range(rng.integers(1, 3)))
    tasks: list[Task] = []
    for _ in range(rng.integers(4, 7)):
        tasks.append(_task(rng, steps, len(nodes), tasks))
    pairs = [(i, j) for j in range(len(tasks)) for i in range(j) if rng.random() < 0.4]
    return Problem(steps, 0.25, tuple(tasks), nodes, frozenset(pairs))


def _node(rng: np.random.Generator, steps: int, k: int) -> Node:
    """Light that comes and goes, and a link to Earth, or to the first node, half the time."""
    light = np.sin(np.arange(steps) * 2 * np.pi / steps + rng.uniform(0, 6))
    linked = np.sin(np.arange(steps) * rng.uniform(0.1, 0.4)) > 0
    node = level_node(
        steps,
        base_w=4.0,
        bus_limit_w=45.0,
        capacity_wh=60.0,
        reserve_wh=18.0,
        start_wh=50.0,
        end_wh=25.0,
        charge_efficiency=0.95,
        discharge_efficiency=0.9,
        transmit_w=8.0,
        receiver=0 if k and rng.random() < 0.5 else -1,
        store_mbit=40.0,
        store_end_mbit=10.0,
        send_share=linked.astype(float),
        send_mbit=rng.choice([4.0, 9.0]) * linked,
        station=np.where(linked, 0, -1),
    )
    node.generation_w[:] = np.maximum(0, 6 + rng.uniform(4, 12) * light)
    return node


def _task(rng: np.random.Generator, steps: int, nodes: int, before: list[Task]) -> Task:
    length = int(rng.integers(2, 9))
    load_w = np.full(length, round(rng.uniform(4, 22), 1))

    def needs() -> tuple[Need, ...]:
        if not before or rng.random() >= 0.2:
            return ()
        settle, unmet = int(rng.integers(0, 5)), np.zeros(steps, dtype=bool)
        return (after(len(before) - 1, before[-1].length, settle, unmet),)

    return Task(
        name=f"t{len(before)}",
        node=int(rng.integers(nodes)),
        length=length,
        load_w=load_w,
        peak_w=load_w,
        data_mbit=np.full(length, rng.choice([0.0, 1.0, 3.0])),
        count=int(rng.integers(2, 6)),
        must=0,
        gap=int(rng.choice([0, 0, 3, 8])),
        value=float(rng.integers(2, 12)),
        repeat_worth=float(rng.choice([1.0, 1.0, 0.8])),
        starts=(rng.random(steps) < 0.3) & (np.arange(steps) + length <= steps),
        bins=np.arange(steps) * int(rng.integers(1, 5)) // steps,
        needs=needs(),
        held=np.zeros(4, int),
        preference=np.zeros(steps),
    )


@pytest.mark.parametrize("seeds", [FEW, pytest.param(SEEDS[8:], marks=pytest.mark.long)])
def test_scipy_never_beats_the_bound(seeds):
    shares = []
    for seed in seeds:
        question = mid_problem(seed)
        worth, _ = by_scipy(build_model(question), NODES)
        if worth is None:
            continue
        bound = upper_bound(question)
        assert worth <= bound + SLACK * max(1.0, bound), f"seed {seed}"
        shares.append(worth / bound)
    # A bound that nothing comes near would prove little.
    assert len(shares) >= 0.8 * len(seeds) and np.median(shares) > 0.8


@pytest.mark.parametrize("seeds", [SEEDS[:6], pytest.param(SEEDS[6:], marks=pytest.mark.long)])
def test_cp_sat_never_beats_the_bound_nor_what_our_search_proves(seeds):
    pytest.importorskip("ortools")
    shares = []
    for seed in seeds:
        question = mid_problem(seed)
        worth, _ = by_cp_sat(build_model(question), work=0.2)
        if worth is None:
            continue
        _, proven = best_plan(question, question, nodes=10)
        bound = min(upper_bound(question), proven)
        assert worth <= bound + SLACK * max(1.0, bound), f"seed {seed}"
        shares.append(worth / bound)
    # This bound is that of plans, not of shares of runs, so a plan comes nearer.
    assert len(shares) >= 0.66 * len(seeds) and np.median(shares) > 0.9
