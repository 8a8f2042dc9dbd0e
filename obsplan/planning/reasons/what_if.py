"""One more run inserted in a copy of a plan, in its environment or in one with a single change.

A trial books the run, simulates battery and store through the span and has the replay by the
minute check the result.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from obsplan.checking.check import Verdict, check_timeline
from obsplan.environment.model import Environment
from obsplan.inputs.activity import Activity
from obsplan.inputs.scenario import Scenario
from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.definition import Node, Task
from obsplan.planning.problem.start_windows import why_no_window
from obsplan.planning.problem.timeline_table import plan_slots
from obsplan.planning.problem.tolerances import TOLERANCE
from obsplan.planning.reasons.blocking import Constraint, blocking_amounts, tolerance_of
from obsplan.planning.solver.transmit_windows import COARSE, with_planned_sending

# Starts that are tried for one kind of change.
MOST_STARTS = 4


@dataclass(frozen=True)
class Variant:
    """A plan in an environment that may differ from the real one: in steps and by the minute."""

    booking: Booking
    environment: Environment

    @property
    def scenario(self) -> Scenario:
        return self.environment.scenario

    def with_booking(self, booking: Booking) -> "Variant":
        """The same with another plan, or with another problem in it."""
        return replace(self, booking=booking)

    def with_task(self, task: int, fields: dict[str, Any], **figures) -> "Variant":
        """Other `fields` of the activity, and other `figures` of its task."""
        tasks = list(self.booking.problem.tasks)
        tasks[task] = replace(tasks[task], **figures)
        scenario = self.scenario.with_part("activity", tasks[task].name, **fields)
        booking = _with_problem(self.booking, tasks=tuple(tasks))
        return Variant(booking, replace(self.environment, scenario=scenario))

    def with_node(self, n: int, fields: dict[str, Any], **figures) -> "Variant":
        """Other `fields` of the platform, and other `figures` of its node."""
        nodes = list(self.booking.problem.nodes)
        nodes[n] = replace(nodes[n], **figures)
        scenario = self.scenario.with_part("platform", nodes[n].name, **fields)
        booking = _with_problem(self.booking, nodes=tuple(nodes))
        return Variant(booking, replace(self.environment, scenario=scenario))

    def with_team(self, k: int, at_once: int) -> "Variant":
        """A team that can watch more or fewer runs at once."""
        scenario, teams = self.scenario, list(self.booking.problem.teams)
        team = scenario.team[k]
        more = at_once - team.at_once
        teams[k] = replace(teams[k], at_once=teams[k].at_once + more)
        scenario = scenario.with_part("team", team.name, at_once=at_once)
        booking = _with_problem(self.booking, teams=tuple(teams))
        return Variant(booking, replace(self.environment, scenario=scenario))

    def with_columns(self, n: int, **columns: np.ndarray) -> "Variant":
        """Other columns in the environment of platform `n`."""
        name, platforms = self.booking.problem.nodes[n].name, self.environment.platforms
        table = platforms[name].assign(**columns)
        return replace(
            self, environment=replace(self.environment, platforms=platforms | {name: table})
        )


# The verdict by the minute on a variant.
Replay = Callable[[Variant], Verdict]


@dataclass(frozen=True)
class Insertion:
    """One more run of a task in a plan: where it might go, and what blocks it there.

    variant: the plan as it is. slots: ids by activity and start. blocking: as in
    `blocking_amounts`. barred (steps,): where a run may not start regardless of its conditions.
    first: the first step of which anything may still be changed.
    """

    variant: Variant
    slots: dict[tuple[str, pd.Timestamp], str]
    task: int
    blocking: dict[str, np.ndarray]
    replay: Replay
    barred: np.ndarray
    first: int = 0

    @property
    def scenario(self) -> Scenario:
        return self.variant.scenario

    @property
    def environment(self) -> Environment:
        return self.variant.environment

    @property
    def booking(self) -> Booking:
        return self.variant.booking

    @property
    def activity(self) -> Activity:
        return self.scenario.activity[self.task]

    @property
    def what(self) -> Task:
        return self.booking.problem.tasks[self.task]

    @property
    def node(self) -> Node:
        return self.booking.problem.nodes[self.what.node]

    @cached_property
    def why_no_window(self) -> str:
        """Why the activity has no window that is not over; "" if it has one."""
        return why_no_window(self.environment, self.activity, self.first)

    def at(self, step: int) -> pd.Timestamp:
        """The first instant of a step."""
        return self.minute_at(step * self.scenario.span.step_min)

    def minute_at(self, minute: float) -> pd.Timestamp:
        """The instant `minute` minutes after the start of the span."""
        return self.environment.sky.index[0] + pd.Timedelta(minutes=minute)

    def free_but_for(self, *constraints: str) -> np.ndarray:
        """Starts at which nothing blocks the run but perhaps `constraints`."""
        others = [
            amount > tolerance_of(key)
            for key, amount in self.blocking.items()
            if key not in constraints
        ]
        return ~np.any(others, axis=0)

    def blocked_only_by(self, constraint: str) -> np.ndarray:
        """Starts at which `constraint` blocks the run, and nothing else does."""
        return self.free_but_for(constraint) & (
            self.blocking[constraint] > tolerance_of(constraint)
        )

    def is_valid_with(self, booking: Booking, variant: Variant | None = None) -> bool:
        """Whether the replay accepts `booking`, in the variant as it is or another."""
        return is_valid_with_some_sending(
            (variant or self.variant).with_booking(booking), self.replay
        )

    def best(self, amount: np.ndarray, where: np.ndarray) -> Iterator[int]:
        """A few starts of `where`, least `amount` first, a slot's length apart."""
        left = np.where(where & np.isfinite(amount), amount, np.inf)
        for _ in range(MOST_STARTS):
            if np.isinf(left).all():
                return
            start = int(np.argmin(left))
            yield start
            left[max(0, start - self.what.length + 1) : start + self.what.length] = np.inf


