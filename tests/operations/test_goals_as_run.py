"""Goals against what ran: what counts by now, by the timeline and by what was reported."""

import pandas as pd
import pytest
from tools.small import START, scenario, slots, world

from obsplan.inputs.goal import Goal
from obsplan.operations.goals_as_run import goals_as_run
from obsplan.operations.replan import make_replan
from obsplan.reporting.text.goal_lines import as_run_lines, state_lines

SWEEP = {"name": "sweep", "duration_min": 30, "data_mbit": 1.2, "count": 9, "value": 0.0}
THIRDS = {"over": "span_h", "edges": [0, 4, 8, 12], "minimum": {"bins": 2}, "value": 12.0}


@pytest.fixture
def environment():
    scene = scenario(SWEEP, hours=12.0)
    goal = Goal.model_validate({"name": "thirds", "runs_of": ["sweep"]} | THIRDS)
    return world(scene.model_copy(update={"goal": (goal,)}))


def planned():
    table = slots(("sweep", 0), ("sweep", 300), ("sweep", 600))
    return table.assign(end_utc=table["start_utc"] + pd.Timedelta(minutes=30), state="planned")


def reported(*outcomes):
    rows = planned().iloc[: len(outcomes)].drop(columns="state")
    return rows.assign(outcome=list(outcomes), reason="")


def now(hours):
    return (START + pd.Timedelta(hours=hours)).to_pydatetime()


@pytest.mark.parametrize(
    "outcomes, counted, value, minimum",
    [(("done", "done"), 2, 8.0, True), (("done", "failed"), 1, 4.0, False), ((), 0, 0.0, False)],
)
def test_what_is_due_and_what_counts_by_now(environment, outcomes, counted, value, minimum):
    (row,) = goals_as_run(environment, planned(), reported(*outcomes), now(7)).itertuples()
    assert (row.requested, row.due, row.counted) == (3, 2, counted)
    assert (row.due_value, row.value) == (pytest.approx(8.0), pytest.approx(value))
    assert (row.minimum_due, row.minimum) == (True, minimum)


def test_a_line_says_what_counts_and_whether_the_minimum_is_reached(environment):
    (line,) = as_run_lines(goals_as_run(environment, planned(), reported("done", "failed"), now(7)))
    assert line == (
        "goal thirds: runs that count by now: 1, as planned 2, of 3 requested; "
        "value 4.0, as planned 8.0; minimum was due"
    )


def test_a_replan_says_which_bins_are_reached_and_which_are_out_of_reach(environment):
    first_missed = planned().iloc[1:]
    done = first_missed.assign(state=["done", "planned"])
    made = make_replan(environment, done, now(8.5))
    assert state_lines(made.plan) == ["goal thirds, bins: 1 reached, 1 planned, 1 out of reach"]
