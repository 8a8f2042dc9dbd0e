"""Teams on console: their hours, and how many runs they can watch at once."""

from dataclasses import replace

import numpy as np
import pytest
from tools.small import START, scenario_table, slots, world

from obsplan.checking.check import check_timeline
from obsplan.common.errors import TableError
from obsplan.environment.team_shifts import team_shifts
from obsplan.inputs.cross_checks import reference_errors
from obsplan.inputs.read_scenario import scenario_from
from obsplan.inputs.shifts_csv import read_shifts
from obsplan.planning.plan import make_plan
from obsplan.planning.problem.start_windows import start_mask
from obsplan.planning.reasons.audit import audit


def watched(*activities, hours=6, **team):
    """Activities of an hour each, on a span from midnight, that all need the same team."""
    needing = ({"needs": ["desk"]} | activity for activity in activities)
    table = scenario_table(*needing, hours=hours)
    return world(scenario_from(table | {"team": [{"name": "desk"} | team]}))


def windows_h(scene, name="desk"):
    start = np.datetime64(START.tz_localize(None), "s")
    return ((team_shifts(scene)[name] - start) / np.timedelta64(1, "h")).tolist()


def test_hours_return_every_day_and_may_go_past_midnight():
    offered = watched(
        {"name": "look"}, hours=48, hours_utc=[["22:00", "06:00"], ["06:00", "07:30"]]
    )
    around = [window for window in windows_h(offered.scenario) if window[1] > 0 and window[0] < 48]
    assert around == [[-2.0, 7.5], [22.0, 31.5], [46.0, 55.5]]
    all_day = watched({"name": "look"}, hours=48, hours_utc=[["00:00", "24:00"]])
    assert len(windows_h(all_day.scenario)) == 1
    assert team_shifts(watched({"name": "look"}).scenario) == {}


def test_planner_and_check_keep_the_same_hours():
    offered = watched({"name": "look"}, hours_utc=[["01:10", "03:40"]])
    mask = start_mask(offered, offered.scenario.activity[0])
    for step in range(21):
        found = check_timeline(offered, slots(("look", 15 * step)), fixes=False).violations
        assert mask[step] == (not len(found)) == (70 <= 15 * step <= 160)
        assert set(found["rule"]) <= {"team hours"}
    (row,) = check_timeline(offered, slots(("look", 60))).violations.itertuples(index=False)
    assert (row.rule, row.amount, row.unit) == ("team hours", 10.0, "min")
    assert 'needs "desk" outside its hours for 10 min from 2028-07-01T01:00Z' in row.message
    assert 'fix: start "look" (slot s1) at 2028-07-01T01:15Z' in row.message


def test_runs_that_need_a_team_at_once_are_named_once_with_a_fix():
    offered = watched({"name": "a"}, {"name": "b"}, {"name": "c"}, at_once=2)
    rows = slots(("a", 0), ("b", 30), ("c", 45))
    (row,) = check_timeline(offered, rows).violations.itertuples(index=False)
    assert (row.rule, row.amount, row.unit, row.slots) == ("team at once", 1.0, "run", "s1 s2 s3")
    assert row.message == (
        '3 runs need "desk" at once, for 15 min from 2028-07-01T00:45Z: "a" (slot s1), '
        '"b" (slot s2), "c" (slot s3), but "desk" can watch 2 at once; fix: start "c" '
        "(slot s3) at 2028-07-01T01:00Z"
    )
    apart = check_timeline(offered, slots(("a", 0), ("b", 30), ("c", 60)), fixes=False)
    assert apart.is_valid and "team at once" in apart.rules


@pytest.mark.parametrize("at_once, most", [(1, 6), (2, 12), (3, 12)])
def test_a_team_limits_how_many_runs_a_plan_has_in_its_hours(at_once, most):
    """In six hours two activities have room for six runs each, a team of one for six in all."""
    both = [{"name": name, "count": 6, "value": value} for name, value in (("a", 2), ("b", 1))]
    made = make_plan(watched(*both, at_once=at_once))
    assert len(made.timeline[made.timeline["instrument"] != "radio"]) == most
    assert made.verdict.is_valid
    assert made.value == pytest.approx(made.bound, rel=1e-5)
    if at_once == 1:
        (row,) = made.unplaced.itertuples(index=False)
        assert (row.activity, row.reason) == ("b", 'team "desk"')
        assert '"desk" could watch 2 runs at once' in row.would_fit_if


def test_a_run_outside_the_hours_of_its_team_is_told_so():
    made = make_plan(watched({"name": "a", "count": 3}, hours_utc=[["02:00", "04:00"]]))
    (row,) = made.unplaced.itertuples(index=False)
    assert row.reason == 'window: hours of "desk"'
    assert row.would_fit_if.startswith('"desk" were on console from 2028-07-01T0')


