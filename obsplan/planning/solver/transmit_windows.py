"""When each platform sends: a linear program with the runs as fixed loads.

Sending whenever there is contact, as a replay does where nothing else is planned, may cost energy
that runs need later. The program sends for the least energy, or as early as can be without such
harm. It has rows summed over hours, or one for each step.
"""

from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np

from obsplan.planning.problem.awaited_data import awaited_sending
from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.definition import Node, Problem
from obsplan.planning.solver.highs import is_optimal, loaded, solution
from obsplan.planning.solver.model import build_model, steps_summed
from obsplan.planning.solver.model_solution import sending_steps

# Battery and store summed over hours, or step by step.
COARSE, BY_STEP = True, False


def with_planned_sending(booking: Booking, models: tuple[bool, ...] = (COARSE, BY_STEP)) -> Booking:
    """The same runs, sending when it takes least energy; `booking` if that fails.

    The `models` are solved in turn until one gives a feasible plan. The coarse one takes a tenth
    of the time and says only in which hours to send, so it costs a little more energy. Data that
    decisions wait for are sent at once.
    """
    awaited = awaited_sending(booking)
    for coarse in models:
        steps = _sending_steps(booking, coarse, _energy_worth)
        planned = _sent_in(booking, None if steps is None else steps | awaited)
        if planned is not None:
            return planned
    return booking


def with_early_sending(booking: Booking) -> Booking:
    """The same runs, sent in early steps as far as what is planned later allows; `booking` if that
    fails.
    """
    planned = _sent_in(booking, _sending_steps(booking, BY_STEP, _earliness_worth))
    return booking if planned is None else planned


def _sent_in(booking: Booking, may_send: np.ndarray | None) -> Booking | None:
    """The same runs, sending in these steps alone; None if they fall short."""
    if may_send is None:
        return None
    planned = booking.copy()
    planned.may_send = may_send
    planned.flow = planned.simulate()
    return None if planned.flow.short else planned


def _energy_worth(node: Node, late: np.ndarray) -> np.ndarray:
    """What sending is worth (steps,): the less energy it takes, the more; then the earlier.

    `late` (steps,) rises from 0 to 1 through the span.
    """
    return -(1 + 1e-3 * late) * (1e-3 + node.transmit_w * node.send_share)


def _earliness_worth(node: Node, late: np.ndarray) -> np.ndarray:
    """What sending is worth (steps,): for each Mbit the time that it waits no more; then as
    `_energy_worth`."""
    return (1 - late) * node.send_mbit - 1e-6 * node.transmit_w * node.send_share


def _sending_steps(
    booking: Booking, coarse: bool, worth: Callable[[Node, np.ndarray], np.ndarray]
) -> np.ndarray | None:
    """Steps in which each node may send (nodes, steps); None if the program is infeasible."""
    problem = booking.problem
    nodes = tuple(
        replace(
            node,
            base_w=booking.load_w[n],
            base_peak_w=booking.peak_w[n],
            base_data_mbit=booking.data_mbit[n],
            send_mbit=np.where(booking.muted[n] == 0, node.send_mbit, 0.0),
        )
        for n, node in enumerate(problem.nodes)
    )
    model = build_model(Problem(problem.steps, problem.step_h, (), nodes, frozenset()), coarse)
    for node, share in zip(nodes, model.sending):
        here = share >= 0
        model.cost[share[here]] = worth(node, np.arange(problem.steps) / problem.steps)[here]
    solver = loaded(model, mixed=False)
    solver.run()
    if not is_optimal(solver):
        return None
    sending = sending_steps(solution(solver), model)
    if coarse:
        # Data may come only after the chosen step; any step of the sum will do.
        row = np.arange(problem.steps) // steps_summed(problem)
        used = np.array([np.bincount(row, each) > 0 for each in sending])
        sending = used[:, row] & np.array([node.send_mbit > 0 for node in nodes])
    return sending


def ways_to_send(
    booking: Booking, models: tuple[bool, ...] = (COARSE, BY_STEP), even_if_short: bool = True
) -> Iterator[Booking]:
    """The same runs, sending as planned, as early as can be, and for the least energy.

    Ways in which the steps fall short are left out. The last takes long, so it is only tried if
    another will do in steps, or `even_if_short`.
    """
    free = booking.copy()
    free.may_send[:] = True
    free.flow = free.simulate()
    differs = not np.array_equal(free.flow.sent_share, booking.flow.sent_share)
    ways = [way for way in (booking, *[free] * differs) if not way.flow.short]
    yield from ways
    if ways or even_if_short:
        planned = with_planned_sending(booking, models)
        if planned is not booking:
            yield planned
