"""Why a run is no longer where it was."""

from dataclasses import replace

from tools.explained import booked
from tools.small import scenario, slots, world
from tools.tiny import heat

from obsplan.operations.plan_changes import _why_not


def test_a_dropped_run_is_told_of_the_budget_that_others_used_up():
    scene = scenario({"name": "camera", "count": 2}, {"name": "probe", "count": 2})
    environment = world(scene)
    plan = booked(scene, environment, ("camera", 0), ("probe", 8))
    plan.problem = replace(plan.problem, budgets=(heat(5.0, 2.0, 2.0),))
    why = _why_not(environment, plan, slots(), 0, old=240, new=None)
    assert why == "heat is used up by other runs"
    plan.problem = replace(plan.problem, budgets=(heat(6.0, 2.0, 2.0),))
    why = _why_not(environment, plan, slots(), 0, old=240, new=None)
    assert why == "the plan has a higher value without it"
