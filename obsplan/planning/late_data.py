"""Starts from which data are on Earth too late, as a replay by the minute says.

That depends on all that is sent, which the problem in steps leaves out.
"""

from dataclasses import replace

from obsplan.checking.check import Verdict
from obsplan.planning.problem.definition import Problem


def without_late_starts(problem: Problem, verdict: Verdict) -> Problem:
    """The problem without the starts at which a replay found data to be late."""
    late: dict[str, list[int]] = {}
    for wait in verdict.data_waits:
        if wait.is_late:
            step = int(wait.run.start_min // (60 * problem.step_h))
            late.setdefault(wait.run.activity.name, []).append(step)
    if not late:
        return problem
    tasks = list(problem.tasks)
    for i, task in enumerate(tasks):
        # A pinned run has no other start.
        if task.name in late and not task.pinned:
            starts = task.starts.copy()
            starts[[step for step in late[task.name] if 0 <= step < problem.steps]] = False
            tasks[i] = replace(task, starts=starts)
    return replace(problem, tasks=tuple(tasks))
