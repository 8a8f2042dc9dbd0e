"""An example with ample link: a plan that a flight team would fly, even with a station lost."""

from dataclasses import replace
from datetime import timedelta
from importlib import resources
from itertools import permutations

import pandas as pd
import pytest

from obsplan.analysis.data_latency import latency_table
from obsplan.analysis.decision_table import decision_table
from obsplan.environment.build import make_environment
from obsplan.inputs.along_routes import on_route
from obsplan.inputs.placed import DriveActivity, Route
from obsplan.inputs.read_scenario import read_scenario
from obsplan.inputs.telemetry_file import Outage, State
from obsplan.operations.replan import make_replan
from obsplan.operations.telemetry import with_telemetry
from obsplan.planning.plan import make_plan
from obsplan.planning.problem.from_scenario import build_problem
from obsplan.planning.route.laid_out import Itinerary, laid_out
from obsplan.planning.search.greedy import greedy_plan
from obsplan.planning.solver.transmit_windows import with_planned_sending

STATIONS = ("Sandpiper", "Lapwing", "Avocet")
DAYS = range(9)
READ = ("laser", "contact")
ROCKS = ("R1", "R2", "R3", "R4", "R5", "R6")
with resources.as_file(resources.files("obsplan.examples") / "six_rocks.toml") as path:
    SCENARIO = read_scenario(path)


@pytest.fixture(scope="module")
def plan():
    return make_plan(make_environment(SCENARIO))


def visits(timeline):
    """The rocks in the order in which the rover comes to them."""
    known = {drive.name: drive for drive in SCENARIO.drive}
    drives = [known[name] for name in timeline["activity"] if name in known]
    return [drive.leg.end for drive in drives if drive.is_last]


def test_every_rock_is_visited_and_read_with_both_instruments(plan):
    assert sorted(visits(plan.timeline)) == list(ROCKS)
    for rock in ROCKS:
        for what in READ:
            assert (plan.timeline["activity"] == f"{what} at {rock}").sum() == 1


@pytest.mark.parametrize(
    "orders",
    [
        pytest.param(list(permutations(ROCKS))[::90], id="some"),
        pytest.param(list(permutations(ROCKS)), marks=pytest.mark.long, id="all"),
    ],
)
def test_no_order_of_the_rocks_does_better_with_stays_filled_alike(plan, orders):
    """Neither in value nor, for the same value, in minutes on the move."""
    environment = plan.environment
    chosen = Route("rover", ("lander", *visits(plan.timeline)))
    best = merit_of(environment, chosen)
    assert best is not None
    for order in orders:
        merit = merit_of(environment, Route("rover", ("lander", *order)))
        assert merit is None or merit <= best, order


def merit_of(environment, route):
    """Value and, below zero, minutes on the move of a plan along a route, None without one."""
    along = replace(environment, scenario=on_route(SCENARIO, [route]))
    problem = build_problem(along)
    laid = laid_out(along.scenario, problem, Itinerary((route,), ((0,) * len(ROCKS),)))
    if laid.reached != (len(route.places),):
        return None
    booking = greedy_plan(problem, with_planned_sending(greedy_plan(problem, laid.booking)))
    moving = sum(a.duration_min for a in along.scenario.activity if isinstance(a, DriveActivity))
    return round(booking.value(), 6), -moving


def test_each_drive_is_decided_on_once_the_readings_are_on_earth(plan):
    table = decision_table(plan)
    left = [(a, o.activity) for a in drives_of(plan) for o in activity(plan, a).after]
    asked = set(zip(table["activity"], table["after"]))
    assert asked >= set(left)
    for rock in visits(plan.timeline)[:-1]:
        away = next(a for a in drives_of(plan) if activity(plan, a).leg.start == rock)
        assert {(away, f"{what} at {rock}") for what in READ} <= asked
    assert (table["decide_min"] == 120).all() and (table["spare_min"] >= 0).all()
    ended = dict(zip(plan.timeline["activity"], plan.timeline["end_utc"]))
    waited = table["picture_down_utc"] - table["after"].map(ended)
    assert (waited >= pd.Timedelta(0)).all() and waited.max() < pd.Timedelta(hours=24)


def drives_of(plan):
    """The names of the drives in their order."""
    return [n for n in plan.timeline["activity"] if n in {d.name for d in SCENARIO.drive}]


def activity(plan, name):
    return plan.environment.scenario.activity_named(name)


@pytest.mark.parametrize("outcome", ["failed", "shortened"])
def test_after_a_drive_that_failed_on_day_3_the_rover_goes_on_from_where_it_is(plan, outcome):
    slots = plan.timeline[["slot", "activity", "start_utc", "end_utc", "state"]].copy()
    day = plan.environment.scenario.span.start_utc + timedelta(days=2)
    drives = slots[slots["activity"].isin(drives_of(plan)) & (slots["start_utc"] >= day)]
    lost = drives.iloc[0]
    now_utc = lost["end_utc"]
    ran = slots[(slots["end_utc"] <= now_utc) & (plan.timeline["instrument"] != "radio")]
    ran = ran.assign(outcome="done", reason="").drop(columns="state")
    here = ran["slot"] == lost["slot"]
    cut_utc = lost["start_utc"] + timedelta(minutes=30)
    ran.loc[here, ["outcome", "reason"]] = outcome, "a wheel slipped"
    ran.loc[here, "end_utc"] = cut_utc
    made = make_replan(plan.environment, slots, now_utc, ran=ran, freeze=timedelta(0))
    assert made.plan.verdict.is_valid, made.plan.verdict.violations["message"].tolist()
    ahead = made.plan.timeline[made.plan.timeline["start_utc"] >= now_utc]
    legs = [activity(made.plan, n).leg for n in ahead["activity"] if n in drives_of(made.plan)]
    began = activity(plan, lost["activity"])
    assert legs[0].start == began.leg.start and legs[0] == began.leg
    reached = set()
    for name in ahead["activity"]:
        known = activity(made.plan, name) if " at R" in name or name.startswith("drive") else None
        if isinstance(known, DriveActivity) and known.is_last:
            reached.add(known.leg.end)
        elif known is not None and not isinstance(known, DriveActivity):
            assert known.stop in reached | {began.leg.start}


def test_pictures_of_the_way_are_on_earth_within_two_hours(plan):
    table = latency_table(plan)
    pictures = table[table["activity"].isin(drives_of(plan))]
    assert len(pictures) >= 6 and (pictures["median_h"] <= 2).all()
    assert (table["still_stored_mbit"] < 1e-6).all()


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
