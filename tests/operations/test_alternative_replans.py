"""Plans that differ clearly from a replan keep its fixed slots and break nothing."""

from datetime import timedelta

import pandas as pd
import pytest
from tools.small import START, platform, scenario, world

from obsplan.analysis.alternatives import alternative_plans, alternatives_table, share_apart
from obsplan.checking.check import check_timeline
from obsplan.operations.alternative_replans import alternative_replans
from obsplan.operations.replan import make_replan
from obsplan.planning.plan import make_plan

NOW = START + pd.Timedelta(hours=6)


@pytest.fixture(scope="module")
def made():
    """A day with eight looks and four digs; it is six o'clock."""
    runs = [
        {"name": "look", "count": 8, "value": 2.0, "data_mbit": 5.0, "gap_min": 30},
        {"name": "dig", "count": 4, "value": 3.0},
    ]
    offered = world(scenario(*runs, platforms=[platform()], hours=24))
    slots = make_plan(offered).timeline
    return make_replan(offered, slots, NOW.to_pydatetime(), freeze=timedelta(0))


def runs(plan, ahead):
    own = plan.timeline[plan.timeline["instrument"] != "radio"]
    own = own[(own["start_utc"] >= NOW) == ahead]
    return own[["activity", "start_utc", "end_utc"]].reset_index(drop=True)


def test_alternatives_of_a_replan_change_only_what_is_ahead(made):
    (other,) = alternative_replans(made, 1)
    assert len(runs(made.plan, ahead=False)) and share_apart(other, made.plan) >= 0.3
    assert runs(other, ahead=False).equals(runs(made.plan, ahead=False))
    assert not runs(other, ahead=True).equals(runs(made.plan, ahead=True))
    assert check_timeline(other.environment, other.timeline, NOW, fixes=False).is_valid
    assert other.value == made.plan.value and other.now_utc == made.plan.now_utc
    row = alternatives_table([made.plan, other]).iloc[1]
    assert row["runs"] == 12 and row["differs_percent"] >= 30 and row["switches"] >= 0


def test_a_plan_of_the_whole_span_has_others(made):
    with pytest.raises(ValueError, match="this is a replan; use alternative_replans"):
        alternative_plans(made.plan, 1)
