"""What ran oddly, though it can have been so: late, short, against the rules of the plan.

Such runs are told, not refused: either the report is mistyped, or the day went like that.
"""

from collections.abc import Iterator
from datetime import datetime
from itertools import count
from typing import Any, NamedTuple

import pandas as pd

from obsplan.checking.condition_rules import condition_violations
from obsplan.checking.rules_between_slots import gaps, orders, overlaps
from obsplan.checking.slots import read_slots
from obsplan.checking.violation import sentence
from obsplan.common.instants import MINUTE, stamp
from obsplan.common.text import number_text
from obsplan.environment.model import Environment
from obsplan.inputs.outcomes import OUTCOMES
from obsplan.inputs.scenario import Scenario
from obsplan.operations.as_run import TO_COME, matched

# A start at least this far from its slot is told. Common practice, no source.
LATE_MIN = 5
# A run that is done, but shorter than this share of its warm-up and duration. No source.
SHORT = 0.9
# What ran was commanded, and what overlaps on its instrument is refused before.
NOT_ODD = ("uplink", "instrument", "repeat")


class Oddity(NamedTuple):
    """What is odd with a run; kind: late, short, long, or the rule it broke."""

    kind: str
    words: str


def odd_runs(
    environment: Environment, slots: pd.DataFrame, ran: pd.DataFrame, now_utc: datetime
) -> list[Oddity]:
    """What is odd in what ran (see `read_as_run`), beside the timeline `slots`, by kind.

    Compared are the starts with those of the slots, and lengths with those of the scenario; and the
    rules of the plan, except those of power and data, are applied to what ran. What the timeline
    says has run, or is over and assumed done, is the background of that.
    """
    scenario = environment.scenario
    reported = matched(scenario, slots.assign(state="planned"), ran, now_utc)
    reported = reported[reported["outcome"].isin(OUTCOMES)]
    found = [each for run in reported.itertuples(index=False) for each in _beside(scenario, run)]
    everything = matched(scenario, slots, ran, now_utc)
    new = set(zip(reported["activity"], reported["ran_start_utc"]))
    found += _against_rules(environment, everything, new)
    return sorted(found, key=lambda oddity: oddity.kind)


def _beside(scenario: Scenario, run: Any) -> Iterator[Oddity]:
    """What is odd in a run beside its slot and its length in the scenario."""
    activity = scenario.activity_named(run.activity)
    name = f'"{run.activity}" (slot {run.slot})' if run.slot else f'"{run.activity}"'
    if not pd.isna(run.start_utc):
        late_min = (run.ran_start_utc - run.start_utc) / MINUTE
        if abs(late_min) >= LATE_MIN:
            how = "late" if late_min > 0 else "early"
            yield Oddity("late", f"{name} started {number_text(abs(late_min))} min {how}")
    lasts_min = (run.ran_end_utc - run.ran_start_utc) / MINUTE
    needed_min = activity.warm_up_min + activity.duration_min
    words = f"{name} ran for {number_text(lasts_min)} min at {stamp(run.ran_start_utc)}"
    if run.outcome == "done" and lasts_min < SHORT * needed_min:
        yield Oddity(
            "short",
            f"{words}, of {needed_min} min, and counts in full; if it yielded less, report it as "
            "shortened",
        )
    if lasts_min > scenario.slot_min(activity):
        slot_min = scenario.slot_min(activity)
        yield Oddity("long", f"{words}; energy and data are counted for its slot of {slot_min} min")


def _against_rules(
    environment: Environment, both: pd.DataFrame, reported: set[tuple[str, pd.Timestamp]]
) -> Iterator[Oddity]:
    """The rules that the runs `reported` (activity, start) broke, and other runs with them."""
    scenario = environment.scenario
    over = both[~both["outcome"].isin(["failed", TO_COME])]
    begun = over["ran_start_utc"].fillna(over["start_utc"])
    unplanned = count(1)
    ids = [slot or f"unplanned{next(unplanned)}" for slot in over["slot"]]
    table = over.assign(
        slot=ids,
        start_utc=begun,
        end_utc=over["ran_end_utc"].fillna(over["end_utc"]),
        state="planned",
    )
    new = {slot for slot, *run in zip(ids, over["activity"], begun) if tuple(run) in reported}
    runs, _ = read_slots(scenario, table)
    minutes = scenario.steps * scenario.span.step_min
    for violation in (
        *condition_violations(environment, runs, minutes),
        *overlaps(scenario, runs),
        *gaps(scenario, runs),
        *orders(scenario, runs),
    ):
        if violation.rule not in NOT_ODD and not new.isdisjoint(violation.slots):
            words = sentence(violation.problem, [violation.reason], [])
            yield Oddity(violation.rule, words)
