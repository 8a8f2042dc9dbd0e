"""`received_by_h`: all data of a run are on Earth so many hours after they were taken."""

from datetime import timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tools.brute import accepted_worth
from tools.small import START, platform, scenario, scenario_table, slots, world

from obsplan.analysis.data_latency import latency_table
from obsplan.checking.check import check_timeline
from obsplan.common.errors import Infeasible
from obsplan.inputs.cross_checks import reference_errors
from obsplan.operations.replan import make_replan
from obsplan.planning.plan import make_plan
from obsplan.planning.problem.latency_starts import latency_starts, longest_wait_min
from obsplan.planning.reasons.reason_wording import NoRoom

ROVER = (platform(), platform("rover", kind="rover", radio={"to": "lander", "rate_kbps": 40.0}))


def asked(hours=12, platforms=(platform(),), contact=None, more=(), **look):
    """A look of an hour that yields 24 Mbit, 20 min of link, and may wait for two hours."""
    carrier = platforms[-1]["name"]
    look = {"name": "look", "platform": carrier, "data_mbit": 24.0, "received_by_h": 2.0} | look
    scene = scenario(look, *more, platforms=platforms, hours=hours, step_min=30)
    heard = np.ones(hours * 60, dtype=bool) if contact is None else contact
    rates = {"lander_in_contact": heard, "lander_rate_kbps": np.where(heard, 20.0, 0.0)}
    return world(scene, **rates)


def from_minute(minute, hours=12):
    return np.arange(hours * 60) >= minute


def found(offered, *rows, fixes=False):
    return check_timeline(offered, slots(*rows), fixes=fixes).violations


@pytest.mark.parametrize("start, late_min", [(0, 80), (60, 20), (90, 0), (120, 0)])
def test_the_data_that_wait_longest_count(start, late_min):
    """0.4 Mbit a minute are taken from the start on; from minute 200 on 1.2 a minute are sent.

    Those of the first minute wait longest: until 200, and the limit is 120 min.
    """
    offered = asked(contact=from_minute(200))
    rows = found(offered, ("look", start))
    assert len(rows) == (late_min > 0)
    if late_min:
        (row,) = rows.itertuples(index=False)
        assert (row.rule, row.amount, row.slots, row.unit) == (
            "data latency",
            late_min,
            "s1",
            "min",
        )
        assert (row.time_utc - offered.sky.index[0]).total_seconds() / 60 == start + 120


def test_data_that_stay_stored_are_late_once_their_time_is_up():
    """The link opens after the span; what is taken in the last two hours is not judged."""
    offered = asked(contact=from_minute(720))
    (row,) = found(offered, ("look", 540)).itertuples(index=False)
    assert row.amount == 720 - 540 - 120
    assert "still stored when the span ends" in row.message
    assert not len(found(offered, ("look", 600)))


def test_data_of_a_run_that_is_over_count_while_their_time_is_not_up():
    """The look of 0 to 60 is done, and so is the run of 60 to 120; the link opens at 150 or 90."""
    more = {"name": "other"}
    for opens, late_min in ((150, 30), (90, 0)):
        offered = asked(contact=from_minute(opens), more=[more], received_by_h=2.0)
        table = slots(("look", 0), ("other", 60)).assign(state="done")
        verdict = check_timeline(offered, table, fixes=False)
        # What was taken in the first minute may wait until 120, when the last run is over.
        assert [v.amount for v in verdict.found] == ([late_min] if late_min else [])
    # By then its time was up, whatever is planned.
    past = slots(("look", 0), ("other", 240)).assign(state="done")
    assert check_timeline(asked(contact=from_minute(400), more=[more]), past).is_valid


def test_a_replan_keeps_the_limit_of_data_that_are_aboard():
    """The look is over at 60, and its data may wait until 6:00; a film would go first."""
    film = {"name": "film", "data_mbit": 140.0, "priority": 1, "value": 9.0}
    offered = asked(
        contact=from_minute(240),
        more=[film],
        received_by_h=5.0,
        platforms=(platform(store={"capacity_mbit": 400.0}),),
    )
    now = (START + timedelta(minutes=60)).to_pydatetime()
    done = slots(("look", 0)).assign(state="done")
    done["end_utc"] = done["start_utc"] + timedelta(minutes=60)
    made = make_replan(offered, done, now, freeze=timedelta(0))
    assert made.plan.verdict.is_valid and "film" in set(made.plan.timeline["activity"])
    table = latency_table(made.plan).set_index("activity")
    assert table.loc["look", "longest_h"] <= 5.0


def test_data_pass_the_relay_in_time():
    """On the rover, the lander hears at once; the Earth hears the lander from minute 200 on."""
    offered = asked(platforms=ROVER, contact=from_minute(200))
    (row,) = found(offered, ("look", 60)).itertuples(index=False)
    assert row.amount == 20
    assert np.array_equal(
        np.flatnonzero(latency_starts(offered, offered.scenario.activity[0])), np.arange(3, 24)
    )


