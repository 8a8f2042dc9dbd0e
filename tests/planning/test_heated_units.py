"""Plans whose runs warm a unit that a thermostat heats: valid, and under a bound that holds."""

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from tools.brute import accepted_worth
from tools.heated import heated_case
from tools.small import START, platform, scenario, slots, world

from obsplan.checking.check import check_timeline
from obsplan.common.errors import Infeasible
from obsplan.environment.model import Environment
from obsplan.inputs.telemetry_file import State, UnitState
from obsplan.operations.telemetry import with_telemetry
from obsplan.planning.plan import make_plan
from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.from_scenario import build_problem
from obsplan.planning.problem.start_windows import start_mask
from obsplan.planning.problem.unit_bounds import bounds
from obsplan.planning.search import exact
from obsplan.planning.solver.dual_bound import upper_bound

# Cases in which a loop over refused plans would take long are left to the long test. In 108 runs
# keep each other warm at starts at which none alone is permitted.
SOME = [0, 3, 4, 5, 6, 7, 8, 10, 13, 17, 19, 108]


def measured_case(seed: int) -> Environment:
    """A heated case in which the temperature of its unit is measured in its second hour."""
    environment, rng = heated_case(seed), np.random.default_rng(seed)
    read = UnitState(name="box", temperature_k=float(rng.choice([262, 269, 276])))
    at_utc = START.to_pydatetime() + timedelta(minutes=int(rng.integers(60, 120)))
    return with_telemetry(environment, State(at_utc=at_utc, unit=(read,)))


def check_no_timeline_beats_the_bound(seed: int, tries: int, case=heated_case) -> float | None:
    """The gap of the plan; None if there is none, nor any timeline that the replay accepts."""
    environment = case(seed)
    try:
        made = make_plan(environment)
    except Infeasible:
        assert accepted_worth(environment, above=-1.0, tries=tries) is None
        return None
    assert made.verdict.is_valid
    assert accepted_worth(environment, above=made.bound + 1e-6, tries=tries) is None
    # The relaxation of a long day is not small: its bound is held too.
    relaxed = upper_bound(build_problem(environment, relaxed=True))
    assert accepted_worth(environment, above=relaxed + 1e-6, tries=tries) is None
    return made.gap


@pytest.mark.parametrize("seed", SOME)
def test_no_timeline_beats_the_bound_when_heat_saves_heater_power(seed):
    check_no_timeline_beats_the_bound(seed, tries=100)


@pytest.mark.parametrize("seed", [3, 6, 17])
def test_no_timeline_beats_the_bound_after_a_unit_was_measured(seed):
    check_no_timeline_beats_the_bound(seed, tries=50, case=measured_case)


@pytest.mark.long
def test_no_timeline_of_many_cold_days_beats_the_bound():
    gaps = [check_no_timeline_beats_the_bound(seed, tries=1000) for seed in range(100, 160)]
    assert np.mean([gap < 1e-4 for gap in gaps if gap is not None]) > 0.7


def test_a_problem_with_heaters_is_solved_again_less_often(monkeypatch):
    """Each solving of it takes several times as long, so that a plan comes in seconds."""
    problem = build_problem(heated_case(0), relaxed=True)
    plain = replace(problem, nodes=tuple(replace(node, heaters=()) for node in problem.nodes))
    solved = []

    def refused(question, *_, **__):
        solved.append(question)
        return [Booking(question)], 100.0

    monkeypatch.setattr(exact, "best_solutions", refused)
    monkeypatch.setattr(exact, "LEAST_CELLS", 1)
    for question in (problem, plain):
        exact.exact_plan(question, question, judge=lambda booking: None)
    times = [sum(question is each for each in solved) for question in (problem, plain)]
    assert 1 < times[0] <= times[1] / 2


def thrifty(**unit):
    """A cold platform whose heater takes all but 6 Wh; a run that is heat takes 10 Wh."""
    node = {
        "name": "box",
        "instruments": ["oven"],
        "heat_capacity_j_k": 2000.0,
        "start_k": 268.0,
        "ground_w_k": 0.1,
        "thermostat": {"power_w": 15.0, "on_below_k": 268.0, "off_above_k": 269.0},
    }
    battery = {"capacity_wh": 100.0, "reserve": 0.2, "start": 0.2 + 0.48}
    part = platform(unit=[node | unit], battery=battery)
    scene = scenario({"name": "oven", "power_w": 10.0}, platforms=[part], hours=6)
    return world(scene, {"surface_temperature_k": 198.0})


