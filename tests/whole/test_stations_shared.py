"""One station serves one spacecraft at a time, and the plan decides which."""

from dataclasses import replace
from itertools import combinations_with_replacement, product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tools.small import platform, scenario, slots, world

from obsplan.checking.check import check_timeline
from obsplan.checking.slots import read_slots
from obsplan.planning.plan import make_plan
from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.from_scenario import build_problem
from obsplan.planning.search.kernel import book_place
from obsplan.planning.search.kernel_arrays import instance_of, state_of

BOTH = [platform(name, radio={"rate_kbps": 5.0}) for name in ("lander", "rover")]
COMMAND = {"name": "command", "contact": "whole"}
STEER = {"name": "steer", "platform": "rover", "contact": "whole"}
DUMP = {"name": "dump", "platform": "rover", "data_mbit": 40.0}


def shared(*activities, hours=4, platforms=BOTH, **columns):
    """Two spacecraft that send to Earth by themselves, both through station alpha."""
    scene = scenario(*activities, platforms=platforms, hours=hours)
    return world(scene, **{"station": "alpha"} | columns)


def told(environment, *rows):
    return check_timeline(environment, slots(*rows), fixes=False)


def test_two_runs_in_contact_throughout_need_two_stations():
    offered = shared(COMMAND, STEER)
    (row,) = check_timeline(offered, slots(("command", 0), ("steer", 45))).violations.itertuples()
    assert (row.rule, row.amount, row.slots) == ("station", 15.0, "s1 s2")
    assert row.message == (
        '"command" (slot s1) and "steer" (slot s2) both need "alpha" for 15 min from '
        "2028-07-01T00:45Z, but a station serves one spacecraft at a time; "
        'fix: start "steer" (slot s2) at 2028-07-01T01:45Z'
    )
    assert told(offered, ("command", 0), ("steer", 60)).is_valid
    apart = shared(COMMAND, STEER, rover_station="beta")
    assert told(apart, ("command", 0), ("steer", 45)).is_valid


def test_a_plan_gives_the_station_to_one_after_the_other():
    one, two = ({**each, "count": 4} for each in (COMMAND, STEER))
    made = make_plan(shared(one, two))
    assert made.verdict.is_valid and made.value == 4.0 == pytest.approx(made.bound, rel=1e-5)
    apart = make_plan(shared(one, two, rover_station="beta"))
    assert apart.value == 8.0


def test_the_other_spacecraft_sends_nothing_to_the_station_meanwhile():
    offered = shared(COMMAND, DUMP)
    sent = told(offered, ("dump", 0), ("command", 60)).resources["rover"]["sent_mbit"].to_numpy()
    assert np.flatnonzero(sent == 0)[:60].tolist() == list(range(60, 120))
    apart = shared(COMMAND, DUMP, rover_station="beta")
    freely = told(apart, ("dump", 0), ("command", 60)).resources["rover"]["sent_mbit"]
    assert (freely.to_numpy()[:120] > 0).all()


def test_a_plan_brings_home_what_one_station_can_carry_of_two_spacecraft():
    """Both take 30 Mbit, and the station can receive 72 in four hours, one of them at a time."""
    both = [{"name": f"dump of {n}", "platform": n, "data_mbit": 30.0} for n in ("lander", "rover")]
    store = {"store": {"capacity_mbit": 50.0, "end_limit_mbit": 0.0}}
    made = make_plan(shared(*both, platforms=[part | store for part in BOTH]))
    assert made.verdict.is_valid and made.value == 2.0
    one, other = (made.verdict.resources[name]["sent_mbit"] for name in ("lander", "rover"))
    assert one.sum() == pytest.approx(30.0) and other.sum() == pytest.approx(30.0)
    assert not ((one > 0) & (other > 0)).any()
    # Twice as much is more than it can carry, and the bound knows.
    both = [each | {"data_mbit": 49.0} for each in both]
    made = make_plan(shared(*both, platforms=[part | store for part in BOTH]))
    assert made.value == 1.0 and made.bound == pytest.approx(1.0, abs=0.5)


def test_a_relayed_rover_shares_the_station_of_its_lander():
    parts = [BOTH[0], platform("rover", radio={"to": "lander", "rate_kbps": 5.0})]
    offered = shared(COMMAND, STEER, platforms=parts, rover_station="")
    assert told(offered, ("command", 0), ("steer", 0)).is_valid


@pytest.mark.parametrize("data_mbit, fits", [(40.0, True), (60.0, False)])
def test_plan_and_bound_count_what_a_station_can_carry_beside_contact_runs(data_mbit, fits):
    """Of two hours one goes to a required run: 18 Mbit leave in the other."""
    store = {"store": {"capacity_mbit": 70.0, "end_limit_mbit": 30.0}}
    parts = [BOTH[0], BOTH[1] | store]
    dump = DUMP | {"data_mbit": data_mbit}
    made = make_plan(shared(COMMAND | {"must": 1}, dump, hours=2, platforms=parts))
    assert made.verdict.is_valid
    assert made.value == (2.0 if fits else 1.0)
    assert made.bound == pytest.approx(made.value, rel=1e-4)


# --- which runs in contact may overlap

NAMES = "lander", "rover", "second rover"


