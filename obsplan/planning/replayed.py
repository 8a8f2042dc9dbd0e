"""Plans and what the replay by the minute says of them."""

from collections.abc import Callable
from typing import NamedTuple

from obsplan.checking.check import Verdict, check_timeline
from obsplan.checking.slots import read_slots
from obsplan.checking.user_rules import own_violations
from obsplan.environment.model import Environment
from obsplan.inputs.scenario import Scenario
from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.timeline_table import booked_rows, plan_slots, slot_ids
from obsplan.planning.search.exact import Judge, Run
from obsplan.planning.search.transmit_windows import ways_to_send

# The verdict on a booking; its slots have the ids of `slot_ids`, in order.
Replay = Callable[[Booking], Verdict]


class Replayed(NamedTuple):
    """A plan and the verdict of the replay on it."""

    booking: Booking
    verdict: Verdict


def replay_of(environment: Environment) -> Replay:
    """The replay of a booking that is all there is in the timeline."""
    scenario = environment.scenario
    return lambda plan: check_timeline(environment, plan_slots(scenario, plan), fixes=False)


def breaks_own_rules(environment: Environment, booking: Booking) -> bool:
    """Whether the runs break a user-defined rule; says so in less time than a replay."""
    if not environment.user_rules:
        return False
    runs, _ = read_slots(environment.scenario, plan_slots(environment.scenario, booking))
    return any(own_violations(environment, runs))


def judge_of(environment: Environment, replay: Replay) -> Judge:
    """The replay as the judge of best plans: each is tried with its data sent in several ways.

    User-defined rules are no part of the model and have no say here; a plan is repaired for them.
    """

    def judge(booking: Booking) -> Booking | None:
        for sent in ways_to_send(booking):
            if all(violation.rule in environment.user_rules for violation in replay(sent).found):
                return sent
        return None

    return judge


def runs_by_slot(scenario: Scenario, booking: Booking) -> dict[str, Run]:
    """The booked run (task and start) of each slot that is one, by its id."""
    names = [task.name for task in booking.problem.tasks]
    rows = booked_rows(scenario, booking)
    return {
        slot: (names.index(name), start)
        for slot, (name, start, _) in zip(slot_ids(len(rows)), rows)
        if name in names
    }