@pytest.mark.parametrize("platforms", [(platform(),), ROVER])
def test_what_an_empty_link_makes_data_wait_is_what_the_replay_says(platforms):
    heard = np.random.default_rng(3).random(24).repeat(30) < 0.4
    offered = asked(platforms=platforms, contact=heard, received_by_h=100.0, data_mbit=50.0)
    activity, last = offered.scenario.activity[0], 720 - 60
    longest = longest_wait_min(offered, activity, 720)
    for start in range(0, last + 1, 30):
        verdict = check_timeline(offered, slots(("look", start)), fixes=False)
        assert verdict.data_waits[0].waited_min == longest[start // 30]
    assert len(set(longest[: last // 30 + 1])) > 5
    some = longest_wait_min(offered, activity, 100)
    assert np.array_equal(some, np.where(longest <= 100, longest, np.inf))


def test_data_that_go_first_delay_others_and_a_higher_priority_mends_it():
    film = {"name": "film", "data_mbit": 36.0, "priority": 2, "value": 3.0}
    offered = asked(contact=from_minute(150), more=[film], received_by_h=0.5, value=2.0)
    # At 150 the film's 36 Mbit go first, 30 min, while the look of 120 to 180 waits.
    rows = [("film", 60), ("look", 120)]
    (row,) = found(offered, *rows).itertuples(index=False)
    assert (row.rule, row.amount) == ("data latency", 30.0)
    (row,) = found(offered, *rows, fixes=True).itertuples(index=False)
    assert "fix: " in row.message and "none found" not in row.message


def test_a_plan_keeps_the_limit_where_the_link_is_busy():
    """All of the day's contact is taken by films; looks wait for the gaps between them."""
    film = {"name": "film", "data_mbit": 70.0, "priority": 2, "value": 9.0, "count": 4}
    offered = asked(
        24,
        contact=from_minute(240, 24),
        more=[film],
        count=8,
        received_by_h=1.0,
        value=2.0,
        platforms=(platform(store={"capacity_mbit": 300.0}),),
    )
    made = make_plan(offered)
    table = latency_table(made).set_index("activity")
    assert made.verdict.is_valid and (made.timeline["activity"] == "look").sum() >= 7
    assert table.loc["look", "longest_h"] <= table.loc["look", "received_by_h"] == 1.0
    assert np.isnan(table.loc["film", "received_by_h"])


def test_how_long_data_would_have_to_wait_is_told():
    offered = asked(contact=from_minute(600), coverage={"over": "span_h", "edges": [0, 3.6]})
    (row,) = make_plan(offered).unplaced.itertuples(index=False)
    # The last start is at 210, and the first of its data are sent at 600.
    assert row.would_fit_if == "its received_by_h were 6.5 (start 2028-07-01T03:30Z)"
    assert row.reason.startswith("no window: ")


def test_runs_that_no_link_can_serve_are_told_so():
    offered = asked(contact=from_minute(600), count=12)
    made = make_plan(offered)
    # Starts from 480 on: the first data are sent at 600, when they are two hours old.
    assert made.value == 4.0
    reason = made.answers["look"].reason
    assert isinstance(reason, NoRoom) and reason.conditions == ("data latency",)
    must = asked(
        contact=from_minute(720),
        must=1,
        hours=12,
        received_by_h=0.5,
        when={"sun_elevation_deg": [5.0, 7.0]},
    )
    with pytest.raises(Infeasible, match="its data on Earth within 0.5 h"):
        make_plan(must)


@settings(max_examples=15)
@given(
    limit=st.sampled_from([0.25, 0.5, 1.0, 1.5]),
    opens=st.integers(0, 8).map(lambda k: 30 * k),
    closes=st.integers(9, 16).map(lambda k: 30 * k),
    relayed=st.booleans(),
)
def test_no_timeline_is_better_than_the_plan(limit, opens, closes, relayed):
    """Every timeline worth more than the plan is refused by the check, and the bound is no less."""
    minutes = np.arange(480)
    film = {"name": "film", "data_mbit": 40.0, "count": 2, "value": 3.0}
    offered = asked(
        8,
        ROVER if relayed else (platform(),),
        (minutes >= opens) & (minutes < closes),
        [film],
        count=3,
        received_by_h=limit,
        value=2.0,
        repeat_worth=0.5,
    )
    made = make_plan(offered)
    assert made.verdict.is_valid and made.bound >= made.value - 1e-9
    better = accepted_worth(offered, made.value + 1e-6, tries=400)
    assert better is None or better <= made.bound + 1e-9
    # On a small problem the replay is the judge of every set of runs.
    assert better is None


def test_a_limit_without_data_is_named():
    raw = scenario_table({"name": "look", "received_by_h": 2.0})
    (line,) = reference_errors(raw)
    assert line == (
        'activity "look".received_by_h: the activity yields no data; data_mbit must be above 0'
    )
