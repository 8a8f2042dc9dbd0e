"""What is odd in what ran is told, and what went as planned is not."""

from datetime import timedelta

import numpy as np
import pandas as pd
from tools.small import START, platform, scenario, slots, world

from obsplan.inputs.timeline_csv import AS_RUN_COLUMNS
from obsplan.operations.odd_runs import odd_runs
from obsplan.reporting.text.sentences import MOST_LINES, oddity_lines

SCENE = scenario(
    {"name": "log", "count": 9, "warm_up_min": 10, "duration_min": 50, "gap_min": 30},
    {"name": "look", "count": 9, "after": [{"activity": "log"}], "contact": "whole"},
    {"name": "listen", "count": 9, "quiet": True, "when": {"sun_elevation_deg": [7, 90]}},
    {"name": "drive", "count": 9, "disturbs": True, "platform": "rover"},
    platforms=[platform(), platform("rover", kind="rover", radio={"to": "lander"})],
)
PLAN = slots(("log", 0), ("look", 120), ("listen", 360), ("drive", 480), ("look", 600))
PLAN = PLAN.assign(end_utc=PLAN["start_utc"] + pd.Timedelta(hours=1), state="planned")
NOW = START.to_pydatetime() + timedelta(hours=20)


def told(*rows, plan=PLAN, now=NOW, **columns) -> list[str]:
    """What is odd in runs (slot, activity, minute of start, minute of end, outcome)."""
    table = pd.DataFrame([(*row, "") for row in rows], columns=list(AS_RUN_COLUMNS))
    for column in ("start_utc", "end_utc"):
        table[column] = START + pd.to_timedelta(table[column].astype(float), unit="min")
    environment = world(SCENE, **columns)
    return [oddity.words for oddity in odd_runs(environment, plan, table, now)]


def test_what_ran_as_planned_is_not_odd():
    rows = [("s1", "log", 0, 60, "done"), ("s2", "look", 124, 184, "done")]
    assert told(*rows, ("s3", "listen", 360, 400, "failed")) == []


def test_late_and_early_starts_are_told():
    assert told(("s1", "log", 25, 85, "done"), ("s4", "drive", 475, 535, "done")) == [
        '"log" (slot s1) started 25 min late',
        '"drive" (slot s4) started 5 min early',
    ]


def test_lengths_that_do_not_fit_the_outcome_are_told():
    assert told(("s1", "log", 0, 40, "done"), ("s4", "drive", 480, 550, "done")) == [
        '"drive" (slot s4) ran for 70 min at 2028-07-01T08:00Z; energy and data are counted for '
        "its slot of 60 min",
        '"log" (slot s1) ran for 40 min at 2028-07-01T00:00Z, of 60 min, and counts in full; if it '
        "yielded less, report it as shortened",
    ]


def test_rules_that_what_ran_broke_are_told_with_the_runs():
    contact = np.ones(1440, dtype=bool)
    contact[620:640] = False
    assert told(
        ("s1", "log", 0, 60, "done"),
        ("", "log", 80, 140, "done"),
        ("", "listen", 250, 310, "done"),
        ("", "drive", 300, 360, "done"),
        ("s5", "look", 600, 660, "done"),
        lander_in_contact=contact,
    ) == [
        '"listen" (slot unplanned2): Sun elevation at 2028-07-01T04:10Z is 6.74 deg, 0.26 deg '
        "outside the allowed 7 to 90 deg (38 min from 2028-07-01T04:10Z)",
        '"look" (slot s5) is out of contact for 20 min from 2028-07-01T10:20Z',
        '"log" (slot unplanned1) starts at 2028-07-01T01:20Z, 10 min too early for the gap of '
        "30 min after slot s1",
        '"listen" (slot unplanned2) and "drive" (slot unplanned3) overlap for 10 min from '
        '2028-07-01T05:00Z, but "drive" disturbs, "listen" must be quiet',
    ]


def test_order_counts_what_is_assumed_done_and_not_what_failed():
    look = ("s2", "look", 120, 180, "done")
    assert told(look) == []  # nobody reported the log: it is assumed done
    (line,) = told(("s1", "log", 0, 60, "failed"), look)
    assert line == (
        '"look" (slot s2) and 1 more of its runs start from 2028-07-01T02:00Z; a run of "log" must '
        "have ended before, and there is none"
    )


def test_what_the_timeline_has_already_is_not_told_again():
    plan = PLAN.assign(state=["done", "planned", "planned", "planned", "planned"])
    plan.loc[0, ["start_utc", "end_utc"]] = START, START + pd.Timedelta(minutes=30)
    assert told(("s2", "look", 120, 180, "done"), plan=plan) == []


def test_of_very_many_oddities_of_a_kind_the_rest_are_counted():
    plan = slots(*[("drive", 60 * k) for k in range(20)]).assign(state="planned")
    plan["end_utc"] = plan["start_utc"] + pd.Timedelta(minutes=60)
    rows = [(f"s{k + 1}", "drive", 60 * k + 10, 60 * k + 70, "done") for k in range(19)]
    table = pd.DataFrame([(*row, "") for row in rows], columns=list(AS_RUN_COLUMNS))
    for column in ("start_utc", "end_utc"):
        table[column] = START + pd.to_timedelta(table[column].astype(float), unit="min")
    lines = oddity_lines(odd_runs(world(SCENE), plan, table, NOW))
    assert len(lines) == MOST_LINES + 1 and lines[-1] == "as run: 7 more like this: late"
