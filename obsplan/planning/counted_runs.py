"""Runs that count towards a goal only with their data on Earth, which the steps know too late.

When data are received depends on all that is sent. So what the replay finds still aboard at the end
no longer counts in the problem, and the search goes on from there.
"""

from dataclasses import replace
from threading import Event

from obsplan.checking.goal_runs import uncounted_slots
from obsplan.environment.model import Environment
from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.goals import Goal
from obsplan.planning.problem.timeline_table import plan_slots
from obsplan.planning.prompt_sending import sent_promptly
from obsplan.planning.replayed import Replay, Replayed, runs_by_slot
from obsplan.planning.search.exact import Run
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


def counted_value(environment: Environment, plan: Replayed, replay: Replay) -> float:
    """What a plan is worth by what counts, if its data are sent promptly."""
    if not plan.booking.problem.goals:
        return plan.booking.value()
    return _as_counted(environment, sent_promptly(plan, replay))[0].booking.value()


def barring_what_stays(environment: Environment, plan: Replayed, changed: Replayed) -> Replayed:
    """`plan` in a problem in which runs do not count where those of `changed` do not.

    Nor do they from there to the next run of the activity in `plan`.
    """
    goals = []
    for goal, stays in zip(plan.booking.problem.goals, _aboard(environment, changed)):
        bins = goal.bins.copy()
        for task, start in stays:
            later = [run for run in plan.booking.runs[task] if run >= start]
            bins[task, start : min(later, default=None)] = -1
        goals.append(replace(goal, bins=bins))
    return _with_goals(plan, goals)


def _as_counted(environment: Environment, plan: Replayed) -> tuple[Replayed, bool]:
    """The plan in a problem in which runs whose data stay aboard do not count, and whether any do.

    Nor do later ones of their activities, whose data would stay behind theirs.
    """
    goals, aboard = [], _aboard(environment, plan)
    for goal, stays in zip(plan.booking.problem.goals, aboard):
        bins = goal.bins.copy()
        for task, start in stays:
            bins[task, start:] = -1
        goals.append(replace(goal, bins=bins))
    return _with_goals(plan, goals), any(aboard)


def _aboard(environment: Environment, plan: Replayed) -> list[list[Run]]:
    """The runs, by goal, that do not count as their data stay aboard."""
    slots = plan_slots(environment.scenario, plan.booking)
    aboard = uncounted_slots(environment, slots, plan.verdict.resources)
    runs = runs_by_slot(environment.scenario, plan.booking)
    return [
        [runs[slot] for slot in sorted(aboard.get(goal.name, ()))]
        for goal in plan.booking.problem.goals
    ]


def _with_goals(plan: Replayed, goals: list[Goal]) -> Replayed:
    booking: Booking = plan.booking.copy()
    booking.problem = replace(plan.booking.problem, goals=tuple(goals))
    return Replayed(booking, plan.verdict)
