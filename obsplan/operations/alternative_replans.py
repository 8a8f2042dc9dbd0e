"""Plans from now on that differ clearly from a replan: the same fixed slots, other slots ahead."""

from dataclasses import replace
from functools import partial

import numpy as np

from obsplan.analysis.alternatives import LEAST_SHARE, Basis, plans_apart, unanalysed
from obsplan.operations.candidate_plans import Situation, old_starts, without_impossible_runs
from obsplan.operations.fixed_slots import first_step
from obsplan.operations.remaining_problem import remaining_problem
from obsplan.operations.replan import Replan, broken_alone, still_requested, timeline_of
from obsplan.planning.plan import Plan
from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.pinned_runs import without_pins
from obsplan.planning.problem.timeline_table import booked_rows, slots_table
from obsplan.planning.replayed import Replayed


def alternative_replans(made: Replan, count: int, least: float = LEAST_SHARE) -> list[Plan]:
    """Up to `count` plans that differ clearly from a replan and each other, in order of value.

    All keep its fixed slots. Between any two, at least the share `least` of the slots from now on
    differ (see `share_apart`); fewer plans are given if no more are found.
    """
    plan, environment, fixed = made.plan, made.plan.environment, made.fixed
    assert plan.now_utc is not None  # as of every replan
    first = first_step(environment.scenario, plan.now_utc)
    unavoidable, levels = broken_alone(environment, fixed, first)
    problem, _ = remaining_problem(environment, fixed, first, levels)
    relaxed, _ = remaining_problem(environment, fixed, first, levels, relaxed=True)
    ahead = plan.timeline[~plan.timeline["slot"].isin(fixed["slot"])]
    runs = ahead[~ahead["activity"].isin(list(environment.scenario.sending_names))]
    starts = old_starts(environment.scenario, problem, runs)
    problem, _, given_up = without_impossible_runs(problem, relaxed, starts)
    booking = Booking(problem)
    for i, own in enumerate(starts):
        for start in own:
            booking.add(i, start)
    booking.may_send &= _sending(plan, booking)
    booking.flow = booking.simulate()
    situation = Situation(environment, fixed, unavoidable, given_up)
    basis = Basis(booking, situation.replay, partial(_as_plan, made))
    return plans_apart(plan, basis, count, least)


def _sending(plan: Plan, booking: Booking) -> np.ndarray:
    """The steps (nodes, steps) of the plan's transmit windows."""
    scenario = plan.environment.scenario
    step_min, sends = scenario.span.step_min, np.zeros_like(booking.may_send)
    for n, name in enumerate(scenario.sending_names):
        for row in plan.timeline[plan.timeline["activity"] == name].itertuples(index=False):
            first, last = (
                max(int(scenario.minutes_of(t) // step_min), 0)
                for t in (row.start_utc, row.end_utc)
            )
            sends[n, first:last] = True
    return sends


def _as_plan(made: Replan, found: Replayed) -> Plan:
    plan, fixed = made.plan, made.fixed
    scenario, booking = plan.environment.scenario, without_pins(found.booking)
    rows = slots_table(scenario, booked_rows(scenario, booking)).assign(state="planned")
    # No slot of another plan is meant by an id of this one.
    rows["slot"] = [f"a{k}" for k in range(1, len(rows) + 1)]
    assert plan.now_utc is not None
    timeline, verdict, _ = timeline_of(plan.environment, fixed, rows, booking.problem, plan.now_utc)
    answers = unanalysed(booking)
    return replace(
        plan,
        timeline=timeline,
        unplaced=still_requested(scenario, booking, answers),
        verdict=verdict,
        value=float(timeline["value"].sum()),
        answers=answers,
    )
