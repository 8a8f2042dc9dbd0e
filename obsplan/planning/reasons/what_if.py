"""One more run, tried on a copy of a plan: what bars it at each start, and whether it holds.

A hurdle is the amount by which one family of rules bars a start. A trial books the run
in a plan, in the world as it is or with one thing changed, runs battery and store through
the span and asks the replay by the minute.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from obsplan.checking.check import check_timeline
from obsplan.common import intervals
from obsplan.environment.model import Environment
from obsplan.inputs.scenario import Scenario
from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.resource_flow import TOLERANCE, gain_wh
from obsplan.planning.search.sending import COARSE, with_planned_sending


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


@dataclass(frozen=True)
class World:
    """A plan and what it is asked and offered: in steps, and as the replay sees it."""

    booking: Booking
    environment: Environment

    @property
    def scenario(self) -> Scenario:
        """What is asked."""
        return self.environment.scenario

    def with_booking(self, booking: Booking) -> "World":
        """The same with another plan, or with another problem in it."""
        return replace(self, booking=booking)

    def with_task(self, task: int, asked: dict[str, Any], **changes) -> "World":
        """Another question: fields `asked` of the activity, `changes` of its task."""
        tasks = list(self.booking.problem.tasks)
        tasks[task] = replace(tasks[task], **changes)
        name = tasks[task].name
        scenario = self.scenario.with_part("activity", name, **asked)
        posed = _posed(self.booking, tasks=tuple(tasks))
        return World(posed, replace(self.environment, scenario=scenario))

    def with_node(self, n: int, asked: dict[str, Any], **changes) -> "World":
        """Another platform: fields `asked` of it, `changes` of its node."""
        nodes = list(self.booking.problem.nodes)
        nodes[n] = replace(nodes[n], **changes)
        scenario = self.scenario.with_part("platform", nodes[n].name, **asked)
        posed = _posed(self.booking, nodes=tuple(nodes))
        return World(posed, replace(self.environment, scenario=scenario))

    def with_columns(self, n: int, **columns: np.ndarray) -> "World":
        """Other columns in the environment of platform `n`."""
        name, platforms = self.booking.problem.nodes[n].name, self.environment.platforms
        table = platforms[name].assign(**columns)
        return replace(
            self, environment=replace(self.environment, platforms=platforms | {name: table})
        )


def _posed(booking: Booking, **changes) -> Booking:
    twin = booking.copy()
    twin.problem = replace(booking.problem, **changes)
    return twin


def settled(booking: Booking) -> Booking:
    """A copy with its flow: sending as planned or, if only that holds, in any contact."""
    planned, freer = booking.copy(), booking.copy()
    planned.flow = planned.simulate()
    if planned.flow.short is not None and planned.flow.short.kind == "storage":
        freer.may_send[:] = True
        freer.flow = freer.simulate()
        if not freer.flow.short:
            return freer
    return planned


def let_in(booking: Booking, task: int, start: int) -> Booking | None:
    """The plan with a run of `task` at `start`; None where that breaks a rule, in steps."""
    barred = any(
        amount[start] > TOLERANCE
        for family, amount in hurdles(booking, task).items()
        # The simulation judges energy better: it may put off sending.
        if family != "energy"
    )
    if barred or not orders_kept(booking):
        return None
    twin = with_run(booking, task, start)
    return None if twin.flow.short else twin


def orders_kept(booking: Booking) -> bool:
    """Whether every booked run still starts after those it waits for."""
    return all(
        start >= min(met_from, booking.met_from(earlier, settle))
        for task, runs in zip(booking.problem.tasks, booking.runs)
        for start in runs
        for earlier, settle, met_from in task.earlier
    )


def holds_somehow(world: World, holds: Callable[[World], bool]) -> bool:
    """Whether the replay agrees with the runs: sent as planned, in any contact, or anew."""
    planned, free = settled(world.booking), world.booking.copy()
    if not planned.flow.short and holds(world.with_booking(planned)):
        return True
    free.may_send[:] = True
    free.flow = free.simulate()
    was_free = planned.may_send.all()
    if not was_free and not free.flow.short and holds(world.with_booking(free)):
        return True
    anew = with_planned_sending(free, (COARSE,))
    return anew is not free and holds(world.with_booking(anew))


def holds_by_the_minute(world: World) -> bool:
    """Whether the replay finds no broken rule; it sees what the steps of a plan blur."""
    scenario, booking = world.scenario, world.booking
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
    return check_timeline(world.environment, slots).is_valid


class Overfull(NamedTuple):
    """By how many `mbit` the store of `node` is too full, first by the end of step `step`.

    Whether it lacks room then, or leave to hold so much at the end.
    """

    node: int
    mbit: float
    step: int
    lacks_room: bool
    lacks_leave: bool


def overfull(booking: Booking) -> Overfull | None:
    """The store that a booking overfills; None where its flow finds none too full."""
    short = booking.flow.short
    if short is None or short.kind != "storage":
        return None
    n = short.node
    node = booking.problem.nodes[n]
    nodes = list(booking.problem.nodes)
    nodes[n] = replace(node, store_mbit=np.inf, store_end_mbit=np.inf)
    boundless = settled(_posed(booking, nodes=tuple(nodes))).flow
    if boundless.short:
        return None
    held_mbit = boundless.held_mbit[n, 1:]
    over = np.flatnonzero(held_mbit > node.store_mbit + TOLERANCE)
    excess = held_mbit.max() - node.store_mbit, held_mbit[-1] - node.store_end_mbit
    step = int(over[0]) if len(over) else len(held_mbit) - 1
    return Overfull(n, max(excess), step, excess[0] > TOLERANCE, excess[1] > TOLERANCE)
