"""Which requested runs are scheduled, and where a picture marks those that are missing."""

import numpy as np
import pandas as pd

from obsplan.analysis.goal_table import counters
from obsplan.common.intervals import from_mask, intersect, subtract, union
from obsplan.inputs.activity import Activity
from obsplan.inputs.goal import serving
from obsplan.inputs.hardware import Instrument, Platform
from obsplan.inputs.placed import DriveActivity
from obsplan.inputs.scenario import Scenario
from obsplan.planning.plan import Plan
from obsplan.planning.problem.goal_bins import goal_bins
from obsplan.planning.problem.start_windows import windows

ROUNDING_H = 1e-9


def scheduled_runs(plan: Plan) -> dict[str, int]:
    """How many requested runs of each activity are scheduled.

    Its slots, or what `plan.unplaced` says: a slot that failed, or whose instrument is out
    of service, is in the timeline but does not count.
    """
    slots = plan.timeline["activity"].value_counts()
    activities = plan.environment.scenario.activity
    scheduled = {a.name: min(int(slots.get(a.name, 0)), a.count) for a in activities}
    unplaced = plan.unplaced.itertuples(index=False)
    return scheduled | {row.activity: int(row.placed) for row in unplaced}


def requested_runs(plan: Plan) -> dict[str, int]:
    """How many runs of each activity are requested.

    Of an activity that serves goals alone, those scheduled and those that goals still want.
    """
    scenario, scheduled = plan.environment.scenario, scheduled_runs(plan)
    alone = _serving_alone(scenario)
    requested = {
        a.name: scheduled[a.name] if a.name in alone or isinstance(a, DriveActivity) else a.count
        for a in scenario.activity
    }
    wanted = (row for row in plan.unplaced.itertuples() if row.activity in alone)
    return requested | {row.activity: int(row.requested) for row in wanted}


def _serving_alone(scenario: Scenario) -> set[str]:
    """Activities that serve goals and have no worth of their own."""
    served = serving(scenario.goal)
    return {a.name for a in scenario.activity if a.name in served and a.value == 0}


def _wanted_bins(plan: Plan) -> dict[str, np.ndarray]:
    """Per activity that serves goals alone, the steps (n,) in bins that want more of its runs."""
    environment, found = plan.environment, counters(plan)
    wanted = {}
    for activity in environment.scenario.activity:
        if activity.name not in _serving_alone(environment.scenario):
            continue
        mask = np.zeros(environment.scenario.steps, dtype=bool)
        for each in found:
            if activity.name in each.goal.runs_of:
                short = np.array(each.planned) < each.goal.runs_each
                bins = goal_bins(environment, each.goal, activity)
                mask |= (bins >= 0) & short[np.maximum(bins, 0)]
        wanted[activity.name] = mask
    return wanted


def missing_text(missing: int, marks: int) -> str:
    """How many runs are missing; if not all could be marked: with a mark + without."""
    return f"{missing}" if marks >= missing else f"{marks} + {missing - marks}"


def missing_places(plan: Plan) -> dict[str, np.ndarray]:
    """Per activity, a place (start, end) to mark every missing run, in hours of the span.

    Places lie in the activity's windows, from `plan.now_utc` on, never on its own slots or on
    each other, in bins that want more if it serves goals alone, and are spread over the room there
    is: first where instrument and platform
    are free, the gap is kept and prerequisites are over; if that is not enough, also beside
    slots of others; then also within the gap; finally even before prerequisites. There are
    fewer places than missing runs only if the windows have no more room. Power, data and
    quiet are ignored: a place is where a run was requested, not where it would fit.
    """
    environment, timeline = plan.environment, plan.timeline
    scenario, scheduled = environment.scenario, scheduled_runs(plan)
    requested = requested_runs(plan)
    step_h = scenario.span.step_min / 60
    start_utc = pd.Timestamp(scenario.span.start_utc)
    slots = pd.DataFrame({"activity": timeline["activity"]})
    for bound in ("start", "end"):
        since = pd.to_datetime(timeline[f"{bound}_utc"], utc=True) - start_utc
        slots[bound] = (since / pd.Timedelta(hours=1)).astype(float)
    now_h = 0.0
    if plan.now_utc is not None:
        now_h = (plan.now_utc - start_utc) / pd.Timedelta(hours=1)
    places, wanted = {}, _wanted_bins(plan)
    for activity in scenario.activity:
        open_h = windows(environment, activity) * step_h
        open_h = intersect(open_h, np.array([[now_h, np.inf]]))
        if (in_bins := wanted.get(activity.name)) is not None:
            open_h = intersect(open_h, from_mask(in_bins) * step_h)
        missing = requested[activity.name] - scheduled[activity.name]
        places[activity.name] = _places(scenario, activity, open_h, slots, missing)
    return places


