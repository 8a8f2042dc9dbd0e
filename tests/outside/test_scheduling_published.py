"""Published answers of scheduling and knapsack exercises, put as small scenarios."""

from dataclasses import fields, replace

import numpy as np
import pytest
from scipy.optimize import Bounds, LinearConstraint, milp
from tools.small import platform, scenario, world

from obsplan.planning.plan import make_plan
from obsplan.planning.problem.definition import Problem
from obsplan.planning.problem.from_scenario import build_problem
from obsplan.planning.solver.dual_bound import upper_bound
from obsplan.planning.solver.model import build_model

# Exact questions have exact answers; the rest is the rounding of sums of a few numbers.
EXACT = 1e-6


@pytest.mark.parametrize(
    ("intervals", "answer"),
    [
        ([(1, 2, 50), (3, 5, 20), (6, 19, 100), (2, 100, 200)], 250),
        ([(1, 3, 50), (2, 4, 10), (3, 5, 40), (3, 6, 70)], 120),
        ([(1, 3, 20), (2, 5, 20), (3, 10, 100), (4, 6, 70), (6, 9, 60)], 150),
    ],
)
def test_weighted_intervals_on_one_instrument(intervals, answer):
    """Weighted interval scheduling, exercise answers as quoted by others (how sure: S).

    One instrument; each interval is an activity that may start in its own hour alone.
    """
    scene = scenario(
        *(
            {
                "name": f"job {k}",
                "instrument": "one",
                "duration_min": 60 * (end - start),
                "value": float(value),
                "coverage": {"over": "span_h", "edges": [start, start + 1]},
            }
            for k, (start, end, value) in enumerate(intervals)
        ),
        instruments=[{"name": "one", "platform": "lander"}],
        hours=max(end for _, end, _ in intervals),
        step_min=60,
    )
    made = make_plan(world(scene))
    assert made.value == pytest.approx(answer, abs=EXACT)
    assert made.bound >= answer - EXACT


def test_knapsack_with_energy_as_the_sack():
    """Burkardt, data sets for the 0-1 knapsack problem, Florida State University, set P01
    (how sure: P): capacity 165, best value 309, items 1 to 4 and 6.

    A battery with 165 Wh above its reserve and no Sun; each item is an hour's run that
    draws its weight in watts.
    """
    weights = [23, 31, 29, 44, 53, 38, 63, 85, 89, 82]
    values = [92, 57, 49, 68, 60, 43, 67, 84, 87, 72]
    scene = scenario(
        *(
            {"name": f"item {k}", "power_w": float(w), "value": float(v)}
            for k, (w, v) in enumerate(zip(weights, values), start=1)
        ),
        platforms=[
            platform(
                battery={"capacity_wh": 330.0, "reserve": 0.25, "start": 0.75},
                bus_limit_w=1000.0,
            )
        ],
        hours=2,
        step_min=60,
    )
    made = make_plan(world(scene, generation_w=0.0))
    assert made.value == pytest.approx(309, abs=EXACT)
    assert set(made.timeline["activity"]) == {"item 1", "item 2", "item 3", "item 4", "item 6"}


@pytest.mark.parametrize("start_h", [0, 60, 150])
def test_another_solver_on_the_same_model_does_not_beat_the_bound(demo, start_h):
    """Half a day of the demo through scipy.optimize.milp, an independent way to the solver.

    What it finds is a plan of the model, so it may not lie above the proven bound.
    """
    environment = demo
    steps = slice(start_h * 4, start_h * 4 + 48)
    whole = build_problem(environment, relaxed=True)
    question = cut(whole, steps)
    model = build_model(question)
    found = milp(
        -model.cost,
        integrality=model.integer,
        bounds=Bounds(model.low, model.high),
        constraints=LinearConstraint(model.matrix, model.row_low, model.row_high),
        options={"mip_rel_gap": 0.02, "node_limit": 20},
    )
    assert found.x is not None and -found.fun > 0
    assert -found.fun <= upper_bound(question) + EXACT


def cut(whole: Problem, steps: slice) -> Problem:
    """Some steps of a problem on their own, with nothing required and no orders."""
    count = steps.stop - steps.start
    nodes = tuple(
        replace(
            node,
            **{
                f.name: getattr(node, f.name)[steps]
                for f in fields(node)
                if isinstance(getattr(node, f.name), np.ndarray)
            },
        )
        for node in whole.nodes
    )
    tasks = tuple(
        replace(
            task,
            must=0,
            needs=(),
            bins=task.bins[steps],
            starts=task.starts[steps] & (np.arange(count) + task.length <= count),
        )
        for task in whole.tasks
    )
    goals = tuple(replace(goal, bins=goal.bins[:, steps]) for goal in whole.goals)
    return replace(whole, steps=count, tasks=tasks, nodes=nodes, goals=goals)
