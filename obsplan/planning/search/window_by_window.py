"""A booked plan made better: a piece of it planned anew by the solver, the rest as it is."""

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
from obsplan.planning.search.sending import with_planned_sending
from obsplan.planning.solver.highs import loaded, search, start_from
from obsplan.planning.solver.model import model

# Nodes that the solver may branch into for a stretch.
NODE_LIMIT = 10
# Pieces under way at a time: one more than two cores need, so that none waits.
UNDER_WAY = 3
# A gain below this share of the plan's value is not searched for.
SMALL_GAIN = 5e-4
# The pieces are small: solver heuristics take most of the time there and find nothing, and
# trying out branches takes a third of what is left.
PLAIN_SEARCH = {
    "mip_pscost_minreliable": 0,
    "mip_heuristic_run_rins": False,
    "mip_heuristic_run_rens": False,
    "mip_heuristic_run_root_reduced_cost": False,
}


@dataclass(frozen=True)
class Piece:
    """What is planned anew at a time: all starts in the steps `free`.

    The plan must bear what it finds up to step `last`, which is no earlier than free[1].
    """

    free: tuple[int, int]
    last: int


def sweep(
    booking: Booking,
    pool: ThreadPoolExecutor,
    stop: Event,
    hours: float,
    tail_h: float,
    shifted: bool = False,
) -> Iterator[Booking]:
    """Plan every stretch of `hours` anew, the rest as it is; yield what is better.

    The plan must bear each for `tail_h` more. `shifted` stretches begin in the middle of
    those that are not.
    """
    half = round(hours / booking.problem.step_h) // 2
    pieces = stretches(booking.problem, hours, tail_h, -half if shifted else 0)
    yield from all_anew(booking, pieces, pool, stop)


def stretches(problem: Problem, hours: float, tail_h: float, first: int = 0) -> list[Piece]:
    """The span from step `first` on (before its start: cut there) in pieces of `hours`."""
    width, tail = (round(h / problem.step_h) for h in (hours, tail_h))
    width, steps = max(1, width), problem.steps
    return [
        Piece((max(0, begin), min(steps, begin + width)), min(steps, begin + width + tail))
        for begin in range(first, steps, width)
    ]


def all_anew(
    booking: Booking, pieces: list[Piece], pool: ThreadPoolExecutor, stop: Event
) -> Iterator[Booking]:
    """Plan all `pieces` anew, those under way together far apart; yield what is better.

    Each is begun on the plan as it stood when the one a few before it was done; so what is
    found does not hang on how many cores there are. Ends early once `stop` is set.
    """
    apart = -(-len(pieces) // UNDER_WAY)
    waiting = deque(piece for k in range(apart) for piece in pieces[k::apart])
    under_way: deque[tuple[Booking, Future[Booking]]] = deque()
    while True:
        while waiting and not stop.is_set() and len(under_way) < UNDER_WAY:
            piece = waiting.popleft()
            under_way.append((booking, pool.submit(improved, booking, piece, stop)))
        if not under_way:
            return
        begun, future = under_way.popleft()
        better = merged(booking, begun, future.result())
        if better is not booking:
            booking = better
            yield booking


def merged(booking: Booking, begun: Booking, found: Booking) -> Booking:
    """`booking` with what `found` changed in `begun`, if that holds, else the better one."""
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
    better = max(booking, found, key=lambda other: other.merit())
    # Each may have left a required run to the other.
    if both.lacks_required_runs() or not both.is_orderly() or both.merit() <= better.merit():
        return better
    both.flow = both.simulate()
    if both.flow.short:
        both = with_planned_sending(both)
    return better if both.flow.short else both


def improved(booking: Booking, piece: Piece, unwanted: Event | None = None) -> Booking:
    """`booking` with `piece` planned anew, or itself when none is better.

    Once `unwanted` is set, nothing is begun any more.
    """
    if unwanted is not None and unwanted.is_set():
        return booking
    free = piece.free
    part, rest = excerpt(booking, free, piece.last)
    draft = model(part)
    add_tie_break_costs(draft, part)
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
        starts = np.concatenate([start[start >= 0] for start in draft.start])
        start_from(solver, starts, np.isin(starts, hint))
    if not search(solver, draft):
        return booking
    book_solution(solver, draft, rest, free[0])
    rest.flow = rest.simulate()
    if rest.merit() <= booking.merit() + 1e-9:
        return booking
    if rest.flow.short:
        # The piece was judged by shares of steps; let the sending settle over the whole.
        rest = with_planned_sending(rest)
        if rest.flow.short:
            return booking
    return rest
