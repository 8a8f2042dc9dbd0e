"""Plans made for less than is predicted survive more futures than the plan as predicted."""

import pytest
from tools.small import platform, scenario, scenario_table, world

from obsplan.checking.check import check_timeline
from obsplan.checking.goal_worth import minimum_reached
from obsplan.futures.columns import TRY_COLUMNS
from obsplan.futures.execute import make_futures
from obsplan.futures.surer_plans import Less, minimum_chance, surer_plans, surest_plan, with_less
from obsplan.inputs.read_scenario import scenario_from
from obsplan.planning.plan import make_plan

SAMPLES = 400


@pytest.fixture(scope="module")
def made():
    """The plan of a platform whose arrays just feed all runs; four of them serve a goal."""
    part = platform(battery={"capacity_wh": 60.0, "reserve": 0.5, "start": 0.5})
    table = scenario_table(
        {"name": "look", "power_w": 30.0, "duration_min": 60, "count": 4},
        {"name": "fill", "power_w": 12.0, "duration_min": 60, "value": 1.0, "count": 12},
        platforms=[part],
        hours=12,
        step_min=60,
    )
    goal = {
        "name": "looks",
        "runs_of": ["look"],
        "over": "span_h",
        "edges": [0, 4, 8, 12],
        "runs_each": 1,
        "minimum": {"bins": 3},
        "value": 90.0,
    }
    rows = [{"what": "array output", "factor": [0.9, 0.95, 1.0]}]
    scene = scenario_from(
        table | {"goal": [goal], "uncertainty": rows, "futures": {"samples": SAMPLES}}
    )
    return make_plan(world(scene, generation_w=18.0, base_load_w=2.0))


def test_less_is_told_and_taken_of_all_platforms():
    scene = scenario({"name": "a"}, platforms=[platform(), platform("rover")], hours=2)
    less = with_less(world(scene, generation_w=10.0), Less(arrays=0.9, reserve=0.05))
    assert str(Less()) == "as predicted" and str(Less(0.9, 1, 0.05)) == "arrays 90 %, reserve +5 %"
    assert {table["generation_w"].iloc[0] for table in less.platforms.values()} == {9.0}
    assert [p.battery.reserve for p in less.scenario.platform] == [0.25, 0.25]


def test_the_chosen_plan_keeps_its_minimum_in_fresh_futures_where_the_plain_plan_does_not(made):
    """At least 390 of 400 against at most 320; the exact lower limit of 390 of 400 is 95.4 %."""
    told = []
    survival = surest_plan(made, report=told.append)
    fresh = make_futures(made.environment, made.timeline, seed=survival.futures.seed)
    (goal,) = made.environment.scenario.goal
    plain = int(minimum_reached(goal, fresh.goal_counts(goal)).sum())
    kept = int(minimum_reached(goal, survival.futures.goal_counts(goal)).sum())
    assert survival.futures.seed == made.environment.scenario.futures.seed + 1
    assert kept >= 390 and plain <= 320
    assert survival.futures.mean_value > fresh.mean_value
    tries = survival.tries
    assert list(tries.columns) == TRY_COLUMNS and 2 <= len(tries) <= 7
    assert tries["chosen"].sum() == 1 and not tries["chosen"].iloc[0]
    assert tries["mean_value"].max() == tries.loc[tries["chosen"], "mean_value"].iloc[0]
    assert tries["fresh_minimum_goals"].dropna().tolist() == [plain / 400, kept / 400]
    assert minimum_chance(survival.futures) == kept / 400
    assert "planning for arrays 95 % ..." in told


def test_every_try_is_valid_as_predicted_and_within_the_bound(made):
    for each in surer_plans(made, "mean-worst-10-percent", samples=5):
        verdict = check_timeline(made.environment, each.plan.timeline, keep_margins=True)
        assert verdict.is_valid
        assert each.plan.value <= made.bound + 1e-6
        assert each.plan.value == pytest.approx(each.plan.timeline["value"].sum())
        assert each.futures.certain_value == pytest.approx(each.plan.value)


def test_another_judge_is_refused(made):
    with pytest.raises(ValueError, match="judge = 'median'; allowed are mean, mean-worst-10"):
        surer_plans(made, "median")
    with pytest.raises(ValueError, match="samples = 0; allowed are 1 or more"):
        make_futures(made.environment, made.timeline, samples=0)
