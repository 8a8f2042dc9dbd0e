"""What fixed and planned slots lose towards goals, as data stay aboard at the end."""

import pandas as pd

from obsplan.checking.check import check_timeline
from obsplan.checking.goal_runs import uncounted_slots
from obsplan.operations.candidate_plans import FIXED_MARK, Situation, with_fixed
from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.definition import Problem
from obsplan.planning.problem.timeline_table import described, plan_slots
from obsplan.planning.prompt_sending import sent_promptly
from obsplan.planning.replayed import Replayed


def prompt_plan(booking: Booking, situation: Situation) -> tuple[Booking, float]:
    """The same runs, sent so that their data wait no longer than they must, and what is lost.

    Of two ways to send, one by which more is lost is not taken.
    """
    whole = Replayed(booking, situation.replay(booking))
    if not booking.problem.goals:
        return sent_promptly(whole, situation.replay).booking, 0.0
    plan = sent_promptly(whole, situation.replay, lambda each: -lost_of(situation, each))
    return plan.booking, lost_of(situation, plan)


def lost_of(situation: Situation, plan: Replayed) -> float:
    """What the runs of a plan, beside the fixed slots, lose as their data stay aboard."""
    scenario = situation.environment.scenario
    slots = with_fixed(situation.fixed, plan_slots(scenario, plan.booking))
    return _lost(situation, plan.booking.problem, slots, plan.verdict.resources)


def lost_of_old(situation: Situation, problem: Problem, slots: pd.DataFrame) -> float:
    """The same of the old plan's slots that may move, sent as they were to be."""
    scenario, fixed = situation.environment.scenario, situation.fixed
    if not problem.goals or not len(slots):
        return 0.0
    rest = slots.loc[
        ~slots["slot"].isin(fixed["slot"]), ["slot", "activity", "start_utc", "end_utc"]
    ]
    names = list(scenario.sending_names)
    if not slots["activity"].isin(names).any():
        # Without rows of the radio all send whenever they can, and so on from those that are fixed.
        since = fixed.loc[fixed["activity"].isin(names), "end_utc"].max()
        since = scenario.span.start_utc if pd.isna(since) else since
        end = scenario.instant_at(problem.steps * scenario.span.step_min)
        open_ = [(f"open {name}", name, since, end) for name in names if since < end]
        rest = pd.concat([rest, pd.DataFrame(open_, columns=rest.columns)], ignore_index=True)
    both = with_fixed(fixed, rest)
    resources = check_timeline(situation.environment, both, fixes=False).resources
    return _lost(situation, problem, both, resources)


def _lost(
    situation: Situation,
    problem: Problem,
    slots: pd.DataFrame,
    resources: dict[str, pd.DataFrame],
) -> float:
    environment = situation.environment
    aboard = uncounted_slots(environment, slots, resources)
    if not aboard:
        return 0.0
    slots = slots.sort_values(["start_utc", "end_utc", "activity"], ignore_index=True)
    marks = FIXED_MARK + situation.fixed["slot"].astype(str)
    shares = dict(zip(marks, situation.fixed["share"]))
    values = [
        float(described(environment, problem, slots, shares, without)["value"].sum())
        for without in ({}, aboard)
    ]
    return values[0] - values[1]
