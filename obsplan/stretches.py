"""A booked plan made better: a stretch of it planned anew by the solver, the rest as it is."""

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from threading import Event

import numpy as np

from obsplan.booking import Booking
from obsplan.draft import Model
from obsplan.excerpt import excerpt
from obsplan.highs import (
    has_answer,
    is_optimal,
    loaded,
    returns_what_it_found,
    solution,
    start_from,
)
from obsplan.milp import model
from obsplan.problem import Problem

NODE_LIMIT = 10
# A gain below this share of the plan's value is not searched for.
SMALL_GAIN = 5e-4
# Sending costs a little and late starts cost a little, so that of equal plans the one
# that sends least and starts early is found; far below the worth of any run.
SENDING_COST_PER_W = 1e-5
LATENESS_COST = 1e-4
# The stretches are small: solver heuristics take most of the time there and find nothing.
PLAIN_SEARCH = {
    "mip_heuristic_run_rins": False,
    "mip_heuristic_run_rens": False,
    "mip_heuristic_run_root_reduced_cost": False,
}


def sweep(
    booking: Booking,
    hours: float,
    tail_h: float,
    shifted: bool,
    pool: ThreadPoolExecutor,
    stop: Event,
) -> Iterator[Booking]:
    """Plan every stretch of `hours` anew, the rest as it is; yield what is better.

    The plan must bear each for `tail_h` more. Two stretches half a span apart are looked
    at together; which two does not hang on how many cores there are. Ends early once
    `stop` is set.
    """
    steps, hour = booking.problem.steps, booking.problem.step_h
    width, tail = max(1, round(hours / hour)), round(tail_h / hour)
    stretches = [
        (max(0, first), min(steps, first + width))
        for first in range(-(width // 2) if shifted else 0, steps, width)
    ]
    half = (len(stretches) + 1) // 2
    for k in range(half):
        if stop.is_set():
            return
        pair = stretches[k :: half][:2]
        found = list(
            pool.map(lambda free: improved(booking, free, min(steps, free[1] + tail)), pair)
        )
        better = merged(booking, [other for other in found if other is not booking])
        if better is not booking:
            booking = better
            yield booking


def merged(booking: Booking, found: list[Booking]) -> Booking:
    """What `found` changed in `booking`, all of it if that holds, else the best of them."""
    if len(found) < 2:
        return found[0] if found else booking
    both = booking.copy()
    for other in found:
        for i, (old, new) in enumerate(zip(booking.runs, other.runs)):
            for start in sorted(set(old) - set(new)):
                if start in both.runs[i]:
                    both.add(i, start, -1)
            for start in sorted(set(new) - set(old)):
                both.add(i, start)
        changed = other.may_send != booking.may_send
        both.may_send[changed] = other.may_send[changed]
    best = max(found, key=lambda other: other.merit())
    # Each may have left a required run to the other.
    lacking = any(
        len(runs) < task.must for task, runs in zip(both.problem.tasks, both.runs)
    )
    if lacking or not both.is_orderly() or both.merit() <= best.merit():
        return best
    both.flow = both.simulate()
    if both.flow.short:
        both = with_planned_sending(both)
    return best if both.flow.short else both


def improved(booking: Booking, free: tuple[int, int], last: int) -> Booking:
    """`booking` with the starts of steps `free` planned anew, or itself when none is better."""
    part, rest = excerpt(booking, free, last)
    draft = model(part)
    prefer(draft, part)
    solver = loaded(
        draft,
        mixed=True,
        mip_rel_gap=0.0,
        mip_abs_gap=max(SMALL_GAIN * booking.value(), 1e-6),
        mip_max_nodes=NODE_LIMIT,
        **PLAIN_SEARCH,
    )
    hint = [
        draft.start[i][start - free[0]]
        for i, runs in enumerate(booking.runs)
        for start in sorted(set(runs) - set(rest.runs[i]))
    ]
    if hint and min(hint) >= 0:
        start_from(solver, hint)
    solver.run()
    if has_answer(solver) and not returns_what_it_found(solver, draft):
        solver.clearSolver()
        solver.run()
    if not has_answer(solver):
        return booking
    take(solver, draft, rest, free[0])
    rest.flow = rest.simulate()
    if rest.merit() <= booking.merit() + 1e-9:
        return booking
    if rest.flow.short:
        # The piece was judged by shares of steps; let the sending settle over the whole.
        rest = with_planned_sending(rest)
        if rest.flow.short:
            return booking
    return rest


def prefer(draft: Model, problem: Problem) -> None:
    """Charge a little for late starts and for sending; favour what the search prefers."""
    for task, start in zip(problem.tasks, draft.start):
        here = start >= 0
        late = np.arange(problem.steps)[here] / max(problem.steps, 1)
        draft.cost[start[here]] += task.favour[here] - LATENESS_COST * task.value * late
    for node, share in zip(problem.nodes, draft.sharing):
        here = share >= 0
        draft.cost[share[here]] -= SENDING_COST_PER_W * (node.transmit_w * node.send_share)[here]


def take(solver, draft: Model, booking: Booking, first: int) -> None:
    """Book what the solver chose; step 0 of the draft is step `first` of the booking."""
    x = solution(solver)
    for i, start in enumerate(draft.start):
        for step in np.flatnonzero((start >= 0) & (x[start] > 0.5)):
            booking.add(i, int(step) + first)
    for n, share in enumerate(draft.sharing):
        part = slice(first, first + len(share))
        booking.may_send[n, part] = (share >= 0) & (x[share] > 1e-6)


def with_planned_sending(booking: Booking) -> Booking:
    """The same runs, sending where it takes least energy; `booking` when that fails."""
    problem = booking.problem
    nodes = tuple(
        replace(
            node,
            base_w=booking.load_w[n],
            base_peak_w=booking.peak_w[n],
            base_data_mbit=booking.data_mbit[n],
        )
        for n, node in enumerate(problem.nodes)
    )
    draft = model(Problem(problem.steps, problem.step_h, (), nodes, frozenset()))
    for node, share in zip(nodes, draft.sharing):
        here = share >= 0
        late = 1 + 1e-3 * np.arange(problem.steps)[here] / problem.steps
        draft.cost[share[here]] = -late * (1e-3 + (node.transmit_w * node.send_share)[here])
    solver = loaded(draft, mixed=False)
    solver.run()
    if not is_optimal(solver):
        return booking
    planned = booking.copy()
    take(solver, draft, planned, 0)
    planned.flow = planned.simulate()
    return booking if planned.flow.short else planned
