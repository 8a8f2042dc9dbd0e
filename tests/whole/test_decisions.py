"""Look, decide, command: runs that people decide on after the data of others are on Earth."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from tools.brute import accepted_worth
from tools.small import START, cases, platform, scenario, scenario_table, slots, world

from obsplan.analysis.data_latency import Parcel, received
from obsplan.analysis.decision_table import decision_table
from obsplan.checking.check import check_timeline
from obsplan.checking.limits import limits_of
from obsplan.checking.reception import reception
from obsplan.checking.replay import replay
from obsplan.checking.run_profiles import run_profiles
from obsplan.checking.slots import minutes_to_send, read_slots
from obsplan.inputs.cross_checks import reference_errors
from obsplan.inputs.pin import Pin
from obsplan.planning.later_decisions import with_later_decisions
from obsplan.planning.plan import Plan, make_plan
from obsplan.planning.problem.from_scenario import build_problem, order_words
from obsplan.planning.problem.timeline_table import plan_slots
from obsplan.planning.search.exact import is_small
from obsplan.planning.search.greedy import greedy_plan
from obsplan.reporting import plan_directory
from obsplan.reporting.plan_directory import Results

# From 02:00 on the film takes the link for 116 min; then the picture of 20 min comes down.
PINNED = (("drive", 60), ("reading", 330))
ROVER = (
    platform(),
    platform("rover", kind="rover", radio={"to": "lander", "rate_kbps": 40.0}),
)


def rocks(order, drives=1, readings=1, platforms=(platform(),), hours=12, read=None, **columns):
    """A drive of an hour that yields 24 Mbit, 20 min of link, and readings decided on after it."""
    carrier = platforms[-1]["name"]
    scene = scenario(
        {"name": "drive", "platform": carrier, "data_mbit": 24.0, "count": drives, "value": 1.0},
        {
            "name": "reading",
            "platform": carrier,
            "count": readings,
            "value": 5.0,
            "after": [{"activity": "drive"} | order],
        }
        | (read or {}),
        platforms=platforms,
        hours=hours,
        step_min=30,
    )
    return world(scene, **columns)


def found(offered, *rows):
    return check_timeline(offered, slots(*rows), fixes=False).violations


def silent(*spans, minutes=720):
    contact = np.ones(minutes, dtype=bool)
    for first, last in spans:
        contact[first:last] = False
    return {"in_contact": contact, "rate_kbps": np.where(contact, 20.0, 0.0)}


@pytest.mark.parametrize(
    "order, ready",
    [
        ({}, 60),
        # 0.4 Mbit a minute are taken, and 1.2 can be sent, so the last of them leaves at once.
        ({"received": True}, 60),
        ({"received": True, "decide_min": 120}, 180),
        ({"decide_min": 90, "settle_min": 30}, 180),
    ],
)
def test_a_run_starts_once_people_have_decided(order, ready):
    offered = rocks(order)
    for minute in range(60, 300, 30):
        rows = found(offered, ("drive", 0), ("reading", minute))
        assert (len(rows) == 0) == (minute >= ready)
        assert set(rows["rule"]) <= {"order"}
        assert not len(rows) or rows.iloc[0]["amount"] == ready - minute


def test_data_wait_for_the_link_through_the_relay():
    """The lander hears the rover at once, and the Earth the lander from minute 100 on."""
    offered = rocks(
        {"received": True, "decide_min": 30},
        platforms=ROVER,
        lander_in_contact=np.arange(720) >= 100,
        lander_rate_kbps=np.where(np.arange(720) >= 100, 20.0, 0.0),
        rover_rate_kbps=40.0,
    )
    # 24 Mbit take 20 min at 1.2 Mbit a minute.
    (row,) = found(offered, ("drive", 0), ("reading", 120)).itertuples(index=False)
    assert row.amount == 100 + 20 + 30 - 120
    assert "its data are on Earth at 2028-07-01T02:00Z" in row.message
    assert "people have decided at 2028-07-01T02:30Z" in row.message
    assert not len(found(offered, ("drive", 0), ("reading", 150)))


def test_data_of_a_higher_priority_go_first():
    scene = scenario(
        {"name": "drive", "data_mbit": 24.0},
        {"name": "reading", "after": [{"activity": "drive", "received": True}]},
        {"name": "film", "data_mbit": 36.0, "priority": 1},
        platforms=[platform(store={"capacity_mbit": 200.0})],
        hours=12,
        step_min=30,
    )
    offered = world(scene, **silent((0, 120)))
    (row,) = found(offered, ("drive", 0), ("film", 60), ("reading", 120)).itertuples(index=False)
    # From minute 120 on 36 Mbit leave in 30 min, then 24 in 20.
    assert row.amount == 50.0


def test_commands_go_up_after_the_decision():
    """Contact is from 0 to 60 and from 240 on; a command leads by half an hour."""
    offered = rocks({"decide_min": 30}, read={"lead_min": 30}, **silent((60, 240)))
    (row,) = found(offered, ("drive", 0), ("reading", 210)).itertuples(index=False)
    assert row.amount == 241 + 30 - 210
    assert "commands permit a start at 2028-07-01T04:31Z" in row.message
    assert not len(found(offered, ("drive", 0), ("reading", 300)))


def test_each_asks_for_the_latest_run_before():
    each, once = rocks({"decide_min": 60, "each": True}, 2), rocks({"decide_min": 60}, 2)
    rows = ("drive", 0), ("drive", 120), ("reading", 210)
    (row,) = found(each, *rows).itertuples(index=False)
    assert row.amount == 30.0 and row.slots == "s2 s3"
    assert not len(found(once, *rows))
    # A drive that begins with the reading comes after it.
    assert not len(found(each, ("drive", 0), ("reading", 120), ("drive", 120)))
    (row,) = found(each, ("reading", 120)).itertuples(index=False)
    assert row.message.endswith('the latest run of "drive" must come before, and there is none')


def test_an_order_may_be_limited_to_dates():
    """Readings that start from 02:00 until 04:00 come after a drive, others whenever."""
    dates = {"from_utc": "2028-07-01T02:00:00Z", "until_utc": "2028-07-01T04:00:00Z"}
    for order in ({}, {"each": True}, {"received": True, "decide_min": 60}):
        offered = rocks(order | dates, readings=3)
        rows = found(offered, ("reading", 0), ("reading", 120), ("reading", 240))
        assert list(rows["slots"]) == ["s2"] and list(rows["rule"]) == ["order"]
        # The drive of the last two hours is of no use to a reading, and bars none.
        made = make_plan(offered)
        assert made.value == 16.0
    early = rocks(dates, hours=2, readings=2)
    assert make_plan(early).value == 6.0 + 5.0
    lone = rocks(dates, drives=1, hours=4, read={"not_with": ["drive"]}, readings=4)
    # 00:00 to 02:00 two readings; the drive takes an hour of the others' two.
    assert make_plan(lone).value == 5.0 * 3 + 1.0


def test_what_an_order_in_dates_permits_is_told_and_tried():
    dates = {"from_utc": "2028-07-01T02:00:00Z"}
    offered = rocks(dates, readings=2)
    (row,) = check_timeline(offered, slots(("reading", 150))).violations.itertuples()
    assert "there is none" in row.message and "fix: " in row.message
    assert order_words(offered.scenario.activity[1].after[0]) == (
        'after "drive" from 2028-07-01T02:00Z'
    )


def test_a_pinned_reading_moves_the_drive_that_it_waits_for():
    """The picture of a drive at the last possible time would be down too late, after a film."""
    scene = scenario(
        {"name": "film", "data_mbit": 140.0, "priority": 1, "value": 20.0, "must": 1},
        {"name": "drive", "data_mbit": 24.0, "not_with": ["film"], "count": 2},
        {
            "name": "reading",
            "count": 4,
            "gap_min": 300,
            "after": [{"activity": "drive", "received": True, "decide_min": 60, "each": True}],
        },
        platforms=[platform(store={"capacity_mbit": 400.0})],
        hours=48,
    )
    scene = scene.model_copy(
        update={"pin": tuple(Pin(activity=a, start_utc=scene.instant_at(m)) for a, m in PINNED)}
    )
    rate = np.where(np.arange(48 * 60) >= 120, 20.0, 0.0)
    made = make_plan(world(scene, in_contact=rate > 0, rate_kbps=rate))
    assert made.verdict.is_valid
    rows = made.timeline.set_index("activity")["start_utc"]
    for name, minute in PINNED:
        assert START + pd.Timedelta(minutes=minute) in list(rows[[name]])


def test_first_runs_must_be_in_contact():
    scene = scenario({"name": "look", "count": 4, "first_runs_in_contact": 2}, hours=12)
    offered = world(scene, **silent((120, 600)))
    (row,) = found(offered, ("look", 0), ("look", 120), ("look", 240)).itertuples(index=False)
    assert (row.rule, row.amount, row.slots) == ("first runs in contact", 60.0, "s2")
    assert not len(found(offered, ("look", 0), ("look", 60), ("look", 240)))
    made = make_plan(offered)
    assert made.value == 4.0
    late = make_plan(world(scene, **silent((0, 600))))
    # In the last two hours there is contact for two.
    assert late.value == 2.0


@pytest.mark.parametrize("each", [False, True])
@pytest.mark.parametrize("platforms", [(platform(),), ROVER])
def test_no_timeline_of_six_runs_is_better_than_the_plan(each, platforms):
    """Every timeline worth more is tried, and refused by the check."""
    order = {"each": each, "received": True, "decide_min": 45}
    gaps = silent((0, 30), (90, 200), (300, 420), minutes=480)
    offered = rocks(
        order,
        3,
        3,
        platforms,
        hours=8,
        read={"repeat_worth": 0.5},
        lander_in_contact=gaps["in_contact"],
        lander_rate_kbps=gaps["rate_kbps"],
    )
    made = make_plan(offered)
    assert made.verdict.is_valid and made.value > 3.0
    assert accepted_worth(offered, made.value + 1e-6, tries=400) is None
    assert made.bound >= made.value


MISTAKES = {
    'activity "read".after.until_utc = 2028-07-01T01:00Z: must be after its from_utc, '
    "2028-07-01T02:00Z": {
        "activity": "drive",
        "from_utc": "2028-07-01T02:00:00Z",
        "until_utc": "2028-07-01T01:00:00Z",
    },
    'activity "read".after: received = true, but "drive" yields no data': {
        "activity": "drive",
        "received": True,
    },
    'activity "read".after = "drove": no such activity; did you mean \'drive\'?': {
        "activity": "drove",
        "received": True,
    },
}


@pytest.mark.parametrize("line", MISTAKES)
def test_decisions_that_mean_nothing_are_named(line):
    raw = scenario_table({"name": "drive"}, {"name": "read", "after": [MISTAKES[line]]})
    assert reference_errors(raw) == [line]


def test_a_reading_too_early_has_a_fix_that_was_tried():
    offered = rocks({"received": True, "decide_min": 120})
    (row,) = check_timeline(offered, slots(("drive", 0), ("reading", 60))).violations.itertuples()
    assert 'fix: start "reading" (slot s2) at 2028-07-01T03:00Z' in row.message


def test_a_plan_waits_for_data_that_others_keep_back():
    """Steps take a picture to be down as soon as it is taken; a film of two hours leaves first."""
    scene = scenario(
        {"name": "film", "data_mbit": 140.0, "priority": 1, "value": 20.0, "must": 1},
        {"name": "drive", "data_mbit": 24.0, "not_with": ["film"]},
        {
            "name": "reading",
            "count": 4,
            "gap_min": 300,
            "after": [{"activity": "drive", "received": True, "decide_min": 60, "each": True}],
        },
        platforms=[platform(store={"capacity_mbit": 400.0})],
        hours=48,
    )
    rate = np.where(np.arange(48 * 60) >= 120, 20.0, 0.0)
    offered = world(scene, in_contact=rate > 0, rate_kbps=rate)
    assert not is_small(build_problem(offered))
    made = make_plan(offered)
    assert made.verdict.is_valid and made.value == 25.0
    table = decision_table(made)
    assert len(table) == 4 and (table["spare_min"] >= 0).all()


@pytest.mark.parametrize("each", [False, True])
def test_a_missing_run_says_which_decision_it_waits_for(each):
    """The drive is over at 60, and a reading that starts at 120 is the last of the span."""
    order = {"received": True, "decide_min": 90, "each": each}
    made = make_plan(rocks(order, hours=3))
    assert made.value == 1.0
    (row,) = made.unplaced.itertuples(index=False)
    assert row.reason == 'order: waits for the decision after "drive"'
    assert row.would_fit_if == 'decide_min after "drive" were 60 (start 2028-07-01T02:00Z)'
    # No decision is quick enough if the drive ends an hour before the span does.
    late = make_plan(rocks(order | {"settle_min": 120}, hours=3))
    (row,) = late.unplaced.itertuples(index=False)
    assert row.reason == 'order: waits for the decision after "drive"'
    assert row.would_fit_if.startswith("no single change found")


def test_what_the_replay_finds_to_be_late_is_late_in_steps_too():
    offered = rocks({"received": True, "each": True})
    problem = build_problem(offered)
    film = slots(("drive", 120), ("reading", 180))
    slow = world(offered.scenario, rate_kbps=4.0)
    verdict = check_timeline(slow, film, fixes=False)
    (decision,) = verdict.decisions
    # 24 Mbit at 0.24 a minute take 100 min.
    assert decision.down_min == decision.ready_min == 220.0
    later = with_later_decisions(problem, verdict)
    before, after = (p.tasks[1].needs[0].ready for p in (problem, later))
    assert (before[4], after[4], after[5]) == (6, 8, 8)
    assert after[3] == min(before[3] + 2, 8) and (np.diff(after) >= 0).all()
    assert (later.waits[0].ready == after).all()
    assert (after >= before).all()


def test_the_table_tells_the_chain_of_each_decision():
    offered = rocks({"received": True, "decide_min": 30}, read={"lead_min": 30})
    rows = slots(("drive", 0), ("reading", 150))
    verdict = check_timeline(offered, rows, fixes=False)
    empty = pd.DataFrame()
    made = Plan(offered, rows, empty, verdict, 0.0, 0.0)
    table = plan_directory.FILES["decisions.csv"].content(Results(made, None, {}))
    assert table.equals(decision_table(made))
    (row,) = table.itertuples(index=False)
    minutes = {
        name: (getattr(row, name) - START) / pd.Timedelta(minutes=1)
        for name in row._fields
        if name.endswith("_utc")
    }
    assert minutes.pop("command_by_utc") == pytest.approx(120, abs=0.1)
    assert minutes == {
        "picture_down_utc": 60,
        "decided_utc": 90,
        "decide_by_utc": 119,
        "start_utc": 150,
    }
    assert (row.slot, row.after_slot, row.decide_min, row.spare_min) == ("s2", "s1", 30, 29)


@given(case=cases(hours=(3, 6)))
@settings(max_examples=40)
def test_two_walks_through_the_stores_agree(case):
    """That of the check, run by run, and that of the table of latencies, parcel by parcel."""
    scene, booking = case.scenario, greedy_plan(build_problem(case))
    runs, sending = read_slots(scene, plan_slots(scene, booking))
    minutes = scene.steps * scene.span.step_min
    limits = {p.name: limits_of(p, keep_margins=False) for p in scene.platform}
    books = replay(case, runs, minutes_to_send(scene, sending, minutes), minutes, limits)
    taken = {p.name: [] for p in scene.platform}
    for run in runs:
        _, mbit = run_profiles([run], minutes)
        taken[run.platform] += [
            Parcel(run.slot, int(k), float(mbit[k]), run.activity.priority)
            for k in np.flatnonzero(mbit)
        ]
    walked = received(
        taken,
        {name: book.sent_mbit for name, book in books.items()},
        {p.name: p.radio.to for p in scene.platform},
        {name: book.stored_mbit for name, book in books.items()},
    )
    for run, found_ in zip(runs, reception(case, runs, books)):
        own = [(parcel, minute) for parcel, minute in walked if parcel.label == run.slot]
        all_mbit = sum(parcel.mbit for parcel in taken[run.platform] if parcel.label == run.slot)
        if sum(parcel.mbit for parcel, _ in own) < all_mbit - 1e-5:
            assert found_.received_min == np.inf
        elif all_mbit:
            assert found_.received_min == max(m for p, m in own if p.mbit > 1e-5) + 1
            for taken_min, sent_min in zip(found_.taken_min, found_.sent_min):
                of_it = [m for p, m in own if p.taken_min == taken_min and p.mbit > 1e-3]
                assert not of_it or sent_min == max(of_it)
