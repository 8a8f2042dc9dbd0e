"""One more run, tried on a copy of a plan: what bars it at each start, and whether it holds.

A hurdle is the amount by which one family of rules bars a start. A trial books the run
in a plan in which one thing is different and runs battery and store through the span.
"""

from collections.abc import Callable, Iterator
from dataclasses import replace
from math import ceil
from typing import NamedTuple

import numpy as np
import pandas as pd

from obsplan import intervals
from obsplan.booking import TOLERANCE, Booking, Flow, gain_wh
from obsplan.check import check
from obsplan.environment import Environment
from obsplan.problem import Problem
from obsplan.scenario import Scenario

# Changes are sought in tenths of a unit: finer means nothing to a reader.
TENTHS = 10


def hurdles(booking: Booking, task: int) -> dict[str, np.ndarray]:
    """By how much each rule family bars one more run of `task` (0: not at all).

    Arrays have one entry per start (steps - length + 1,). window: 1; exclusion: slots in
    the way; gap and order: steps too close or too early; bus power: W over the limit;
    energy: Wh missing from the battery at the start, inf when not even a full one would
    do. Data is judged only by a simulation.
    """
    problem, what = booking.problem, booking.problem.tasks[task]
    starts = _all_starts(booking, task)
    exclusion, gap, order, bus_w = np.zeros((4, len(starts)))
    for *_, barred in rival_runs(booking, task):
        exclusion += barred
    for own in booking.runs[task]:
        gap = np.maximum(gap, what.length + what.gap - np.abs(starts - own))
    for earlier, settle, met_from in what.earlier:
        order = np.maximum(order, min(met_from, booking.met_from(earlier, settle)) - starts)
    over_w = booking.peak_w[what.node] - problem.nodes[what.node].bus_limit_w
    for k, peak_w in enumerate(what.peak_w if len(starts) else ()):
        bus_w = np.maximum(bus_w, over_w[k : k + len(starts)] + peak_w)
    return {
        "window": np.where(what.starts[: len(starts)], 0.0, 1.0),
        "exclusion": exclusion,
        "gap": gap,
        "order": order,
        "bus power": bus_w,
        "energy": _missing_wh(booking, task),
    }


def rival_runs(booking: Booking, task: int) -> Iterator[tuple[int, int, np.ndarray]]:
    """Booked runs of other tasks that `task` may not overlap: task, start, starts barred."""
    starts, length = _all_starts(booking, task), booking.problem.tasks[task].length
    for rival in booking.rivals[task]:
        for start in sorted(booking.runs[rival]):
            end = start + booking.problem.tasks[rival].length
            yield rival, start, (starts > start - length) & (starts < end)


def crowding_mbit(booking: Booking, task: int) -> np.ndarray:
    """About how far a run would overfill the stores on its data's way, per start.

    Counts all time in contact that the plan leaves unused, whatever the energy it takes:
    good enough to try the emptier times first.
    """
    what, starts = booking.problem.tasks[task], _all_starts(booking, task)
    crowding, n = np.zeros(len(starts)), what.node
    while n >= 0 and what.data_mbit.any():
        node, flow = booking.problem.nodes[n], booking.flow
        unused = np.concatenate([[0], np.cumsum(node.send_mbit * (1 - flow.sent_share[n]))])
        over = flow.held_mbit[n] - node.store_mbit
        over[-1] = flow.held_mbit[n, -1] - node.store_end_mbit
        worst = np.maximum.accumulate((over - unused)[::-1])[::-1]
        crowding += np.maximum(0.0, what.data_mbit.sum() + worst[starts + 1] + unused[starts])
        n = node.receiver
    return crowding


def _all_starts(booking: Booking, task: int) -> np.ndarray:
    return np.arange(max(0, booking.problem.steps - booking.problem.tasks[task].length + 1))


def _missing_wh(booking: Booking, task: int) -> np.ndarray:
    """Charge missing at each start for the run and all that is booked from there on."""
    problem, what = booking.problem, booking.problem.tasks[task]
    node, flow = problem.nodes[what.node], booking.flow
    starts = _all_starts(booking, task)
    if not len(starts):
        return np.zeros(0)
    need_wh = flow.needed_wh[what.node][starts + what.length]
    for k in reversed(range(what.length)):
        net_w = (node.generation_w - booking.load_w[what.node])[starts + k] - what.load_w[k]
        need_wh = np.maximum(node.reserve_wh, need_wh - gain_wh(node, net_w, problem.step_h))
        need_wh[need_wh > node.capacity_wh + TOLERANCE] = np.inf
    return np.maximum(0.0, need_wh - flow.stored_wh[what.node][starts])


