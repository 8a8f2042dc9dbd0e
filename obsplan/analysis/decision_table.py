"""Look, decide, command, run: the chain of every run that people decide on after another."""

from math import inf

import pandas as pd

from obsplan.analysis.command_deadlines import uplink_deadlines
from obsplan.analysis.decision_columns import DECISION_COLUMNS
from obsplan.common.instants import MINUTE
from obsplan.inputs.scenario import Scenario
from obsplan.planning.plan import Plan


def has_decisions(scenario: Scenario) -> bool:
    """Whether people decide on any run after another."""
    return any(order.is_decision for a in scenario.activity for order in a.after)


def decision_table(plan: Plan) -> pd.DataFrame:
    """The decisions of a plan that are still ahead, in order of `decide_by_utc`: columns
    `DECISION_COLUMNS`.

    The command must have been decided on when the last minute of contact begins in which it can go
    up; without a command, when the slot starts.
    """
    scenario = plan.environment.scenario
    due = uplink_deadlines(plan.environment, plan.timeline)
    command_by = dict(zip(due["slot"], due["deadline_utc"]))
    rows = []
    for decision in plan.verdict.decisions:
        run, order, other = decision.run, decision.order, decision.looked_at
        if not order.is_decision or other is None or decision.decided_min == inf:
            continue
        start_utc = pd.Timestamp(scenario.instant_at(run.start_min))
        command_utc = command_by.get(run.slot, pd.NaT)
        decide_by_utc = start_utc if pd.isna(command_utc) else command_utc.floor("min")
        decided_utc = pd.Timestamp(scenario.instant_at(decision.decided_min))
        rows.append(
            {
                "slot": run.slot,
                "activity": run.activity.name,
                "after_slot": other.slot,
                "after": other.activity.name,
                "picture_down_utc": scenario.instant_at(decision.down_min),
                "decide_min": order.decide_min,
                "decided_utc": decided_utc,
                "decide_by_utc": decide_by_utc,
                "command_by_utc": command_utc,
                "start_utc": start_utc,
                "spare_min": (decide_by_utc - decided_utc) / MINUTE,
            }
        )
    table = pd.DataFrame(rows, columns=DECISION_COLUMNS)
    for column in DECISION_COLUMNS:
        if column.endswith("_utc"):
            table[column] = pd.to_datetime(table[column], utc=True).astype("datetime64[s, UTC]")
    if plan.now_utc is not None:
        table = table[table["start_utc"] > plan.now_utc]
    return table.sort_values(["decide_by_utc", "slot"], ignore_index=True)
