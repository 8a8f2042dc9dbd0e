"""Ruin and recreate with simulated annealing: hours are cleared and refilled, thousands of times.

The hours and the order in which runs come back are random. A slightly worse plan is sometimes
accepted, ever more rarely as the temperature falls, so that the search escapes local optima. The
inner loop is `kernel.anneal`, compiled; here are its arrays and how it is called.
"""

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from threading import Event

import numpy as np

from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.definition import Problem, with_minimum_first
from obsplan.planning.problem.resource_flow import Flow
from obsplan.planning.search import kernel
from obsplan.planning.search.compiled import compiled
from obsplan.planning.search.greedy import greedy_plan
from obsplan.planning.search.kernel_arrays import best_of, instance_of, state_of
from obsplan.planning.solver.transmit_windows import COARSE, with_planned_sending

# Tries after which a stop is heard.
BATCH = 2000
# Temperature at the start, as a share of a run's mean worth.
FIRST_LOSS = 0.1
SMALLEST_GAIN = 1e-6


def ruin_and_recreate(
    booking: Booking,
    stop: Event,
    seed: int,
    rounds: int,
    first_loss: float = FIRST_LOSS,
    price: np.ndarray | None = None,
) -> Iterator[Booking]:
    """Clear and refill hours of the plan, `rounds` times for each run; yield what is better.

    Random numbers come from `seed`. Every plan yielded is feasible. `first_loss` is the
    temperature at the start, as a share of a run's mean worth; `price` (tasks, steps) is what a
    start costs others.
    """
    problem = booking.problem
    runs = sum(map(len, booking.runs))
    if not runs or stop.is_set():
        return
    tries = rounds * runs
    pressed = booking.copy()
    pressed.problem = with_minimum_first(problem)
    instance = instance_of(pressed.problem, price)
    state = state_of(pressed, seed, tries, first_loss)
    state.sums[kernel.MEAN_WORTH] = booking.value() / runs
    anneal, best = compiled().anneal, 0.0
    while state.counters[kernel.SPENT] < tries and not stop.is_set():
        anneal(instance, state, min(tries, int(state.counters[kernel.SPENT]) + BATCH))
        if state.sums[kernel.BEST_AHEAD] > best:
            best = state.sums[kernel.BEST_AHEAD]
            yield best_of(problem, state)


def best_of_calls(
    booking: Booking,
    pool: ThreadPoolExecutor,
    stop: Event,
    seed: int,
    first_losses: Sequence[float],
    rounds: int,
    price: np.ndarray | None = None,
) -> Booking:
    """The best of a call for each of `first_losses`, side by side, with seeds from `seed` on.

    Its sending is planned for the least energy, and it is filled up with what fits then.
    """

    def last(seed: int, first_loss: float) -> Booking:
        better = list(ruin_and_recreate(booking, stop, seed, rounds, first_loss, price))
        return better[-1] if better else booking

    under_way = [pool.submit(last, seed + k, loss) for k, loss in enumerate(first_losses)]
    best = max((call.result() for call in under_way), key=Booking.objective)
    filled = greedy_plan(best.problem, with_planned_sending(best, (COARSE,)))
    return filled if is_better(filled, best) else best


def is_better(one: Booking, other: Booking) -> bool:
    """Whether a plan is better by more than rounding."""
    return one.objective() > other.objective() + SMALLEST_GAIN


def first_fit(booking: Booking, task: int, starts: np.ndarray) -> int:
    """Index of the first of `starts` (runs,) at which one more run of `task` leaves enough charge
    and storage, with sending as planned or as early as can be; their number if there is none."""
    runs = np.column_stack([np.full(len(starts), task), starts]).astype(np.int64)
    state = state_of(booking, 0, 1, FIRST_LOSS)
    found = compiled().first_fit(instance_of(booking.problem), state, runs)
    return found if found >= 0 else len(starts)


def quick_flow(problem: Problem) -> Callable[[Booking], Flow | None]:
    """What `Booking.simulate` tells of bookings of this problem, in a fraction of its time; None if
    charge or storage falls short."""
    instance, state = instance_of(problem), state_of(Booking(problem), 0, 1, FIRST_LOSS)
    walk, now = compiled().walk, state.now
    figures = (kernel.LOAD, "load_w"), (kernel.PEAK, "peak_w"), (kernel.DATA, "data_mbit")

    def flow_of(booking: Booking) -> Flow | None:
        sending = (kernel.MAY, "may_send"), (kernel.MUTED, "muted")
        for figure, name in (*figures, *sending):
            now[figure, :, : problem.steps] = getattr(booking, name)
        if not walk(instance, state):
            return None
        return Flow(
            now[kernel.STORED].copy(),
            state.work[kernel.UNSENT_NEED].copy(),
            now[kernel.HELD].copy(),
            now[kernel.SHARE, :, :-1].copy(),
            None,
        )

    return flow_of