def with_run(booking: Booking, task: int, start: int) -> Booking:
    """A copy with one more run, its flow worked out."""
    twin = booking.copy()
    twin.add(task, start)
    return settled(twin)


def with_task(booking: Booking, task: int, **changes) -> Booking:
    """A copy whose problem asks something else of `task`."""
    twin, tasks = booking.copy(), list(booking.problem.tasks)
    tasks[task] = replace(tasks[task], **changes)
    twin.problem = replace(booking.problem, tasks=tuple(tasks))
    return twin


def with_node(booking: Booking, n: int, **changes) -> Booking:
    """A copy whose problem has another node `n`."""
    twin, nodes = booking.copy(), list(booking.problem.nodes)
    nodes[n] = replace(nodes[n], **changes)
    twin.problem = replace(booking.problem, nodes=tuple(nodes))
    return twin


def settled(booking: Booking, simulate: Callable[[Booking], Flow] = Booking.simulate) -> Booking:
    """A copy with its flow: sending as planned or, if only that holds, in any contact."""
    planned, freer = booking.copy(), booking.copy()
    planned.flow = simulate(planned)
    if planned.flow.short.startswith("storage"):
        freer.may_send[:] = True
        freer.flow = simulate(freer)
        if not freer.flow.short:
            return freer
    return planned


def lets_in(booking: Booking, task: int, start: int) -> bool:
    """Whether a run of `task` at `start` leaves a plan without a broken rule."""
    barred = any(
        amount[start] > TOLERANCE
        for family, amount in hurdles(booking, task).items()
        # The simulation judges energy better: it may put off sending.
        if family != "energy"
    )
    return not barred and orders_kept(booking) and not with_run(booking, task, start).flow.short


def orders_kept(booking: Booking) -> bool:
    """Whether every booked run still starts after those it waits for."""
    return all(
        start >= min(met_from, booking.met_from(earlier, settle))
        for task, runs in zip(booking.problem.tasks, booking.runs)
        for start in runs
        for earlier, settle, met_from in task.earlier
    )


def holds_by_the_minute(scenario: Scenario, environment: Environment, booking: Booking) -> bool:
    """Whether the replay finds no broken rule; it sees what the steps of a plan blur."""
    rows = [
        (task.name, start, start + task.length)
        for task, starts in zip(booking.problem.tasks, booking.runs)
        for start in starts
    ]
    for name, share in zip(scenario.sending_names, booking.flow.sent_share):
        rows += [(name, *stretch) for stretch in intervals.from_mask(share > 1e-9).tolist()]
    slots = pd.DataFrame(rows, columns=["activity", "start_utc", "end_utc"])
    step = pd.Timedelta(minutes=scenario.span.step_min)
    for column in ("start_utc", "end_utc"):
        slots[column] = pd.Timestamp(scenario.span.start_utc) + slots[column] * step
    return check(scenario, environment, slots).holds


def least(enough: Callable[[float], bool], guess: float, most: float) -> float | None:
    """The smallest amount up to `most`, in tenths, found `enough`; None if none is.

    The amount returned was itself tried. `guess` says where to look first.
    """
    low, high = -1, max(0, ceil(guess * TENTHS - 1e-6))
    top = ceil(most * TENTHS - 1e-6)
    while not enough(min(high, top) / TENTHS):
        if high >= top:
            return None
        low, high = high, 2 * high + 1
    high = min(high, top)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle / TENTHS) else (middle, high)
    return high / TENTHS


class Relief(NamedTuple):
    """What store `node` lacks by the end of step `step`.

    ways: what would do: as much more "room", "left" in it at the end, or "sent" by then.
    """

    mbit: float
    node: int
    step: int
    ways: tuple[str, ...]


