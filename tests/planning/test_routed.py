"""The way of a rover found with its plan: valid, within the bound, and not beaten by any order."""

import random
import tomllib
from dataclasses import replace
from itertools import permutations
from threading import Event

import pytest
from tools.places import PLACES

from obsplan.checking.check import check_timeline
from obsplan.environment.build import make_environment
from obsplan.inputs.along_routes import on_route
from obsplan.inputs.placed import DriveActivity, PlacedActivity, Route
from obsplan.inputs.read_scenario import scenario_from
from obsplan.planning.plan import make_plan
from obsplan.planning.problem.from_scenario import build_problem
from obsplan.planning.route.laid_out import Itinerary, laid_out
from obsplan.planning.routed import routed
from obsplan.planning.search.greedy import greedy_plan
from obsplan.planning.solver.transmit_windows import with_planned_sending

MANY = [pytest.param(range(2), id="some"), pytest.param(range(2, 30), marks=pytest.mark.long)]


def scattered(seed: int, stops: int):
    """A rover among stops at random places, short of energy or of time, not of both."""
    draw = random.Random(seed)
    raw = tomllib.loads(PLACES)
    raw["stop"] = [
        {
            "name": f"R{k}",
            "platform": "rover",
            "east_m": float(draw.randint(-60, 60)),
            "north_m": float(draw.randint(-60, 60)),
            "value_factor": draw.choice([0.5, 1.0, 2.0]),
        }
        for k in range(1, stops + 1)
    ]
    rover = raw["platform"][1]
    rover["battery"]["capacity_wh"] = draw.choice([60.0, 90.0, 120.0])
    raw["span"]["end_utc"] = raw["span"]["end_utc"].replace(hour=draw.choice([0, 6, 12]))
    return scenario_from(raw)


@pytest.mark.parametrize("seeds", MANY)
def test_plans_of_rovers_pass_the_referee_and_keep_to_their_bound(seeds):
    for seed in seeds:
        environment = make_environment(scattered(seed, stops=4))
        plan = make_plan(environment, effort="low")
        assert plan.value <= plan.bound + 1e-6
        # The referee knows nothing of the route: it has the timeline alone.
        verdict = check_timeline(environment, plan.timeline)
        assert verdict.is_valid, (seed, verdict.violations["message"].tolist())


@pytest.mark.parametrize("seeds", MANY)
def test_no_sequence_of_stops_is_worth_more_with_stays_filled_alike(seeds):
    """All ordered choices of four stops, 65 of them, with energy, contacts and looks."""
    for seed in seeds:
        environment = make_environment(scattered(seed, stops=4))
        names = [stop.name for stop in environment.scenario.stop]
        best = max(
            value_along(environment, order) or 0.0
            for many in range(len(names) + 1)
            for order in permutations(names, many)
        )
        found = routed(environment, "normal", Event(), lambda line: None).first
        assert found is not None and found.value() >= best - 1e-6, seed


def value_along(environment, order):
    """What a plan is worth along these stops; None if the rover cannot get to all of them."""
    route = Route("rover", ("lander", *order))
    along = replace(environment, scenario=on_route(environment.scenario, [route]))
    problem = build_problem(along)
    laid = laid_out(along.scenario, problem, Itinerary((route,), ((0,) * len(order),)))
    if laid.reached != (len(route.places),):
        return None
    plan = greedy_plan(problem, with_planned_sending(greedy_plan(problem, laid.booking)))
    return None if plan.lacks_required_runs() else plan.value()


def test_a_drive_of_the_route_is_required_and_a_stop_beside_it_is_closed():
    scenario = scattered(0, stops=4)
    along = on_route(scenario, [Route("rover", ("lander", "R2", "R1"))])
    drives = [a for a in along.activity if isinstance(a, DriveActivity)]
    assert {drive.must for drive in drives} == {1}
    assert [d.leg.end for d in drives if d.is_last] == ["R2", "R1"]
    at = {a.stop: a for a in along.activity if isinstance(a, PlacedActivity)}
    assert [at[name].visited for name in ("R1", "R2", "R3", "R4")] == [True, True, False, False]
    assert at["R2"].left_by == next(d.name for d in drives if d.leg.start == "R2")
    assert at["R1"].left_by is None
    last = [d.name for d in drives if d.is_last]
    assert [at["R2"].after[-1].activity, at["R1"].after[-1].activity] == last


def test_another_route_leaves_nothing_of_the_one_before():
    scenario = scattered(0, stops=4)
    once = on_route(scenario, [Route("rover", ("lander", "R2"))])
    there = on_route(once, [Route("rover", ("lander", "R1", "R3"))])
    idle = [a for a in there.activity if isinstance(a, DriveActivity) and not a.visited]
    assert {drive.leg.end for drive in idle} == {"R2"} and {d.count for d in idle} == {0}
    rest = there.model_copy(update={"activity": tuple(a for a in there.activity if a not in idle)})
    assert rest == on_route(scenario, [Route("rover", ("lander", "R1", "R3"))])
