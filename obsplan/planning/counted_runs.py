"""Runs that count towards a goal only with their data on Earth, which the steps know too late.

When data are received depends on all that is sent. So what the replay finds still aboard at the end
no longer counts in the problem, and the search goes on from there.
"""

from dataclasses import replace
from threading import Event

from obsplan.checking.goal_runs import uncounted_slots
from obsplan.environment.model import Environment
from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.timeline_table import plan_slots
from obsplan.planning.prompt_sending import sent_promptly
from obsplan.planning.replayed import Replay, Replayed, runs_by_slot
from obsplan.planning.search.ruin_and_recreate import ruin_and_recreate
from obsplan.planning.solver.transmit_windows import COARSE, ways_to_send

# How often the search goes on, and tries for each run then.
MOST_TRIALS, ROUNDS = 3, 200


def with_counted_runs(
    environment: Environment, plan: Replayed, replay: Replay, stop: Event
) -> Replayed:
    """The best plan found by what counts, in a problem in which what stays aboard does not.

    Once `stop` is set, that is `plan` itself.
    """
    if stop.is_set():
        return plan
    best, some_stay = _as_counted(environment, sent_promptly(plan, replay))
    current = best
    for trial in range(MOST_TRIALS):
        better = ruin_and_recreate(current.booking, stop, seed=trial, rounds=ROUNDS)
        found = list(better)[-1:] if some_stay else []
        sent = (way for booking in found for way in ways_to_send(booking, (COARSE,)))
        replayed = (Replayed(way, replay(way)) for way in sent)
        accepted = next((way for way in replayed if way.verdict.is_valid), None)
        if accepted is None:
            break
        current, some_stay = _as_counted(environment, sent_promptly(accepted, replay))
        if current.booking.value() > best.booking.value():
            best = current
    return best


def counted_value(environment: Environment, plan: Replayed) -> float:
    """What a plan is worth by what counts."""
    return _as_counted(environment, plan)[0].booking.value()


def _as_counted(environment: Environment, plan: Replayed) -> tuple[Replayed, bool]:
    """The plan in a problem in which runs whose data stay aboard do not count, and whether any do.

    Nor do later ones of their activities, whose data would stay behind theirs.
    """
    slots = plan_slots(environment.scenario, plan.booking)
    aboard = uncounted_slots(environment, slots, plan.verdict.resources)
    runs = runs_by_slot(environment.scenario, plan.booking)
    goals = []
    for goal in plan.booking.problem.goals:
        bins = goal.bins.copy()
        for slot in aboard.get(goal.name, ()):
            task, start = runs[slot]
            bins[task, start:] = -1
        goals.append(replace(goal, bins=bins))
    counted: Booking = plan.booking.copy()
    counted.problem = replace(plan.booking.problem, goals=tuple(goals))
    return Replayed(counted, plan.verdict), bool(aboard)
