"""What ran against what was planned: runs, time, energy, data and coverage, and the losses."""

from datetime import datetime
from typing import Any

import numpy as np
import pandas as pd

from obsplan.common.errors import ObsplanError, TableError
from obsplan.common.instants import MINUTE
from obsplan.environment.model import Environment
from obsplan.inputs.activity import Activity
from obsplan.inputs.impossible_runs import require_possible, told_in
from obsplan.inputs.outcomes import OUTCOMES
from obsplan.inputs.scenario import Scenario
from obsplan.planning.problem.start_windows import coverage_bin

NOT_REPORTED, TO_COME = "not reported", "to come"
COMPARISON_COLUMNS = (
    "activity",
    "planned",
    *OUTCOMES,
    "not_reported",
    "to_come",
    "unplanned",
    "planned_min",
    "ran_min",
    "planned_wh",
    "ran_wh",
    "planned_mbit",
    "ran_mbit",
    "bins",
    "planned_bins",
    "filled_bins",
    "losses",
)

MATCHED_COLUMNS = (
    "slot",
    "activity",
    "start_utc",
    "end_utc",
    "ran_start_utc",
    "ran_end_utc",
    "outcome",
    "reason",
)


def matched(
    scenario: Scenario,
    slots: pd.DataFrame,
    as_run: pd.DataFrame,
    now_utc: datetime,
    error: type[ObsplanError] = TableError,
) -> pd.DataFrame:
    """Every planned slot and every run with its partner; rows of sending are left out.

    Columns `slot, activity, start_utc, end_utc` (as planned; missing if it was not planned),
    `ran_start_utc, ran_end_utc` (missing if not reported), `outcome` (done, shortened, failed,
    "not reported", or "to come" if that is over only after `now_utc`), `reason`; planned slots in
    order of start, then the unplanned. A run belongs to the planned slot of its id; without an id,
    to the slot of its activity that it overlaps longest and that no other run has taken. A slot
    that no run of `as_run` belongs to ended as the timeline itself says, if it says so. Raises
    `error` with a line for each run that cannot be (see `impossible`).
    """
    names = {a.name for a in scenario.known_activities}
    slots = slots[slots["activity"].isin(names)].sort_values(["start_utc", "slot"])
    runs = as_run[as_run["activity"].isin(names)]
    require_possible(scenario, slots, runs, now_utc, error)
    planned = {slot.slot: slot for slot in slots.itertuples(index=False)}
    partner, unplanned = _partners(planned, runs)
    rows = []
    for name, slot in planned.items():
        times = slot.start_utc, slot.end_utc
        rows.append((name, slot.activity, *times, *_what_ran(slot, partner.get(name), now_utc)))
    for run in unplanned:
        ran = run.start_utc, run.end_utc, run.outcome, run.reason
        rows.append((run.slot, run.activity, pd.NaT, pd.NaT, *ran))
    table = pd.DataFrame(rows, columns=list(MATCHED_COLUMNS))
    for column in [c for c in table if c.endswith("_utc")]:
        table[column] = pd.to_datetime(table[column], utc=True).astype("datetime64[s, UTC]")
    return table


def _partners(planned: dict[str, Any], runs: pd.DataFrame) -> tuple[dict[str, Any], list[Any]]:
    """The run that belongs to each slot, by slot id, and the runs that were not planned.

    `planned` has the row of each slot by id.
    """
    partner = {run.slot: run for run in runs.itertuples(index=False) if run.slot}
    unplanned = []
    for run in (run for run in runs.itertuples(index=False) if not run.slot):
        free = [s for s in planned.values() if s.activity == run.activity and s.slot not in partner]
        # A run that failed as it began overlaps nothing: it lies in the slot it begins in.
        near = [
            slot
            for slot in free
            if _overlap(slot, run) > pd.Timedelta(0)
            or slot.start_utc <= run.start_utc < max(slot.end_utc, slot.start_utc + MINUTE)
        ]
        nearest = max(near, key=lambda slot: _overlap(slot, run), default=None)
        if nearest is None:
            unplanned.append(run)
        else:
            partner[nearest.slot] = run
    return partner, unplanned


def _what_ran(slot: Any, run: Any, now_utc: datetime) -> tuple:
    """Start, end, outcome and reason of the run in a slot; `run` is None if none was reported."""
    if run is not None:
        return run.start_utc, run.end_utc, run.outcome, run.reason
    if getattr(slot, "state", "planned") in OUTCOMES:
        return slot.start_utc, slot.end_utc, slot.state, getattr(slot, "reason", "")
    return pd.NaT, pd.NaT, NOT_REPORTED if slot.end_utc <= now_utc else TO_COME, ""


def latest_report(scenario: Scenario, slots: pd.DataFrame, as_run: pd.DataFrame) -> datetime:
    """When the last run ends of which a timeline or an as-run list tells; else the span begins."""
    told = [*told_in(slots), *told_in(as_run, "outcome")]
    runs = [run for run in told if run.activity not in scenario.sending_names]
    return max([scenario.span.start_utc, *(run.end_utc for run in runs if run.end_utc)])


