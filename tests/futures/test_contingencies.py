"""What is lost if something fails for good, and what a replan saves."""

import numpy as np
import pandas as pd
import pytest
from tools.small import scenario, slots, world

from obsplan.futures.columns import CONTINGENCY_COLUMNS
from obsplan.futures.contingencies import contingencies_table, losses_of


def test_every_thing_is_lost_on_every_day():
    scene = scenario({"name": "look"}, hours=36)
    losses = losses_of(world(scene))
    # An instrument, two stations and a platform, on two days.
    assert [loss.name for loss in losses] == [
        *(2 * ["look"] + 2 * ["alpha"] + 2 * ["beta"] + 2 * ["lander"])
    ]
    assert {loss.kind for loss in losses} == {"instrument", "station", "platform"}


def read(*rows, hour_min=60):
    """Slots as they are read from a file."""
    table = slots(*rows)
    end_utc = table["start_utc"] + pd.Timedelta(minutes=hour_min)
    return table.assign(end_utc=end_utc, state="planned", reason="")


def test_a_replan_uses_what_the_lost_instrument_leaves():
    scene = scenario(
        {"name": "look", "value": 10.0, "power_w": 30.0},
        {"name": "dig", "value": 3.0, "power_w": 30.0, "not_with": ["look"]},
        hours=4,
    )
    table = contingencies_table(world(scene), read(("look", 0)), jobs=1)
    assert list(table.columns) == CONTINGENCY_COLUMNS
    lost = table.set_index("lost")
    assert lost.loc["look", ["value", "cost", "cost_percent"]].tolist() == [0.0, 10.0, 100.0]
    assert lost.loc["look", ["replanned_value", "saved"]].tolist() == [3.0, 3.0]
    assert "added dig to" in lost.loc["look", "first_changes"]
    # Nobody needs the other instrument or a station: nothing is lost, and nothing replanned.
    assert lost.loc[["dig", "alpha", "beta"], "cost"].tolist() == [0.0, 0.0, 0.0]
    assert lost.loc["dig", "first_changes"] == ""
    # Without its platform nothing runs.
    assert lost.loc["lander", "replanned_value"] == 0.0


def test_what_is_lost_later_costs_no_more():
    scene = scenario({"name": "look", "count": 3, "value": 2.0}, hours=60, step_min=60)
    rows = read(("look", 0), ("look", 1500), ("look", 3000))
    table = contingencies_table(world(scene), rows, jobs=1)
    costs = table.loc[table["lost"] == "look", "cost"].tolist()
    assert costs == pytest.approx([6.0, 4.0, 2.0])
    assert (np.diff(costs) < 0).all()
