"""The search ends at feasible plans, under valid bounds."""

import os
from dataclasses import replace
from threading import Event

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tools.brute import best_of_tiny, best_value, plan_worth, resources_hold
from tools.left_to_repair import refused_for_good
from tools.small import cases
from tools.tiny import heat, level_node, task, tiny_problem

from obsplan.checking.check import check_timeline
from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.definition import Problem
from obsplan.planning.problem.from_scenario import build_problem
from obsplan.planning.problem.timeline_table import plan_slots
from obsplan.planning.search import exact, strategy
from obsplan.planning.search.compiled import Compiling, Kernel
from obsplan.planning.search.exact import best_plan
from obsplan.planning.search.first_plan import NoPlaceFound, quick_plan
from obsplan.planning.search.strategy import better_plans
from obsplan.planning.solver import model as model_module
from obsplan.planning.solver.dual_bound import Relaxation, dual_bound, relaxation, upper_bound
from obsplan.planning.solver.model import build_model
from obsplan.planning.solver.transmit_windows import with_planned_sending

# Seeds of tiny problems.
MANY = pytest.mark.parametrize(
    "seeds",
    [range(50), pytest.param(range(50, 500), marks=pytest.mark.long)],
    ids=["some", "others"],
)


def feasible(seeds) -> list[int]:
    """The seeds whose tiny problem has a plan."""
    return [seed for seed in seeds if best_of_tiny(seed) is not None]


def required_apart() -> Problem:
    """Two required runs of five steps in eight that exclude each other."""
    tasks = task("a", length=5, must=1), task("b", length=5, must=1)
    return Problem(8, 0.25, tasks, (level_node(8),), frozenset({(0, 1)}))


@MANY
def test_best_plan_of_a_small_problem_is_that_of_exhaustive_search(seeds):
    refused = []
    for seed in feasible(seeds):
        question = tiny_problem(seed)
        booking, bound = best_plan(question, question)
        worth = best_of_tiny(seed)
        assert worth <= bound <= worth * (1 + 1e-5) + 1e-5
        if booking is None:
            refused.append(seed)
            continue
        assert booking.value() == pytest.approx(worth, abs=1e-9)
        assert booking.value() == pytest.approx(plan_worth(question, booking.runs), abs=1e-9)
        assert resources_hold(question, booking.runs) and booking.flow.short is None
    # A plan may be refused where only a part of the step may be used for sending.
    assert len(refused) <= 2


def test_runs_that_need_another_nearby_are_planned_as_well_as_by_exhaustive_search(monkeypatch):
    questions = [tiny_problem(seed, nearby=True) for seed in range(40)]
    questions = [q for q in questions if any(n.first > -q.steps for t in q.tasks for n in t.needs)]
    best = [best_value(question) for question in questions]
    tried = [(q, worth) for q, worth in zip(questions, best) if worth is not None]
    assert len(tried) > 10
    for question, worth in tried:
        booking, bound = best_plan(question, question)
        assert worth <= bound <= worth * (1 + 1e-5) + 1e-5
        assert booking is None or booking.value() == pytest.approx(worth, abs=1e-9)
    monkeypatch.setattr(exact, "SMALL_STARTS", 0)
    for question, worth in tried:
        plans = []
        try:
            plans += better_plans(question, question, gap=0.0)
        except NoPlaceFound:
            continue
        for booking, bound in plans:
            assert booking.keeps_rules() and booking.value() <= worth + 1e-9 <= bound + 2e-9


def test_no_plan_where_none_is_feasible():
    for seed in set(range(80)) - set(feasible(range(80))):
        booking, _ = best_plan(tiny_problem(seed), tiny_problem(seed))
        assert booking is None


@MANY
def test_upper_bound_is_never_below_the_optimum(seeds):
    for seed in feasible(seeds):
        assert upper_bound(tiny_problem(seed)) >= best_of_tiny(seed) - 1e-12


@pytest.mark.parametrize("exclusion_h", [0.25, 0.5, 0.75, 4.0])
@MANY
def test_summed_rows_never_bring_the_bound_below_the_optimum(seeds, exclusion_h, monkeypatch):
    monkeypatch.setattr(model_module, "SPELL_OUT_STARTS", 0)  # as in a long problem
    monkeypatch.setattr(model_module, "EXCLUSION_H", exclusion_h)
    monkeypatch.setattr(model_module, "GAP_H", min(exclusion_h, model_module.GAP_H))
    for seed in feasible(seeds):
        # Worths are summed in another order.
        assert relaxation(tiny_problem(seed)).bound >= best_of_tiny(seed) - 1e-12


