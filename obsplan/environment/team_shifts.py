"""When each team is on console, over the span of a scenario."""

from datetime import timedelta

import numpy as np

from obsplan.common.instants import MINUTE
from obsplan.common.intervals import union
from obsplan.inputs.scenario import Scenario
from obsplan.inputs.shifts_csv import read_shifts
from obsplan.inputs.team import Team, daily_minutes


def team_shifts(scenario: Scenario) -> dict[str, np.ndarray]:
    """Windows (k, 2) datetime64[s] in which each team is on console, those around the span too.

    A team that is there all the time is left out. Raises TableError for mistakes in a file of
    shifts.
    """
    shifts = {}
    for team in scenario.team:
        if (path := scenario.shifts_path(team)) is not None:
            times = read_shifts(path).apply(lambda column: column.dt.tz_localize(None))
            shifts[team.name] = union(times.to_numpy(dtype="datetime64[s]"))
        elif team.hours_utc:
            shifts[team.name] = _daily(scenario, team)
    return shifts


def _daily(scenario: Scenario, team: Team) -> np.ndarray:
    """The same hours every day, from the day before the span on."""
    span = scenario.span
    midnight = span.start_utc.replace(hour=0, minute=0, tzinfo=None)
    days = (span.end_utc - span.start_utc).days + 3
    windows = [
        [midnight + timedelta(days=day) + minute * MINUTE for minute in daily_minutes(pair)]
        for day in range(-1, days)
        for pair in team.hours_utc
    ]
    return union(np.array(windows, dtype="datetime64[s]"))
