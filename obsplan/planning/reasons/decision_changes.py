"""What a run waits for that people decide on, and a quicker decision that would let it fit."""

from dataclasses import replace

from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.decisions import order_steps, ready_steps
from obsplan.planning.problem.definition import Problem
from obsplan.planning.reasons.blocking import Constraint
from obsplan.planning.reasons.fix_wording import Answer, QuickerDecision
from obsplan.planning.reasons.reason_wording import Waiting
from obsplan.planning.reasons.what_if import Insertion, Variant
from obsplan.planning.reasons.window_changes import Changes


def awaited(insertion: Insertion, start: int) -> Waiting | None:
    """What a run at `start` has to wait for first; None if others wait for it instead."""
    number = _number(insertion, start)
    return None if number is None else _waiting(insertion, number)


def quicker_decision(insertion: Insertion) -> Changes:
    """People who take less time to decide."""
    wait, step_min = insertion.blocking[Constraint.ORDER], insertion.scenario.span.step_min
    for start in insertion.best(wait, insertion.blocked_only_by(Constraint.ORDER)):
        number = _number(insertion, start)
        if number is None:
            continue
        order = insertion.activity.after[number]
        decide_min = order.decide_min - int(wait[start]) * step_min
        if order.is_decision and decide_min >= 0:
            fix = QuickerDecision(order.activity, number, decide_min, insertion.at(start))
            variant = _deciding(insertion, number, decide_min)
            yield start, variant, Answer(_waiting(insertion, number), fix)


def _number(insertion: Insertion, start: int) -> int | None:
    """Which entry of `after` a run at `start` does not keep, the first of them; None if none."""
    booking, needs = insertion.booking, insertion.what.needs
    for number in range(len(insertion.activity.after)):
        if not booking.met(needs[number])[start]:
            return number
    for wait in booking.waits[insertion.task]:
        runs = booking.runs[wait.earlier]
        barred = (wait.later_barred(other) for other in runs)
        if wait.later == insertion.task and any(b.start <= start < b.stop for b in barred):
            return wait.number
    return None


def has_run(insertion: Insertion, number: int) -> bool:
    """Whether the plan has any run, fixed or booked, of what entry `number` of `after` names."""
    order, need = insertion.activity.after[number], insertion.what.needs[number]
    fixed = need.met[order_steps(insertion.scenario, order)]
    return bool(insertion.booking.runs[need.task]) or bool(fixed.any())


def _waiting(insertion: Insertion, number: int) -> Waiting:
    order = insertion.activity.after[number]
    return Waiting(order.activity, has_run(insertion, number), order.is_decision)


def _deciding(insertion: Insertion, number: int, decide_min: int) -> Variant:
    """The plan if people take `decide_min` for a decision."""
    activity, i = insertion.activity, insertion.task
    after, needs = list(activity.after), list(insertion.what.needs)
    after[number] = after[number].model_copy(update={"decide_min": decide_min})
    eased = activity.model_copy(update={"after": tuple(after)})
    ready = ready_steps(insertion.environment, eased, after[number])
    needs[number] = needs[number]._replace(ready=ready)
    fields = {"after": tuple(after)}
    variant = insertion.variant.with_task(i, fields, needs=tuple(needs))
    problem = variant.booking.problem
    waits = tuple(
        wait._replace(ready=ready) if (wait.later, wait.number) == (i, number) else wait
        for wait in problem.waits
    )
    return variant.with_booking(_rebooked(variant.booking, replace(problem, waits=waits)))


def _rebooked(booking: Booking, problem: Problem) -> Booking:
    """The same runs in a problem with other waits, of which a booking keeps count."""
    anew = Booking(problem)
    for task, starts in enumerate(booking.runs):
        for start in starts:
            anew.add(task, start)
    anew.may_send = booking.may_send.copy()
    anew.flow = anew.simulate()
    return anew
