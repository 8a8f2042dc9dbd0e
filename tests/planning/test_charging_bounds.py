"""Bounds of plans whose batteries charge slowly near full, or not at all in the cold."""

from dataclasses import replace

import numpy as np
import pytest
from tools.brute import accepted_worth
from tools.small import platform, scenario, world

from obsplan.planning.problem.from_scenario import build_problem
from obsplan.planning.solver.dual_bound import upper_bound

HOURS = 6


def charging_case(seed: int):
    """Some hours in which what the battery takes while the arrays yield decides what fits."""
    rng = np.random.default_rng(seed)
    battery = {
        "capacity_wh": 60.0,
        "reserve": 0.2,
        "start": float(rng.uniform(0.3, 0.9)),
        "charge_efficiency": float(rng.choice([0.8, 1.0])),
    }
    if rng.random() < 0.7:
        battery |= {"charge_limit_w": 30.0, "taper_above": float(rng.choice([0.5, 0.8]))}
    unit = {
        "name": "box",
        "heat_capacity_j_k": 600.0,
        "start_k": float(rng.choice([255, 275])),
        "ground_w_k": 0.3,
        "instruments": ["log"][: rng.integers(0, 2)],
        "charges_above_k": 265.0,
    }
    part = platform(battery=battery, unit=[unit] if rng.random() < 0.6 else [], bus_limit_w=60.0)
    # Runs come after the light, so that they take all they need from the battery.
    runs = {"name": "log", "count": 8, "duration_min": 30, "when": {"sun_elevation_deg": [-9, 0]}}
    runs["power_w"] = float(rng.choice([8, 12, 16]))
    scene = scenario(runs, platforms=[part], hours=HOURS, step_min=30)
    is_lit = np.arange(60 * HOURS) < 120
    sky = {
        "sun_elevation_deg": np.where(is_lit, 9.0, -5.0),
        "surface_temperature_k": rng.choice([180.0, 330.0], 2 * HOURS).repeat(30),
    }
    lit_w = np.where(is_lit, float(rng.choice([10, 20, 40])), 0.0)
    return world(scene, sky, generation_w=lit_w, base_load_w=1.0)


def relaxed_bound(environment, **changes) -> float:
    problem = build_problem(environment, relaxed=True)
    nodes = tuple(replace(node, **changes) for node in problem.nodes)
    return upper_bound(replace(problem, nodes=nodes))


# Of these days a bound that charged less would be beaten.
@pytest.mark.parametrize("seed", [5, 7, 15, 17, 19, 23])
def test_no_timeline_beats_the_bound_of_a_battery_that_charges_slowly_or_not(seed):
    environment = charging_case(seed)
    bound = relaxed_bound(environment)
    assert accepted_worth(environment, above=bound + 1e-6, tries=300) is None


@pytest.mark.long
def test_no_timeline_of_many_days_beats_the_bound_of_slow_charging():
    for seed in range(100, 400):
        environment = charging_case(seed)
        bound = relaxed_bound(environment)
        assert accepted_worth(environment, above=bound + 1e-6, tries=1000) is None, seed


def dark_after_two_hours(battery, **parts):
    """Two hours of plenty, the length of the rows of a bound, then runs in the dark."""
    part = platform(battery={"capacity_wh": 100.0, "reserve": 0.0} | battery, **parts)
    runs = {"name": "log", "power_w": 10.0, "count": 30, "duration_min": 30}
    scene = scenario(runs, platforms=[part], hours=16)
    lit_w = np.where(np.arange(16 * 60) < 120, 80.0, 0.0)
    return world(scene, {"surface_temperature_k": 250.0}, generation_w=lit_w)


def test_a_taper_lowers_the_bound_by_the_charge_it_costs():
    taper = {"start": 0.5, "charge_limit_w": 60.0, "taper_above": 0.5}
    # The lack of 50 Wh falls by 60 W / 50 Wh, minute by minute.
    stored_wh = 100 - 50 * (1 - 60 / 50 / 60) ** 120
    bound = relaxed_bound(dark_after_two_hours(taper))
    without = relaxed_bound(dark_after_two_hours(taper), taper=0.0)
    # Five Wh a run; four runs may take all they need from the arrays.
    assert bound == pytest.approx(4 + stored_wh / 5, rel=1e-3)
    assert without == pytest.approx(4 + 100 / 5, rel=1e-3)


def test_a_battery_that_is_surely_too_cold_lowers_the_bound_by_its_whole_charge():
    box = {"name": "box", "heat_capacity_j_k": 4000.0, "start_k": 260.0, "ground_w_k": 0.2}
    cold = dark_after_two_hours({"start": 0.5}, unit=[box | {"charges_above_k": 270.0}])
    assert relaxed_bound(cold) == pytest.approx(4 + 50 / 5, rel=1e-3)
    assert relaxed_bound(cold, charging=None) == pytest.approx(4 + 100 / 5, rel=1e-3)
    # With the runs inside it may get warm, even if no run is there yet.
    warmed = box | {"charges_above_k": 270.0, "instruments": ["log"]}
    assert relaxed_bound(dark_after_two_hours({"start": 0.5}, unit=[warmed])) > 4 + 60 / 5
