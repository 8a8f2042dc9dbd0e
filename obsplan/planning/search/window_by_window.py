"""A booked plan made better: a piece of it planned anew by the solver, the rest as it is."""

from collections import deque
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from threading import Event

import numpy as np

from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.definition import Problem
from obsplan.planning.problem.excerpt import excerpt
from obsplan.planning.solver.highs import is_optimal, loaded, search, solution, start_from
from obsplan.planning.solver.matrix import Model
from obsplan.planning.solver.model import model, steps_summed

# Nodes that the solver may branch into for a stretch.
NODE_LIMIT = 10
# Pieces under way at a time: one more than two cores need, so that none waits.
UNDER_WAY = 3
# A gain below this share of the plan's value is not searched for.
SMALL_GAIN = 5e-4
# Sending costs a little and late starts cost a little, so that of equal plans the one
# that sends least and starts early is found; far below the worth of any run.
SENDING_COST_PER_W = 1e-5
LATENESS_COST = 1e-4
# Ways to ask where to send: by battery and store summed over hours, or step by step.
COARSE, WHOLE = True, False
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
    lacking = any(len(runs) < task.must for task, runs in zip(both.problem.tasks, both.runs))
    if lacking or not both.is_orderly() or both.merit() <= better.merit():
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
        starts = np.concatenate([start[start >= 0] for start in draft.start])
        start_from(solver, starts, np.isin(starts, hint))
    if not search(solver, draft):
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
    sending = _sending(x, draft)
    booking.may_send[:, first : first + sending.shape[1]] = sending


def _sending(x: np.ndarray, draft: Model) -> np.ndarray:
    """Where each node sends (nodes, steps) in columns `x` of the draft."""
    return np.array([(share >= 0) & (x[share] > 1e-6) for share in draft.sharing])


def with_planned_sending(booking: Booking, models: tuple[bool, ...] = (COARSE, WHOLE)) -> Booking:
    """The same runs, sending where it takes least energy; `booking` when that fails.

    The `models` are asked in turn until the answer of one holds. The coarse one takes a
    tenth of the time and says only in which hours to send: its answer costs a little more.
    """
    for coarse in models:
        may_send = _least_sending(booking, coarse)
        if may_send is None:
            continue
        planned = booking.copy()
        planned.may_send = may_send
        planned.flow = planned.simulate()
        if not planned.flow.short:
            return planned
    return booking


def _least_sending(booking: Booking, coarse: bool) -> np.ndarray | None:
    """Steps in which each node may send (nodes, steps); None when there is no answer."""
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
    draft = model(Problem(problem.steps, problem.step_h, (), nodes, frozenset()), coarse)
    for node, share in zip(nodes, draft.sharing):
        here = share >= 0
        late = 1 + 1e-3 * np.arange(problem.steps)[here] / problem.steps
        draft.cost[share[here]] = -late * (1e-3 + (node.transmit_w * node.send_share)[here])
    solver = loaded(draft, mixed=False)
    solver.run()
    if not is_optimal(solver):
        return None
    sending = _sending(solution(solver), draft)
    if coarse:
        # Data may only come after the step chosen; its neighbours in the sum do as well.
        row = np.arange(problem.steps) // steps_summed(problem)
        used = np.array([np.bincount(row, each) > 0 for each in sending])
        sending = used[:, row] & np.array([node.send_mbit > 0 for node in nodes])
    return sending
