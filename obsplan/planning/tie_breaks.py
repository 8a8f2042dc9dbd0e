"""Tie-breaks: among plans of equal value one whose runs are spread, with fewer switches.

A local search whose moves keep the value. First runs move up and close up, so that more fits in;
fewer switches of instrument mean fewer commands. Once nothing more fits, repeated runs spread over
the time in which they may begin, so that a lost contact or a lost day costs few of them.
"""

from collections.abc import Callable, Iterator
from itertools import combinations

import numpy as np

from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.definition import Problem, Task
from obsplan.planning.problem.resource_flow import Flow
from obsplan.planning.search.exact import is_small
from obsplan.planning.search.greedy import greedy_plan
from obsplan.planning.search.ruin_and_recreate import quick_flow

# Earlier starts that are tried for one run, and swaps for one platform.
MOST_TRIES = 2
# Starts near an even place that are tried for one run.
SPREAD_TRIES = 6
MOST_SWAPS = 100
SAME_WORTH = 1e-9
# For a better place the data of a run may wait so much longer, on average.
LONGER_WAIT_H = 1.0

Start = tuple[int, int]  # step and task
FlowOf = Callable[[Booking], Flow | None]


def tidy_plans(booking: Booking) -> Iterator[Booking]:
    """The tie-broken plan, filled with what then fits, the most preferred version first.

    The caller takes the first that a replay accepts.
    """
    tidy = tidied(booking)
    yield greedy_plan(tidy.problem, tidy.copy())
    early = moved_up(booking)
    yield greedy_plan(early.problem, early.copy())
    yield early


def tidied(booking: Booking) -> Booking:
    """`booking` with its runs at starts of equal worth: earlier ones, then fewer switches."""
    early = moved_up(booking)
    gathered = with_fewer_switches(early)
    return early if gathered is early else moved_up(gathered)


def moved_up(booking: Booking) -> Booking:
    """Every run at the earliest start found that is worth the same.

    Runs move one at a time, in order of time. So no run is later than necessary in its window or
    contact.
    """
    tidy, flow_of = booking.copy(), _flow_of(booking.problem)
    runs = [(start, i) for i, starts in enumerate(booking.runs) for start in starts]
    for start, i in sorted(runs):
        tidy.add(i, start, -1)
        worth = tidy.next_gain(i)
        equal = tidy.clear_starts(i)[:start] & (worth[:start] >= worth[start] - SAME_WORTH)
        kept, tries = tidy.flow, np.flatnonzero(equal)
        if len(tries):
            tidy.flow = flow_of(tidy) or tidy.simulate()
            tries = tries[tidy.open_starts(i)[tries]][:MOST_TRIES]
        if not any(_added(tidy, i, earlier, flow_of) for earlier in tries.tolist()):
            tidy.add(i, start)
            tidy.flow = kept
    return tidy


def _flow_of(problem: Problem) -> FlowOf:
    """How battery and store of bookings are walked; None if they fall short."""
    # The compiled walk takes a while to load.
    return _slow_flow if is_small(problem) else quick_flow(problem)


def _slow_flow(booking: Booking) -> Flow | None:
    flow = booking.simulate()
    return None if flow.short else flow


def _added(booking: Booking, i: int, start: int, flow_of: FlowOf) -> bool:
    """Book a run and update the flow, unless battery or store would fall short; whether it is."""
    booking.add(i, start)
    flow = flow_of(booking)
    if flow is None:
        booking.add(i, start, -1)
        return False
    booking.flow = flow
    return True


def spread_out(booking: Booking) -> Booking:
    """Repeated runs moved towards evenly spaced places among the starts that are permitted.

    A run moves only where it is worth the same and data wait hardly longer. Runs that others need
    stay.
    """
    spread, flow_of = booking.copy(), _flow_of(booking.problem)
    for i, (task, starts) in enumerate(zip(booking.problem.tasks, booking.runs)):
        if len(starts) < 2 or i in booking.problem.prerequisites:
            continue
        towards = zip(sorted(starts), places(task, len(starts)).tolist())
        for start, place in reversed(list(towards)):
            _move_towards(spread, i, start, place, flow_of)
    return spread


