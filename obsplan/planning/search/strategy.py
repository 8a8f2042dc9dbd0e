"""From problem to plan: what is tried in which order.

A small problem is solved exactly. Any other starts from a greedy plan, which ruin and recreate
improves while two relaxations are solved beside it; then come price-guided plans, the rounded
relaxation, and the searches of the requested effort. Everything stops by deterministic counts,
not by the clock, so the same problem always gives the same plan.
"""

from collections.abc import Callable, Generator, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from functools import partial
from itertools import chain
from threading import Event
from typing import Literal, get_args

import numpy as np

from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.definition import Problem, starts_of
from obsplan.planning.search.exact import (
    Judge,
    above,
    exact_plan,
    is_small,
)
from obsplan.planning.search.first_plan import quick_plan
from obsplan.planning.search.price_guided import price_guided_plans, rounded_plan
from obsplan.planning.search.ruin_and_recreate import ruin_and_recreate
from obsplan.planning.search.window_by_window import improved_by_windows
from obsplan.planning.solver.dual_bound import Relaxation, relaxation
from obsplan.planning.solver.model import EXCLUSION_H, GAP_H

# A stage yields better plans than the one given, one after the other.
Stage = Callable[[Booking, ThreadPoolExecutor, Event], Iterator[Booking]]

# A new plan is improved this much before it competes with the incumbent.
FIRST_LOOK: Stage = partial(ruin_and_recreate, seed=0, rounds=15)
RUIN_AND_RECREATE = partial(ruin_and_recreate, seed=1, rounds=150)
# A higher start temperature: slower at first, but better in the end.
HOTTER = partial(ruin_and_recreate, seed=2, rounds=150, first_loss=0.1)
WINDOWS = partial(improved_by_windows, hours=8, tail_h=4)
STAGES: dict[str, tuple[Stage, ...]] = {
    "low": (WINDOWS,),
    "normal": (RUIN_AND_RECREATE, WINDOWS, HOTTER),
    "high": (
        partial(RUIN_AND_RECREATE, rounds=500),
        WINDOWS,
        # The window edges are elsewhere.
        partial(WINDOWS, shifted=True),
        partial(improved_by_windows, hours=8, tail_h=24),
        partial(improved_by_windows, hours=24, tail_h=4),
        partial(HOTTER, rounds=1000),
    ),
}
# Most rounds of price-guided sweeps, which come first.
PRICE_GUIDED_ROUNDS = {"low": 3, "normal": 24, "high": 80}
# Restarts of the search if a finer replay refuses its plan.
MOST_SEARCHES = 4
# Rows of exclusion and gaps at every step make the relaxation take some times as long, so this
# sharper one comes second, and not where there are more starts than this.
SHARP_STARTS = 40_000
Effort = Literal["low", "normal", "high"]
# Rounding of a sum of worths, which depends on the order of its terms.
LAST_DIGITS = 1e-12


def require_effort(effort: str) -> None:
    """Raise ValueError unless `effort` is one of the efforts that there are."""
    if effort not in get_args(Effort):
        raise ValueError(f"effort = {effort!r}: allowed are {', '.join(get_args(Effort))}")


def better_plans(
    problem: Problem,
    relaxed: Problem,
    gap: float,
    first: Booking | None = None,
    on_bound: Callable[[float], None] = lambda bound: None,
    effort: Effort = "normal",
    stop: Event | None = None,
    lighter: Callable[[Booking], Booking | None] = lambda booking: None,
    judge: Judge | None = None,
    finer: Iterable[Problem] = (),
) -> Iterator[tuple[Booking, float]]:
    """Ever better plans, each with an upper bound on the value of any plan.

    Plans are made in `problem`, which may be stricter than `relaxed`, so that they survive a
    finer replay; the bound is one on `relaxed`. A small problem is solved exactly, and its plan
    is the only one if proven optimal. Otherwise the first plan (`first` if given) comes at once;
    every plan but the last comes with an infinite bound. The search ends within `gap` of the
    bound or when `effort` is spent. If a finer replay refuses a plan within the gap, `lighter`
    returns a plan with less in it; the search goes on from there, and may then yield plans of
    lower value.

    `on_bound` hears every bound as soon as it is known. Closing the iterator, or setting `stop`,
    ends the search soon. Raises NoPlaceFound if no place is found for the required
    runs.
    """
    exact = exact_plan(problem, relaxed, judge, finer, stop)
    if exact.plan is not None and exact.is_final:
        yield exact.plan, exact.bound
        return
    if is_small(relaxed):
        on_bound(exact.bound)
    stop = stop or Event()
    with ThreadPoolExecutor(max_workers=2) as pool:
        try:
            bounds = Bounds(relaxed, exact.bound_in_steps, gap, pool, stop, on_bound)
            start = exact.plan or first or quick_plan(problem, stop)
            for booking, bound in _searched(start, bounds, effort, lighter):
                yield booking, bound if np.isinf(bound) else min(bound, exact.bound)
        finally:
            stop.set()