@given(
    seed=st.deferred(lambda: st.sampled_from(feasible(range(50)))),
    noise=st.integers(0, 2**32 - 1),
    size=st.sampled_from([0.0, 1e-3, 1.0, 1e4]),
)
@settings(max_examples=100)
def test_any_duals_make_a_valid_bound(seed, noise, size):
    relaxed = build_model(tiny_problem(seed))
    duals = size * np.random.default_rng(noise).standard_normal(len(relaxed.row_low))
    assert dual_bound(relaxed, duals) >= best_of_tiny(seed)


def test_bound_of_no_duals_is_the_sum_of_all_that_columns_offer():
    relaxed = build_model(tiny_problem(0))
    offered = np.maximum(relaxed.cost * relaxed.low, relaxed.cost * relaxed.high).sum()
    assert dual_bound(relaxed, np.zeros(len(relaxed.row_low))) == pytest.approx(offered)


def test_bound_of_good_duals_is_tight_where_nothing_competes():
    question = Problem(8, 0.25, (task("a", count=3, value=2.0),), (level_node(8),), frozenset())
    assert upper_bound(question) == pytest.approx(6.0, abs=1e-5)


@pytest.mark.parametrize(
    "seeds",
    [range(25), pytest.param(range(25, 500), marks=pytest.mark.long)],
    ids=["some", "others"],
)
def test_searched_plans_stay_under_the_bound_and_never_get_worse(seeds, monkeypatch):
    monkeypatch.setattr(exact, "SMALL_STARTS", 0)
    for seed in feasible(seeds):
        question, worth = tiny_problem(seed), -1.0
        try:
            for found in better_plans(question, question, gap=0.0):
                booking, bound = found
                assert booking.value() >= worth
                assert booking.flow.short is None and booking.keeps_rules()
                assert resources_hold(question, booking.runs)
                worth = booking.value()
        except NoPlaceFound:
            # With energy for sending at a pinch, the search may miss the only plan there is.
            assert any(t.must for t in question.tasks)
            continue
        assert worth <= best_of_tiny(seed) + 1e-9 <= bound + 2e-9
        for what, starts in zip(question.tasks, booking.runs):
            assert what.must <= len(starts) <= what.count


def test_a_middle_sized_problem_is_proven_optimal_after_the_search(monkeypatch):
    monkeypatch.setattr(exact, "SMALL_STARTS", 0)
    proven = []
    for seed in feasible(range(30)):
        question = tiny_problem(seed)
        try:
            *_, (booking, bound) = better_plans(question, question, gap=0.0, judge=exact.in_steps)
        except NoPlaceFound:
            continue
        assert booking.value() <= best_of_tiny(seed) + 1e-9 <= bound + 2e-9
        proven.append(bound <= booking.value() * (1 + 1e-5) + 1e-5)
    # Some end with what the search found, as steps bear no sending for the best runs.
    assert len(proven) > 10 and sum(proven) > 0.9 * len(proven)


def test_little_effort_leaves_out_the_proof(monkeypatch):
    monkeypatch.setattr(exact, "SMALL_STARTS", 0)
    monkeypatch.setattr(strategy, "proof", None)
    question = tiny_problem(feasible(range(30))[0])
    assert list(better_plans(question, question, gap=0.0, effort="low"))


@pytest.mark.parametrize(
    "limit, why",
    [
        ("PROOF_CELLS", "permitted starts in 8 steps are too many for branch and bound"),
        (None, "branch and bound ended at its limit of work"),
    ],
)
def test_a_problem_of_few_starts_without_a_proof_says_why(monkeypatch, limit, why):
    """The relaxation is said to be loose, so that no plan is proven by it."""
    loose = Relaxation(1e9, *np.zeros((2, 1, 8)))
    monkeypatch.setattr(strategy, "relaxation", lambda *_: loose)
    monkeypatch.setattr(exact, "worth_of_all", lambda problem: 1e9)
    monkeypatch.setattr(exact, "SMALL_STARTS", 0)
    if limit:
        monkeypatch.setattr(exact, limit, 0)
    tasks = task("a", count=9, value=1.0, length=2), task("b")
    question = Problem(8, 0.25, tasks, (level_node(8),), frozenset())
    lines = []
    list(better_plans(question, question, gap=0.0, effort="low", report=lines.append))
    assert [line for line in lines if line.startswith("not proven")][0].endswith(why)


