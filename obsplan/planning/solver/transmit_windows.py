"""When each platform sends, for the least energy: a linear program with the runs as fixed loads.

Sending as early as possible, as a replay does where nothing else is planned, may cost energy
that runs need later. The program has rows summed over hours, or one for each step.
"""

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.definition import Problem
from obsplan.planning.solver.highs import is_optimal, loaded, solution
from obsplan.planning.solver.model import build_model, steps_summed
from obsplan.planning.solver.model_solution import sending_steps

# Battery and store summed over hours, or step by step.
COARSE, BY_STEP = True, False


def with_planned_sending(booking: Booking, models: tuple[bool, ...] = (COARSE, BY_STEP)) -> Booking:
    """The same runs, sending when it takes least energy; `booking` if that fails.

    The `models` are solved in turn until one gives a feasible plan. The coarse one takes a tenth
    of the time and says only in which hours to send, so it costs a little more energy.
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
    """Steps in which each node may send (nodes, steps); None if the program is infeasible."""
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
    model = build_model(Problem(problem.steps, problem.step_h, (), nodes, frozenset()), coarse)
    for node, share in zip(nodes, model.sending):
        here = share >= 0
        late = 1 + 1e-3 * np.arange(problem.steps)[here] / problem.steps
        model.cost[share[here]] = -late * (1e-3 + (node.transmit_w * node.send_share)[here])
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