def places(task: Task, runs: int) -> np.ndarray:
    """Evenly spaced places (runs,) among the starts that are permitted, in steps.

    A plan of the relaxed problem may have runs where no start is permitted; then all steps count.
    """
    permitted = np.flatnonzero(task.starts if task.starts.any() else np.ones_like(task.starts))
    return permitted[((np.arange(runs) + 0.5) / runs * len(permitted)).astype(int)]


def _move_towards(booking: Booking, i: int, start: int, place: int, flow_of: FlowOf) -> None:
    """Move a run to the nearest start to `place` found that is worth the same, if to any."""
    kept, data_mbit = booking.flow, booking.problem.tasks[i].data_mbit.sum()
    most_mbit = kept.held_mbit.sum() + data_mbit * LONGER_WAIT_H / booking.problem.step_h
    booking.add(i, start, -1)
    worth = booking.next_gain(i)
    equal = booking.clear_starts(i) & (worth >= worth[start] - SAME_WORTH)
    away = np.abs(np.arange(len(equal)) - place)
    tries = np.flatnonzero(equal & (away < away[start]))
    if len(tries):
        booking.flow = flow_of(booking) or booking.simulate()
        tries = tries[booking.open_starts(i)[tries]]
        tries = tries[np.argsort(away[tries], kind="stable")][:SPREAD_TRIES]
    for other in tries.tolist():
        if not _added(booking, i, other, flow_of):
            continue
        held_mbit = booking.flow.held_mbit
        # What is still stored when the span ends has waited for no contact yet.
        is_left = held_mbit[:, -1].sum() > kept.held_mbit[:, -1].sum() + SAME_WORTH
        if held_mbit.sum() <= most_mbit + SAME_WORTH and not is_left:
            return
        booking.add(i, other, -1)
    booking.add(i, start)
    booking.flow = kept


def with_fewer_switches(booking: Booking) -> Booking:
    """Runs of equal length on a platform swapped if that saves switches.

    A platform switches where a run follows one of another activity. The set of starts does not
    change, so the plan gets no later. `booking` itself when nothing is saved.
    """
    flow_of = _flow_of(booking.problem)
    for n in range(len(booking.problem.nodes)):
        order, tries = starts_in_order(booking, n), 0
        for a, b in combinations(range(len(order)), 2):
            (start, i), (later, j) = order[a], order[b]
            if i == j or booking.problem.tasks[i].length != booking.problem.tasks[j].length:
                continue
            swapped = order.copy()
            swapped[a], swapped[b] = (start, j), (later, i)
            if _switches_at(swapped, a, b) >= _switches_at(order, a, b):
                continue
            other = _swapped(booking, order[a], order[b])
            if other is None:
                continue
            if flow := flow_of(other):
                other.flow = flow
                booking, order = other, swapped
            tries += 1
            if tries == MOST_SWAPS:
                break
    return booking


def starts_in_order(booking: Booking, node: int) -> list[Start]:
    """Step and task of all runs of a platform, in order of time."""
    return sorted(
        (start, i)
        for i, (task, starts) in enumerate(zip(booking.problem.tasks, booking.runs))
        if task.node == node
        for start in starts
    )


def _switches_at(order: list[Start], *places: int) -> int:
    """Switches to and from the runs at `places` of the order."""
    pairs = {k for place in places for k in (place - 1, place) if 0 <= k < len(order) - 1}
    return sum(order[k][1] != order[k + 1][1] for k in pairs)


def _swapped(booking: Booking, one: Start, two: Start) -> Booking | None:
    """The two runs swapped; None if that breaks a rule or loses value.

    Battery and store are not checked yet.
    """
    (start, i), (later, j) = one, two
    other = booking.copy()
    other.add(i, start, -1)
    other.add(j, later, -1)
    if not (other.clear_starts(i)[later] and other.clear_starts(j)[start]):
        return None
    other.add(i, later)
    other.add(j, start)
    worse = not other.keeps_rules() or other.objective() < booking.objective() - SAME_WORTH
    return None if worse else other
