"""From a plan in steps to one that the replay by the minute accepts.

Steps average what minutes do not, so a plan may break a limit inside a step. Then more is
kept in reserve and the plan made lighter, and as a last way the runs at fault give way.
"""

from collections.abc import Callable
from dataclasses import replace
from threading import Event

import numpy as np

from obsplan.checking.check import Verdict, check_timeline
from obsplan.common.errors import Infeasible
from obsplan.environment.model import Environment
from obsplan.inputs.scenario import Scenario
from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.definition import Problem
from obsplan.planning.problem.timeline_table import booked_rows, plan_slots, slot_ids
from obsplan.planning.search.exact import best_plan, is_small
from obsplan.planning.search.first_plan import quick_plan
from obsplan.planning.search.greedy import greedy_plan

# A plan that the replay refuses is mended with a little more in reserve, this often.
MOST_MENDS = 12
MEND_NODES = 20
# Where data stays behind by the minute, the steps are taken to send this much of it.
SLOWER = 0.97

# What the replay says of a booking; its rows bear the ids of `slot_ids`, in order.
Judge = Callable[[Booking], Verdict]


def replayed(environment: Environment) -> Judge:
    """The replay of a booking that is all there is in the timeline."""
    return lambda booking: check_timeline(environment, plan_slots(environment.scenario, booking))


def bearable(
    environment: Environment,
    question: Problem,
    judge: Judge | None = None,
    quick: Callable[[Problem], Booking] = quick_plan,
    stop: Event | None = None,
) -> tuple[Problem, Booking | None]:
    """`question` with as much kept in reserve as the replay of a quick plan shows it needs.

    Also that quick plan; None when the replay still refuses it, unless `stop` is set by then.
    Raises LookupError when the question as asked has none.
    """
    judge = judge or replayed(environment)
    spared = question
    for _ in range(MOST_MENDS):
        try:
            booking = quick(spared)
        except LookupError:
            if spared is question:
                raise
            break  # only what is kept in reserve may leave required runs no place
        verdict = judge(booking)
        if verdict.is_valid or (stop is not None and stop.is_set()):
            return spared, booking
        spared = _with_spare(spared, verdict)
    return question, None


def holding(
    environment: Environment,
    question: Problem,
    booking: Booking,
    best: tuple[Booking, Verdict] | None,
    judge: Judge | None = None,
) -> tuple[Booking, Verdict]:
    """`booking` as the replay accepts it, mended if need be; `best` if that is worth more."""
    judge = judge or replayed(environment)
    spared = question
    booking = _freely_sending(booking)
    for _ in range(MOST_MENDS):
        verdict = judge(booking)
        if verdict.is_valid:
            if best is not None and best[0].value() >= booking.value():
                return best
            return booking, verdict
        spared = _with_spare(spared, verdict)
        booking = _mended(booking, spared)
    if best is not None:
        return best
    thinned = _thinned(environment.scenario, judge, question, booking)
    if thinned is not None:
        return thinned
    raise Infeasible(
        f"no plan survived the replay by the minute; {len(verdict.found)} rules stayed "
        f"broken, the first: {verdict.found[0].message}; a shorter span.step_min "
        "follows the minutes more closely"
    )


def lighter(booking: Booking, judge: Judge) -> Booking | None:
    """A lighter plan that the replay accepts, in a problem with more kept in reserve.

    None where it accepts `booking` itself, or no plan light enough was found.
    """
    asked = plan = _freely_sending(booking)
    for _ in range(MOST_MENDS):
        verdict = judge(plan)
        if verdict.is_valid:
            return None if plan is asked else plan
        plan = _mended(plan, _with_spare(plan.problem, verdict))
    return None


