"""From problem to plan: a quick plan, those led by the relaxed one, then ever better ones.

Everything stops by deterministic counts, not by the clock, so the same problem always
gives the same plan.
"""

from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from functools import partial
from itertools import chain
from threading import Event

import numpy as np

from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.definition import (
    Node,
    Problem,
    Task,
    starts_of,
    worth_of_all,
)
from obsplan.planning.search.exact import ROUNDING, above, best_plan, is_small
from obsplan.planning.search.first_plan import quick_plan
from obsplan.planning.search.price_guided import led_plan, priced
from obsplan.planning.search.ruin_and_recreate import reseat
from obsplan.planning.search.window_by_window import sweep
from obsplan.planning.solver.bounds import Relaxation, relaxation, upper_bound
from obsplan.planning.solver.model import GAP_H, RIVAL_H

# A first plan is bettered this much before the best of them goes on, and then what each effort
# looks at, one after the other; stretches shifted so that no seam stays.
FIRST_LOOK = partial(reseat, seed=0, rounds=15)
RESEAT = partial(reseat, seed=1, rounds=150)
STRETCHES = partial(sweep, hours=8, tail_h=4)
# At first goes on with greater losses: slower to find what is better, but it comes farther.
BOLDER = partial(reseat, seed=2, rounds=150, first_loss=0.1)
SEARCHES = {
    "low": (STRETCHES,),
    "normal": (RESEAT, STRETCHES, BOLDER),
    "high": (
        partial(RESEAT, rounds=500),
        STRETCHES,
        partial(STRETCHES, shifted=True),
        partial(sweep, hours=8, tail_h=24),
        partial(sweep, hours=24, tail_h=4),
        partial(BOLDER, rounds=1000),
    ),
}
# How many rounds of sweeps along two lanes come before that at most.
ROUNDS = {"low": 3, "normal": 24, "high": 80}
# Plans are searched anew so often at most where a finer replay refuses what was found.
MOST_SEARCHES = 4
# A bound that asks exclusion and gaps at every step takes some times as long, so it comes
# second, and not where there are more starts than this.
SHARP_STARTS = 40_000
# What the order of terms may do to a sum of worths.
LAST_DIGITS = 1e-12


def better_plans(
    problem: Problem,
    question: Problem,
    gap: float,
    first: Booking | None = None,
    told: Callable[[float], None] = lambda bound: None,
    effort: str = "normal",
    stop: Event | None = None,
    lighter: Callable[[Booking], Booking | None] = lambda booking: None,
) -> Iterator[tuple[Booking, float]]:
    """Ever better plans, each with an upper bound on what any plan can be worth.

    `problem` is planned in; it may be stricter than `question`, which is bounded, so that
    plans survive a finer replay. A small problem is first looked at whole, and where the
    best plan is proven it is the only one. Otherwise the first plan comes at once with an
    infinite bound, or is `first` where that is given, and what a first look makes of it
    while the bound is worked out; where that is within `gap` of all that is asked, it is the
    last. Then those led by the relaxed plan, where they are worth more, and what the searches
    of `effort` make of the best. The last is within `gap` of the bound, or the effort
    was spent. Where `lighter` has a lighter plan for one that is within `gap`, since a finer
    replay refuses that, the search goes on from there, and what comes may be worth less.
    A second, sharper bound may lower the last that is told, but ends no search, for when it
    is known hangs on the machine.
    `told` hears every bound once it is known, before the plans are; closing the iterator,
    or setting `stop`, ends the search soon. Raises LookupError naming the required runs,
    and those they wait for, when no place is found.
    """
    whole, proven = None, worth_of_all(question)
    if is_small(question):
        whole, proven = best_plan(question, problem)
        if whole is None and _stricter(problem, question):
            whole, _ = best_plan(problem, problem)
        proven = min(proven, worth_of_all(question), upper_bound(question))
        if whole is not None and whole.value() >= (1 - ROUNDING) * proven:
            yield whole, above(proven, whole)
            return
        told(proven)
    stop = stop or Event()
    with ThreadPoolExecutor(max_workers=2) as pool:

        def bounding(**asked: float) -> Future[Relaxation]:
            future = pool.submit(relaxation, question, stop, **asked)
            future.add_done_callback(lambda done: done.exception() or told(done.result().bound))
            return future

        relaxed = bounding()
        try:
            booking = whole or first or quick_plan(problem, stop)
            yield booking, np.inf
            for booking in FIRST_LOOK(booking, pool, stop):
                yield booking, np.inf
            bound, sharper = proven, None
            for _ in range(MOST_SEARCHES):
                if not _near(booking, bound, gap):
                    bound = min(bound, relaxed.result().bound)
                if not _near(booking, bound, gap) and not stop.is_set():
                    if sharper is None and effort != "low" and _can_be_sharper(question):
                        sharper = bounding(rival_h=question.step_h)
                    searches = (
                        partial(priced, relaxed=relaxed.result(), rounds=ROUNDS[effort]),
                        partial(_better_led, shares=relaxed.result().starts),
                        *SEARCHES[effort],
                    )
                    for booking in _searched(booking, searches, bound, gap, pool, stop):
                        yield booking, np.inf
                again = lighter(booking) if _near(booking, bound, gap) else None
                if again is None or stop.is_set():
                    break
                booking = again
                yield booking, np.inf
            if sharper is not None and not _near(booking, bound, gap):
                bound = min(bound, sharper.result().bound)
            yield booking, above(bound, booking)
        finally:
            stop.set()


def _can_be_sharper(question: Problem) -> bool:
    """Whether exclusion and gaps at every step say more than sums did, in bearable time."""
    summed_h = RIVAL_H if question.exclusive else GAP_H
    apart = question.exclusive or any(task.gap for task in question.tasks)
    more = apart and round(summed_h / question.step_h) > 1
    return bool(more) and starts_of(question) <= SHARP_STARTS


def _better_led(
    booking: Booking, pool: ThreadPoolExecutor, stop: Event, shares: np.ndarray
) -> Iterator[Booking]:
    """Plans that follow `shares` and, after a first look too, are better than `booking`."""
    led = led_plan(booking.problem, shares)
    if led is None:
        return
    for led in chain([led], FIRST_LOOK(led, pool, stop)):
        if led.merit() > booking.merit():
            booking = led
            yield booking


def _searched(
    booking: Booking,
    searches: tuple[Callable[..., Iterator[Booking]], ...],
    bound: float,
    gap: float,
    pool: ThreadPoolExecutor,
    stop: Event,
) -> Iterator[Booking]:
    """Better plans by one search after the other, until one is within `gap` of the bound."""
    for search in searches:
        if _near(booking, bound, gap):
            return
        for booking in search(booking, pool, stop):
            yield booking
            if _near(booking, bound, gap):
                return


def _near(booking: Booking, bound: float, gap: float) -> bool:
    """Whether the plan is proven to be within `gap` of the best possible."""
    return booking.value() >= (1 - gap) * bound * (1 - LAST_DIGITS)


def _stricter(problem: Problem, question: Problem) -> bool:
    """Whether the two differ in what a relaxed problem leaves out."""
    return any(
        not np.array_equal(mine, other)
        for part, wide in zip(problem.tasks + problem.nodes, question.tasks + question.nodes)
        for mine, other in zip(_strict_figures(part), _strict_figures(wide))
    )


def _strict_figures(part: Task | Node) -> tuple[np.ndarray, ...]:
    return (part.peak_w,) if isinstance(part, Task) else (part.base_peak_w, part.send_share)
