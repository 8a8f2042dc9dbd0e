"""Replanning from now on: fixed slots stay, the remaining problem is solved again.

The first aim is the highest value; the second, among plans within a chosen share of it, the
fewest moves.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import partial
from threading import Event
from typing import NamedTuple

import numpy as np
import pandas as pd

from obsplan.checking.check import Verdict, check_timeline
from obsplan.checking.goal_runs import uncounted_slots
from obsplan.checking.violation import Violation
from obsplan.common.instants import stamp
from obsplan.common.interruption import interruptible
from obsplan.environment.model import Environment
from obsplan.inputs.scenario import Scenario
from obsplan.inputs.timeline_columns import REPLANNED_COLUMNS
from obsplan.inputs.timeline_csv import AS_RUN_COLUMNS
from obsplan.operations.candidate_plans import (
    GivenUp,
    Situation,
    candidate_plans,
    old_starts,
    with_fixed,
    without_impossible_runs,
)
from obsplan.operations.counted_slots import lost_of_old, prompt_plan
from obsplan.operations.fixed_slots import assumptions, first_step, fixed_slots
from obsplan.operations.new_slot_ids import named_slots
from obsplan.operations.plan_changes import (
    Difference,
    changes_table,
    differences,
    fewest_moves,
    price_list,
)
from obsplan.operations.remaining_problem import remaining_problem
from obsplan.operations.route_ahead import Aims, odometer_notes, route_ahead, wanted_starts
from obsplan.planning.early_end import EarlyEnd
from obsplan.planning.left_out.why import why_left_out
from obsplan.planning.plan import Plan, Report
from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.definition import Problem, worth_of_all
from obsplan.planning.problem.pinned_runs import pinned_step, without_pins
from obsplan.planning.problem.timeline_table import described, slots_table
from obsplan.planning.reasons.fix_wording import Answer
from obsplan.planning.reasons.unplaced import explain, unplaced_table
from obsplan.planning.reasons.what_if import Variant
from obsplan.planning.replayed import Replay, Replayed
from obsplan.planning.route.ways import Chosen
from obsplan.planning.search.strategy import Effort, require_effort


@dataclass(frozen=True)
class Replan:
    """A new plan from now on.

    plan: the whole timeline, completed slots included. Its verdict names what no plan can avoid:
    rules that fixed slots break by themselves (bus, battery and store no earlier, no worse and,
    in whole steps, no longer than they do), and required runs that no longer fit. changes,
    price_list: as `changes_table` and `price_list` give them. fixed: the fixed slots and why
    (see `fixed_slots`). kept: movable runs that did not move. old_value: the value if the old plan
    were left unchanged. assumptions: what the plan assumes, in sentences.
    """

    plan: Plan
    changes: pd.DataFrame
    price_list: pd.DataFrame
    fixed: pd.DataFrame
    kept: int
    old_value: float
    assumptions: tuple[str, ...]


def make_replan(
    environment: Environment,
    slots: pd.DataFrame,
    now_utc: datetime,
    *,
    ran: pd.DataFrame | None = None,
    freeze: timedelta = timedelta(hours=2),
    keep: float = 0.01,
    gap: float = 0.01,
    effort: Effort = "low",
    patience_s: float | None = None,
    report: Report = lambda line: None,
    explained: bool = True,
) -> Replan:
    """The timeline `slots` (see `read_timeline`) replanned from `now_utc` on.

    `environment` includes telemetry (see `with_telemetry`), `ran` what ran (`reported_runs`). Of
    all plans found whose remaining value is at least (1 - `keep`) of the best, the one with the
    fewest moves is chosen. If fixed slots (see `fixed_slots`) break a rule by themselves, the plan
    is made around them, and its verdict says so. Transmit windows are planned freely and are no
    moves. `gap`, `effort` (low, since the team waits) and `patience_s` limit the search as in
    `make_plan`. Unless `explained`, nobody asks why runs do not fit, and `plan.unplaced` is empty.
    Raises StateError if what ran contradicts the timeline.
    """
    require_effort(effort)
    ran = pd.DataFrame(columns=list(AS_RUN_COLUMNS)) if ran is None else ran
    end = EarlyEnd()
    with end.clock(patience_s):
        with interruptible():
            aims = Aims(effort, keep, end.stop, report)
            asked = _question(environment, slots, ran, now_utc, freeze, aims)
        situation, fixed, movable = asked.situation, asked.situation.fixed, asked.movable
        environment, scenario = situation.environment, situation.environment.scenario
        report(f"{len(fixed)} rows are fixed, {len(movable)} slots may move")
        candidates = partial(
            candidate_plans, situation, asked.problem, asked.relaxed, asked.old, gap, effort
        )
        plans, bound = _collected(candidates, scenario, movable, end, report)
        interrupted = end.reason is not None
        plans, found = _counted(situation, movable, plans, end)
        chosen = fewest_moves(found, keep)
        booking, difference = _sent_promptly(plans[chosen], situation, end), found[chosen][1]
        rows, ids = named_slots(scenario, fixed, movable, booking, difference)
        problem = booking.problem
        timeline, verdict, most = timeline_of(environment, fixed, rows, problem, now_utc)
        value, fixed_value = float(timeline["value"].sum()), most - booking.value()
        upper = max(min(bound, worth_of_all(asked.relaxed)) + fixed_value, value)
        why = _answers(asked, booking, timeline, value, end.expired) if explained else {}
    missing = still_requested(scenario, booking, why)
    changes = changes_table(environment, movable, fixed, booking, ids, difference)
    return Replan(
        Plan(environment, timeline, missing, verdict, value, upper, interrupted, now_utc, why),
        changes,
        price_list(found, chosen, fixed_value),
        fixed,
        sum(len(parts.kept) for parts in difference.values()),
        most - float(changes["value_change"].sum()) - lost_of_old(situation, problem, slots),
        asked.notes,
    )


class _Question(NamedTuple):
    """What is to be planned anew from step `first` on, and from which old starts.

    movable: the old slots that are not fixed. barred: as of `remaining_problem`. notes: what is
    assumed, in sentences. chosen: what the rovers' ways were chosen from.
    """

    situation: Situation
    movable: pd.DataFrame
    first: int
    problem: Problem
    relaxed: Problem
    barred: list[np.ndarray]
    old: list[list[int]]
    notes: tuple[str, ...]
    chosen: Chosen | None


def _question(
    environment: Environment,
    slots: pd.DataFrame,
    ran: pd.DataFrame,
    now_utc: datetime,
    freeze: timedelta,
    aims: Aims,
) -> _Question:
    """What of a timeline is fixed, the way that rovers take from then on, and the problem left."""
    fixed, movable = fixed_slots(environment, slots, ran, now_utc, freeze)
    environment, missed = _with_pins_ahead(environment, fixed, now_utc)
    first = first_step(environment.scenario, now_utc)
    unavoidable, levels = broken_alone(environment, fixed, first)
    notes = *missed, *assumptions(environment, fixed), *odometer_notes(environment, fixed)
    ahead = route_ahead(environment, fixed, movable, first, levels, aims)
    environment, scenario = ahead.environment, ahead.environment.scenario
    problem, barred = remaining_problem(environment, fixed, first, levels)
    relaxed, _ = remaining_problem(ahead.free, fixed, first, levels, relaxed=True)
    old = wanted_starts(ahead.plan, old_starts(scenario, problem, movable), scenario)
    problem, relaxed, given_up = without_impossible_runs(problem, relaxed, old)
    situation = Situation(environment, fixed, unavoidable, given_up)
    notes = *notes, *_lost(given_up)
    return _Question(situation, movable, first, problem, relaxed, barred, old, notes, ahead.chosen)


def _sent_promptly(booking: Booking, situation: Situation, end: EarlyEnd) -> Booking:
    """The same runs, their data waiting no longer than they must; untried once patience ran out."""
    if end.expired.is_set():
        return booking
    prompt, _ = prompt_plan(booking, situation)
    # What fixed slots break if all may be sent is kept perhaps if relays leave their data where
    # they are.
    silent = prompt.copy()
    silent.may_send[[node.receiver >= 0 for node in prompt.problem.nodes]] = False
    silent.flow = silent.simulate()
    broken = situation.whole_verdict(prompt).found if situation.unavoidable else ()
    is_better = broken and len(situation.whole_verdict(silent).found) < len(broken)
    return silent if is_better else prompt


def _counted(
    situation: Situation, movable: pd.DataFrame, plans: list[Booking], end: EarlyEnd
) -> tuple[list[Booking], list[tuple[float, dict[str, Difference]]]]:
    """The plans, with goals as their data are sent, and what they are worth and change.

    Nothing is tried once patience ran out.
    """
    lost = [0.0] * len(plans)
    if situation.environment.scenario.goal and not end.expired.is_set():
        plans, lost = map(list, zip(*(prompt_plan(plan, situation) for plan in plans)))
    scenario = situation.environment.scenario
    changed = [differences(scenario, movable, plan) for plan in plans]
    return plans, [(p.value() - less, found) for p, less, found in zip(plans, lost, changed)]


def broken_alone(
    environment: Environment, fixed: pd.DataFrame, first: int
) -> tuple[tuple[Violation, ...], dict[str, tuple[float, float]]]:
    """What the fixed slots break with nothing else planned from step `first` on.

    With it come Wh and Mbit of every platform when that step begins.
    """
    slots = with_fixed(fixed, _open_sending(environment.scenario, first))
    alone = check_timeline(environment, slots, fixes=False, keep_margins=True)
    return alone.found, _levels(environment.scenario, alone, first)


def _with_pins_ahead(
    environment: Environment, fixed: pd.DataFrame, now_utc: datetime
) -> tuple[Environment, list[str]]:
    """The environment with the pins from now on that no fixed slot meets already, and a sentence
    for each in the past at which no slot was."""
    scenario = environment.scenario
    first = first_step(scenario, now_utc)
    met = set(zip(fixed["activity"], fixed["start_utc"]))
    ahead = tuple(
        pin
        for pin in scenario.pin
        if pinned_step(scenario, pin.start_utc) >= first
        and (pin.activity, pd.Timestamp(pin.start_utc)) not in met
    )
    kept = replace(environment, scenario=scenario.model_copy(update={"pin": ahead}))
    return kept, _missed_pins(scenario, fixed, first)


def _missed_pins(scenario: Scenario, fixed: pd.DataFrame, first: int) -> list[str]:
    """A sentence for each pin before step `first` at which no slot was."""
    lines = []
    for pin in scenario.pin:
        length = timedelta(minutes=scenario.slot_min(scenario.activity_named(pin.activity)))
        own = fixed[fixed["activity"] == pin.activity]
        then = (own["start_utc"] < pin.start_utc + length) & (own["end_utc"] > pin.start_utc)
        if pinned_step(scenario, pin.start_utc) < first and not then.any():
            at = stamp(pin.start_utc)
            lines.append(
                f'the pin of "{pin.activity}" at {at} lies before now, and no slot of it was then: '
                "it is left out"
            )
    return lines


def _collected(
    candidates: Callable[[Event], Iterator[tuple[Booking, float]]],
    scenario: Scenario,
    movable: pd.DataFrame,
    end: EarlyEnd,
    report: Report,
) -> tuple[list[Booking], float]:
    """All plans, and the last upper bound.

    `candidates` gives the plans, and ends soon once its event is set.
    """
    plans: list[Booking] = []
    bound = np.inf
    with end.by_signal():
        for booking, upper in candidates(end.stop):
            plans.append(without_pins(booking))
            bound, end.has_plan = upper, True
            moves = sum(d.moves for d in differences(scenario, movable, plans[-1]).values())
            head = "another plan" if plans[1:] else "old plan repaired"
            report(f"{head}: remaining value {booking.value():.1f}, {moves} moves")
    if end.reason:
        report(end.reason.value)
    return plans, bound


def timeline_of(
    environment: Environment,
    fixed: pd.DataFrame,
    rows: pd.DataFrame,
    problem: Problem,
    now_utc: datetime,
) -> tuple[pd.DataFrame, Verdict, float]:
    """Fixed and planned slots as in timeline.csv, with reason and why, and the verdict on them.

    With them comes their value if all data of theirs were received.
    """
    slots = pd.concat([fixed[rows.columns], rows], ignore_index=True)
    slots = slots.sort_values(["start_utc", "end_utc", "activity"], ignore_index=True)
    verdict = check_timeline(environment, slots, now_utc)
    uncounted = uncounted_slots(environment, slots, verdict.resources)
    shares = dict(zip(fixed["slot"], fixed["share"]))
    timeline = described(environment, problem, slots, shares, uncounted)
    all_counted = described(environment, problem, slots, shares) if uncounted else timeline
    counted_value = float(all_counted["value"].sum())
    for column in REPLANNED_COLUMNS:
        words = dict(zip(fixed["slot"], fixed[column]))
        timeline[column] = [words.get(slot, "") for slot in slots["slot"]]
    return timeline, verdict, counted_value


def _levels(scenario: Scenario, alone: Verdict, first: int) -> dict[str, tuple[float, float]]:
    """Wh and Mbit of every platform when step `first` begins."""
    levels = {}
    for platform in scenario.platform:
        table = alone.resources[platform.name]
        minute = min(first * scenario.span.step_min, len(table) - 1)
        row = table.iloc[minute]
        levels[platform.name] = float(row["stored_wh"]), float(row["stored_mbit"])
    return levels


def _open_sending(scenario: Scenario, first: int) -> pd.DataFrame:
    """Rows that let every platform send from step `first` on."""
    names = scenario.sending_names if first < scenario.steps else ()
    return slots_table(scenario, [(name, first, scenario.steps) for name in names])


def _answers(
    asked: _Question, booking: Booking, timeline: pd.DataFrame, value: float, expired: Event
) -> dict[str, Answer]:
    """Why one more run does not fit, judged with the fixed slots."""
    situation, of_stops = asked.situation, {}

    def replay(variant: Variant) -> Verdict:
        return replace(situation, environment=variant.environment).replay(variant.booking)

    def replay_in(environment: Environment) -> Replay:
        return replace(situation, environment=environment).replay

    if asked.chosen is not None:
        plan = Replayed(booking, situation.replay(booking))
        of_stops = why_left_out(asked.chosen, plan, value, replay_in, expired)
    return explain(
        situation.environment,
        booking,
        timeline,
        replay,
        asked.barred,
        asked.first,
        expired,
        of_stops,
    )


def still_requested(
    scenario: Scenario, booking: Booking, answers: dict[str, Answer]
) -> pd.DataFrame:
    """What is still requested, counted over the whole timeline."""
    table = unplaced_table(booking, answers)
    left = {task.name: task.count for task in booking.problem.tasks}
    fixed = [scenario.activity_named(name).count - left[name] for name in table["activity"]]
    return table.assign(placed=table["placed"] + fixed, requested=table["requested"] + fixed)


def _lost(given_up: GivenUp) -> list[str]:
    runs = [f'not all required runs of "{name}" fit any more' for name in given_up.activities]
    goals = [f'the required minimum of goal "{name}" is out of reach' for name in given_up.goals]
    return [*sorted(runs), *sorted(goals)]
