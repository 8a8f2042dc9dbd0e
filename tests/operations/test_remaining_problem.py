"""What fixed slots leave to a replan."""

from dataclasses import replace

import pandas as pd
import pytest
from tools.small import START, scenario, world
from tools.tiny import heat

from obsplan.operations import remaining_problem as module
from obsplan.operations.fixed_slots import FIXED_COLUMNS
from obsplan.operations.remaining_problem import remaining_problem
from obsplan.planning.problem.from_scenario import build_problem


def fixed_runs(*rows: tuple[str, str, float]) -> pd.DataFrame:
    """Runs of an hour, one after the other, as (activity, state, share)."""
    begin = [START + pd.Timedelta(hours=k) for k in range(len(rows))]
    table = [
        (f"s{k}", name, at, at + pd.Timedelta(hours=1), state, state, "", share)
        for k, ((name, state, share), at) in enumerate(zip(rows, begin))
    ]
    return pd.DataFrame(table, columns=list(FIXED_COLUMNS))


@pytest.mark.parametrize("limit, left", [(9.0, 4.0), (3.0, 0.0)])
def test_fixed_runs_have_used_their_share_of_a_budget(monkeypatch, limit, left):
    """A run cut short counts in full, as for the referee, and one that failed does not."""
    environment = world(scenario({"name": "a", "count": 5}, {"name": "b", "count": 5}))
    whole = replace(build_problem(environment), budgets=(heat(limit, 2.0, 1.0),))
    monkeypatch.setattr(module, "build_problem", lambda *_: whole)
    fixed = fixed_runs(
        ("a", "done", 1.0), ("a", "partial", 0.5), ("b", "locked", 1.0), ("b", "failed", 0.0)
    )
    problem, _ = remaining_problem(environment, fixed, 20, {"lander": (800.0, 0.0)})
    assert problem.budgets[0].limit == left