def _thinned(
    scenario: Scenario, judge: Judge, question: Problem, booking: Booking
) -> tuple[Booking, Verdict] | None:
    """`booking` less the runs that the replay finds at each broken rule, one by one.

    None when only required runs are left and rules are still broken.
    """
    names = [task.name for task in question.tasks]
    thinner = booking.copy()
    thinner.problem = question
    while True:
        thinner.flow = thinner.simulate()
        rows = booked_rows(scenario, thinner)
        verdict = judge(thinner)
        if verdict.is_valid:
            return _refilled(judge, thinner, verdict)
        at_fault = verdict.slots_at_fault
        runs = [
            (slot not in at_fault, question.tasks[i].value, -start, i)
            for slot, (name, start, _) in zip(slot_ids(len(rows)), rows)
            if name in names
            and len(thinner.runs[i := names.index(name)]) > question.tasks[i].must
            and not (
                i in question.prerequisites
                and len(thinner.runs[i]) == 1
                and _waited_for(thinner, i)
            )
        ]
        if not runs:
            return None
        *_, start, task = min(runs)
        thinner.add(task, -start, -1)


def _refilled(judge: Judge, booking: Booking, verdict: Verdict) -> tuple[Booking, Verdict]:
    """`booking` with what more the replay lets in, the worthiest tasks first."""
    tasks = booking.problem.tasks
    for i in sorted(range(len(tasks)), key=lambda i: -tasks[i].value):
        starts = np.flatnonzero(booking.open_starts(i)).tolist()
        for start in starts[:: max(1, len(starts) // MOST_MENDS)]:
            fuller = booking.copy()
            if not fuller.open_starts(i)[start]:
                continue
            fuller.add(i, start)
            fuller.flow = fuller.simulate()
            judged = judge(fuller)
            if judged.is_valid and not fuller.flow.short:
                booking, verdict = fuller, judged
    return booking, verdict


def _waited_for(booking: Booking, task: int) -> bool:
    """Whether booked runs of other tasks wait for a run of `task`."""
    return any(
        booking.runs[i] and any(earlier == task for earlier, *_ in other.earlier)
        for i, other in enumerate(booking.problem.tasks)
    )


def _with_spare(problem: Problem, verdict: Verdict) -> Problem:
    """The problem with more kept in the batteries, or sent more slowly, where a replay broke.

    Charge comes first: a battery that runs short holds back the sending too, so that data
    left behind may be no fault of the link.
    """
    charge_is_short = any(violation.unit == "Wh" for violation in verdict.found)
    nodes = []
    for node in problem.nodes:
        own = [violation for violation in verdict.found if violation.platform == node.name]
        missing_wh = max((v.amount for v in own if v.unit == "Wh"), default=0.0)
        spare_wh = 1.5 * missing_wh + 0.01 if missing_wh else 0.0
        is_slow = not charge_is_short and any(v.unit == "Mbit" for v in own)
        slower = SLOWER if is_slow else 1.0
        nodes.append(
            replace(
                node,
                reserve_wh=node.reserve_wh + spare_wh,
                end_wh=node.end_wh + spare_wh,
                send_mbit=node.send_mbit * slower,
                store_mbit=node.store_mbit * slower,
            )
        )
    return replace(problem, nodes=tuple(nodes))


def _freely_sending(booking: Booking) -> Booking:
    """`booking`, sending when it can if it would not send at all, as a replay does then."""
    if booking.flow.sent_share.any():
        return booking
    free = booking.copy()
    free.may_send[:] = True
    free.flow = free.simulate()
    return booking if free.flow.short else free


def _mended(booking: Booking, tighter: Problem) -> Booking:
    """A plan that `tighter` can bear: a new one if it is small, else `booking` made lighter."""
    best = best_plan(tighter, tighter, nodes=MEND_NODES)[0] if is_small(tighter) else None
    if best is not None:
        return _freely_sending(best)
    lighter = booking.copy()
    lighter.problem = tighter
    lighter.flow = lighter.simulate()
    while short := lighter.flow.short:
        droppable = [
            (task.value * task.repeat_worth ** len(lighter.runs[i]) / task.length, i)
            for i, task in enumerate(tighter.tasks)
            if len(lighter.runs[i]) > max(task.must, int(i in tighter.prerequisites))
            and (task.node == short.node or task.data_mbit.any())
        ]
        if not droppable:
            return booking
        _, least = min(droppable)
        lighter.add(least, max(lighter.runs[least]), -1)
        lighter.flow = lighter.simulate()
    return greedy_plan(tighter, lighter)
