"""Plans made by hand, for what reads a plan."""

from datetime import datetime

import pandas as pd

from obsplan.checking.check import check_timeline
from obsplan.environment.model import Environment
from obsplan.planning.plan import Plan


def plan_of(
    environment: Environment,
    timeline: pd.DataFrame,
    placed: dict[str, int] | None = None,
    now_utc: datetime | None = None,
) -> Plan:
    """These slots as a plan, with what the replay says; `placed` runs where some do not count."""
    count = {activity.name: activity.count for activity in environment.scenario.activity}
    unplaced = pd.DataFrame(
        [(name, count[name], runs) for name, runs in (placed or {}).items()],
        columns=["activity", "requested", "placed"],
    )
    verdict = check_timeline(environment, timeline)
    return Plan(environment, timeline, unplaced, verdict, 0.0, 0.0, now_utc=now_utc)
