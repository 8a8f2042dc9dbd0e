"""Conflicting rules are named; every change that is said to permit a plan does."""

from dataclasses import replace
from threading import Event

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from tools.changed_keys import with_keys
from tools.small import cases, platform, scenario, world
from tools.tiny import heat

from obsplan.common.errors import Infeasible
from obsplan.planning.plan import has_plan, make_plan
from obsplan.planning.problem.from_scenario import build_problem
from obsplan.planning.reasons import conflicts
from obsplan.planning.reasons.conflicts import find_conflict
from obsplan.planning.reasons.idle_energy import why_not_idle
from obsplan.planning.reasons.minimal_set import minimal
from obsplan.planning.reasons.permitting_changes import (
    Permitting,
    fewer_required_runs,
    permitting_changes,
)

PROBE = [{"name": "probe", "platform": "lander"}]
LONG = {"duration_min": 200, "must": 1, "instrument": "probe"}
DRILL = {"name": "drill", "must": 1}


def refusal(scene, **columns) -> str:
    """The line of the conflict with which planning refuses a scenario."""
    with pytest.raises(Infeasible) as refused:
        make_plan(world(scene, **columns))
    assert refused.value.exit_code == 1
    (line,) = [s for s in str(refused.value).splitlines() if s.startswith("conflicting rules: ")]
    return line


def named(scene, **columns) -> list[str]:
    """The rules that planning names, in words."""
    rules, _, fix = refusal(scene, **columns).partition("; fix: ")
    assert "permits a plan: set " in fix
    return rules.removeprefix("conflicting rules: ").split("; ")


@given(st.lists(st.sets(st.integers(0, 12), min_size=1), min_size=1, max_size=4))
def test_the_set_is_infeasible_and_every_smaller_one_is_not(conflicts):
    def infeasible(rules: set) -> bool:
        return any(conflict <= rules for conflict in conflicts)

    kept = minimal(list(range(13)), infeasible)
    assert infeasible(kept)
    assert not any(infeasible(kept - {rule}) for rule in kept)


# Each row: activities, parts of the scenario, columns of the platform, what is named, and
# changes to activities or parts that each drop one of the named rules.
CONFLICTS = {
    "one instrument": (
        [{"name": "a"} | LONG, {"name": "b"} | LONG, {"name": "c"}],
        {"hours": 6, "instruments": PROBE},
        {},
        [
            '"a" must run',
            '"b" must run',
            '"a" and "b" may not overlap (one slot at a time on "probe")',
        ],
    ),
    "gap, condition and rival": (
        [
            DRILL
            | {"count": 2, "must": 2, "gap_min": 165, "when": {"sun_elevation_deg": [10, 12]}},
            {
                "name": "b",
                "must": 1,
                "not_with": ["drill"],
                "when": {"sun_elevation_deg": [10, 10.7]},
            },
        ],
        {},
        {},
        [
            '"drill" must run 2 times',
            '"b" must run',
            'gap of 165 min between runs of "drill"',
            '"drill" needs Sun elevation 10 to 12 deg',
            '"b" needs Sun elevation 10 to 10.7 deg',
            '"b" not with "drill"',
        ],
    ),
    "order against a condition": (
        [
            {"name": "level", "when": {"sun_elevation_deg": [12, 13]}, "must": 1},
            DRILL
            | {
                "after": [{"activity": "level", "settle_min": 30}],
                "when": {"sun_elevation_deg": [6, 9]},
            },
        ],
        {},
        {},
        [
            '"drill" must run',
            '"level" needs Sun elevation 12 to 13 deg',
            '"drill" needs Sun elevation 6 to 9 deg',
            '"drill" after "level" and 30 min of settling',
        ],
    ),
    "bus": (
        [DRILL | {"power_w": 120.0}],
        {},
        {},
        ['"drill" must run', 'bus limit of 100 W on "lander"'],
    ),
    "reserve": (
        [DRILL | {"power_w": 60.0, "count": 11, "must": 11}],
        {},
        {},
        ['"drill" must run 11 times', 'battery reserve of 200 Wh on "lander"'],
    ),
    "end charge": (
        [DRILL | {"power_w": 60.0}],
        {"platforms": [platform(battery={"end": 0.8})]},
        {},
        ['"drill" must run', 'end charge of 800 Wh on "lander"'],
    ),
    "store and link": (
        [DRILL | {"data_mbit": 30.0, "count": 3, "must": 3}],
        {},
        {"rate_kbps": 0.0, "in_contact": False},
        [
            '"drill" must run 3 times',
            'storage of 50 Mbit on "lander"',
            '"lander" sends data only in contact',
        ],
    ),
    "end storage": (
        [DRILL | {"data_mbit": 30.0}],
        {"platforms": [platform(store={"end_limit_mbit": 2.0})]},
        {"rate_kbps": 0.0},
        [
            '"drill" must run',
            '"lander" sends data only in contact',
            'at most 2 Mbit left on "lander" at the end',
        ],
    ),
}


