"""The kernel: its figures are those of a booking, compiled or not, and undone to the last bit."""

import os
import subprocess
import sys
from pathlib import Path
from threading import Event

import numpy as np
import pytest
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st
from tools.small import cases
from tools.tiny import tiny_problem

from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.from_scenario import build_problem
from obsplan.planning.problem.tolerances import TOLERANCE
from obsplan.planning.search import kernel
from obsplan.planning.search.compiled import COMPILE, compiled
from obsplan.planning.search.greedy import greedy_plan
from obsplan.planning.search.kernel_arrays import best_of, instance_of, state_of
from obsplan.planning.search.ruin_and_recreate import first_fit, quick_flow, ruin_and_recreate

LEVELS = ("stored_wh", "needed_wh", "held_mbit", "sent_share")


def annealed(anneal, booking: Booking, seed: int, tries: int, price=None) -> kernel.State:
    state = state_of(booking, seed, tries, first_loss=0.3)
    anneal(instance_of(booking.problem, price), state, tries)
    return state


def is_a_start(booking: Booking) -> bool:
    """Whether the search may begin with the plan, which then has all that is required."""
    return bool(not booking.flow.short and any(booking.runs) and not booking.lacks_required_runs())


def booked(problem, runs) -> Booking:
    booking = Booking(problem)
    for i, starts in enumerate(runs):
        for start in starts:
            booking.add(i, start)
    return booking


def runs_of(state: kernel.State) -> list[list[int]]:
    return [sorted(row[:count].tolist()) for row, count in zip(state.runs, state.placed)]


@given(case=cases(hours=(4, 8)), seed=st.integers(0, 100))
@settings(max_examples=25)
def test_compiled_and_plain_it_gives_the_same_bytes(case, seed):
    booking = greedy_plan(build_problem(case))
    assume(is_a_start(booking))
    price = np.random.default_rng(seed).random((len(booking.runs), booking.problem.steps))
    one, two = (annealed(a, booking, seed, 60, price) for a in (compiled().anneal, kernel.anneal))
    for name, mine, other in zip(kernel.State._fields, one, two):
        assert mine.tobytes() == other.tobytes(), name


@given(seed=st.integers(0, 100_000), nearby=st.booleans())
@settings(max_examples=100)
def test_after_many_tries_its_books_are_those_of_a_booking_with_its_runs(seed, nearby):
    """Every try that is given up is taken back, so that not even a bar remains."""
    booking = greedy_plan(tiny_problem(seed, nearby=nearby))
    assume(is_a_start(booking))
    problem = booking.problem
    state = annealed(compiled().anneal, booking, seed, 300)
    again = booked(problem, runs_of(state))
    fresh = state_of(again, seed, 300, 0.3)
    for name in ("taken", "counts", "gains", "barred", "met", "placed"):
        assert np.array_equal(getattr(state, name), getattr(fresh, name)), name
    cells = instance_of(problem).cells
    for i in range(len(problem.tasks)):
        assert state.gains[i, cells[i]] == pytest.approx(again.next_promise(i), abs=1e-12)
    assert again.keeps_rules() and not again.lacks_required_runs()
    steps = problem.steps
    # Loads are added and taken away a thousand times.
    for figure, loads in ((kernel.LOAD, again.load_w), (kernel.DATA, again.data_mbit)):
        assert np.allclose(state.now[figure, :, :steps], loads, atol=1e-9)


@given(seed=st.integers(0, 100_000))
@settings(max_examples=100)
def test_its_walk_is_that_of_a_booking(seed):
    booking = greedy_plan(tiny_problem(seed))
    assume(is_a_start(booking))
    state = annealed(compiled().anneal, booking, seed, 0)
    state.counters[kernel.WORK] = 1
    compiled().anneal(instance_of(booking.problem), state, 0)
    flow, now = booking.simulate(), state.now
    # The same sums in another order.
    assert np.allclose(now[kernel.STORED], flow.stored_wh, atol=1e-9)
    assert np.allclose(now[kernel.HELD], flow.held_mbit, atol=1e-9)
    assert np.allclose(now[kernel.SHARE, :, :-1], flow.sent_share, atol=1e-9)
    for n in range(len(booking.problem.nodes)):
        recharged = booking.recharged(n)
        assert np.allclose(now[kernel.NEEDED, n], recharged.needed_wh[n], atol=1e-9)


@given(seed=st.integers(0, 100_000))
@settings(max_examples=100)
def test_a_quick_flow_is_that_of_a_booking_after_others_too(seed):
    full = greedy_plan(tiny_problem(seed))
    flow_of, fewer = quick_flow(full.problem), full.copy()
    for i, starts in enumerate(full.runs):
        for start in starts:
            fewer.add(i, start, -1)
            for booking in (full, fewer):
                quick, flow = flow_of(booking), booking.simulate()
                assert (quick is None) == (flow.short is not None)
                for name in LEVELS if quick else ():
                    # The same sums in another order.
                    assert np.allclose(getattr(quick, name), getattr(flow, name), atol=1e-9), name


