"""Battery and store of every platform under the loads that are booked, step by step.

Sending follows the rule that a replay uses: as early as contact, bus and battery allow,
but never with energy that booked loads still need. Searches walk the same span thousands of
times, so a walk takes over from an earlier one whatever has not changed.
"""

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from obsplan.planning.problem.definition import Node, Problem
from obsplan.planning.problem.tolerances import SAME_WH, TAKEN_OVER, TOLERANCE

# Steps that are walked before charge and data are compared with those of another walk.
AT_A_TIME = 32


@dataclass(frozen=True)
class Loads:
    """Inputs of a walk, all (nodes, steps): power left by the booked loads before any sending,
    data taken, and what could be sent where sending is allowed (0 elsewhere)."""

    net_w: np.ndarray
    data_mbit: np.ndarray
    able_mbit: np.ndarray

    def differ(self, other: "Loads") -> np.ndarray:
        """Steps (n,) at which the two differ."""
        return np.flatnonzero(
            (
                (self.net_w != other.net_w)
                | (self.data_mbit != other.data_mbit)
                | (self.able_mbit != other.able_mbit)
            ).any(axis=0)
        )


@dataclass(frozen=True)
class Shortage:
    """The battery or the store that fails first: `node` is its index in the problem.

    at_end: its limit at the end of the span fails, not one during it. Energy is judged for the
    rest of the span at once, so there it is always False.
    """

    kind: Literal["energy", "storage"]
    node: int
    at_end: bool = False

    def words(self, problem: Problem) -> str:
        """For example: storage of "rover" at the end."""
        end = " at the end" if self.at_end else ""
        return f'{self.kind} of "{problem.nodes[self.node].name}"{end}'


@dataclass(frozen=True)
class Flow:
    """Battery and store of every node under the booked runs.

    `short` is what fails first, None if nothing does; then arrays are not filled further.

    stored_wh, needed_wh, held_mbit (nodes, steps + 1); sent_share (nodes, steps).
    """

    stored_wh: np.ndarray
    needed_wh: np.ndarray
    held_mbit: np.ndarray
    sent_share: np.ndarray
    short: Shortage | None


@dataclass(frozen=True)
class Walk:
    """A flow without shortage and its loads: the next walk may start from it."""

    nodes: tuple[Node, ...]
    loads: Loads
    flow: Flow


def walked(problem: Problem, loads: Loads, before: Walk | None = None) -> Flow:
    """Battery and store of every node through the span.

    Where a walk `before` is given, only from the first step at which loads differ, or at which
    less or more may be sent than was, until charge and data are the same again.
    """
    count, steps = len(problem.nodes), problem.steps
    needed = np.array(
        [
            needed_wh(node, gained_wh(node, net_w, problem.step_h))
            for node, net_w in zip(problem.nodes, loads.net_w)
        ]
    )
    flow = Flow(
        np.zeros((count, steps + 1)),
        needed,
        np.zeros((count, steps + 1)),
        np.zeros((count, steps)),
        None,
    )
    for n, node in enumerate(problem.nodes):
        if needed[n, 0] > node.start_wh + TOLERANCE:
            return replace(flow, short=Shortage("energy", n))
    first, last = 0, steps
    flow.stored_wh[:, 0] = [node.start_wh for node in problem.nodes]
    flow.held_mbit[:, 0] = [node.store_start_mbit for node in problem.nodes]
    if before is not None and before.nodes is not problem.nodes:
        before = None
    if before is not None:
        differ = loads.differ(before.loads)
        last = int(differ[-1]) + 1 if len(differ) else 0
        first = min(_first_resent(problem, before, needed), int(differ[0]) if last else steps)
        _take_over(before.flow, flow, slice(0, first))
    return replace(flow, short=_walk(problem, loads, flow, first, last, before))


def _first_resent(problem: Problem, before: Walk, needed: np.ndarray) -> int:
    """First step at which `needed` lets a node send less, or more, than it did before."""
    resent = np.zeros(problem.steps, dtype=bool)
    for n, node in enumerate(problem.nodes):
        left, was_left = (
            _left_wh(node, problem.step_h, before.loads.net_w[n], before.flow, n, need_wh)
            for need_wh in (needed[n], before.flow.needed_wh[n])
        )
        # If the battery limited sending, it may now limit it less.
        freer = (was_left <= TOLERANCE) & (left > SAME_WH)
        sending = (before.loads.able_mbit[n] > 0) & (node.transmit_w * node.send_share > 0)
        resent |= sending & ((left < -SAME_WH) | freer)
    return int(resent.argmax()) if resent.any() else problem.steps


def _left_wh(
    node: Node, hour: float, net_w: np.ndarray, flow: Flow, n: int, need_wh: np.ndarray
) -> np.ndarray:
    """Energy (steps,) that node `n` might still send with, were it to need `need_wh`.

    `net_w` (steps,) is left by the booked loads, and `need_wh` (steps + 1,) is needed as each
    step begins. Below zero where too much is sent.
    """
    quiet_wh = gain_wh(node, net_w, hour)
    sent_wh = quiet_wh - change_wh(node, net_w, flow.sent_share[n] * node.send_share, hour)
    spare_wh = flow.stored_wh[n, :-1] + quiet_wh - need_wh[1:]
    left_wh: np.ndarray = np.maximum(0.0, spare_wh) - sent_wh
    return left_wh


def _take_over(source: Flow, target: Flow, steps: slice) -> None:
    """Copy what happens in `steps`, and what is there after each."""
    after = slice(steps.start + 1, steps.stop + 1)
    target.stored_wh[:, after] = source.stored_wh[:, after]
    target.held_mbit[:, after] = source.held_mbit[:, after]
    target.sent_share[:, steps] = source.sent_share[:, steps]