@pytest.mark.parametrize("is_taken_away", [False, True])
def test_calls_in_vain_are_followed_by_longer_ones_up_to_a_limit(monkeypatch, is_taken_away):
    """Nothing is found, or a finer replay takes it away; and the bound is too high to be met."""
    tried = []

    def in_vain(booking, pool, stop, seed, losses, rounds, price=None):
        tried.append((seed, len(losses), rounds))
        more = booking.copy()
        if is_taken_away and len(tried) > 1:
            more.add(1, 0)
        return more

    def lighter(booking):
        less = booking.copy()
        if less.runs[1]:
            less.add(1, 0, -1)
        return less

    monkeypatch.setattr(exact, "SMALL_STARTS", 0)
    monkeypatch.setattr(strategy, "best_of_calls", in_vain)
    monkeypatch.setattr(strategy, "is_worth_a_proof", lambda problem: False)
    loose = Relaxation(1e9, *np.zeros((2, 1, 8)))
    monkeypatch.setattr(strategy, "relaxation", lambda *_: loose)
    tasks = task("a", count=9, value=1.0, length=2), task("b")
    question = Problem(8, 0.25, tasks, (level_node(8),), frozenset())
    first = Booking(question)
    first.add(0, 0)
    list(better_plans(question, question, gap=0.0, first=first, lighter=lighter))
    assert tried == [(0, 1, 200), (2, 2, 200), (4, 2, 400), (6, 2, 800)]


def test_search_continues_from_a_lighter_plan_where_the_replay_refuses_one(monkeypatch):
    """All eight runs of a fit; of a finer replay it is said that it bears five of them."""
    monkeypatch.setattr(exact, "SMALL_STARTS", 0)
    tasks = task("a", count=8, value=2.0), task("b", count=8)
    question = Problem(8, 0.25, tasks, (level_node(8),), frozenset({(0, 1)}))
    stricter = replace(question, tasks=(replace(tasks[0], count=5), tasks[1]))
    refused = []

    def lighter(booking):
        if booking.problem is stricter:
            return None
        refused.append(booking)
        return quick_plan(stricter)

    found = [plan for plan, _ in better_plans(question, question, 0.01, lighter=lighter)]
    assert refused and refused[0].value() == 16.0
    assert found[-1].problem is stricter and found[-1].value() == 5 * 2.0 + 3 * 1.0


def test_small_problem_has_one_plan_and_it_is_the_best():
    for seed in feasible(range(30)):
        found = list(better_plans(q := tiny_problem(seed), q, gap=0.5))
        if len(found) == 1:
            assert found[0][0].value() == pytest.approx(best_of_tiny(seed), abs=1e-9)


def test_search_that_ends_at_its_limit_still_has_a_valid_bound(monkeypatch):
    for seed in feasible(range(30)):
        booking, bound = best_plan(q := tiny_problem(seed), q, nodes=0)
        assert bound >= best_of_tiny(seed)
        assert booking is None or booking.value() <= best_of_tiny(seed) + 1e-9


def test_plan_worth_nothing_has_the_bound_zero():
    barred = task("a", value=3.0, load_w=np.array([500.0]), peak_w=np.array([500.0]))
    question = Problem(8, 0.25, (barred,), (level_node(8),), frozenset())
    booking, bound = best_plan(question, question)
    assert (booking.runs, bound) == ([[]], 0.0)


def test_of_equal_plans_the_early_one_that_sends_least_is_taken():
    """A Mbit must go; in step 2 that takes 10 W, in step 1 or 3 it takes 20 W."""
    node = level_node(
        8,
        generation_w=50.0,
        transmit_w=20.0,
        send_mbit=np.eye(8)[1:4].sum(axis=0),
        send_share=np.where(np.arange(8) == 2, 0.5, 1.0),
        store_start_mbit=1.0,
        store_end_mbit=0.0,
    )
    question = Problem(8, 0.25, (task("a", count=2, gap=1),), (node,), frozenset())
    booking, _ = best_plan(question, question)
    assert sorted(booking.runs[0]) == [0, 2]
    assert np.flatnonzero(booking.flow.sent_share[0]).tolist() == [2]


def test_stricter_problem_refuses_what_only_the_relaxed_one_bears():
    """Peaks of different minutes: 50 W on the mean, 90 W at their highest, of 100 W."""
    level = {"load_w": np.array([50.0]), "value": 1.0, "starts": np.arange(8) == 0}
    wide = tuple(task(n, peak_w=np.array([40.0]), **level) for n in "ab")
    strict = tuple(replace(t, peak_w=np.array([90.0])) for t in wide)
    node = (level_node(8, generation_w=200.0),)
    question, asked = (Problem(8, 0.25, t, node, frozenset()) for t in (wide, strict))
    assert best_plan(question, question)[0].value() == 2.0
    booking, bound = best_plan(question, asked)
    assert booking is None and bound >= 2.0
    ((booking, bound),) = list(better_plans(asked, question, gap=0.0))[-1:]
    assert booking.value() == 1.0 and bound >= 2.0


