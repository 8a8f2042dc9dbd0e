"""Which runs that were wanted are in, and where those missing might have stood, for the eye."""

from collections.abc import Mapping
from datetime import datetime

import numpy as np
import pandas as pd

from obsplan.common.intervals import intersect, subtract, union
from obsplan.environment.model import Environment
from obsplan.inputs.hardware import Instrument, Platform
from obsplan.inputs.scenario import Activity, Scenario
from obsplan.planning.problem.start_windows import windows

ROUNDING_H = 1e-9


def runs_in(scenario: Scenario, timeline: pd.DataFrame, unplaced: pd.DataFrame) -> dict[str, int]:
    """Per activity, how many of the runs wanted are in: its slots, or what `unplaced` says.

    A slot that failed, or whose instrument is out, is in the timeline and not in here.
    """
    slots = timeline["activity"].value_counts()
    placed = {a.name: min(int(slots.get(a.name, 0)), a.count) for a in scenario.activity}
    return placed | {row.activity: int(row.placed) for row in unplaced.itertuples(index=False)}


def told_missing(missing: int, marks: int) -> str:
    """How many runs are missing; where windows lack room, those with a mark and the rest."""
    return f"{missing}" if marks >= missing else f"{marks} + {missing - marks}"


def missing_places(
    environment: Environment,
    timeline: pd.DataFrame,
    placed: Mapping[str, int],
    now_utc: datetime | None = None,
) -> dict[str, np.ndarray]:
    """Per activity, one place (start, end) for every missing run, in hours of the span.

    `timeline` has `activity`, `start_utc` and `end_utc`; `placed` says how many runs are in
    (see `runs_in`). Places lie in the activity's windows, from `now_utc` on, and never on its
    own slots or on one another, spread over what there is: first where
    instrument and platform are free, its gap is kept and what it waits for is over; where
    that is not enough, also beside slots of others; then also inside its gap, at
    last even before what must come first. There are fewer than missing runs only where the
    windows hold no more. Power, data and quiet are
    not asked about: a place is where a run was wanted, not where one would fit.
    """
    scenario = environment.scenario
    step_h = scenario.span.step_min / 60
    start_utc = pd.Timestamp(scenario.span.start_utc)
    slots = pd.DataFrame({"activity": timeline["activity"]})
    for bound in ("start", "end"):
        since = pd.to_datetime(timeline[f"{bound}_utc"], utc=True) - start_utc
        slots[bound] = (since / pd.Timedelta(hours=1)).astype(float)
    now_h = 0.0 if now_utc is None else (now_utc - start_utc) / pd.Timedelta(hours=1)
    places = {}
    for activity in scenario.activity:
        open_h = windows(environment, activity) * step_h
        open_h = intersect(open_h, np.array([[now_h, np.inf]]))
        missing = activity.count - placed[activity.name]
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
    busy_h = _of(slots, slots["activity"].isin(_kin(scenario, activity)))
    early_h = _too_early(activity, slots)
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
        wanted = min(missing - len(found), len(fitting))
        chosen = np.round(np.linspace(0, len(fitting) - 1, wanted)).astype(int)
        found = np.concatenate([found, fitting[chosen]])
    return found[np.argsort(found[:, 0])]


def _of(slots: pd.DataFrame, which: pd.Series) -> np.ndarray:
    return slots.loc[which, ["start", "end"]].to_numpy(dtype=float)


def _kin(scenario: Scenario, activity: Activity) -> set[str]:
    """Activities that may not run beside this one, because a device does one thing at a time."""
    home = scenario.platform_of(activity)
    return {
        a.name
        for a in scenario.activity
        if (a.instrument == activity.instrument and _alone(scenario.instrument, a.instrument))
        or (scenario.platform_of(a) == home and _alone(scenario.platform, home))
    }


def _alone(things: tuple[Platform | Instrument, ...], name: str) -> bool:
    return next(thing.one_at_a_time for thing in things if thing.name == name)


def _too_early(activity: Activity, slots: pd.DataFrame) -> np.ndarray:
    """The time before which something that must come first is not over."""
    ends_h = [
        slots.loc[slots["activity"] == after.activity, "end"].min() + after.settle_min / 60
        for after in activity.after
    ]
    bounds = [(0.0, np.inf if np.isnan(end_h) else end_h) for end_h in ends_h]
    return np.array(bounds, dtype=float).reshape(-1, 2)


def _filled(free_h: np.ndarray, long_h: float, gap_h: float) -> np.ndarray:
    """As many places as stretches hold, each as early as it can be."""
    places, earliest_h = [], 0.0
    for start_h, end_h in free_h:
        start_h = max(start_h, earliest_h)
        while start_h + long_h <= end_h + ROUNDING_H:
            places.append((start_h, start_h + long_h))
            start_h = earliest_h = start_h + long_h + gap_h
    return np.array(places, dtype=float).reshape(-1, 2)
