"""An old plan is repaired: what still fits stays, and what does not is left out."""

from tools.tiny import heat, level_node, task

from obsplan.operations.old_plan_repair import repaired
from obsplan.planning.problem.definition import Problem


def test_an_old_plan_over_its_budget_keeps_the_runs_worth_most():
    tasks = task("a", count=4), task("b", count=4, value=2.0)
    problem = Problem(8, 0.25, tasks, (level_node(8),), frozenset(), (heat(3.0, 1.0, 1.0),))
    # In the best bin of all starts the same, so what stays is where it was.
    assert repaired(problem, [[0, 2], [5, 7]]).runs == [[0], [5, 7]]


def test_an_old_plan_within_its_budget_stays_and_is_filled_up():
    problem = Problem(
        8, 0.25, (task("a", count=4),), (level_node(8),), frozenset(), (heat(3.0, 1.0),)
    )
    assert repaired(problem, [[4, 6]]).runs == [[4, 6, 0]]