def test_required_runs_that_a_team_cannot_watch_are_a_conflict():
    both = [{"name": name, "count": 1, "must": 1} for name in "ab"]
    offered = watched(*both, hours=1.5, at_once=1)
    with pytest.raises(Exception, match='at most 1 run at once for team "desk"') as caught:
        make_plan(offered)
    assert 'set at_once of team "desk" to 2 (now 1)' in str(caught.value)


def test_a_team_without_hours_in_the_span_and_one_that_nobody_needs_are_audited():
    offered = watched({"name": "look"}, hours_utc=[["12:00", "20:00"]])
    idle = offered.scenario.team[0].model_copy(update={"name": "idle"})
    teams = (*offered.scenario.team, idle)
    offered = replace(offered, scenario=offered.scenario.model_copy(update={"team": teams}))
    found = {row.where: (row.severity, row.finding) for row in audit(offered).itertuples()}
    assert found['team "idle"'] == ("warning", "no activity needs it")
    severity, finding = found['activity "look"']
    assert severity == "warning"
    assert finding == (
        'has no window: no slot in the span has its whole length within the hours of "desk"'
    )


SHIFTS = {
    "2028-07-01T08:00Z,2028-07-01T06:00Z": "end_utc",
    "2028-07-01T08:00Z,2028-07-01T16:00Z\n2028-07-01T12:00Z,2028-07-01T20:00Z": (
        "row 2 has a shift until 2028-07-01T16:00Z; shifts may not overlap"
    ),
    "2028-07-01T08:00Z,never": "not a time",
}


@pytest.mark.parametrize("rows", SHIFTS)
def test_each_mistake_in_the_shifts_is_named(tmp_path, rows):
    (tmp_path / "shifts.csv").write_text(f"start_utc,end_utc\n{rows}\n")
    with pytest.raises(TableError, match="shifts.csv") as caught:
        read_shifts(tmp_path / "shifts.csv")
    assert SHIFTS[rows] in str(caught.value)


def test_shifts_that_follow_each_other_are_one_time_on_console(tmp_path):
    rows = "start_utc,end_utc\n2028-07-01T02:00Z,2028-07-01T04:00Z\n"
    (tmp_path / "shifts.csv").write_text(rows + "2028-07-01T00:00Z,2028-07-01T02:00Z\n")
    table = scenario_table({"name": "look", "needs": ["desk"]}, hours=6)
    table["team"] = [{"name": "desk", "shifts": "shifts.csv"}]
    scene = scenario_from(table).model_copy(update={"folder": tmp_path})
    assert windows_h(scene) == [[0.0, 4.0]]
    offered = world(scene)
    assert check_timeline(offered, slots(("look", 90)), fixes=False).is_valid
    assert not check_timeline(offered, slots(("look", 195)), fixes=False).is_valid


MISTAKES = {
    'activity "look".needs = "dask": no such team; did you mean \'desk\'?': (
        {"needs": ["dask"]},
        [{"name": "desk"}],
    ),
    'activity "look".needs = "desk": named twice': (
        {"needs": ["desk", "desk"]},
        [{"name": "desk"}],
    ),
    'team "desk": the name is used 2 times; names must differ': ({}, [{"name": "desk"}] * 2),
    'team "desk": give either hours_utc or shifts': (
        {},
        [{"name": "desk", "shifts": "s.csv", "hours_utc": [["08:00", "20:00"]]}],
    ),
}


@pytest.mark.parametrize("line", MISTAKES)
def test_teams_that_contradict_the_scenario_are_named(line):
    activity, teams = MISTAKES[line]
    raw = scenario_table({"name": "look"} | activity) | {"team": teams}
    assert reference_errors(raw) == [line]


VALUES = {
    "at_once = 0: out of range: allowed is": {"at_once": 0},
    'hours_utc 1: must be two times of day, such as ["08:00", "20:00"]': {
        "hours_utc": [["8", "9"]]
    },
    "hours_utc 1: ends when it begins": {"hours_utc": [["08:00", "08:00"]]},
    "hours_utc: pairs may not overlap": {"hours_utc": [["22:00", "06:00"], ["05:00", "07:00"]]},
}


@pytest.mark.parametrize("words", VALUES)
def test_values_of_a_team_that_mean_nothing_are_named(words):
    with pytest.raises(Exception, match='team 1 "desk"') as caught:
        scenario_from(
            scenario_table({"name": "look"}) | {"team": [{"name": "desk"} | VALUES[words]]}
        )
    assert words in str(caught.value)