@st.composite
def crowds(draw, most_runs=1, hours=2):
    """Spacecraft with a run in contact each, or several, and the stations in reach of each, which
    change within steps."""
    names = NAMES[: draw(st.integers(2, 3))]
    asked = [
        {"name": f"of {name} {k}", "platform": name, "contact": "whole", "count": 2}
        | {"duration_min": draw(st.sampled_from([15, 25, 45])), "value": draw(st.integers(1, 3))}
        for name in names
        for k in range(draw(st.integers(1, most_runs)))
    ]
    scene = scenario(*asked, platforms=[platform(name) for name in names], hours=hours)
    minutes = scene.steps * scene.span.step_min
    around = world(scene)
    sets = st.sampled_from([("alpha",), ("beta",), ("alpha", "beta"), ("alpha", "beta"), ()])
    tables = {}
    for name in names:
        turns = np.sort(draw(st.lists(st.integers(1, minutes - 1), min_size=2, max_size=2)))
        pieces = np.empty(3, dtype=object)
        pieces[:] = [draw(sets) for _ in range(3)]
        reach = pieces[np.searchsorted(turns, np.arange(minutes), side="right")]
        station = [names_in[0] if names_in else "" for names_in in reach]
        there = np.array(station) != ""
        tables[name] = around.platforms[name].assign(
            in_reach=reach, station=station, in_contact=there, rate_kbps=np.where(there, 5.0, 0.0)
        )
    return replace(around, platforms=tables)


def is_served(environment, runs):
    """Whether in every minute there is a way to give each spacecraft with a run its own station."""
    for minute in range(len(environment.sky)):
        busy = {run.platform for run in runs if run.first <= minute < run.last}
        reach = [environment.platforms[name]["in_reach"].iloc[minute] for name in busy]
        if not any(len(set(chosen)) == len(reach) for chosen in product(*reach)):
            return False
    return True


def placed(environment, starts):
    """Runs as the referee has them, of each activity by number and step."""
    scene = environment.scenario
    rows = [(scene.activity[i].name, 15 * start) for i, start in starts]
    return slots(*rows)


@given(crowds(most_runs=2), st.data())
def test_planner_and_referee_permit_the_same_runs_in_contact(around, data):
    scene, problem = around.scenario, build_problem(around)
    booking, chosen = Booking(problem), []
    kernel = instance_of(problem)
    for _ in range(5):
        i = data.draw(st.integers(0, len(problem.tasks) - 1))
        permitted = np.flatnonzero(problem.tasks[i].starts)
        if len(booking.runs[i]) == problem.tasks[i].count or not len(permitted):
            continue
        start = data.draw(st.sampled_from(permitted.tolist()))
        own = [s for k, s in chosen if k == i]
        if any(abs(s - start) < problem.tasks[i].length for s in own):
            continue
        rows = placed(around, [*chosen, (i, start)])
        found = check_timeline(around, rows, fixes=False).violations
        runs, _ = read_slots(scene, rows)
        served = is_served(around, runs)
        assert (len(found) == 0) == served
        assert set(found["rule"]) <= {"station"}
        assert booking.clear_starts(i)[start] == served
        if served:
            before = state_of(booking, 1, 1, 0.1)
            booking.add(i, start)
            chosen.append((i, start))
            book_place(kernel, before, i, start, 1)
            assert np.array_equal(before.barred, state_of(booking, 1, 1, 0.1).barred)
    assert booking.keeps_rules()
    # Taken back in another order, nothing is left of them.
    state = state_of(booking, 1, 1, 0.1)
    for i, start in chosen:
        book_place(kernel, state, i, start, -1)
    assert np.array_equal(state.barred, state_of(Booking(problem), 1, 1, 0.1).barred)
    assert not state.present.any()


@settings(max_examples=15)
@given(crowds(hours=1))
def test_no_assignment_of_stations_permits_a_better_plan(around):
    made, problem = make_plan(around), build_problem(around)
    ways = [[None, *np.flatnonzero(task.starts).tolist()] for task in problem.tasks]
    best = 0.0
    for chosen in product(*(combinations_with_replacement(way, 2) for way in ways)):
        starts = [(i, s) for i, pair in enumerate(chosen) for s in set(pair) - {None}]
        apart = all(
            None in pair or pair[0] == pair[1] or pair[1] - pair[0] >= problem.tasks[i].length
            for i, pair in enumerate(chosen)
        )
        value = sum(problem.tasks[i].value for i, _ in starts)
        if (
            apart
            and value > best
            and is_served(around, read_slots(around.scenario, placed(around, starts))[0])
        ):
            best = value
    assert made.verdict.is_valid and made.value == pytest.approx(best)
    assert made.bound == pytest.approx(best, rel=1e-4)


def test_a_run_in_contact_takes_another_station_that_could_serve_it():
    offered = shared(COMMAND, STEER)
    both = offered.platforms["rover"].assign(in_reach=[("alpha", "beta")] * 240)
    offered = replace(offered, platforms=offered.platforms | {"rover": both})
    assert told(offered, ("command", 0), ("steer", 0)).is_valid
    made = make_plan(offered)
    assert made.value == 2.0 == pytest.approx(made.bound, rel=1e-5)


def test_three_spacecraft_find_two_stations_too_few():
    parts = [platform(name) for name in NAMES]
    asked = [{"name": name[0], "platform": name, "contact": "whole"} for name in NAMES]
    around = world(scenario(*asked, platforms=parts, hours=4))
    tables = {
        name: table.assign(in_reach=[("alpha", "beta")] * 240)
        for name, table in around.platforms.items()
    }
    around = replace(around, platforms=tables)
    assert told(around, ("l", 0), ("r", 0)).is_valid
    (row,) = told(around, ("l", 0), ("r", 15), ("s", 30)).violations.itertuples()
    assert (row.rule, row.amount, row.slots) == ("station", 30.0, "s1 s2 s3")
    assert row.message == (
        '"l" (slot s1), "r" (slot s2) and "s" (slot s3) all need "alpha" or "beta" for 30 min from '
        "2028-07-01T00:30Z, but a station serves one spacecraft at a time"
    )