def with_run(booking: Booking, task: int, start: int) -> Booking:
    """A copy with one more run, its flow worked out."""
    copy = booking.copy()
    copy.add(task, start)
    return simulated(copy)


def simulated(booking: Booking) -> Booking:
    """A copy with its flow: sending as planned or, if only that suffices, in any contact."""
    planned, freer = booking.copy(), booking.copy()
    planned.flow = planned.simulate()
    if planned.flow.short is not None and planned.flow.short.kind == "storage":
        freer.may_send[:] = True
        freer.flow = freer.simulate()
        if not freer.flow.short:
            return freer
    return planned


def inserted(booking: Booking, task: int, start: int) -> Booking | None:
    """The plan with a run of `task` at `start`; None if that breaks a rule, in steps."""
    blocked = any(
        amount[start] > tolerance_of(constraint)
        for constraint, amount in blocking_amounts(booking, task).items()
        # The simulation is more exact on energy: it may delay sending.
        if constraint != Constraint.ENERGY
    )
    if blocked or not keeps_orders(booking):
        return None
    fuller = with_run(booking, task, start)
    return None if fuller.flow.short else fuller


def keeps_orders(booking: Booking) -> bool:
    """Whether every booked run starts after those it waits for."""
    return all(booking.needs_met(i)[runs].all() for i, runs in enumerate(booking.runs) if runs)


def is_valid_with_some_sending(variant: Variant, replay: Replay) -> bool:
    """Whether the replay accepts the runs: sent as planned, in any contact, or replanned."""
    planned, free = simulated(variant.booking), variant.booking.copy()
    if not planned.flow.short and replay(variant.with_booking(planned)).is_valid:
        return True
    free.may_send[:] = True
    free.flow = free.simulate()
    was_free = planned.may_send.all()
    if not was_free and not free.flow.short and replay(variant.with_booking(free)).is_valid:
        return True
    replanned_sending = with_planned_sending(free, (COARSE,))
    return (
        replanned_sending is not free and replay(variant.with_booking(replanned_sending)).is_valid
    )


def replayed(variant: Variant) -> Verdict:
    """The verdict by the minute, which resolves what the steps of a plan average."""
    slots = plan_slots(variant.scenario, variant.booking)
    return check_timeline(variant.environment, slots, fixes=False, keep_margins=True)


class Overflow(NamedTuple):
    """By how many `mbit` the store of `node` is too full, first by the end of step `step`.

    Whether that exceeds its capacity, its limit at the end of the span, or both.
    """

    node: int
    mbit: float
    step: int
    over_capacity: bool
    over_end_limit: bool


def overflow(booking: Booking) -> Overflow | None:
    """The store that a booking overfills; None if none is too full."""
    short = booking.flow.short
    if short is None or short.kind != "storage":
        return None
    n = short.node
    node = booking.problem.nodes[n]
    nodes = list(booking.problem.nodes)
    nodes[n] = replace(node, store_mbit=np.inf, store_end_mbit=np.inf)
    boundless = simulated(_with_problem(booking, nodes=tuple(nodes))).flow
    if boundless.short:
        return None
    held_mbit = boundless.held_mbit[n, 1:]
    over = np.flatnonzero(held_mbit > node.store_mbit + TOLERANCE)
    excess = float(held_mbit.max() - node.store_mbit), float(held_mbit[-1] - node.store_end_mbit)
    step = int(over[0]) if len(over) else len(held_mbit) - 1
    return Overflow(n, max(excess), step, excess[0] > TOLERANCE, excess[1] > TOLERANCE)


def _with_problem(booking: Booking, **changes) -> Booking:
    copy = booking.copy()
    copy.problem = replace(booking.problem, **changes)
    return copy
