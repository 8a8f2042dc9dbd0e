"""What would make goals surer: each change is tried in the same futures."""

import numpy as np
import pandas as pd
import pytest
from tools.small import platform, scenario_table, slots, world

from obsplan.checking.check import check_timeline
from obsplan.futures.columns import SURER_COLUMNS
from obsplan.futures.execute import each_alone, make_futures
from obsplan.futures.surer_changes import least_sure, surer_changes
from obsplan.futures.surer_plans import Survival
from obsplan.inputs.read_scenario import scenario_from
from obsplan.reporting.page.goals import chance_cards
from obsplan.reporting.text.futures_lines import surer_lines

LOOK = {"name": "look", "power_w": 30.0, "duration_min": 60, "count": 4, "data_mbit": 6.0}
FILL = {"name": "fill", "power_w": 12.0, "duration_min": 60, "value": 1.0, "count": 12}
GOAL = {
    "name": "looks",
    "runs_of": ["look"],
    "over": "span_h",
    "edges": [0, 6, 12],
    "runs_each": 2,
    "minimum": {"bins": 2},
    "value": 90.0,
}


def told(rows, *uncertain, battery=None, generation_w=50.0, goal=GOAL):
    """The changes of these slots, and the futures that they are compared in."""
    part = platform(battery={"capacity_wh": 400.0, "reserve": 0.2, "start": 0.5} | (battery or {}))
    table = scenario_table(LOOK, FILL, platforms=[part], hours=12, step_min=60)
    table |= {"goal": [goal], "uncertainty": list(uncertain), "futures": {"samples": 300}}
    for row in table["activity"]:
        if row["name"] == "look":
            row.pop("value", None)
    environment = world(scenario_from(table), generation_w=generation_w, base_load_w=2.0)
    timeline = slots(*rows)
    assert check_timeline(environment, timeline).is_valid
    futures = make_futures(environment, timeline)
    return surer_changes(futures, timeline), futures


def test_another_run_in_a_bin_makes_a_goal_surer_whose_runs_may_fail():
    fails = {"what": "run fails", "of": "look", "chance": 0.2}
    table, futures = told([("look", 60), ("look", 480)], fails)
    assert list(table.columns) == SURER_COLUMNS
    best = table.iloc[0]
    assert best["change"] == "another run" and best["activity"] == "look"
    assert best["chance"] == pytest.approx(0.8**2, abs=0.07)
    assert best["new_chance"] == pytest.approx(0.8 * (1 - 0.2**2), abs=0.07)
    assert best["gain"] == pytest.approx(best["new_chance"] - best["chance"])
    assert best["new_chance_low"] < best["new_chance"] < best["new_chance_high"]
    assert best["minimum_goals"] == best["new_chance"]  # there is no other goal
    assert best["value_change"] == pytest.approx(best["mean_value"] - futures.mean_value)
    line = next(surer_lines(futures, table))
    assert 'with another run of "look" at 2028-07-01' in line and 'goal "looks" reaches its' in line
    assert table["gain"].is_monotonic_decreasing and best["gain_error"] < 0.05


def test_a_run_left_out_before_leaves_the_charge_that_the_goal_lacks():
    arrays = {"what": "array output", "factor": [0.6, 0.8, 1.0]}
    rows = [("fill", 0), ("fill", 60), ("fill", 120), ("look", 300), ("look", 600)]
    table, futures = told(
        rows,
        arrays,
        battery={"capacity_wh": 60.0, "reserve": 0.5, "start": 0.62},
        generation_w=12.0,
    )
    assert all("mean value" in line for line in surer_lines(futures, table))
    left = table[table["change"] == "left out"]
    assert len(left) and (left["gain"] > 0).all() and set(left["activity"]) == {"fill"}
    assert (left["slot"] != "").all() and left["to_utc"].isna().all()
    assert set(left["from_utc"].dt.hour) <= {0, 1, 2}


def test_each_chance_is_that_of_the_changed_timeline_in_the_same_futures():
    """A run moved by hand as the table says has the chance that the table tells."""
    outage = {"what": "out of service", "of": "look", "per_day": 1.0}
    table, futures = told([("look", 240), ("look", 600)], outage)
    row = table[table["change"] == "moved earlier"].iloc[0]
    assert row["gain"] > 0 and row["to_utc"] < row["from_utc"]
    start_utc = futures.environment.scenario.span.start_utc
    moved, to = ((row[c] - start_utc).total_seconds() / 60 for c in ("from_utc", "to_utc"))
    rows = [("look", to if start == moved else start) for start in (240, 600)]
    again = make_futures(futures.environment, slots(*sorted(rows, key=lambda r: r[1])))
    (goal,) = futures.environment.scenario.goal
    reached = (again.goal_counts(goal) >= 1).all(axis=1)
    assert row["new_chance"] == pytest.approx(np.mean(reached))


def test_goals_that_are_sure_are_left_alone():
    sure = {"what": "idle draw", "factor": [1, 1, 1.01]}
    table, futures = told([("look", 60), ("look", 480)], sure)
    assert table.empty and list(table.columns) == SURER_COLUMNS and least_sure(futures) == []


def test_goals_that_are_sure_already_are_told_instead_of_nothing():
    table, futures = told([("look", 60), ("look", 480)], {"what": "run fails", "chance": 0.0})
    assert table.empty
    (line,) = surer_lines(futures, table)
    assert line == (
        "surer: no change was tried: each goal with a minimum reaches it with chance 0.995 or "
        "more already"
    )


def test_the_first_screen_compares_the_chosen_plan_with_the_one_as_predicted():
    _, futures = told([("look", 60), ("look", 480)], {"what": "run fails", "chance": 0.2})
    tries = pd.DataFrame(
        {"made_for": ["as predicted", "spare runs"], "fresh_minimum_goals": [0.25, 0.6]}
    ).assign(chosen=[False, True])
    survival = Survival(None, tries, pd.DataFrame(), futures, each_alone(futures), pd.DataFrame())
    (chance, _, compared), (cost, cause, _) = chance_cards(survival)
    assert float(chance) == pytest.approx(0.8**2, abs=0.07)
    assert compared.endswith("; 0.250 if planned as predicted")
    assert float(cost) == pytest.approx(futures.mean_value - futures.certain_value, abs=0.06)
    assert "run fails costs most" in cause
