"""An example with ample link: a plan that a flight team would fly, even with a station lost."""

from datetime import timedelta
from importlib import resources

import pandas as pd
import pytest

from obsplan.analysis.data_latency import latency_table
from obsplan.analysis.decision_table import decision_table
from obsplan.environment.build import make_environment
from obsplan.inputs.read_scenario import read_scenario
from obsplan.inputs.telemetry_file import Outage, State
from obsplan.operations.replan import make_replan
from obsplan.operations.telemetry import with_telemetry
from obsplan.planning.plan import make_plan

STATIONS = ("Sandpiper", "Lapwing", "Avocet")
DAYS = range(9)
READ = ("laser", "contact")


@pytest.fixture(scope="module")
def plan():
    with resources.as_file(resources.files("obsplan.examples") / "six_rocks.toml") as path:
        return make_plan(make_environment(read_scenario(path)))


def test_every_rock_is_visited_in_order(plan):
    rover = plan.timeline[plan.timeline["instrument"] == "wheels"]
    assert rover["activity"].tolist() == [f"drive to rock {k}" for k in range(1, 7)]
    for k in range(1, 7):
        (arrived,) = rover.loc[rover["activity"] == f"drive to rock {k}", "end_utc"]
        left = rover.loc[rover["activity"] == f"drive to rock {k + 1}", "start_utc"]
        at_rock = plan.timeline[plan.timeline["activity"].str.endswith(f" at rock {k}")]
        assert len(at_rock) == 2 and (at_rock["start_utc"] >= arrived).all()
        assert left.empty or (at_rock["end_utc"] <= left.iloc[0]).all()


def test_each_drive_is_decided_on_once_the_readings_are_on_earth(plan):
    table = decision_table(plan)
    asked = [
        (f"drive to rock {k + 1}", f"{what} at rock {k}") for k in range(1, 6) for what in READ
    ]
    assert sorted(zip(table["activity"], table["after"])) == sorted(asked)
    assert (table["decide_min"] == 120).all() and (table["spare_min"] >= 0).all()
    ended = dict(zip(plan.timeline["activity"], plan.timeline["end_utc"]))
    waited = table["picture_down_utc"] - table["after"].map(ended)
    assert (waited >= pd.Timedelta(0)).all() and waited.max() < pd.Timedelta(hours=24)


def test_what_people_wait_for_is_on_earth_within_two_hours(plan):
    table = latency_table(plan)
    pictures = table[table["priority"] == 1]
    assert len(pictures) == 6 and (pictures["median_h"] <= 2).all()
    assert (pictures["received_by_h"] == 24).all() and "data latency" in plan.verdict.rules
    assert (pictures["longest_h"] <= 24).all() and (table["still_stored_mbit"] < 1e-6).all()


def test_no_margin_is_used(plan):
    assert plan.verdict.is_valid and not plan.verdict.margins_used


def test_repeated_runs_are_spread_over_the_days(plan):
    """Of 24 blocks in nine days no day has more than four, and no day less than one."""
    blocks = plan.timeline[plan.timeline["activity"] == "quiet hours"]
    a_day = blocks["start_utc"].dt.floor("D").value_counts()
    assert len(a_day) == 9 and a_day.max() <= 4


@pytest.mark.parametrize(
    "days",
    [pytest.param((3,), id="one"), pytest.param(DAYS, marks=pytest.mark.long, id="all")],
)
def test_any_station_may_be_lost_on_any_day(plan, days):
    """It is told three hours before, and all may still change. Nothing is broken or left behind."""
    start_utc = plan.environment.scenario.span.start_utc
    for station in STATIONS:
        for day in days:
            from_utc = start_utc + timedelta(days=day)
            now_utc = max(from_utc - timedelta(hours=3), start_utc)
            lost = Outage(name=station, from_utc=from_utc, until_utc=from_utc + timedelta(days=1))
            known = with_telemetry(plan.environment, State(at_utc=now_utc, station=(lost,)))
            slots = plan.timeline[["slot", "activity", "start_utc", "end_utc", "state"]].copy()
            over = slots["end_utc"] <= pd.Timestamp(now_utc)
            slots.loc[over & (plan.timeline["instrument"] != "radio"), "state"] = "done"
            made = make_replan(known, slots, now_utc, freeze=timedelta(0))
            assert made.plan.verdict.is_valid, (station, day, made.plan.verdict.violations)
            assert not made.plan.verdict.margins_used
            assert (latency_table(made.plan)["still_stored_mbit"] < 1e-6).all()
