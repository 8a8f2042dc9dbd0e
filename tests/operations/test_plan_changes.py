"""Why a run is no longer where it was."""

from dataclasses import replace

from tools.explained import booked
from tools.small import scenario, slots, world
from tools.tiny import heat

from obsplan.operations.plan_changes import _why_not, fewest_moves


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


def test_of_plans_that_are_worth_less_than_nothing_one_is_chosen():
    """Old runs that no longer count for their goals make what is left negative."""
    assert fewest_moves([(-3.0, {}), (-2.0, {}), (-2.01, {})], keep=0.01) == 1
    assert fewest_moves([(-3.0, {}), (-2.0, {})], keep=0.6) == 1