def _places(
    scenario: Scenario,
    activity: Activity,
    open_h: np.ndarray,
    slots: pd.DataFrame,
    missing: int,
) -> np.ndarray:
    own_h = _of(slots, slots["activity"] == activity.name)
    gap_h, long_h = activity.gap_min / 60, scenario.slot_min(activity) / 60
    busy_h = _of(slots, slots["activity"].isin(_sharing_a_device(scenario, activity)))
    early_h = _too_early(scenario, activity, slots)
    found = np.zeros((0, 2))
    for others_h, apart_h in (
        (np.concatenate([busy_h, early_h]), gap_h),
        (early_h, gap_h),
        (early_h, 0.0),
        (np.zeros((0, 2)), 0.0),
    ):
        if len(found) >= missing:
            break
        kept_h = np.concatenate([own_h, found]) + np.array([-apart_h, apart_h])
        free_h = subtract(open_h, union(np.concatenate([others_h, kept_h])))
        fitting = _filled(free_h, long_h, apart_h)
        more = min(missing - len(found), len(fitting))
        chosen = np.round(np.linspace(0, len(fitting) - 1, more)).astype(int)
        found = np.concatenate([found, fitting[chosen]])
    return found[np.argsort(found[:, 0])]


def _of(slots: pd.DataFrame, which: pd.Series) -> np.ndarray:
    return slots.loc[which, ["start", "end"]].to_numpy(dtype=float)


def _sharing_a_device(scenario: Scenario, activity: Activity) -> set[str]:
    """Activities that cannot run at the same time, since a device does one thing at a time."""
    instrument, platform = activity.instrument, scenario.platform_of(activity)
    by_instrument = _one_at_a_time(scenario.instrument, instrument)
    by_platform = _one_at_a_time(scenario.platform, platform)
    return {
        a.name
        for a in scenario.activity
        if (by_instrument and a.instrument == instrument)
        or (by_platform and scenario.platform_of(a) == platform)
    }


def _one_at_a_time(things: tuple[Platform | Instrument, ...], name: str) -> bool:
    return next(thing.one_at_a_time for thing in things if thing.name == name)


def _too_early(scenario: Scenario, activity: Activity, slots: pd.DataFrame) -> np.ndarray:
    """The times (k, 2) at which a prerequisite is not over yet."""
    bounds = []
    for after in activity.after:
        dates_h = (
            default if time_utc is None else scenario.minutes_of(time_utc) / 60
            for time_utc, default in ((after.from_utc, 0.0), (after.until_utc, np.inf))
        )
        since_h, until_h = dates_h
        end_h = slots.loc[slots["activity"] == after.activity, "end"].min() + after.settle_min / 60
        until_h = until_h if np.isnan(end_h) else min(until_h, end_h)
        if until_h > since_h:
            bounds.append((since_h, until_h))
    return np.array(bounds, dtype=float).reshape(-1, 2)


def _filled(free_h: np.ndarray, long_h: float, gap_h: float) -> np.ndarray:
    """As many places as the free windows hold, each as early as possible."""
    places, earliest_h = [], 0.0
    for start_h, end_h in free_h:
        start_h = max(start_h, earliest_h)
        while start_h + long_h <= end_h + ROUNDING_H:
            places.append((start_h, start_h + long_h))
            start_h = earliest_h = start_h + long_h + gap_h
    return np.array(places, dtype=float).reshape(-1, 2)
