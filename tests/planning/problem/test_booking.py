"""What is booked, where one more run fits, and what battery and store do meanwhile."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from tools import tiny
from tools.brute import plan_worth, within_budgets
from tools.left_to_repair import has_fixed_arrays, refused_for_good, with_known_generation
from tools.small import cases
from tools.tiny import heat, level_node, tiny_problem, waits

import obsplan.planning.problem.resource_flow
from obsplan.checking.check import check_timeline
from obsplan.planning.problem.booking import Booking, plan_value
from obsplan.planning.problem.definition import Need, Problem
from obsplan.planning.problem.from_scenario import build_problem
from obsplan.planning.problem.resource_flow import Shortage
from obsplan.planning.problem.timeline_table import plan_slots
from obsplan.planning.problem.tolerances import TOLERANCE
from obsplan.planning.search.exact import best_plan
from obsplan.planning.search.first_plan import NoPlaceFound, quick_plan

SEEDS = st.integers(0, 10_000)


def filled(question: Problem, seed: int, runs: int = 6) -> Booking:
    """A booking with some random runs at starts that are open."""
    rng = np.random.default_rng(seed)
    booking = Booking(question)
    for _ in range(runs):
        task = int(rng.integers(len(question.tasks)))
        open_ = np.flatnonzero(booking.open_starts(task))
        if len(open_):
            booking.add(task, int(rng.choice(open_)))
            flow = booking.simulate()
            if flow.short:
                booking.add(task, booking.runs[task][-1], -1)
            else:
                booking.flow = flow
    return booking


@given(seed=SEEDS)
@settings(max_examples=40)
def test_taking_a_run_back_leaves_no_trace(seed):
    booking = filled(tiny_problem(seed), seed)
    before = booking.copy()
    for task, what in enumerate(booking.problem.tasks):
        booking.add(task, booking.problem.steps - what.length)
        assert not np.array_equal(booking.barred, before.barred)
        booking.add(task, booking.problem.steps - what.length, -1)
    assert list(map(sorted, booking.runs)) == list(map(sorted, before.runs))
    for name in ("load_w", "peak_w", "data_mbit", "barred"):
        assert np.allclose(getattr(booking, name), getattr(before, name), atol=1e-12)


@given(seed=SEEDS)
@settings(max_examples=60)
def test_a_walk_that_begins_with_another_ends_as_one_from_the_start(seed):
    """To a hundred-millionth: sums of other loads are rounded otherwise."""
    rng = np.random.default_rng(seed)
    booking = filled(tiny_problem(seed), seed)
    for _ in range(10):
        _changed(booking, rng)
        afresh = booking.copy()
        afresh.walk = None
        with pytest.MonkeyPatch.context() as patch:
            # These problems are shorter than what is usually walked at a time.
            patch.setattr(obsplan.planning.problem.resource_flow, "AT_A_TIME", 2)
            one, other = booking.simulate(), afresh.simulate()
        assert one.short == other.short
        for name in ("stored_wh", "held_mbit", "sent_share"):
            if not one.short:
                assert np.allclose(getattr(one, name), getattr(other, name), rtol=0, atol=1e-8)


def _changed(booking: Booking, rng: np.random.Generator) -> None:
    """A run more or less, sending let or not, or a battery and store that begin otherwise."""
    booked = [(i, start) for i, starts in enumerate(booking.runs) for start in starts]
    kind, n = rng.choice(["more", "less", "sending", "start"], p=[0.5, 0.3, 0.1, 0.1]), 0
    if kind == "more":
        task = int(rng.integers(len(booking.problem.tasks)))
        open_ = np.flatnonzero(booking.open_starts(task))
        if len(open_):
            booking.add(task, int(rng.choice(open_)))
    elif kind == "less" and booked:
        booking.add(*booked[rng.integers(len(booked))], -1)
    elif kind == "sending":
        steps = rng.random(booking.problem.steps) < 0.5
        booking.may_send[n] = steps & (booking.problem.nodes[n].send_mbit > 0)
    elif kind == "start":
        node = booking.problem.nodes[n]
        less = replace(node, start_wh=0.9 * node.start_wh, store_start_mbit=0.5)
        booking.problem = replace(booking.problem, nodes=(less, *booking.problem.nodes[1:]))


def test_what_lets_go_of_energy_bit_by_bit_lets_it_be_sent():
    """A load grows lighter by what rounding might have left, and then is gone.

    Shares of 0.25 Wh may lie off by what counts as the same, 1e-9 Wh, and its 4e-9 of a share.
    """
    booking = one_node(
        96,
        generation_w=1.0,
        base_data_mbit=1.0,
        send_mbit=np.arange(96) < 90,
        transmit_w=1.0,
        capacity_wh=100.0,
        start_wh=50.0,
        reserve_wh=20.0,
    )
    for late_w in (126.0, 126.0 - 2e-9, 126.0 - 4e-9, 0.0):
        booking.load_w[0, 91] = late_w
        again, afresh = booking.simulate(), booking.copy()
        afresh.walk = None
        assert again.sent_share == pytest.approx(afresh.simulate().sent_share, abs=1e-7)
        assert (again.sent_share[0, :90].min() < 0.9) == (late_w > 0)


def test_a_short_run_is_walked_for_a_short_while(monkeypatch):
    """Of two days, with the battery full and the store empty soon after a run."""
    booking = one_node(
        192,
        generation_w=20.0,
        send_mbit=5.0,
        transmit_w=2.0,
        capacity_wh=100.0,
        start_wh=100.0,
    )
    walked_on, seen = obsplan.planning.problem.resource_flow._walk_on, []
    monkeypatch.setattr(
        obsplan.planning.problem.resource_flow,
        "_walk_on",
        lambda *args: seen.append(args) or walked_on(*args),
    )
    booking.load_w[0, 100:104] += 30.0
    booking.data_mbit[0, 100:104] += 1.0
    short = booking.simulate()
    assert 1 <= len(seen) <= 2
    # A fifth of each step is sent in, so 0.4 W come to the 10 W that the arrays do not yield.
    assert short.stored_wh[0, 104] == pytest.approx(100.0 - 4 * 0.25 * 10.4)


def test_copy_is_independent():
    booking = filled(tiny_problem(1), 1)
    twin = booking.copy()
    runs, load_w = [list(r) for r in booking.runs], booking.load_w.copy()
    twin.add(0, 0)
    twin.may_send[:] = False
    assert booking.runs == runs
    assert np.array_equal(booking.load_w, load_w)
    assert np.array_equal(booking.may_send[0], booking.problem.nodes[0].send_mbit > 0)


@given(seed=SEEDS)
@settings(max_examples=40)
def test_value_counts_each_run_by_its_place_in_its_bin(seed):
    booking = filled(tiny_problem(seed), seed)
    assert booking.value() == pytest.approx(plan_worth(booking.problem, booking.runs), abs=1e-12)
    assert booking.value() == plan_value(booking.problem, booking.runs)


@given(seed=SEEDS)
@settings(max_examples=40)
def test_next_value_is_what_one_more_run_adds(seed):
    booking = filled(tiny_problem(seed), seed, runs=3)
    before = booking.value()
    for task, what in enumerate(booking.problem.tasks):
        worth = booking.next_value(task)
        for start in np.flatnonzero(what.starts).tolist():
            booking.add(task, start)
            assert booking.value() - before == pytest.approx(worth[start], abs=1e-12)
            booking.add(task, start, -1)


@given(seed=SEEDS)
@settings(max_examples=60)
def test_open_starts_are_all_those_that_break_no_rule(seed):
    """Against every rule spelled out; energy by running the battery without any sending."""
    question = tiny_problem(seed)
    # Without a transmitter's draw the charge does not depend on what is sent.
    nodes = tuple(
        replace(n, transmit_w=0.0, send_mbit=0 * n.send_mbit, store_mbit=1e3, store_end_mbit=1e3)
        for n in question.nodes
    )
    question = replace(question, nodes=nodes)
    booking = filled(question, seed, runs=3)
    assume(not booking.flow.short)
    for task in range(len(question.tasks)):
        open_ = booking.open_starts(task)
        expected = [_allowed(booking, task, start) for start in range(question.steps)]
        assert open_.tolist() == expected


def test_open_starts_close_when_a_budget_is_used_up():
    budget = heat(5.0, 2.0, 1.0, 0.0)
    tasks = [tiny.task(name, count=9) for name in ("warm", "mild", "cold")]
    booking = Booking(Problem(8, 0.25, tuple(tasks), (level_node(8),), frozenset(), (budget,)))

    def are_open() -> list[bool]:
        return [bool(booking.open_starts(i).any()) for i in range(3)]

    booking.add(0, 0)
    booking.add(0, 2)
    assert are_open() == [False, True, True]
    booking.add(1, 4)
    assert are_open() == [False, False, True] and booking.keeps_rules()
    booking.add(1, 6)
    assert booking.left(budget) == -1.0
    assert not booking.fits_budgets() and not booking.keeps_rules()
    booking.add(0, 2, -1)
    assert are_open() == [False, True, True] and booking.keeps_rules()


def test_a_budget_is_not_lost_to_rounding():
    """Three times 0.1 is a little more than 0.3."""
    budget, tasks = heat(0.3, 0.1), (tiny.task("a", count=9),)
    booking = Booking(Problem(8, 0.25, tasks, (level_node(8),), frozenset(), (budget,)))
    for start in range(3):
        assert booking.open_starts(0)[start]
        booking.add(0, start)
    assert booking.fits_budgets() and not booking.open_starts(0).any()


def test_a_need_is_met_by_a_run_near_enough_on_either_side():
    need = Need(0, -2, 1, np.arange(8) == 7)
    assert np.flatnonzero(need.with_runs([])).tolist() == [7]
    # A run at 3 serves starts at 2 (one step before it) to 5 (two steps after it).
    assert np.flatnonzero(need.with_runs([3])).tolist() == [2, 3, 4, 5, 7]
    assert np.flatnonzero(need.with_runs([0, 7])).tolist() == [0, 1, 2, 6, 7]


def test_runs_that_others_need_stay_where_they_are():
    def pinned(need: Need) -> list[int]:
        tasks = tiny.task("open", count=3), tiny.task("look", needs=(need,)), tiny.task("free")
        booking = Booking(Problem(8, 0.25, tasks, (level_node(8),), frozenset()))
        for start in (5, 1, 3):
            booking.add(0, start)
        assert booking.pinned(1) == booking.pinned(2) == []
        return booking.pinned(0)

    # Any earlier run will do for an order, so the first is enough.
    assert pinned(waits(0, 1)) == [1]
    assert pinned(Need(0, -2, 2, np.zeros(8, dtype=bool))) == [1, 3, 5]


def _allowed(booking: Booking, task: int, start: int) -> bool:
    question, what = booking.problem, booking.problem.tasks[task]
    if not what.starts[start] or len(booking.runs[task]) >= what.count:
        return False
    for other, starts in enumerate(booking.runs):
        length, gap = question.tasks[other].length, what.gap if other == task else 0
        pair = tuple(sorted((task, other)))
        rival = other == task or pair in question.exclusive
        # A turn, if any, is needed before either.
        there = dict(question.tasks[other].points)
        turning = [n for n, thing in what.points if there.get(n, thing) != thing]
        if turning:
            rival, gap = True, max(question.nodes[n].slew for n in turning)
        if rival and any(
            s < start + what.length + gap and start < s + length + gap for s in starts
        ):
            return False
    for team in question.teams:
        for step in range(start, start + what.length if team.needed_by[task] else start):
            on = sum(
                s <= step < s + t.length
                for t, needs, starts in zip(question.tasks, team.needed_by, booking.runs)
                for s in (starts if needs else ())
            )
            if on >= team.at_once[step]:
                return False
    for need in what.needs:
        near = [s for s in booking.runs[need.task] if need.first <= s - start <= need.last]
        near = [s for s in near if need.ready is None or need.ready[s] <= start]
        if len(near) + need.met[start] < need.runs:
            return False
    for wait in question.waits:
        pairs = {wait.later: wait.earlier, wait.earlier: wait.later}
        for other in booking.runs[pairs[task]] if task in pairs else ():
            before, after = (other, start) if task == wait.later else (start, other)
            applies = wait.applies.start <= after < wait.applies.stop
            if applies and before < after < wait.ready[before]:
                return False
    twin = booking.copy()
    twin.add(task, start)
    enough = within_budgets(question, twin.runs) and twin.fits_bus()
    return enough and twin.simulate().short is None


@given(seed=SEEDS)
@settings(max_examples=30)
def test_needed_charge_is_the_least_that_carries_the_loads(seed):
    """A battery that begins with just what is needed never falls short, with less it does."""
    booking = filled(tiny_problem(seed), seed)
    for n, node in enumerate(booking.problem.nodes):
        needed = booking.simulate().needed_wh[n]
        assume(np.isfinite(needed[0]) and needed[0] >= node.reserve_wh)
        for start_wh, holds in ((needed[0], True), (needed[0] - 0.01, False)):
            charge, lowest = start_wh, start_wh - node.reserve_wh
            for net_w in node.generation_w - booking.load_w[n]:
                if net_w >= 0:
                    gain = min(net_w, node.charge_limit_w) * node.charge_efficiency
                else:
                    gain = net_w / node.discharge_efficiency
                charge = min(charge + gain * booking.problem.step_h, node.capacity_wh)
                lowest = min(lowest, charge - node.reserve_wh)
            lowest = min(lowest, charge - node.end_wh)
            assert (lowest >= -1e-9) == holds


def one_node(steps: int, **changes) -> Booking:
    return Booking(Problem(steps, 0.25, (), (level_node(steps, **changes),), frozenset()))


def test_data_is_sent_as_early_as_contact_allows():
    flow = one_node(
        4, base_data_mbit=1.0, send_mbit=[0.0, 5.0, 0.5, 5.0], store_start_mbit=2.0
    ).flow
    assert flow.held_mbit[0].tolist() == pytest.approx([2.0, 3.0, 0.0, 0.5, 0.0])
    assert flow.sent_share[0].tolist() == pytest.approx([0.0, 0.8, 1.0, 0.3])
    assert flow.short is None


def test_nothing_is_sent_with_energy_that_loads_still_need():
    """10 W for four steps of a quarter hour is 10 Wh; of 12 Wh above reserve, 2 are spare."""
    flow = one_node(
        4, base_w=10.0, start_wh=32.0, transmit_w=40.0, send_mbit=6.0, store_start_mbit=20.0
    ).flow
    assert flow.sent_share[0].tolist() == pytest.approx([0.2, 0.0, 0.0, 0.0])
    assert flow.stored_wh[0].tolist() == pytest.approx([32.0, 27.5, 25.0, 22.5, 20.0])
    assert flow.short is None


def test_transmitter_stays_off_where_the_bus_has_no_room_for_it():
    base_w = np.array([60.0, 61.0, 60.0])
    flow = one_node(
        3,
        base_w=base_w,
        base_peak_w=base_w,
        generation_w=100.0,
        transmit_w=40.0,
        send_mbit=1.0,
        store_start_mbit=9.0,
    ).flow
    assert flow.sent_share[0].tolist() == [1.0, 0.0, 1.0]


SHORT = [
    ({"base_w": 90.0, "start_wh": 60.0}, Shortage("energy", 0)),
    ({"start_wh": 50.0, "end_wh": 60.0}, Shortage("energy", 0)),
    ({"base_data_mbit": 30.0}, Shortage("storage", 0)),
    ({"base_data_mbit": 20.0, "store_end_mbit": 10.0}, Shortage("storage", 0, at_end=True)),
    ({"base_data_mbit": 20.0}, None),
]


@pytest.mark.parametrize("changes, short", SHORT)
def test_flow_says_what_falls_short(changes, short):
    assert one_node(4, **changes).flow.short == short


def test_a_shortage_names_what_fails_where():
    nodes = level_node(4, name="rover"), level_node(4, name="rover 2")
    problem = Problem(4, 0.25, (), nodes, frozenset())
    assert Shortage("energy", 0).words(problem) == 'energy of "rover"'
    assert Shortage("storage", 1, at_end=True).words(problem) == 'storage of "rover 2" at the end'


def test_charge_beyond_the_limit_or_a_full_battery_is_spilled():
    flow = one_node(
        4, generation_w=40.0, charge_limit_w=20.0, charge_efficiency=0.8, start_wh=90.0
    ).flow
    assert flow.stored_wh[0].tolist() == pytest.approx([90.0, 94.0, 98.0, 100.0, 100.0])


def test_station_is_shared_and_relay_fills_its_receiver_no_further_than_full():
    rover = level_node(2, receiver=0, send_mbit=8.0, store_start_mbit=9.0)
    lander = level_node(2, send_mbit=2.0, station=0, store_start_mbit=4.0, store_mbit=5.0)
    other = level_node(2, send_mbit=2.0, station=0, store_start_mbit=9.0)
    booking = Booking(Problem(2, 0.25, (), (lander, rover, other), frozenset()))
    assert booking.flow.sent_share[:, 0].tolist() == pytest.approx([1.0, 1 / 8, 0.0])
    assert booking.flow.held_mbit[0].max() <= 5.0


def test_bus_that_carries_too_much_does_not_fit():
    assert one_node(2, base_w=100.0).fits_bus()
    assert not one_node(2, base_w=100.1).fits_bus()


@given(case=cases(level=True, lossless=True))
@settings(max_examples=40)
def test_flow_agrees_with_the_replay_at_every_step(case):
    """Nothing changes within a step and no energy is lost, so both keep the same books."""
    table = case
    question = build_problem(table)
    try:
        booking = quick_plan(question)
    except NoPlaceFound:
        # The search gives up only where branch and bound finds no plan either.
        assert best_plan(question, question)[0] is None
        return
    if not booking.flow.sent_share.any():
        # A timeline without any sending says that all send whenever they can.
        booking.may_send[:] = True
        booking.flow = booking.simulate()
        assume(not booking.flow.short)
    verdict = check_timeline(table, plan_slots(table.scenario, booking))
    assert not refused_for_good(table, booking, verdict)
    if any(map(has_fixed_arrays, table.scenario.platform)):
        booking = with_known_generation(table, booking, verdict)
        assume(not booking.flow.short)
    for n, node in enumerate(question.nodes):
        rows: pd.DataFrame = verdict.resources[node.name].iloc[:: table.scenario.span.step_min]
        flow = booking.flow
        assert rows["stored_wh"].to_numpy() == pytest.approx(flow.stored_wh[n][:-1], abs=1e-6)
        assert rows["stored_mbit"].to_numpy() == pytest.approx(flow.held_mbit[n][:-1], abs=1e-6)
        assert (booking.peak_w[n] <= node.bus_limit_w + TOLERANCE).all()
