"""Windows that a script gives an activity: planner, referee, replan and reasons heed them."""

from datetime import timedelta

import numpy as np
import pandas as pd
import pytest
from tools.small import START, scenario, slots, world

import obsplan
from obsplan.checking.check import check_timeline
from obsplan.common.errors import Infeasible, TableError
from obsplan.operations.replan import make_replan
from obsplan.planning.plan import make_plan
from obsplan.planning.problem.start_windows import ground_windows, start_mask
from obsplan.planning.reasons.conflicts import find_conflict

LOOK = {"name": "look"}
END = START + pd.Timedelta(days=1)


def table(*rows: tuple) -> pd.DataFrame:
    return pd.DataFrame(rows, columns=["start_utc", "end_utc"])


def hours(*rows: tuple[float, float]) -> pd.DataFrame:
    """Windows as hours of the span."""
    return table(*([START + pd.Timedelta(hours=h) for h in row] for row in rows))


def given(windows, *activities) -> obsplan.Environment:
    return obsplan.with_windows(world(scenario(*(activities or [LOOK]))), "look", windows)


def starts(environment: obsplan.Environment) -> list[int]:
    mask = start_mask(environment, environment.scenario.activity[0])
    return (np.flatnonzero(mask) * 15).tolist()


def test_planner_starts_slots_only_where_they_end_within_a_window():
    assert starts(given(hours((1, 2.5), (6, 6.9), (22.9, 24)))) == [60, 75, 90, 1380]
    minutes = np.zeros(1440, dtype=bool)
    minutes[59:121] = True
    assert starts(given(minutes)) == [60]
    assert starts(given(hours())) == []


def test_only_whole_minutes_of_a_window_count():
    since = START + pd.Timedelta(seconds=1)
    own = given(table((since, START + pd.Timedelta(seconds=179)))).user_windows["look"]
    assert np.flatnonzero(own).tolist() == [1]


def test_windows_in_another_zone_and_beyond_the_span_are_understood():
    text = table(("2028-06-30T20:00:00+02:00", "2028-07-01T04:00:00+02:00"))
    assert starts(given(text)) == [0, 15, 30, 45, 60]


def test_windows_of_the_ground_can_be_handed_on():
    offered = world(scenario(LOOK))
    warm = ground_windows(offered, 0.0, above_k=290.0)
    assert starts(obsplan.with_windows(offered, "look", warm)) == [
        1305,
        1320,
        1335,
        1350,
        1365,
        1380,
    ]


def test_times_without_a_zone_are_utc_in_columns_that_say_so(tmp_path):
    zoned = starts(given(hours((1, 3))))
    path = tmp_path / "windows.csv"
    path.write_text("start_utc,end_utc\n2028-07-01 01:00,2028-07-01T03:00:00\n")
    assert starts(given(pd.read_csv(path))) == zoned
    naive = hours((1, 3)).apply(lambda times: times.dt.tz_localize(None))
    assert starts(given(naive)) == zoned


def test_windows_given_twice_both_apply_and_leave_the_first_environment_alone():
    once = given(hours((1, 3)))
    twice = obsplan.with_windows(once, "look", hours((2, 9)))
    assert starts(twice) == [120]
    assert starts(once) == [60, 75, 90, 105, 120]


def test_other_activities_are_free():
    both = given(hours((1, 2)), LOOK, {"name": "other"})
    assert start_mask(both, both.scenario.activity[1]).sum() == 93


def test_referee_names_the_minutes_outside():
    offered = given(hours((1, 3), (4, 6)))
    assert check_timeline(offered, slots(("look", 60), ("look", 240))).violations[
        "rule"
    ].tolist() == ["count"]
    verdict = check_timeline(offered, slots(("look", 150)))
    (broken,) = verdict.violations.itertuples(index=False)
    assert (broken.rule, broken.amount, broken.unit) == ("own window", 30.0, "min")
    assert broken.time_utc == START + pd.Timedelta(hours=3)
    assert "is outside its own windows for 30 min from 2028-07-01T03:00Z" in broken.message
    assert "own window" in verdict.rules
    assert "own window" not in check_timeline(world(offered.scenario), slots()).rules


def test_plan_and_replan_stay_within_the_windows():
    look = LOOK | {"count": 3}
    offered = given(hours((1, 3), (20, 21)), look)
    plan = make_plan(offered)
    own = plan.timeline[plan.timeline["activity"] == "look"]
    assert len(own) == 3 and plan.verdict.is_valid
    # The windows of the second day of work are others: the last run has to move.
    later = given(hours((1, 3), (22, 23)), look)
    now = (START + pd.Timedelta(hours=12)).to_pydatetime()
    anew = make_replan(later, plan.timeline, now, freeze=timedelta(0)).plan
    moved = anew.timeline[anew.timeline["activity"] == "look"]
    assert moved["start_utc"].tolist()[-1] == START + pd.Timedelta(hours=22)
    assert anew.verdict.is_valid


def test_reasons_name_the_windows():
    offered = given(hours((1, 1.5)), LOOK | {"must": 1})
    with pytest.raises(Infeasible, match="no slot in the span has its whole length inside its own"):
        make_plan(offered)
    both = given(hours((1, 3)), LOOK | {"must": 1, "when": {"sun_elevation_deg": [8, 15]}})
    assert '"look" needs its whole length inside its own windows' in find_conflict(both).rules


def test_margins_say_how_near_a_slot_is_to_the_edge_of_its_window():
    margins = check_timeline(given(hours((1, 3))), slots(("look", 75))).margins
    assert margins.set_index("margin")["amount"].to_dict()["window left after slot"] == 45.0


@pytest.mark.parametrize(
    "activity, windows, words",
    [
        ("lock", hours((1, 2)), "'lock': no such activity; did you mean 'look'?"),
        (
            "look",
            table(("2028-07-01", "2028-07-01T02:00:00Z")),
            "row 1: '2028-07-01': no time of day; write it like 2028-07-01T00:00:00Z",
        ),
        ("look", table((START, "noon")), "row 1: 'noon': not a time; write it like"),
        ("look", table((START, None)), "row 1: 'None': not a time"),
        ("look", table((START, 3)), "row 1: '3': not a time"),
        ("look", table((START, pd.NaT)), "row 1: 'NaT': not a time"),
        ("look", hours((1, 2), (3, 3)), "row 2: end_utc = 2028-07-01 03:00:00+00:00 must be after"),
        (
            "look",
            hours((24, 30)),
            "lies outside the span; allowed is 2028-07-01T00:00Z to 2028-07-02T00:00Z",
        ),
        ("look", hours((-5, 0)), "row 1: 2028-06-30 19:00:00+00:00 to 2028-07-01"),
        ("look", hours((1, 2)).drop(columns="end_utc"), "column end_utc is missing"),
        ("look", np.ones(1439, dtype=bool), "one boolean for each of the 1440 minutes of the span"),
        ("look", np.ones(1440), "float64 of shape (1440,); allowed is one boolean"),
        (
            "look",
            pd.Series(True, index=pd.date_range(START, periods=1440, freq="h")),
            "the index is not that of the span",
        ),
    ],
)
def test_windows_that_cannot_be_used_are_refused_in_one_line(activity, windows, words):
    with pytest.raises(TableError) as refused:
        obsplan.with_windows(world(scenario(LOOK)), activity, windows)
    assert words in str(refused.value) and "\n" not in str(refused.value)