@pytest.mark.parametrize("case", CONFLICTS)
def test_conflicting_rules_are_named(case):
    activities, parts, columns, words = CONFLICTS[case]
    assert sorted(named(scenario(*activities, **parts), **columns)) == sorted(words)


@pytest.mark.parametrize(
    ("case", "activity", "change"),
    [
        ("one instrument", 0, {"must": 0}),
        ("one instrument", 1, {"must": 0}),
        ("one instrument", 1, {"instrument": "other"}),
        ("order against a condition", 1, {"must": 0}),
        ("order against a condition", 0, {"when": {}}),
        ("order against a condition", 1, {"when": {}}),
        ("order against a condition", 1, {"after": []}),
        ("gap, condition and rival", 0, {"must": 0}),
        ("gap, condition and rival", 1, {"must": 0}),
        ("gap, condition and rival", 0, {"gap_min": 0}),
        ("gap, condition and rival", 0, {"when": {}}),
        ("gap, condition and rival", 1, {"when": {}}),
        ("gap, condition and rival", 1, {"not_with": []}),
        ("bus", 0, {"must": 0}),
        ("reserve", 0, {"must": 0}),
        ("end charge", 0, {"must": 0}),
        ("store and link", 0, {"must": 0}),
        ("end storage", 0, {"must": 0}),
    ],
)
def test_dropping_one_of_the_named_rules_gives_a_plan(case, activity, change):
    activities, parts, columns, _ = CONFLICTS[case]
    asked = [a | change if k == activity else a for k, a in enumerate(activities)]
    spare = {"name": "other", "platform": "lander"}
    parts = parts | {"instruments": [*parts.get("instruments", []), spare]}
    scene = scenario(*asked, **parts)
    assert make_plan(world(scene, **columns)).verdict.is_valid


@pytest.mark.parametrize("case", ["reserve", "end charge", "store and link"])
def test_a_large_problem_is_judged_by_its_relaxation(case, monkeypatch):
    monkeypatch.setattr("obsplan.planning.reasons.conflicts.MOST_STARTS", 0)
    activities, parts, columns, words = CONFLICTS[case]
    assert sorted(named(scenario(*activities, **parts), **columns)) == sorted(words)


def test_a_feasible_scenario_has_no_conflict():
    scene = scenario(DRILL, {"name": "b", "must": 1})
    assert find_conflict(world(scene)) is None


def permitting(environment) -> Permitting:
    """What is said to permit a plan."""
    if conflict := find_conflict(environment):
        return permitting_changes(environment, conflict.ways, quickly)
    return Permitting(together=fewer_required_runs(environment, quickly))


def quickly(environment) -> bool:
    return has_plan(environment, Event())


def check_permits_a_plan(environment) -> int:
    """How many changes, or sets of them, are told; with each there is a plan."""
    told = permitting(environment)
    sets = [(way,) for way in told.ways] + ([told.together] if told.together else [])
    for changes in sets:
        assert make_plan(with_keys(environment, *changes)).verdict.is_valid, changes
    return len(sets)


@pytest.mark.parametrize("case", [name for name in CONFLICTS if name != "store and link"])
def test_every_change_that_is_said_to_permit_a_plan_does(case):
    activities, parts, columns, _ = CONFLICTS[case]
    assert check_permits_a_plan(world(scenario(*activities, **parts), **columns)) > 1


