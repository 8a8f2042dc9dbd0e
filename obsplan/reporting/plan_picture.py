"""What every picture of a plan shows, in print or on the page."""

from dataclasses import dataclass

import numpy as np

from obsplan.analysis.missing_runs import missing_places, requested_runs, scheduled_runs
from obsplan.inputs.outcomes import OUTCOMES
from obsplan.planning.plan import Plan
from obsplan.planning.problem.start_windows import windows_table
from obsplan.reporting.hours import Windows, span_windows

# Outcomes that no plan intends; pictures mark them with the first letter.
OTHERWISE = tuple(outcome for outcome in OUTCOMES if outcome != "done")


@dataclass(frozen=True)
class PlanPicture:
    """A plan, and by name of the activity what is drawn in addition to its slots.

    placed, requested: runs scheduled and requested (see `scheduled_runs`, `requested_runs`).
    windows: permitted windows. missing: a place for each missing run (see `missing_places`). By
    name of the team, on_console: its hours; watching: when slots need it.
    """

    plan: Plan
    placed: dict[str, int]
    requested: dict[str, int]
    windows: dict[str, Windows]
    missing: dict[str, Windows]
    on_console: dict[str, Windows]
    watching: dict[str, Windows]

    def without_room(self) -> dict[str, int]:
        """Missing runs of each activity for which its windows have no room."""
        return {
            a.name: self.requested[a.name] - self.placed[a.name] - len(self.missing[a.name])
            for a in self.plan.environment.scenario.activity
        }


def plan_picture(plan: Plan) -> PlanPicture:
    """What a picture of `plan` shows."""
    environment = plan.environment
    scenario = environment.scenario
    placed = scheduled_runs(plan)
    rows = windows_table(environment)
    windows = {}
    for activity in scenario.activity:
        own = rows[rows["activity"] == activity.name]
        windows[activity.name] = span_windows(environment, own["opens_utc"], own["closes_utc"])
    return PlanPicture(
        plan,
        placed,
        requested_runs(plan),
        windows,
        missing_places(plan),
        *_teams(plan),
    )


def _teams(plan: Plan) -> tuple[dict[str, Windows], dict[str, Windows]]:
    """The hours of each team, and when slots need it."""
    environment, timeline = plan.environment, plan.timeline
    scenario = environment.scenario
    needing = {
        team.name: [a.name for a in scenario.activity if team.name in a.needs]
        for team in scenario.team
    }
    on_console, watching = {}, {}
    for name, activities in needing.items():
        whole = np.array([[0.0, len(environment.sky) / 60]])
        shifts = environment.shifts.get(name)
        on_console[name] = whole if shifts is None else span_windows(environment, *shifts.T)
        own = timeline[timeline["activity"].isin(activities) & (timeline["state"] != "failed")]
        watching[name] = span_windows(environment, own["start_utc"], own["end_utc"])
    return on_console, watching