@given(seed=st.integers(0, 100_000))
@settings(max_examples=100)
def test_charge_and_data_are_known_to_rounding_while_runs_come_and_go(seed):
    booking = greedy_plan(tiny_problem(seed))
    assume(is_a_start(booking))
    state = annealed(compiled().anneal, booking, seed, 200)
    now, nodes = state.now, booking.problem.nodes
    for n, node in enumerate(nodes):
        change, stored = now[kernel.CHANGE, n, :-1], now[kernel.STORED, n]
        level = node.start_wh
        for t, gain in enumerate(change):
            level = min(level + gain, node.capacity_wh)
            assert stored[t + 1] == pytest.approx(level, abs=1e-9)
        assert (stored >= now[kernel.NEEDED, n] - TOLERANCE).all()
        assert (now[kernel.HELD, n] <= node.store_mbit + TOLERANCE).all()
        assert now[kernel.HELD, n, -1] <= node.store_end_mbit + TOLERANCE


@given(seed=st.integers(0, 100_000))
@settings(max_examples=60)
def test_its_best_plan_is_feasible_and_worth_what_it_says(seed):
    booking = greedy_plan(tiny_problem(seed))
    assume(is_a_start(booking))
    state = annealed(compiled().anneal, booking, seed, 300)
    best = best_of(booking.problem, state)
    assert not best.flow.short and best.keeps_rules() and not best.lacks_required_runs()
    ahead = state.sums[kernel.BEST_AHEAD]
    assert best.objective() == pytest.approx(booking.objective() + ahead, abs=1e-6)


@given(seed=st.integers(0, 100_000), task=st.integers(0, 100))
@example(seed=900, task=1)  # takes more than a full battery holds
@settings(max_examples=100)
def test_one_more_run_fits_where_a_booking_bears_it(seed, task):
    booking = greedy_plan(tiny_problem(seed))
    assume(is_a_start(booking))
    task %= len(booking.runs)
    last = booking.problem.steps - booking.problem.tasks[task].length
    bearing = []
    for start in range(last + 1):
        more = booking.copy()
        more.add(task, start)
        free = more.copy()
        free.may_send[:] = True
        bearing.append(not (more.simulate().short and free.simulate().short))
    found = first_fit(booking, task, np.arange(last + 1))
    assert found == (bearing.index(True) if any(bearing) else last + 1)


def test_random_numbers_are_those_of_the_source():
    """L'Ecuyer 1988: the two generators alone, by their definition, combined by subtraction."""
    counters = np.array([12345, 67890], dtype=np.int64)
    one, two, drawn = 12345, 67890, []
    for _ in range(10_000):
        one, two = one * 40014 % 2147483563, two * 40692 % 2147483399
        drawn.append((one - two) % 2147483562 or 2147483562)
        assert kernel.drawn(counters) == drawn[-1] / 2147483563
    # Uniform: the mean of ten thousand lies within four standard errors (0.0029).
    assert np.mean(drawn) / 2147483563 == pytest.approx(0.5, abs=0.012)


PLAN = """
from threading import Event
from tools.tiny import tiny_problem
from obsplan.planning.search.compiled import compiled
from obsplan.planning.search.greedy import greedy_plan
from obsplan.planning.search.ruin_and_recreate import ruin_and_recreate
booking = greedy_plan(tiny_problem(3))
print([plan.runs for plan in ruin_and_recreate(booking, Event(), 1, 20)])
print(compiled().told)
"""


def alone(folder: Path, program: str = PLAN, **environment: str) -> list[str]:
    """What a fresh process says of a small search with its cache in `folder`."""
    variables = {
        **os.environ,
        "PYTHONPATH": os.pathsep.join(filter(None, sys.path)),
        "NUMBA_CACHE_DIR": str(folder),
        **environment,
    }
    done = subprocess.run(
        [sys.executable, "-c", program], env=variables, capture_output=True, text=True, check=True
    )
    return done.stdout.splitlines()


def expected() -> str:
    booking = greedy_plan(tiny_problem(3))
    return str([plan.runs for plan in ruin_and_recreate(booking, Event(), 1, 20)])


def test_a_plan_is_found_where_there_is_no_compiler(tmp_path):
    """As on a processor that it does not support, where its import fails."""
    barred = "import sys; sys.modules['numba'] = None; sys.modules['numba.extending'] = None\n"
    runs, line = alone(tmp_path, barred + PLAN)
    assert runs == expected()
    assert line.startswith("the search is not compiled")


@pytest.mark.long
def test_a_plan_is_found_where_no_cache_can_be_written(tmp_path):
    nowhere = "import numba.core.caching as c; c.CacheImpl._locator_classes = []\n"
    runs, line = alone(tmp_path, nowhere + PLAN)
    assert runs == expected()
    assert line.startswith("the search was compiled without a cache")


@pytest.mark.long
def test_two_processes_compile_what_the_search_then_reads(tmp_path):
    assert alone(tmp_path, COMPILE) == []
    files = {path.name.split("-")[0] for path in tmp_path.rglob("*.nbi")}
    # Both processes have done their parts.
    assert {"kernel.ruin", "kernel.refill", "kernel.anneal", "kernel.walk"} <= files
    read = PLAN.replace("compiled().told", "dict(compiled().anneal.stats.cache_misses)")
    assert alone(tmp_path, read) == [expected(), "{}"]


@pytest.mark.long
def test_a_plan_is_found_where_the_cache_is_damaged(tmp_path):
    assert alone(tmp_path) == [expected(), ""]
    kept = [path for path in tmp_path.rglob("*") if path.is_file()]
    assert kept
    for path in kept:
        path.write_bytes(path.read_bytes()[:100])
    runs, line = alone(tmp_path)
    assert runs == expected()
    assert line.startswith("the search was compiled without a cache")
