"""Quiet hours: when nothing disturbs, by local time, and what disturbing activities cost."""

import numpy as np
import pandas as pd

from obsplan.analysis.quiet_columns import QUIET_COLUMNS
from obsplan.checking.slots import read_slots
from obsplan.inputs.scenario import Scenario
from obsplan.planning.plan import Plan


def has_quiet(scenario: Scenario) -> bool:
    """Whether any activity wants quiet."""
    return any(activity.quiet for activity in scenario.activity)


def quiet_hours(plan: Plan) -> pd.DataFrame:
    """Quiet hours of a plan by hour of local time: columns `QUIET_COLUMNS`, in order of local time.

    A slot disturbs while it lasts, warm-up included, as it does for the rule "quiet".
    """
    by = disturbing_minutes(plan)
    minutes = len(next(iter(plan.verdict.resources.values())))
    hour = np.floor(plan.environment.sky["local_time_h"].to_numpy()[:minutes]).astype(int)
    disturbed = np.any([*by.values(), np.zeros(minutes, dtype=bool)], axis=0)
    taken = np.zeros(minutes, dtype=bool)
    for run in read_slots(plan.environment.scenario, plan.timeline)[0]:
        if run.activity.quiet and run.state != "failed":
            taken[max(run.first, 0) : run.last] = True
    rows = []
    for local in sorted(set(hour.tolist())):
        here = hour == local
        costs = {name: (mask & here).sum() / 60 for name, mask in by.items()}
        words = [f"{name} {hours:.1f} h" for name, hours in costs.items() if hours]
        rows.append(
            (
                float(local),
                local + 1.0,
                here.sum() / 60,
                (here & ~disturbed).sum() / 60,
                (here & taken).sum() / 60,
                (here & disturbed).sum() / 60,
                "; ".join(words),
            )
        )
    return pd.DataFrame(rows, columns=QUIET_COLUMNS)


def disturbing_minutes(plan: Plan) -> dict[str, np.ndarray]:
    """The minutes of the span (n,) in which each activity that disturbs does, by its name."""
    scenario = plan.environment.scenario
    minutes = len(next(iter(plan.verdict.resources.values())))
    by = {a.name: np.zeros(minutes, dtype=bool) for a in scenario.activity if a.disturbs}
    for run in read_slots(scenario, plan.timeline)[0]:
        if run.activity.name in by and run.state != "failed":
            by[run.activity.name][max(run.first, 0) : run.last] = True
    return by
