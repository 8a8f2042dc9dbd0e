"""The subproblem of a time window: some steps of the span, all runs outside it fixed.

Fixed runs enter as loads, data, exclusions, places taken and budgets used; battery and stores start
as booked and must end no worse than the runs after the window need.
"""

from dataclasses import replace

import numpy as np

from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.definition import Node, Problem, Task


def excerpt(booking: Booking, free: tuple[int, int], last: int) -> tuple[Problem, Booking]:
    """Steps free[0]..last of the booked problem, in which runs may start before free[1].

    Returns the subproblem and `booking` without the runs that it may place anew. The first run
    of a prerequisite stays where it is, for runs outside the window may need it; so does a run
    that reaches past the window.
    """
    problem = booking.problem
    first = free[0]
    fixed = booking.copy()
    for i, runs in enumerate(booking.runs):
        pinned = booking.pinned(i)
        for start in sorted(runs):
            inside = free[0] <= start < free[1] and start + problem.tasks[i].length <= last
            if inside and start not in pinned:
                fixed.add(i, start, -1)
    tasks = tuple(_task(problem, fixed, i, free, last) for i in range(len(problem.tasks)))
    nodes = tuple(_node(booking, fixed, n, first, last) for n in range(len(problem.nodes)))
    budgets = tuple(budget.after([len(runs) for runs in fixed.runs]) for budget in problem.budgets)
    return Problem(last - first, problem.step_h, tasks, nodes, problem.exclusive, budgets), fixed


def _task(problem: Problem, fixed: Booking, i: int, free: tuple[int, int], last: int) -> Task:
    task, first = problem.tasks[i], free[0]
    starts = fixed.clear_starts(i)
    starts[: free[0]] = False
    # A run may not reach past the window, where neither its load nor its data would count.
    starts[max(0, min(free[1], last - task.length + 1)) :] = False
    own = fixed.runs[i]
    return replace(
        task,
        count=task.count - len(own),
        must=max(0, task.must - len(own)),
        starts=starts[first:last],
        bins=task.bins[first:last],
        needs=tuple(need._replace(met=fixed.met(need)[first:last]) for need in task.needs),
        preference=task.preference[first:last],
        held=task.held + np.bincount(task.bins[own], minlength=len(task.held)),
    )


def _node(booking: Booking, fixed: Booking, n: int, first: int, last: int) -> Node:
    node, flow = booking.problem.nodes[n], booking.flow
    part = slice(first, last)
    needed_wh = booking.recharged(n).needed_wh[n]
    held, final = flow.held_mbit[n], last == booking.problem.steps
    # Data carried from here to the end must find room at every later step.
    room = min((node.store_mbit - held[last:]).min(), node.store_end_mbit - held[-1])
    return replace(
        node,
        generation_w=node.generation_w[part],
        above_mean_w=node.above_mean_w[part],
        base_w=fixed.load_w[n, part],
        base_peak_w=fixed.peak_w[n, part],
        base_data_mbit=fixed.data_mbit[n, part],
        send_mbit=node.send_mbit[part],
        send_share=node.send_share[part],
        station=node.station[part],
        start_wh=flow.stored_wh[n, first],
        end_wh=node.end_wh if final else needed_wh[last],
        store_start_mbit=held[first],
        store_end_mbit=node.store_end_mbit if final else held[last] + max(0.0, room),
    )
