"""What is lost if something fails for good, and what a replan saves."""

import numpy as np
import pandas as pd
import pytest
from tools.small import scenario, slots, world

from obsplan.futures.columns import CONTINGENCY_COLUMNS
from obsplan.futures.contingencies import contingencies_table, losses_of
from obsplan.futures.execute import make_futures
from obsplan.inputs.uncertainty import Uncertainty


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


def test_a_cluster_makes_the_same_rows_and_futures():
    """Two workers of a scheduler on this machine share the replans and the futures."""
    distributed = pytest.importorskip("distributed")
    scene = scenario({"name": "look", "count": 2, "value": 2.0}, hours=36, step_min=60)
    rows, heard = read(("look", 0), ("look", 1500)), []
    fails = [Uncertainty(what="run fails", chance=0.4)]
    alone = contingencies_table(world(scene), rows, jobs=1)
    here = make_futures(world(scene), rows, samples=120, uncertain=fails)
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=False, protocol="tcp", dashboard_address=None
    ) as cluster:
        address = cluster.scheduler_address
        shared = contingencies_table(
            world(scene), rows, scheduler=address, report=lambda *done: heard.append(done)
        )
        there = make_futures(world(scene), rows, samples=120, uncertain=fails, scheduler=address)
    pd.testing.assert_frame_equal(shared, alone)
    assert heard[-1] == (len(heard), len(heard))
    assert (there.outcome.code == here.outcome.code).all() and len(there.value) == 120
