"""A piece of a problem: some steps of the span, all else as it is booked.

What lies outside the piece enters as loads, data, exclusions and places already taken;
battery and stores start as booked and must end no worse than the rest of the plan needs.
"""

from dataclasses import replace

import numpy as np

from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.definition import Node, Problem, Task


def excerpt(booking: Booking, free: tuple[int, int], last: int) -> tuple[Problem, Booking]:
    """Steps free[0]..last of the booked problem, in which runs may start before free[1].

    Returns the smaller problem and `booking` without the runs that it may place anew. The
    first run that others wait for stays where it is, for runs outside the piece may need it;
    so does a run that reaches past the piece.
    """
    problem = booking.problem
    first = free[0]
    rest = booking.copy()
    for i, runs in enumerate(booking.runs):
        for start in sorted(runs):
            pinned = i in problem.prerequisites and start == min(booking.runs[i])
            inside = free[0] <= start < free[1] and start + problem.tasks[i].length <= last
            if inside and not pinned:
                rest.add(i, start, -1)
    pieces = tuple(_task(problem, rest, i, free, last) for i in range(len(problem.tasks)))
    nodes = tuple(_node(booking, rest, n, first, last) for n in range(len(problem.nodes)))
    return Problem(last - first, problem.step_h, pieces, nodes, problem.exclusive), rest


def _task(problem: Problem, rest: Booking, i: int, free: tuple[int, int], last: int) -> Task:
    task, first = problem.tasks[i], free[0]
    starts = rest.clear_starts(i)
    starts[: free[0]] = False
    # A run may not reach past the piece, where neither its load nor its data would count.
    starts[max(0, min(free[1], last - task.length + 1)) :] = False
    fixed = rest.runs[i]
    return replace(
        task,
        count=task.count - len(fixed),
        must=max(0, task.must - len(fixed)),
        starts=starts[first:last],
        bins=task.bins[first:last],
        earlier=tuple(
            (earlier, settle, max(0, min(met_from, rest.met_from(earlier, settle)) - first))
            for earlier, settle, met_from in task.earlier
        ),
        favour=task.favour[first:last],
        held=task.held + np.bincount(task.bins[fixed], minlength=len(task.held)),
    )


def _node(booking: Booking, rest: Booking, n: int, first: int, last: int) -> Node:
    node, flow = booking.problem.nodes[n], booking.flow
    part = slice(first, last)
    needed_wh = booking.recharged(n).needed_wh[n]
    held, final = flow.held_mbit[n], last == booking.problem.steps
    # What rides along from here to the end must find room at every later step.
    room = min((node.store_mbit - held[last:]).min(), node.store_end_mbit - held[-1])
    return replace(
        node,
        generation_w=node.generation_w[part],
        base_w=rest.load_w[n, part],
        base_peak_w=rest.peak_w[n, part],
        base_data_mbit=rest.data_mbit[n, part],
        send_mbit=node.send_mbit[part],
        send_share=node.send_share[part],
        station=node.station[part],
        start_wh=flow.stored_wh[n, first],
        end_wh=node.end_wh if final else needed_wh[last],
        store_start_mbit=held[first],
        store_end_mbit=node.store_end_mbit if final else held[last] + max(0.0, room),
    )
