"""Goals that cannot be reached are named before a plan is made."""

import pytest
from tools.small import scenario, world

from obsplan.inputs.goal import Goal
from obsplan.planning.reasons.audit import findings
from obsplan.planning.reasons.finding import Severity

SWEEP = {"name": "sweep", "duration_min": 60, "count": 9, "value": 0.0}
LATE = SWEEP | {"name": "late", "when": {"sun_elevation_deg": [7.5, 90.0]}}  # after 6 h
QUARTERS = {"over": "span_h", "edges": [0, 3, 6, 9, 12], "value": 8.0}


def found(activities=(SWEEP,), **keys):
    scene = scenario(*activities, hours=12.0)
    goal = Goal.model_validate({"name": "quarters", "runs_of": ["sweep"]} | QUARTERS | keys)
    environment = world(scene.model_copy(update={"goal": (goal,)}))
    return [f for f in findings(environment) if "goal" in f.where or "no value" in f.finding]


def test_a_goal_that_can_be_reached_is_no_finding():
    assert found(minimum={"bins": 4, "runs_each": 1}) == []


def test_bins_that_no_permitted_start_reaches_are_named():
    (finding,) = found([LATE], runs_of=["late"])
    assert finding.severity == Severity.WARNING and finding.where == 'goal "quarters"'
    assert finding.finding == (
        "no permitted start reaches 2 of its 4 bins: time since the start of the span 0 to 3 h; "
        "time since the start of the span 3 to 6 h: "
        '"late" needs Sun elevation 7.5 to 90 deg (there it is 5 to 7.4)'
    )


@pytest.mark.parametrize(
    "bins, runs_each, told",
    [
        (3, 1, "2 of its bins have room for a run, it needs 3"),
        (2, 4, "0 of its bins have room for 4 runs, it needs 2"),
        (2, 3, None),
    ],
)
def test_a_minimum_for_which_the_bins_have_no_room_is_named(bins, runs_each, told):
    """Starts of an hour each at 6, 7, 8 h: three runs of an hour in a bin of three."""
    keys = {"runs_each": 4, "minimum": {"bins": bins, "runs_each": runs_each}}
    lines = [f.finding for f in found([LATE], runs_of=["late"], **keys)]
    expected = [f"its minimum cannot be reached: {told}"] if told else []
    assert lines[:-1] == expected


def test_activities_together_reach_what_each_of_them_does():
    both = {"runs_of": ["sweep", "late"]}
    assert found([SWEEP, LATE], **both) == []
    (finding,) = found([SWEEP, LATE], **both, together=True)
    assert "reaches 2 of its 4 bins" in finding.finding


def test_an_activity_without_value_that_serves_a_goal_is_no_finding():
    assert found() == []
