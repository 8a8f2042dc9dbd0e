"""Goals against what ran: what should count by now, what does, and what can still be reached."""

from datetime import datetime

import pandas as pd

from obsplan.analysis.goal_table import ROUNDING, Counters, goal_counters
from obsplan.checking.check import check_timeline
from obsplan.environment.model import Environment
from obsplan.operations.as_run import latest_report, matched

GOALS_AS_RUN_COLUMNS = (
    "goal",
    "requested",
    "due",
    "counted",
    "due_value",
    "value",
    "minimum_due",
    "minimum",
)


def goals_as_run(
    environment: Environment,
    slots: pd.DataFrame,
    as_run: pd.DataFrame,
    now_utc: datetime | None = None,
) -> pd.DataFrame:
    """What counts towards each goal by now: columns `GOALS_AS_RUN_COLUMNS`, one row a goal.

    `slots`, `as_run` and `now_utc` are as in `compare_as_run`. `requested`, `due` and `counted` are
    runs (if together, of each activity): all, those that would count by now as planned, and those
    that do; the values and whether the minimum is reached likewise. What is received by now follows
    from the runs and from the transmit windows of the timeline, not from telemetry. Raises
    TableError with a line for each run that cannot be.
    """
    scenario = environment.scenario
    now_utc = now_utc or latest_report(scenario, slots, as_run)
    now_min = scenario.minutes_of(now_utc)
    both = matched(scenario, slots, as_run, now_utc)
    ran = both[both["ran_start_utc"].notna()]
    runs = pd.DataFrame(
        {
            "slot": [f"r{k}" for k in range(len(ran))],
            "activity": ran["activity"],
            "start_utc": ran["ran_start_utc"],
            "end_utc": ran["ran_end_utc"],
            "state": ran["outcome"],
        }
    )
    sending = slots[slots["activity"].isin(list(scenario.sending_names))]
    happened = pd.concat([runs, sending[[c for c in runs if c in sending]]], ignore_index=True)
    rows = []
    for planned, done in zip(_counters(environment, slots), _counters(environment, happened)):
        goal, least = planned.goal, planned.goal.minimum is not None
        rows.append(
            (
                goal.name,
                goal.runs,
                *(each.counted_by(now_min) for each in (planned, done)),
                *(each.value_at(now_min) for each in (planned, done)),
                *(least and each.minimum_min <= now_min + ROUNDING for each in (planned, done)),
            )
        )
    return pd.DataFrame(rows, columns=list(GOALS_AS_RUN_COLUMNS))


def _counters(environment: Environment, slots: pd.DataFrame) -> list[Counters]:
    resources = check_timeline(environment, slots, fixes=False).resources
    return goal_counters(environment, slots, resources)