def test_a_run_fits_that_only_its_own_heat_pays_for():
    made = make_plan(thrifty())
    assert made.value == made.bound == 1.0
    assert check_timeline(thrifty(), slots(("oven", 120))).is_valid
    # Without its heat the same run takes 10 Wh of the 6 that are left.
    other = thrifty(run_heat_share=0.0)
    assert make_plan(other).value == 0.0
    assert not check_timeline(other, slots(("oven", 120))).is_valid


@pytest.mark.parametrize("case", [heated_case, measured_case])
def test_bounds_enclose_every_unit_of_every_timeline(case):
    for seed in range(20):
        environment = case(seed)
        (unit,) = environment.scenario.units
        limits = bounds(environment, unit)
        step, (first, _) = environment.scenario.span.step_min, environment.scenario.activity
        rows = [("a0", at * step) for at in (seed % 2, 4)[: first.count]]
        resources = check_timeline(environment, slots(*rows), fixes=False).resources["lander"]
        level_k = resources["box_k"].to_numpy()
        # The straight line through each minute differs by less.
        assert (level_k >= limits.coldest_k[:-1] - 1e-3).all()
        assert (level_k <= limits.warmest_k[:-1] + 1e-3).all()


def test_starts_keep_the_ranges_of_an_idle_unit_and_of_the_run_itself():
    def starts(relaxed=False, **unit):
        node = {
            "name": "box",
            "instruments": ["oven"],
            "heat_capacity_j_k": 4000.0,
            "start_k": 260.0,
            "ground_w_k": 0.2,
        }
        part = platform(unit=[node | unit])
        scene = scenario({"name": "oven", "power_w": 30.0}, platforms=[part])
        offered = world(scene, {"surface_temperature_k": 200.0})
        return start_mask(offered, scene.activity[0], relaxed).nonzero()[0]

    # Idle it falls to 230 K in 231 min; a run warms it by 24.7 K, less what it loses meanwhile.
    assert starts(switch_on_k=[230.0, 300.0]).tolist() == list(range(16))
    assert starts(operating_k=[230.0, 300.0]).tolist() == list(range(12))
    high = starts(operating_k=[0.0, 260.0])
    assert high[0] > 0
    # At best the run warms the unit itself, and others have warmed it before.
    assert set(starts(relaxed=True, operating_k=[230.0, 300.0])) > set(range(12))
    assert starts(relaxed=True, operating_k=[0.0, 260.0]).tolist() == high.tolist()


def test_units_of_the_demo_close_no_window_and_take_no_power(demo):
    bare = tuple(p.model_copy(update={"unit": ()}) for p in demo.scenario.platform)
    without = replace(demo, scenario=demo.scenario.model_copy(update={"platform": bare}))
    for relaxed in (False, True):
        ours, theirs = (build_problem(each, relaxed) for each in (demo, without))
        for task, other in zip(ours.tasks, theirs.tasks):
            assert (task.starts == other.starts).all() and (task.load_w == other.load_w).all()
        for node, other in zip(ours.nodes, theirs.nodes):
            assert (node.base_w == other.base_w).all() and node.heaters == ()
            assert (node.generation_w == other.generation_w).all()


def test_a_unit_that_freezes_while_idle_is_kept_alive_by_runs_or_by_nothing():
    def freezing(**unit):
        node = {
            "name": "box",
            "instruments": ["oven"],
            "heat_capacity_j_k": 4000.0,
            "start_k": 260.0,
            "ground_w_k": 0.1,
            "surviving_k": [230.0, 400.0],
        }
        battery = {"capacity_wh": 400.0, "reserve": 0.0, "start": 1.0}
        part = platform(unit=[node | unit], battery=battery)
        oven = {"name": "oven", "power_w": 10.0, "duration_min": 240, "must": 1}
        scene = scenario(oven, platforms=[part], hours=12)
        return world(scene, {"surface_temperature_k": 200.0})

    # Idle it falls below 230 K after 7.7 h; 10 W for four hours keep it above for all 12 h.
    made = make_plan(freezing())
    assert made.verdict.is_valid and made.value == 1.0
    with pytest.raises(Infeasible, match='with no slot at all: "lander": "box" has .* survival'):
        make_plan(freezing(instruments=[]))
