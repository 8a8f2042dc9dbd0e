"""From taken to received: queues by hand, and nothing lost on the way."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from tools.page import made
from tools.plans import plan_of
from tools.small import START, cases, platform, scenario, slots, world

from obsplan.analysis.data_latency import Parcel, latency_table, received
from obsplan.environment.model import Reading
from obsplan.planning.problem.from_scenario import build_problem
from obsplan.planning.problem.timeline_table import plan_slots
from obsplan.planning.search.first_plan import NoPlaceFound, quick_plan


def sent(*mbit):
    return np.array(mbit, dtype=float)


def test_what_was_taken_first_is_sent_first():
    taken = {"lander": [Parcel("a", 0, 4.0), Parcel("b", 1, 4.0)]}
    down = received(taken, {"lander": sent(0, 0, 3, 3, 2)}, {"lander": "earth"})
    assert down == [
        (Parcel("a", 0, 3.0), 2),
        (Parcel("a", 0, 1.0), 3),
        (Parcel("b", 1, 2.0), 3),
        (Parcel("b", 1, 2.0), 4),
    ]


def test_data_can_leave_in_the_minute_in_which_they_are_taken():
    down = received({"l": [Parcel("a", 2, 1.0)]}, {"l": sent(0, 0, 1)}, {"l": "earth"})
    assert down == [(Parcel("a", 2, 1.0), 2)]


def test_relayed_data_queue_again_behind_what_the_receiver_holds():
    taken = {"lander": [Parcel("own", 0, 2.0)], "rover": [Parcel("far", 0, 2.0)]}
    flows = {"lander": sent(0, 0, 2, 0, 2), "rover": sent(2, 0, 0, 0, 0)}
    down = received(taken, flows, {"lander": "earth", "rover": "lander"})
    assert down == [(Parcel("own", 0, 2.0), 2), (Parcel("far", 0, 2.0), 4)]


def test_what_was_aboard_goes_first_and_is_nobodys():
    taken = {"l": [Parcel("a", 0, 1.0)]}
    down = received(taken, {"l": sent(2, 1)}, {"l": "earth"}, {"l": sent(2, 1)})
    assert down == [(Parcel("a", 0, 1.0), 1)]


def test_what_telemetry_found_gone_was_received_by_then_and_what_it_found_more_goes_first():
    taken = {"l": [Parcel("a", 0, 4.0), Parcel("b", 1, 4.0)]}
    less = received(taken, {"l": sent(0, 0, 0, 3)}, {"l": "earth"}, {"l": sent(0, 4, 3, 3)})
    assert less == [(Parcel("a", 0, 4.0), 2), (Parcel("b", 1, 1.0), 2), (Parcel("b", 1, 3.0), 3)]
    more = received(taken, {"l": sent(0, 0, 2, 3)}, {"l": "earth"}, {"l": sent(0, 4, 10, 8)})
    assert more == [(Parcel("a", 0, 3.0), 3)]


def test_failed_runs_yield_nothing_and_shortened_ones_nothing_after_their_end():
    scene = scenario(
        {"name": "sweep", "data_mbit": 60.0, "count": 3},
        platforms=[platform(store={"capacity_mbit": 500.0})],
        hours=6,
    )
    rows = slots(("sweep", 0), ("sweep", 60), ("sweep", 120)).assign(
        end_utc=START + pd.to_timedelta([60, 80, 180], unit="min"),
        state=["failed", "shortened", "planned"],
    )
    around = world(scene, rate_kbps=0.0)
    (row,) = latency_table(plan_of(around, rows)).itertuples()
    assert (row.taken_mbit, row.received_mbit) == (pytest.approx(80), 0)


def test_latency_follows_a_store_that_telemetry_reset():
    scene = scenario({"name": "sweep", "data_mbit": 30.0}, hours=6)
    around = world(scene, rate_kbps=0.0)
    around.readings["lander"] = (Reading(180, None, 10.0),)
    rows = slots(("sweep", 0))
    (row,) = latency_table(plan_of(around, rows)).itertuples()
    assert (row.received_mbit, row.still_stored_mbit) == (pytest.approx(20), pytest.approx(10))
    # The newest third is aboard; the oldest waited from the first minute to the reading.
    assert (row.longest_h, row.longest_taken_utc) == (3.0, START)


@given(
    st.lists(st.integers(0, 6), min_size=1, max_size=12),
    st.lists(st.integers(0, 6), min_size=1, max_size=12),
)
def test_nothing_is_lost_or_sent_before_it_is_taken(took, sends):
    taken = {"l": [Parcel("a", k, float(m)) for k, m in enumerate(took) if m]}
    down = received(taken, {"l": sent(*sends)}, {"l": "earth"})
    assert all(minute >= parcel.taken_min for parcel, minute in down)
    assert sum(p.mbit for p, _ in down) <= min(sum(took), sum(sends)) + 1e-9
    order = [p.taken_min for p, _ in down]
    assert order == sorted(order)


def test_a_lower_number_of_priority_leaves_first_also_from_the_relay():
    taken = {
        "lander": [Parcel("own", 0, 2.0, 2)],
        "rover": [Parcel("late", 0, 1.0, 3), Parcel("soon", 1, 2.0, 1)],
    }
    flows = {"lander": sent(0, 0, 0, 2, 3), "rover": sent(0, 0, 3, 0, 0)}
    down = received(taken, flows, {"lander": "earth", "rover": "lander"})
    assert [(p.label, p.mbit, minute) for p, minute in down] == [
        ("soon", 2.0, 3),
        ("own", 2.0, 4),
        ("late", 1.0, 4),
    ]


def gone_by(took: np.ndarray, sends: np.ndarray) -> np.ndarray:
    """What of the data taken has left a store by the end of each minute, if it sends all it can.

    Least over s of A(s) + S(t) - S(s): the output of a queue that never idles, from what comes in
    and what may go out, both summed (Cruz 1991, A calculus for network delay, part I; from memory).
    """
    summed, out = np.cumsum(took), np.cumsum(sends)
    before = np.concatenate([[0.0], summed - out])
    return out + np.minimum.accumulate(before)[1:]


MBIT = st.integers(0, 5).map(float)


@given(st.lists(st.tuples(MBIT, MBIT, MBIT, st.integers(0, 8).map(float)), min_size=1, max_size=30))
def test_two_ways_through_the_queues_agree(minutes):
    """Minute by minute, and by sums: with all of higher priority, a class leaves as one queue."""
    *took, sends = np.array(minutes).T
    taken = {
        "l": [
            Parcel(f"p{rank}", minute, mbit, rank)
            for rank, mbits in enumerate(took, start=1)
            for minute, mbit in enumerate(mbits.tolist())
            if mbit
        ]
    }
    down = received(taken, {"l": sends}, {"l": "earth"})
    before = np.zeros(len(sends))
    for rank in (1, 2, 3):
        walked = np.zeros(len(sends))
        for parcel, minute in down:
            walked[minute] += parcel.mbit * (parcel.priority == rank)
        together = gone_by(np.sum(took[:rank], axis=0), sends)
        assert np.cumsum(walked) == pytest.approx(together - before, abs=1e-9)
        before = together


def test_priorities_change_no_total_of_any_minute():
    rows, tables = slots(("look", 0), ("sweep", 0)), []
    rate_kbps = np.where(np.arange(360) < 120, 0.0, 3.0)
    for first, second in ((3, 3), (1, 5), (9, 2)):
        scene = scenario(
            {"name": "look", "data_mbit": 15.0, "priority": first},
            {"name": "sweep", "data_mbit": 15.0, "priority": second},
            hours=6,
        )
        plan = plan_of(world(scene, rate_kbps=rate_kbps), rows)
        tables.append((plan.verdict.resources["lander"], latency_table(plan)))
    for resources, latency in tables[1:]:
        pd.testing.assert_frame_equal(resources, tables[0][0])
        assert latency["received_mbit"].sum() == pytest.approx(tables[0][1]["received_mbit"].sum())
    even, look, sweep = (latency["median_h"].tolist() for _, latency in tables)
    assert look[0] < even[0] < sweep[0] and look[1] > even[1] > sweep[1]


@given(cases(hours=(2, 6)))
def test_what_arrives_is_what_the_replay_sent_and_the_rest_is_aboard(case):
    around = case
    scene = around.scenario
    try:
        booking = quick_plan(build_problem(around))
    except NoPlaceFound:
        return
    timeline = plan_slots(scene, booking)
    plan = plan_of(around, timeline)
    latency, verdict = latency_table(plan), plan.verdict
    direct = [p.name for p in scene.platform if p.radio.to == "earth"]
    down_mbit = sum(verdict.resources[name]["sent_mbit"].sum() for name in direct)
    began_mbit = sum(p.store.start_mbit for p in scene.platform)
    got_mbit = latency["received_mbit"].sum()
    # Rounding of sums over a few hundred minutes.
    assert down_mbit - began_mbit - 1e-6 <= got_mbit <= down_mbit + 1e-6
    kept_mbit = latency["taken_mbit"] - latency["received_mbit"] - latency["still_stored_mbit"]
    assert (kept_mbit.abs() < 1e-6).all()


def test_table_tells_median_longest_and_what_stays_aboard():
    scene = scenario(
        {"name": "sweep", "duration_min": 60, "data_mbit": 60.0, "count": 2},
        platforms=[platform(radio={"rate_kbps": 1000 / 60})],  # one Mbit a minute
        hours=6,
    )
    rate = np.zeros(360)
    rate[120:210] = 1000 / 60
    around = world(scene, lander_rate_kbps=rate)
    timeline = slots(("sweep", 0), ("sweep", 60))
    (row,) = latency_table(plan_of(around, timeline)).itertuples()
    assert row.taken_mbit == pytest.approx(120)
    assert row.received_mbit == pytest.approx(90)
    assert row.still_stored_mbit == pytest.approx(30)
    # Each minute's Mbit waits the same two hours.
    assert (row.median_h, row.longest_h) == (2.0, 2.0)
    assert row.longest_taken_utc == START + pd.Timedelta(minutes=89)


def test_activities_without_data_have_no_row():
    plan = made()
    scene = plan.environment.scenario

    latency = latency_table(plan)
    with_data = {a.name for a in scene.activity if a.data_mbit}
    assert set(latency["activity"]) <= with_data
