"""Data that reach Earth soon only if sent at once: decisions wait for them, or a limit is set."""

import numpy as np

from obsplan.planning.problem.booking import Booking


def awaited_sending(booking: Booking) -> np.ndarray:
    """Steps (nodes, steps) in which data are on their way that have to be on Earth soon.

    From the start of each run that others wait for until its data can be there, and of each with
    a limit of its own as long as that lasts.
    """
    problem = booking.problem
    nodes, tasks = problem.nodes, problem.tasks
    awaited = np.zeros((len(nodes), problem.steps), dtype=bool)

    def wait(task: int, start: int, until: int) -> None:
        node = tasks[task].node
        while node >= 0:
            awaited[node, start : until + 1] = True
            node = nodes[node].receiver

    for need in (need for task in tasks for need in task.needs):
        if (ready_at := need.ready) is not None and tasks[need.task].data_mbit.any():
            for start in booking.runs[need.task]:
                if (ready := int(ready_at[start])) < problem.steps:
                    wait(need.task, start, ready)
    for i, task in enumerate(tasks):
        for start in booking.runs[i] if task.prompt else ():
            wait(i, start, start + task.prompt)
    return awaited & (np.array([node.send_mbit for node in nodes]) > 0)
