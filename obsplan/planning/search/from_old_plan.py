"""An old plan mended with as few changes as can be: what cannot stay goes, gaps are filled."""

from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.definition import Problem
from obsplan.planning.search.first_plan import quick_plan
from obsplan.planning.search.greedy import greedy_plan
from obsplan.planning.search.sending import with_planned_sending


def repaired(problem: Problem, old: list[list[int]]) -> Booking:
    """The old starts as far as they can stay, and what more fits; all required runs.

    Raises LookupError when required runs find no place together.
    """
    booking = Booking(problem)
    runs = [(i, start) for i, starts in enumerate(old) for start in sorted(set(starts))]

    def rank(run: tuple[int, int]) -> tuple:
        task = problem.tasks[run[0]]
        return (
            not (task.must or run[0] in problem.prerequisites),
            -task.value / task.length,
            run[1],
            run[0],
        )

    hopeful = booking.copy()
    for i, start in sorted(runs, key=rank):
        if _may_start(hopeful, i, start):
            hopeful.add(i, start)
    hopeful.flow = hopeful.simulate()
    hopeful = with_planned_sending(hopeful) if hopeful.flow.short else hopeful
    if not hopeful.flow.short and hopeful.fits_bus():
        booking = hopeful
    else:
        # Twice: planned sending leaves room that sending at once does not.
        for _ in range(2):
            for i, start in sorted(runs, key=rank):
                if start not in booking.runs[i] and booking.open_starts(i)[start]:
                    booking.add_if_it_holds(i, start)
            booking = with_planned_sending(booking)
    booking = greedy_plan(problem, booking)
    if booking.lacks_required_runs():
        return quick_plan(problem)
    return greedy_plan(problem, with_planned_sending(booking))


def _may_start(booking: Booking, i: int, start: int) -> bool:
    """Whether a run breaks no exclusion, gap, order or count; bus and energy come later."""
    task = booking.problem.tasks[i]
    return (
        start >= booking.orders_met_from(i)
        and len(booking.runs[i]) < task.count
        and bool(booking.clear_starts(i)[start])
    )
