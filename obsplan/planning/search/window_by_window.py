"""Large neighbourhood search over time: one window is reoptimised, all runs outside it fixed.

Each window is a small mixed-integer model with the incumbent as its warm start. It pays late,
when moving single runs no longer helps.
"""

from collections import deque
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from threading import Event

import numpy as np

from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.definition import Problem
from obsplan.planning.problem.excerpt import excerpt
from obsplan.planning.search.model_solution import add_tie_break_costs, book_solution
from obsplan.planning.search.transmit_windows import with_planned_sending
from obsplan.planning.solver.highs import loaded, search, start_from
from obsplan.planning.solver.model import build_model

# Nodes of branch and bound for one window.
NODE_LIMIT = 10
# Windows under way at a time: one more than two cores need, so that none waits.
UNDER_WAY = 3
# Gains below this share of the plan's value are ignored.
SMALL_GAIN = 5e-4
# Windows are small: the solver's heuristics would take most of the time and find nothing, and
# strong branching a third of what is left.
PLAIN_SEARCH = {
    "mip_pscost_minreliable": 0,
    "mip_heuristic_run_rins": False,
    "mip_heuristic_run_rens": False,
    "mip_heuristic_run_root_reduced_cost": False,
}


@dataclass(frozen=True)
class Window:
    """Starts in the steps `free` are reoptimised; the model reaches to step `last` >= free[1]."""

    free: tuple[int, int]
    last: int


def improved_by_windows(
    booking: Booking,
    pool: ThreadPoolExecutor,
    stop: Event,
    hours: float,
    tail_h: float,
    shifted: bool = False,
) -> Iterator[Booking]:
    """Reoptimise the plan in windows of `hours`, one after the other; yield what is better.

    The model of each reaches `tail_h` further. `shifted` windows begin in the middle of those
    that are not.
    """
    half = round(hours / booking.problem.step_h) // 2
    windows = time_windows(booking.problem, hours, tail_h, -half if shifted else 0)
    yield from reoptimised_windows(booking, windows, pool, stop)


def time_windows(problem: Problem, hours: float, tail_h: float, first: int = 0) -> list[Window]:
    """The span from step `first` on (cut at its start if before) in windows of `hours`."""
    width, tail = (round(h / problem.step_h) for h in (hours, tail_h))
    width, steps = max(1, width), problem.steps
    return [
        Window((max(0, begin), min(steps, begin + width)), min(steps, begin + width + tail))
        for begin in range(first, steps, width)
    ]


def reoptimised_windows(
    booking: Booking, windows: list[Window], pool: ThreadPoolExecutor, stop: Event
) -> Iterator[Booking]:
    """Reoptimise all `windows`, those under way together far apart; yield what is better.

    Each starts from the incumbent at a fixed place in the order, so the plans found do not
    depend on the number of cores. Ends early once `stop` is set.
    """
    apart = -(-len(windows) // UNDER_WAY)
    waiting = deque(window for k in range(apart) for window in windows[k::apart])
    under_way: deque[tuple[Booking, Future[Booking]]] = deque()
    while True:
        while waiting and not stop.is_set() and len(under_way) < UNDER_WAY:
            window = waiting.popleft()
            under_way.append((booking, pool.submit(reoptimised, booking, window, stop)))
        if not under_way:
            return
        begun, future = under_way.popleft()
        better = combined(booking, begun, future.result())
        if better is not booking:
            booking = better
            yield booking


def combined(booking: Booking, begun: Booking, found: Booking) -> Booking:
    """`booking` with the changes from `begun` to `found` if feasible, else the better plan."""
    if found is begun:
        return booking
    if booking is begun:
        return found
    both = booking.copy()
    for i, (old, new) in enumerate(zip(begun.runs, found.runs)):
        for start in sorted(set(old) - set(new)):
            if start in both.runs[i]:
                both.add(i, start, -1)
        for start in sorted(set(new) - set(old)):
            both.add(i, start)
    changed = found.may_send != begun.may_send
    both.may_send[changed] = found.may_send[changed]
    better = max(booking, found, key=lambda other: other.objective())
    # Each may have dropped a required run because the other kept one.
    if (
        both.lacks_required_runs()
        or not both.keeps_rules()
        or both.objective() <= better.objective()
    ):
        return better
    both.flow = both.simulate()
    if both.flow.short:
        both = with_planned_sending(both)
    return better if both.flow.short else both


def reoptimised(booking: Booking, window: Window, stop: Event | None = None) -> Booking:
    """`booking` with `window` reoptimised, or itself when nothing better is found.

    Nothing is begun once `stop` is set.
    """
    if stop is not None and stop.is_set():
        return booking
    free = window.free
    part, fixed = excerpt(booking, free, window.last)
    model = build_model(part)
    add_tie_break_costs(model, part)
    solver = loaded(
        model,
        mixed=True,
        mip_rel_gap=0.0,
        mip_abs_gap=max(SMALL_GAIN * booking.value(), 1e-6),
        mip_max_nodes=NODE_LIMIT,
        **PLAIN_SEARCH,
    )
    warm_start = [
        model.start[i][start - free[0]]
        for i, runs in enumerate(booking.runs)
        for start in sorted(set(runs) - set(fixed.runs[i]))
    ]
    if warm_start and min(warm_start) >= 0:
        starts = np.concatenate([start[start >= 0] for start in model.start])
        start_from(solver, starts, np.isin(starts, warm_start))
    if not search(solver, model):
        return booking
    found = fixed
    book_solution(solver, model, found, free[0])
    found.flow = found.simulate()
    if found.objective() <= booking.objective() + 1e-9:
        return booking
    if found.flow.short:
        # The model of the window sends in shares of steps; plan the sending of the whole span.
        found = with_planned_sending(found)
        if found.flow.short:
            return booking
    return found