def test_search_ends_at_once_where_all_requested_runs_fit(monkeypatch):
    """The relaxation, whose last digits differ, would not show that nothing is missing."""
    loose = Relaxation(1e9, *np.zeros((2, 1, 8)))
    monkeypatch.setattr(exact, "SMALL_STARTS", 0)
    monkeypatch.setattr(strategy, "relaxation", lambda *_, **asked: loose)
    question = Problem(8, 0.25, (task("a", count=3, value=0.1),), (level_node(8),), frozenset())
    *_, (booking, bound) = better_plans(question, question, gap=0.0)
    assert len(booking.runs[0]) == 3
    assert bound == booking.value()


def test_required_runs_that_exclude_each_other_are_named():
    with pytest.raises(NoPlaceFound, match='"a", "b"'):
        quick_plan(required_apart())
    with pytest.raises(NoPlaceFound, match='"a", "b"'):
        list(better_plans(required_apart(), required_apart(), gap=0.0))


def test_planned_sending_keeps_the_runs_and_moves_nothing_but_sending():
    for seed in feasible(range(40)):
        booking = quick_plan_or_none(tiny_problem(seed))
        if booking is None or booking.flow.short:
            continue
        planned = with_planned_sending(booking)
        assert planned.runs == booking.runs and planned.flow.short is None
        assert planned.flow.sent_share.sum() <= booking.flow.sent_share.sum() + 1e-6


def quick_plan_or_none(question: Problem):
    try:
        return quick_plan(question)
    except NoPlaceFound:
        return None


@pytest.mark.parametrize("small", [True, False])
def test_same_problem_gives_the_same_plans(monkeypatch, small):
    monkeypatch.setattr(exact, "SMALL_STARTS", 400 if small else 0)
    for seed in feasible(range(10)):
        question = tiny_problem(seed)
        if quick_plan_or_none(question) is None:
            continue
        first, second = (
            [(booking.runs, bound) for booking, bound in better_plans(question, question, 0.0)]
            for _ in range(2)
        )
        assert first == second


@pytest.mark.skipif(not hasattr(os, "sched_setaffinity"), reason="cores cannot be chosen")
def test_one_core_gives_the_same_plans(monkeypatch):
    """With one, calls side by side and the relaxation end in another order."""
    monkeypatch.setattr(exact, "SMALL_STARTS", 0)
    questions = [tiny_problem(seed) for seed in feasible(range(14))]
    questions = [each for each in questions if quick_plan_or_none(each) is not None]

    def plans():
        return [
            [(booking.runs, bound) for booking, bound in better_plans(each, each, 0.0)]
            for each in questions
        ]

    all_cores, found = os.sched_getaffinity(0), plans()
    try:
        os.sched_setaffinity(0, {min(all_cores)})
        alone = plans()
    finally:
        os.sched_setaffinity(0, all_cores)
    assert len(questions) > 5 and alone == found


@given(table=cases(level=True, lossless=True, hours=(4, 6)))
@settings(max_examples=20)
def test_every_plan_on_the_way_passes_the_independent_check(table):
    question, relaxed = build_problem(table), build_problem(table, relaxed=True)
    kept, exact.SMALL_STARTS = exact.SMALL_STARTS, 0
    try:
        for found in better_plans(question, relaxed, gap=0.0):
            booking, bound = found
            verdict = check_timeline(table, plan_slots(table.scenario, booking))
            assert not refused_for_good(table, booking, verdict)
        assert booking.value() <= bound
    except NoPlaceFound:
        # The search gives up only where branch and bound finds no plan either.
        assert best_plan(question, question)[0] is None
    finally:
        exact.SMALL_STARTS = kept


def test_solver_says_nothing_on_standard_output(capfd):
    upper_bound(tiny_problem(0))
    best_plan(q := tiny_problem(0), q)
    assert capfd.readouterr() == ("", "")


def test_a_stricter_budget_refuses_the_best_plan_of_the_relaxed_problem():
    ample = Problem(
        8, 0.25, (task("a", count=3),), (level_node(8),), frozenset(), (heat(3.0, 1.0),)
    )
    scarce = replace(ample, budgets=(heat(2.0, 1.0),))
    assert best_plan(ample, ample)[0].value() == 3.0
    plan, bound = best_plan(ample, scarce)
    assert plan is None and bound == pytest.approx(3.0, abs=1e-4)


def test_that_there_is_no_cache_is_told_once(monkeypatch):
    """Two steps of a plan wait for the compiled search, and compiling takes half a minute."""
    monkeypatch.setattr("obsplan.planning.search.compiled._indexes", lambda: 1 / 0)
    monkeypatch.setattr(strategy, "compiled", lambda: Kernel(None, None, None, "without a cache"))
    process, lines = Compiling(), []
    for _ in range(2):
        strategy.wait_until_compiled(process, Event(), lines.append)
    assert lines == ["compiling the search ...", "without a cache"]
