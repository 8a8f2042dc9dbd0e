"""From problem to plan: what is tried in which order.

A small problem is solved exactly. Any other starts from a greedy plan, which a call of ruin and
recreate improves while the relaxation is solved beside it. Then come pairs of calls that know the
relaxation's prices. A pair that finds nothing better makes the next longer, and the longest such
pair ends the search; a middle-sized problem is then solved exactly. Everything stops by
deterministic counts, not by the clock, so the same problem always gives the same plan.
"""

from collections.abc import Callable, Generator, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from threading import Event
from typing import Literal, NamedTuple, get_args

import numpy as np

from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.definition import Problem
from obsplan.planning.search.compiled import Compiling, compiled, compiling
from obsplan.planning.search.exact import (
    PROOF_NODES,
    Judge,
    above,
    exact_plan,
    is_proven,
    is_small,
    is_worth_a_proof,
    proof,
    why_unproven,
)
from obsplan.planning.search.first_plan import quick_plan
from obsplan.planning.search.ruin_and_recreate import best_of_calls, is_better
from obsplan.planning.solver.dual_bound import Relaxation, relaxation


class Standing(str):
    """A line of progress on where the search stands, which makes the one before it obsolete."""


class Work(NamedTuple):
    """Limits of the search, in counts.

    rounds: of a call of ruin and recreate, that is tries for each run; two calls go side by side.
    After a pair in vain the next has twice as many; a pair in vain with `most_rounds` is the last.
    nodes: of branch and bound at the end.
    """

    rounds: int
    most_rounds: int
    nodes: int


WORK = {
    "low": Work(100, 100, 0),
    "normal": Work(200, 800, PROOF_NODES),
    "high": Work(200, 6400, 5 * PROOF_NODES),
}
# Temperatures at which calls start, in turn, as shares of a run's mean worth: cool ones make the
# most of a plan, hot ones leave it.
FIRST_LOSSES = (0.1, 0.3, 0.03, 1.0)
# Most pairs, if a finer replay takes away again and again what they find.
MOST_PAIRS = 100
Effort = Literal["low", "normal", "high"]
# Rounding of a sum of worths, which depends on the order of its terms.
LAST_DIGITS = 1e-12

# What is left of a plan that a finer replay refuses; None if it accepts it.
Lighter = Callable[[Booking], Booking | None]
# Better plans, each with an upper bound, and the last of them.
Improved = Generator[tuple[Booking, float], None, Booking]


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
    lighter: Lighter = lambda booking: None,
    judge: Judge | None = None,
    finer: Iterable[Problem] = (),
    report: Callable[[str], None] = lambda line: None,
) -> Iterator[tuple[Booking, float]]:
    """Ever better plans, each with an upper bound on the value of any plan.

    Plans are made in `problem`, which may be stricter than `relaxed`, so that they survive a
    finer replay; the bound is one on `relaxed`. A small problem is solved exactly, and its plan
    is the only one if proven optimal. Otherwise the first plan (`first` if given) comes at once;
    every plan but the last comes with an infinite bound. The search ends within `gap` of the
    bound or when `effort` is spent; where it is affordable, branch and bound then seeks
    a proof. If a finer replay refuses a plan within the gap, `lighter` returns a plan with less in
    it; the search goes on from there, and may then yield plans of lower value.

    `on_bound` hears every bound as soon as it is known, `report` what takes time. Closing the
    iterator, or setting `stop`, ends the search soon. Raises NoPlaceFound if no place is found for
    the required runs.
    """
    exact = exact_plan(problem, relaxed, judge, finer, stop)
    if exact.plan is not None and exact.is_final:
        yield exact.plan, exact.bound
        return
    if is_small(relaxed):
        on_bound(exact.bound)
    stop = stop or Event()
    process = compiling()
    with ThreadPoolExecutor(max_workers=2) as pool:
        try:
            bounds = Bounds(relaxed, exact.bound_in_steps, gap, pool, stop, on_bound)
            start = exact.plan or first or quick_plan(problem, stop)
            yield start, np.inf
            if not bounds.are_met_by(start) and not stop.is_set():
                wait_until_compiled(process, stop, report)
            best = yield from _searched(start, bounds, WORK[effort], lighter, report)
            bound = min(bounds.upper, exact.bound)
            nodes = WORK[effort].nodes if is_worth_a_proof(relaxed) and not stop.is_set() else 0
            if nodes and not is_proven(best, bound):
                report(Standing("solving the whole problem by branch and bound"))
                found, proven = proof(problem, relaxed, judge, nodes, stop)
                bound = min(bound, proven)
                best = found if found is not None and is_better(found, best) else best
            unproven = not (stop.is_set() or is_proven(best, bound))
            if unproven and (why := why_unproven(relaxed)):
                report(why)
            yield best, above(bound, best)
        finally:
            stop.set()


