"""Runs that any of several activities may make for a goal are requested once."""

from tools.small import scenario_table, world

from obsplan.inputs.read_scenario import scenario_from
from obsplan.inputs.requested_runs import requested_counts
from obsplan.planning.reasons.balance import balance

GOAL = {"name": "g", "value": 10.0, "over": "span_h", "edges": [0, 2, 4], "runs_each": 4}


def scene(*goals, **first):
    """Two activities of 2 Wh and 50 Mbit a run that serve the goals alone, and these goals."""
    run = {"power_w": 2.0, "duration_min": 60, "data_mbit": 50.0}
    table = scenario_table({"name": "a", **run}, {"name": "b", **run}, hours=4, step_min=60)
    for activity in table["activity"]:
        for key in ("count", "value"):
            activity.pop(key, None)
    table["activity"][0].update(first)
    return scenario_from(table | {"goal": [GOAL | goal for goal in goals]})


def test_activities_that_serve_one_goal_share_its_runs():
    assert requested_counts(scene({"runs_of": ["a", "b"]})) == {"a": 4.0, "b": 4.0}
    assert requested_counts(scene({"runs_of": ["a"]})) == {"a": 8.0, "b": 1.0}


def test_activities_that_count_together_request_all_of_its_runs():
    there = requested_counts(scene({"runs_of": ["a", "b"], "together": True}))
    assert there == {"a": 8.0, "b": 8.0}


def test_an_activity_with_a_value_of_its_own_requests_its_count_and_the_other_the_rest():
    there = requested_counts(scene({"runs_of": ["a", "b"]}, value=1.0, count=2))
    assert there == {"a": 2.0, "b": 6.0}
    there = requested_counts(scene({"runs_of": ["a", "b"]}, value=1.0, count=20))
    assert there == {"a": 20.0, "b": 0.0}
    assert requested_counts(scene({"runs_of": ["a", "b"]}, must=7)) == {"a": 7.0, "b": 4.0}


def test_the_balance_counts_shared_requests_once():
    by_goals = {
        together: balance(world(scene({"runs_of": ["a", "b"], "together": together})))
        for together in (False, True)
    }
    link = {k: t.set_index("resource").loc["link", "requested"] for k, t in by_goals.items()}
    assert link[True] - link[False] == 8 * 50.0