class Bounds:
    """Upper bounds on the value of any plan, from two relaxations solved beside the search.

    `upper` changes only when the search waits for a relaxation, not when one is solved, so that
    plans do not depend on the speed of the machine. `on_bound` hears each at once.
    """

    def __init__(
        self,
        relaxed: Problem,
        upper: float,
        gap: float,
        pool: ThreadPoolExecutor,
        stop: Event,
        on_bound: Callable[[float], None],
    ):
        self.relaxed, self.upper, self.gap = relaxed, upper, gap
        self.pool, self.stop, self.on_bound = pool, stop, on_bound
        self.first = self._solve_beside()
        self.sharper: Future[Relaxation] | None = None

    def _solve_beside(self, **options: float) -> Future[Relaxation]:
        future = self.pool.submit(relaxation, self.relaxed, self.stop, **options)
        future.add_done_callback(
            lambda done: done.exception() or self.on_bound(done.result().bound)
        )
        return future

    def begin_sharper(self) -> None:
        """Begin the second relaxation, once, if it can bring a lower bound."""
        if self.sharper is None and can_be_sharper(self.relaxed):
            self.sharper = self._solve_beside(exclusion_h=self.relaxed.step_h)

    def wait_for_first(self, incumbent: Booking) -> None:
        """Take the first relaxation's bound into account, unless the incumbent is good enough."""
        if not self.are_met_by(incumbent):
            self.upper = min(self.upper, self.first.result().bound)

    def wait_for_sharper(self, incumbent: Booking) -> None:
        """Take the second relaxation's bound into account, if it was begun and may matter.

        That ends no search: when it is known depends on the machine.
        """
        if self.sharper is not None and not self.are_met_by(incumbent):
            self.upper = min(self.upper, self.sharper.result().bound)

    def are_met_by(self, booking: Booking) -> bool:
        """Whether the plan is proven to be within `gap` of the optimum."""
        return booking.value() >= (1 - self.gap) * self.upper * (1 - LAST_DIGITS)


def can_be_sharper(relaxed: Problem) -> bool:
    """Whether exclusion and gap rows at every step can tighten the bound in acceptable time."""
    summed_h = EXCLUSION_H if relaxed.exclusive else GAP_H
    has_rows = bool(relaxed.exclusive) or any(task.gap for task in relaxed.tasks)
    more_rows = has_rows and round(summed_h / relaxed.step_h) > 1
    return more_rows and starts_of(relaxed) <= SHARP_STARTS


def _searched(
    start: Booking, bounds: Bounds, effort: Effort, lighter: Callable[[Booking], Booking | None]
) -> Iterator[tuple[Booking, float]]:
    """`start`, and what the stages of the effort make of it."""
    yield start, np.inf
    incumbent = start
    for better in FIRST_LOOK(start, bounds.pool, bounds.stop):
        incumbent = better
        yield incumbent, np.inf
    for _ in range(MOST_SEARCHES):
        bounds.wait_for_first(incumbent)
        if not bounds.are_met_by(incumbent) and not bounds.stop.is_set():
            if effort != "low":
                bounds.begin_sharper()
            for stage in _stages(effort, bounds.first.result()):
                incumbent = yield from _improved(incumbent, stage, bounds)
        light = lighter(incumbent) if bounds.are_met_by(incumbent) else None
        if light is None or bounds.stop.is_set():
            break
        incumbent = light
        yield incumbent, np.inf
    bounds.wait_for_sharper(incumbent)
    yield incumbent, above(bounds.upper, incumbent)


def _stages(effort: Effort, relaxed: Relaxation) -> tuple[Stage, ...]:
    """What is tried one after the other."""
    return (
        partial(price_guided_plans, relaxed=relaxed, rounds=PRICE_GUIDED_ROUNDS[effort]),
        partial(_rounded, shares=relaxed.shares),
        *STAGES[effort],
    )


def _rounded(
    incumbent: Booking, pool: ThreadPoolExecutor, stop: Event, shares: np.ndarray
) -> Iterator[Booking]:
    """Plans that follow `shares` of the relaxation and, improved a little, beat the incumbent."""
    rounded = rounded_plan(incumbent.problem, shares)
    if rounded is None:
        return
    best = incumbent
    for plan in chain([rounded], FIRST_LOOK(rounded, pool, stop)):
        if plan.objective() > best.objective():
            best = plan
            yield best


def _improved(
    incumbent: Booking, stage: Stage, bounds: Bounds
) -> Generator[tuple[Booking, float], None, Booking]:
    """Yield what `stage` finds until a plan meets the bounds; return the last."""
    if bounds.are_met_by(incumbent):
        return incumbent
    last = incumbent
    for better in stage(incumbent, bounds.pool, bounds.stop):
        last = better
        yield last, np.inf
        if bounds.are_met_by(last):
            break
    return last