def wait_until_compiled(process: Compiling, stop: Event, report: Callable[[str], None]) -> None:
    """Wait until the search is compiled, and report what takes time or is not as usual."""
    if process.process is not None:
        report("compiling the search, once for this machine and version ...")
    elif not (process.has_cache or process.is_told):
        report("compiling the search ...")
    process.wait(stop)
    if stop.is_set() or process.is_told:
        return
    process.is_told = True
    if told := compiled().told:
        report(told)


class Bounds:
    """The upper bound on the value of any plan, from a relaxation solved beside the search.

    `upper` changes only when the search waits for the relaxation, not when it is solved, so that
    plans do not depend on the speed of the machine. `on_bound` hears it at once.
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
        self.upper, self.gap, self.pool, self.stop = upper, gap, pool, stop
        self.solved: Future[Relaxation] = pool.submit(relaxation, relaxed, stop)

        def tell(solved: Future[Relaxation]) -> None:
            if not solved.exception():
                on_bound(solved.result().bound)

        self.solved.add_done_callback(tell)

    def wait(self, incumbent: Booking) -> None:
        """Take the relaxation's bound into account, unless the incumbent is good enough."""
        if not self.are_met_by(incumbent):
            self.upper = min(self.upper, self.solved.result().bound)

    def are_met_by(self, booking: Booking) -> bool:
        """Whether the plan is proven to be within `gap` of the optimum."""
        return booking.value() >= (1 - self.gap) * self.upper * (1 - LAST_DIGITS)


def _searched(
    start: Booking, bounds: Bounds, work: Work, lighter: Lighter, report: Callable[[str], None]
) -> Improved:
    """What the search makes of the plan `start`."""
    first = start
    if not bounds.are_met_by(start):
        # One call, as the relaxation has the other core.
        found = best_of_calls(start, bounds.pool, bounds.stop, 0, FIRST_LOSSES[:1], work.rounds)
        first = found if is_better(found, start) else start
    incumbent = lighter(first) or first
    if incumbent is not start:
        yield incumbent, np.inf
    bounds.wait(incumbent)
    if not bounds.are_met_by(incumbent):
        incumbent = yield from _called(incumbent, bounds, work, lighter, report)
    return incumbent


def _called(
    incumbent: Booking, bounds: Bounds, work: Work, lighter: Lighter, report: Callable[[str], None]
) -> Improved:
    """Pairs of calls until the plan meets the bound or the longest pair was in vain.

    A pair was in vain too if a finer replay leaves no more of its plan than there was before; the
    search goes on from what is left, as that keeps enough in reserve.
    """
    price, rounds, pair = bounds.solved.result().price, work.rounds, 0
    best = incumbent
    while not (bounds.are_met_by(incumbent) or bounds.stop.is_set() or pair == MOST_PAIRS):
        pair += 1
        report(Standing(f"trying {rounds} times for each run, round {pair}"))
        losses = FIRST_LOSSES[:2] if pair % 2 else FIRST_LOSSES[2:]
        found = best_of_calls(incumbent, bounds.pool, bounds.stop, 2 * pair, losses, rounds, price)
        if is_better(found, incumbent):
            incumbent = lighter(found) or found
            yield incumbent, np.inf
        if is_better(incumbent, best):
            best = incumbent
        elif rounds < work.most_rounds:
            rounds *= 2
        else:
            break
    return incumbent
