"""Plans and what the replay by the minute says of them."""

from collections.abc import Callable
from dataclasses import replace
from functools import partial
from typing import NamedTuple

import pandas as pd

from obsplan.checking.check import Verdict, check_timeline
from obsplan.checking.slots import read_slots
from obsplan.checking.user_rules import own_violations
from obsplan.environment.model import Environment
from obsplan.inputs.scenario import Scenario
from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.from_scenario import build_problem
from obsplan.planning.problem.timeline_table import booked_rows, plan_slots, slot_ids, slots_table
from obsplan.planning.search.exact import Judge, Run
from obsplan.planning.solver.transmit_windows import ways_to_send

# So many verdicts are remembered; each has some megabytes.
REMEMBERED = 6
# The verdict on a booking; its slots have the ids of `slot_ids`, in order.
Replay = Callable[[Booking], Verdict]


class Replayed(NamedTuple):
    """A plan and the verdict of the replay on it."""

    booking: Booking
    verdict: Verdict


def replay_of(environment: Environment) -> Replay:
    """The replay of a booking that is all there is in the timeline; it must keep the margins.

    What it said of the last few timelines it says again without a look: tidying a plan comes back
    to the same one time and again.
    """
    verdict_on = remembered(
        lambda slots: check_timeline(environment, slots, fixes=False, keep_margins=True)
    )
    return partial(verdict_on, environment.scenario)


def remembered(check: Callable[[pd.DataFrame], Verdict]) -> Callable[[Scenario, Booking], Verdict]:
    """What `check` says of the slots of a booking; said again of the last few without a look."""
    known: dict[tuple[tuple[str, int, int], ...], Verdict] = {}

    def verdict_on(scenario: Scenario, plan: Booking) -> Verdict:
        rows = tuple(booked_rows(scenario, plan))
        verdict = known.pop(rows, None)
        if verdict is None:
            verdict = check(slots_table(scenario, list(rows)))
        known[rows] = verdict
        if len(known) > REMEMBERED:
            known.pop(next(iter(known)))
        return verdict

    return verdict_on


def breaks_own_rules(environment: Environment, booking: Booking) -> bool:
    """Whether the runs break a user-defined rule; says so in less time than a replay."""
    if not environment.user_rules:
        return False
    runs, _ = read_slots(environment.scenario, plan_slots(environment.scenario, booking))
    return any(own_violations(environment, runs))


def judge_of(environment: Environment, replay: Replay) -> Judge:
    """The replay as the judge of best plans: each is tried with its data sent in several ways.

    Steps do not know when heaters draw less for the heat of runs, so with such heaters a plan that
    is short of energy in steps is tried too. User-defined rules are no part of the model and have
    no say here; a plan is repaired for them.
    """
    saves_heat = any(node.heaters for node in build_problem(environment, relaxed=True).nodes)

    def judge(booking: Booking) -> Booking | None:
        eased = [with_less_reserve(booking)] if saves_heat and booking.flow.short else []
        for sent in (*ways_to_send(booking), *eased):
            if all(violation.rule in environment.user_rules for violation in replay(sent).found):
                return sent
        return None

    return judge


def with_less_reserve(booking: Booking) -> Booking:
    """The same runs in a problem whose batteries may run empty, and below, in steps."""
    eased = booking.copy()
    nodes = (
        replace(
            node,
            reserve_wh=node.reserve_wh - node.capacity_wh,
            end_wh=node.end_wh - node.capacity_wh,
        )
        for node in booking.problem.nodes
    )
    eased.problem = replace(booking.problem, nodes=tuple(nodes))
    eased.may_send[:] = True
    eased.flow = eased.simulate()
    return eased


def runs_by_slot(scenario: Scenario, booking: Booking) -> dict[str, Run]:
    """The booked run (task and start) of each slot that is one, by its id."""
    runs = {
        (task.name, start): (i, start)
        for i, (task, starts) in enumerate(zip(booking.problem.tasks, booking.runs))
        for start in starts
    }
    rows = booked_rows(scenario, booking)
    return {
        slot: runs[name, start]
        for slot, (name, start, _) in zip(slot_ids(len(rows)), rows)
        if (name, start) in runs
    }