def least_relief(booking: Booking, most: float = np.inf) -> Relief | None:
    """The least relief, up to `most` Mbit, for a booking whose flow finds a store too full."""
    names = [f"storage of {node.name}" for node in booking.problem.nodes]
    short = booking.flow.short.removesuffix(" at the end")
    if short not in names:
        return None
    n = names.index(short)
    node = booking.problem.nodes[n]
    boundless = settled(with_node(booking, n, store_mbit=np.inf, store_end_mbit=np.inf)).flow
    if boundless.short:
        return None
    held_mbit = boundless.held_mbit[n, 1:]
    over = np.flatnonzero(held_mbit > node.store_mbit + TOLERANCE)
    step = int(over[0]) if len(over) else len(held_mbit) - 1

    def roomier(mbit: float) -> bool:
        room_mbit, end_mbit = node.store_mbit, node.store_end_mbit + mbit
        if len(over):
            room_mbit += mbit
            # A store that may be full at the end may be so too when it is larger.
            full = node.store_end_mbit == node.store_mbit
            end_mbit = room_mbit if full else node.store_end_mbit
        roomy = with_node(booking, n, store_mbit=room_mbit, store_end_mbit=end_mbit)
        return not settled(roomy).flow.short

    def emptier(mbit: float) -> bool:
        lighter = booking.copy()
        lighter.data_mbit[n, step] -= mbit
        flow = settled(lighter).flow
        return not flow.short and flow.held_mbit[n, step + 1] >= -TOLERANCE

    ways = {"room" if len(over) else "left": roomier, "sent": emptier}
    excess = max(held_mbit.max() - node.store_mbit, held_mbit[-1] - node.store_end_mbit)
    for enough in ways.values():
        mbit = least(enough, excess, min(most, held_mbit.max()))
        if mbit is not None:
            return Relief(mbit, n, step, tuple(way for way in ways if ways[way](mbit)))
    return None


def least_charge_wh(
    booking: Booking, n: int, start: int, guess: float, most: float
) -> float | None:
    """The least charge, up to `most` Wh, that lets `booking` hold when it enters the battery
    of node `n` just before step `start`; None if none does."""

    def enough(wh: float) -> bool:
        return not charged(booking, n, start, wh).flow.short

    return least(enough, guess, most)


def charged(booking: Booking, n: int, start: int, extra_wh: float) -> Booking:
    """A copy with its flow from `start` on, `extra_wh` put into the battery before it."""
    return settled(booking, lambda twin: _charged_flow(twin, n, start, extra_wh))


def _charged_flow(booking: Booking, n: int, start: int, extra_wh: float) -> Flow:
    """The flow when `extra_wh` enter the battery of node `n` just before step `start`.

    The span is run in two parts, the first of which must leave what the second needs less
    the extra. Returns the flow of the second part, or of the first if that falls short.
    """
    nodes, steps = booking.problem.nodes, booking.problem.steps
    extra = np.where(np.arange(len(nodes)) == n, extra_wh, 0.0)
    need_wh = [
        max(node.reserve_wh, booking.needed_wh(m)[start] - extra[m])
        for m, node in enumerate(nodes)
    ]
    before = _part(
        booking,
        slice(0, start),
        [(node.start_wh, node.store_start_mbit) for node in nodes],
        [(wh, np.inf) for wh in need_wh],
    )
    if before.short:
        return before
    capacity_wh = np.array([node.capacity_wh for node in nodes])
    charge_wh = np.minimum(before.stored_wh[:, -1] + extra, capacity_wh)
    return _part(
        booking,
        slice(start, steps),
        list(zip(charge_wh, before.held_mbit[:, -1])),
        [(node.end_wh, node.store_end_mbit) for node in nodes],
    )


def _part(booking: Booking, part: slice, begin: list, end: list) -> Flow:
    """Flow of what is booked over some steps; charge and data given at begin and end."""
    nodes = tuple(
        replace(
            node,
            generation_w=node.generation_w[part],
            base_w=booking.load_w[n, part],
            base_peak_w=booking.peak_w[n, part],
            base_data_mbit=booking.data_mbit[n, part],
            send_mbit=np.where(booking.may_send[n], node.send_mbit, 0.0)[part],
            send_share=node.send_share[part],
            station=node.station[part],
            start_wh=begin[n][0],
            store_start_mbit=begin[n][1],
            end_wh=end[n][0],
            store_end_mbit=end[n][1],
        )
        for n, node in enumerate(booking.problem.nodes)
    )
    length = part.stop - part.start
    return Booking(Problem(length, booking.problem.step_h, (), nodes, frozenset())).flow
