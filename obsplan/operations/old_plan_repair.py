"""Repair of an old plan with few changes: infeasible runs are dropped, free time is filled."""

from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.definition import Problem, first_worths
from obsplan.planning.search.first_plan import quick_plan
from obsplan.planning.search.greedy import greedy_plan
from obsplan.planning.solver.transmit_windows import with_planned_sending


def repaired(problem: Problem, old: list[list[int]]) -> Booking:
    """The old starts as far as they are still feasible, all required runs, and what else fits.

    Raises NoPlaceFound if no place is found for the required runs.
    """
    booking = Booking(problem)
    runs = [(i, start) for i, starts in enumerate(old) for start in sorted(set(starts))]

    worth = first_worths(problem)

    def rank(run: tuple[int, int]) -> tuple:
        task = problem.tasks[run[0]]
        first = bool(task.must or run[0] in problem.prerequisites)
        return (
            not first,
            # What others need goes in order of time, as they need each other too.
            0.0 if first else -worth[run[0]] / task.length,
            run[1],
            run[0],
        )

    kept = booking.copy()
    for i, start in sorted(runs, key=rank):
        if _may_start(kept, i, start):
            kept.add(i, start)
    kept.flow = kept.simulate()
    kept = with_planned_sending(kept) if kept.flow.short else kept
    if not kept.flow.short and kept.fits_bus() and kept.fits_budgets():
        booking = kept
    else:
        # Twice: planned sending leaves room that sending as early as possible does not.
        for _ in range(2):
            for i, start in sorted(runs, key=rank):
                if start not in booking.runs[i] and booking.open_starts(i)[start]:
                    booking.add_if_feasible(i, start)
            booking = with_planned_sending(booking)
    booking = greedy_plan(problem, booking)
    if booking.lacks_required_runs():
        return quick_plan(problem)
    return greedy_plan(problem, with_planned_sending(booking))


def _may_start(booking: Booking, i: int, start: int) -> bool:
    """Whether a run breaks no exclusion, gap, order or count; the rest is checked later."""
    task = booking.problem.tasks[i]
    return (
        bool(booking.needs_met(i)[start])
        and len(booking.runs[i]) < task.count
        and bool(booking.clear_starts(i)[start])
    )