def test_a_key_of_the_battery_is_named_where_its_reserve_is_in_conflict():
    activities, parts, columns, _ = CONFLICTS["reserve"]
    line = refusal(scenario(*activities, **parts), **columns)
    # 11 runs of 60 Wh from a battery of which six tenths may be used.
    assert 'set battery.capacity_wh of platform "lander" to 1100 (now 1000)' in line


def test_where_no_single_change_is_enough_a_set_is_named_that_is():
    """Two conflicts at once: each takes a change of its own."""
    late = {"when": {"sun_elevation_deg": [80, 90]}}
    pairs = [{"name": f"{k}{n}"} | LONG | {"instrument": k} for k in "pq" for n in (1, 2)]
    probes = [{"name": k, "platform": "lander"} for k in "pq"]
    scene = scenario(*pairs, {"name": "c"} | late, hours=6, instruments=probes)
    line = refusal(scene)
    assert "these changes together permit a plan: set must of activity " in line
    assert "; fix: any one" not in line and "dropping any one" not in line
    assert check_permits_a_plan(world(scene)) == 1


def test_required_runs_that_greedy_construction_places_can_be_asked_for():
    scene = scenario(DRILL | {"count": 3, "must": 3, "gap_min": 600}, hours=12)
    assert fewer_required_runs(world(scene), quickly)[0].new == 2


@settings(max_examples=10)
@given(cases(hours=(2, 3)), st.integers(1, 3))
def test_every_change_that_is_said_to_permit_a_plan_of_random_scenarios_does(case, must):
    check_permits_a_plan(demanding(case, must))


@pytest.mark.long
@settings(max_examples=500)
@given(cases(hours=(2, 4)), st.integers(1, 3))
def test_every_change_that_is_said_to_permit_a_plan_of_hundreds_does(case, must):
    check_permits_a_plan(demanding(case, must))


def demanding(environment, must: int):
    """The environment with all activities required; an idle platform lasts in it."""
    scene = environment.scenario
    for activity in scene.activity:
        scene = scene.with_part("activity", activity.name, must=min(must, activity.count))
    environment = replace(environment, scenario=scene)
    assume(not why_not_idle(environment))
    return environment


class Later(Event):
    """Is set from the second time on that it is asked."""

    def is_set(self) -> bool:
        was = super().is_set()
        self.set()
        return was


def test_a_conflict_proven_when_time_is_up_comes_without_its_rules():
    activities, parts, _, _ = CONFLICTS["one instrument"]
    scene = scenario(*activities, **parts)
    assert str(find_conflict(world(scene), Later())) == (
        "the required runs conflict; time ran out before the conflicting rules were found"
    )
    up = Event()
    up.set()
    assert find_conflict(world(scene), up) is None


def check_a_plan_or_a_conflict(environment) -> None:
    try:
        made = make_plan(environment)
    except Infeasible as refused:
        said = ("conflicting rules", "with no slot at all", "has no window", "leave room for")
        assert any(words in str(refused) for words in said), str(refused)
        return
    assert made.verdict.is_valid
    assert find_conflict(environment) is None


@settings(max_examples=25)
@given(cases(hours=(2, 3)))
def test_no_conflict_is_found_where_a_valid_plan_exists(case):
    check_a_plan_or_a_conflict(case)


@pytest.mark.long
@settings(max_examples=2000)
@given(cases(hours=(2, 4)))
def test_no_conflict_is_found_where_any_of_thousands_of_valid_plans_exists(case):
    check_a_plan_or_a_conflict(case)


@pytest.mark.parametrize("limit", [2.0, 3.0])
def test_a_budget_too_small_for_the_required_runs_is_named(monkeypatch, limit):
    """Two runs of "a" and one of "b" are required; they use 3 Wh."""
    scene = scenario({"name": "a", "count": 3, "must": 2}, {"name": "b", "must": 1}, {"name": "c"})

    def with_budgets(environment, relaxed=False):
        budgets = heat(limit, 1.0, 1.0, 5.0), replace(heat(9.0, 1.0, 1.0, 1.0), rule="ample")
        return replace(build_problem(environment, relaxed), budgets=budgets)

    monkeypatch.setattr(conflicts, "build_problem", with_budgets)
    conflict = find_conflict(world(scene))
    if limit == 3.0:
        assert conflict is None
    else:
        rules = ('"a" must run 2 times', '"b" must run', "at most 2 Wh of heat")
        assert conflict.rules == rules