def compare_as_run(
    environment: Environment,
    slots: pd.DataFrame,
    as_run: pd.DataFrame,
    now_utc: datetime | None = None,
) -> pd.DataFrame:
    """Planned against done, one row per activity: columns as in `COMPARISON_COLUMNS`.

    `slots` and `as_run` are as `read_timeline` and `read_as_run` give them; `now_utc` is the time
    of the comparison, by default `latest_report`. `planned` counts slots, `done`, `shortened`,
    `failed`, `not_reported` and `to_come` say how many of them ended so or will end after now;
    `unplanned` counts other runs. Planned minutes, energy, data and bins are those of the slots due
    by now, which are all but those to come. Minutes and energy sum every run for as long as it
    lasted, unplanned and failed ones too; data and coverage leave out what failed. A run draws and
    yields as the scenario says: warm-up first, then the run at its even rate. `losses` names what
    became of slots that were due and not done, with the reasons reported. Raises TableError with a
    line for each run that cannot be.
    """
    scenario = environment.scenario
    both = matched(scenario, slots, as_run, now_utc or latest_report(scenario, slots, as_run))
    rows = []
    for activity in scenario.activity:
        own = both[both["activity"] == activity.name]
        planned = own[own["start_utc"].notna()]
        due = planned[planned["outcome"] != TO_COME]
        ran = own[own["ran_start_utc"].notna()]
        yielded = ran[ran["outcome"] != "failed"]
        due_min = _lengths_min(due["start_utc"], due["end_utc"])
        ran_min = _lengths_min(ran["ran_start_utc"], ran["ran_end_utc"])
        yielded_min = _lengths_min(yielded["ran_start_utc"], yielded["ran_end_utc"])
        row = {
            "activity": activity.name,
            "planned": len(planned),
            **{outcome: int((planned["outcome"] == outcome).sum()) for outcome in OUTCOMES},
            "not_reported": int((own["outcome"] == NOT_REPORTED).sum()),
            "to_come": len(planned) - len(due),
            "unplanned": int(own["start_utc"].isna().sum()),
            "planned_min": due_min.sum(),
            "ran_min": ran_min.sum(),
            "planned_wh": _energy_wh(activity, due_min).sum(),
            "ran_wh": _energy_wh(activity, ran_min).sum(),
            "planned_mbit": _data_mbit(activity, due_min).sum(),
            "ran_mbit": _data_mbit(activity, yielded_min).sum(),
            "losses": _losses(due),
        }
        if activity.coverage is not None:
            bins = coverage_bin(environment, activity)
            row |= {
                "bins": len(activity.coverage.edges) - 1,
                "planned_bins": _bins_filled(scenario, bins, due["start_utc"]),
                "filled_bins": _bins_filled(scenario, bins, yielded["ran_start_utc"]),
            }
        rows.append(row)
    table = pd.DataFrame(rows, columns=list(COMPARISON_COLUMNS))
    return table.astype(dict.fromkeys(("bins", "planned_bins", "filled_bins"), "Int64"))


def _overlap(slot, run) -> pd.Timedelta:
    """How long the two overlap; negative if they do not."""
    return min(slot.end_utc, run.end_utc) - max(slot.start_utc, run.start_utc)


def _lengths_min(start_utc: pd.Series, end_utc: pd.Series) -> np.ndarray:
    return ((end_utc - start_utc) / MINUTE).to_numpy(dtype=float)


def _phases_min(activity: Activity, lasts_min: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Minutes (n,) of warm-up, and of the run itself, in runs that last `lasts_min` (n,)."""
    warm_min = np.minimum(lasts_min, activity.warm_up_min)
    return warm_min, np.minimum(lasts_min - warm_min, activity.duration_min)


def _energy_wh(activity: Activity, lasts_min: np.ndarray) -> np.ndarray:
    warm_min, run_min = _phases_min(activity, lasts_min)
    return (warm_min * activity.warm_up_w + run_min * activity.power_w) / 60


def _data_mbit(activity: Activity, lasts_min: np.ndarray) -> np.ndarray:
    _, run_min = _phases_min(activity, lasts_min)
    return activity.data_mbit * run_min / activity.duration_min


def _bins_filled(scenario: Scenario, bins: np.ndarray, starts_utc: pd.Series) -> int:
    """How many coverage bins starts fall into."""
    steps = np.floor(scenario.minutes_of(starts_utc) / scenario.span.step_min).astype(int)
    inside = steps[(steps >= 0) & (steps < len(bins))]
    return len(set(bins[inside].tolist()) - {-1})


def _losses(due: pd.DataFrame) -> str:
    """What became of slots that were due and not done, and why, most frequent first."""
    lost = due[due["outcome"] != "done"]
    kinds = [
        f"{outcome}: {reason}" if reason else outcome
        for outcome, reason in zip(lost["outcome"], lost["reason"])
    ]
    counts = {kind: kinds.count(kind) for kind in sorted(set(kinds))}
    most_first = sorted(counts.items(), key=lambda item: -item[1])
    return "; ".join(f"{count} x {kind}" for kind, count in most_first)