def needed_wh(node: Node, gained: np.ndarray) -> np.ndarray:
    """Least charge (steps + 1,) that keeps reserve and end charge, with these gains (steps + 1,).

    In Wh, at the start of each step and at the end of the span; infinite if not even a
    full battery would do.
    """
    least = np.full(len(gained), node.reserve_wh)
    least[-1] = node.end_wh
    needed = gained + np.maximum.accumulate((least - gained)[::-1])[::-1]
    # More than a full battery can never be there when the step begins.
    hopeless = np.flatnonzero(needed[:-1] > node.capacity_wh + TOLERANCE)
    needed[: hopeless[-1] + 1 if len(hopeless) else 0] = np.inf
    return needed


def gained_wh(node: Node, net_w: np.ndarray, step_h: float) -> np.ndarray:
    """Cumulative gains up to each step (steps + 1,) of a battery without limits."""
    return np.concatenate([[0.0], np.cumsum(gain_wh(node, net_w, step_h))])


def gain_wh(node: Node, net_w: np.ndarray, step_h: float) -> np.ndarray:
    """What each step (steps,) adds to the battery in Wh, or takes from it, while there is room."""
    charged_w = np.minimum(net_w, node.charge_limit_w) * node.charge_efficiency
    return np.where(net_w >= 0, charged_w, net_w / node.discharge_efficiency) * step_h


def change_wh(node: Node, net_w: np.ndarray, on: np.ndarray, step_h: float) -> np.ndarray:
    """As `gain_wh`, with the transmitter on for the share `on` of each step (steps,).

    It is on or off: what the arrays yield beyond the loads is charged while it is off.
    """
    quiet = gain_wh(node, net_w, step_h)
    change: np.ndarray = quiet + on * (gain_wh(node, net_w - node.transmit_w, step_h) - quiet)
    return change


def relays_first(nodes: tuple[Node, ...]) -> list[int]:
    """Nodes in the order in which data move within a step: those that send to another first."""
    return sorted(range(len(nodes)), key=lambda n: (nodes[n].receiver < 0, n))


def _walk(
    problem: Problem, loads: Loads, flow: Flow, first: int, last: int, before: Walk | None
) -> Shortage | None:
    """Fill `flow` from step `first`; return what falls short.

    From step `last` on the loads are those of `before`; once charge and data agree too, the
    remaining steps are taken over.
    """
    stored, held = flow.stored_wh, flow.held_mbit
    for begin in range(first, problem.steps, AT_A_TIME):
        if before is not None and begin >= last:
            apart_wh = np.abs(stored[:, begin] - before.flow.stored_wh[:, begin])
            apart_mbit = np.abs(held[:, begin] - before.flow.held_mbit[:, begin])
            if max(apart_wh.max(), apart_mbit.max()) <= TAKEN_OVER:
                _take_over(before.flow, flow, slice(begin, problem.steps))
                break
        part = slice(begin, min(begin + AT_A_TIME, problem.steps))
        if short := _walk_on(problem, loads, flow, part):
            return short
    for n, node in enumerate(problem.nodes):
        if held[n, -1] > node.store_end_mbit + TOLERANCE:
            return Shortage("storage", n, at_end=True)
    return None


def _walk_on(problem: Problem, loads: Loads, flow: Flow, part: slice) -> Shortage | None:
    """Fill `flow` in the steps of `part`; return what falls short."""
    hour, nodes = problem.step_h, problem.nodes
    rows = []
    for n in relays_first(nodes):
        net_w, send_share = loads.net_w[n, part], nodes[n].send_share[part]
        gain = gain_wh(nodes[n], net_w, hour)
        lists = (
            gain,
            loads.data_mbit[n, part],
            loads.able_mbit[n, part],
            gain - change_wh(nodes[n], net_w, send_share, hour),
            flow.needed_wh[n, part.start + 1 : part.stop + 1],
            nodes[n].station[part],
        )
        limits = nodes[n].capacity_wh, nodes[n].store_mbit + TOLERANCE, nodes[n].receiver
        # Numbers are read from lists, and appended to lists, faster than from and to arrays.
        rows.append((n, *limits, [], [], *(each.tolist() for each in lists)))
    shares = flow.sent_share
    charge, data = flow.stored_wh[:, part.start].tolist(), flow.held_mbit[:, part.start].tolist()
    short: Shortage | None = None
    for t in range(part.stop - part.start):
        busy: dict[int, float] = {}
        for n, capacity, most, to, stored, held, gain, new, able, cost, need, station in rows:
            left = data[n] + new[t]
            level = charge[n] + gain[t]
            if able[t] > 0 and left > 0:
                share = min(1.0, left / able[t])
                if to >= 0:
                    room = max(0.0, nodes[to].store_mbit - data[to])
                    share = min(share, room / able[t])
                elif station[t] >= 0:
                    share = min(share, 1.0 - busy.get(station[t], 0.0))
                if cost[t] > 0 and share > 0:
                    share = max(0.0, min(share, (level - need[t]) / cost[t]))
                if share > 0:
                    level -= share * cost[t]
                    left -= share * able[t]
                    shares[n, part.start + t] = share
                    if to >= 0:
                        data[to] += share * able[t]
                    elif station[t] >= 0:
                        busy[station[t]] = busy.get(station[t], 0.0) + share
            data[n] = left
            if left > most:
                short = Shortage("storage", n)
                break
            charge[n] = level if level < capacity else capacity
            stored.append(charge[n])
            held.append(left)
        if short:
            break
    for n, _, _, _, stored, held, *_ in rows:
        after = slice(part.start + 1, part.start + 1 + len(stored))
        flow.stored_wh[n, after], flow.held_mbit[n, after] = stored, held
    return short
