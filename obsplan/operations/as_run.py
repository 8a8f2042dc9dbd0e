"""What ran against what was planned: runs, time, energy, data and coverage, and the losses."""

from typing import Any

import numpy as np
import pandas as pd

from obsplan.common.errors import TableError
from obsplan.common.instants import MINUTE
from obsplan.environment.model import Environment
from obsplan.inputs.outcomes import OUTCOMES
from obsplan.inputs.scenario import Activity, Scenario
from obsplan.planning.problem.start_windows import coverage_bin

NOT_REPORTED = "not reported"
COMPARISON_COLUMNS = (
    "activity",
    "planned",
    *OUTCOMES,
    "not_reported",
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


def matched(scenario: Scenario, slots: pd.DataFrame, as_run: pd.DataFrame) -> pd.DataFrame:
    """Every planned slot and every run with its partner; rows of sending are left out.

    Columns `slot, activity, start_utc, end_utc` (as planned; missing if it was not planned),
    `ran_start_utc, ran_end_utc` (missing if not reported), `outcome` (done, shortened, failed or
    "not reported"), `reason`; planned slots in order of start, then the unplanned. A run belongs to
    the planned slot of its id; without an id that the plan knows, to the slot of its activity that
    it overlaps longest and that no other run has taken. Raises TableError if an id belongs to
    another activity in the plan.
    """
    names = {a.name for a in scenario.activity}
    slots = slots[slots["activity"].isin(names)].sort_values(["start_utc", "slot"])
    runs = as_run[as_run["activity"].isin(names)]
    planned = {slot.slot: slot for slot in slots.itertuples(index=False)}
    partner, unplanned = _partners(planned, runs)
    rows = []
    for name, slot in planned.items():
        times = slot.start_utc, slot.end_utc
        rows.append((name, slot.activity, *times, *_what_ran(partner.get(name))))
    for run in unplanned:
        rows.append((run.slot, run.activity, pd.NaT, pd.NaT, *_what_ran(run)))
    table = pd.DataFrame(rows, columns=list(MATCHED_COLUMNS))
    for column in [c for c in table if c.endswith("_utc")]:
        table[column] = pd.to_datetime(table[column], utc=True).astype("datetime64[s, UTC]")
    return table


def _partners(planned: dict[str, Any], runs: pd.DataFrame) -> tuple[dict[str, Any], list[Any]]:
    """The run that belongs to each slot, by slot id, and the runs that were not planned.

    `planned` has the row of each slot by id. Raises TableError as `matched` does.
    """
    partner: dict[str, Any] = {}
    lines, loose, unplanned = [], [], []
    for run in runs.itertuples(index=False):
        slot = planned.get(run.slot)
        if slot is None:
            loose.append(run)
        elif slot.activity != run.activity:
            lines.append(
                f"as run: slot = '{run.slot}' is '{run.activity}', in the plan it is "
                f"'{slot.activity}'"
            )
        else:
            partner[slot.slot] = run
    if lines:
        raise TableError(*lines)
    for run in loose:
        free = [s for s in planned.values() if s.activity == run.activity and s.slot not in partner]
        # A run that failed as it began overlaps nothing: it lies in the slot it begins in.
        near = [
            slot
            for slot in free
            if _overlap(slot, run) > pd.Timedelta(0)
            or slot.start_utc <= run.start_utc < slot.end_utc
        ]
        nearest = max(near, key=lambda slot: _overlap(slot, run), default=None)
        if nearest is None:
            unplanned.append(run)
        else:
            partner[nearest.slot] = run
    return partner, unplanned


def _what_ran(run: Any) -> tuple:
    """Start, end, outcome and reason of a run, or of a slot for which none was reported."""
    if run is None:
        return pd.NaT, pd.NaT, NOT_REPORTED, ""
    return run.start_utc, run.end_utc, run.outcome, run.reason


def compare_as_run(
    environment: Environment, slots: pd.DataFrame, as_run: pd.DataFrame
) -> pd.DataFrame:
    """Planned against done, one row per activity: columns as in `COMPARISON_COLUMNS`.

    `slots` and `as_run` are as `read_timeline` and `read_as_run` give them. `planned` counts slots,
    `done`, `shortened`, `failed` and `not_reported` say how many of them ended so; `unplanned`
    counts other runs. Minutes and energy sum every run for as long as it lasted, unplanned and
    failed ones too; data and coverage leave out what failed. A run draws and yields as the scenario
    says: warm-up first, then the run at its even rate. `losses` names what became of planned slots
    that were not done, with the reasons reported.
    """
    scenario = environment.scenario
    both = matched(scenario, slots, as_run)
    rows = []
    for activity in scenario.activity:
        own = both[both["activity"] == activity.name]
        planned = own[own["start_utc"].notna()]
        ran = own[own["ran_start_utc"].notna()]
        yielded = ran[ran["outcome"] != "failed"]
        planned_min = _lengths_min(planned["start_utc"], planned["end_utc"])
        ran_min = _lengths_min(ran["ran_start_utc"], ran["ran_end_utc"])
        yielded_min = _lengths_min(yielded["ran_start_utc"], yielded["ran_end_utc"])
        row = {
            "activity": activity.name,
            "planned": len(planned),
            **{outcome: int((planned["outcome"] == outcome).sum()) for outcome in OUTCOMES},
            "not_reported": int((own["outcome"] == NOT_REPORTED).sum()),
            "unplanned": int(own["start_utc"].isna().sum()),
            "planned_min": planned_min.sum(),
            "ran_min": ran_min.sum(),
            "planned_wh": _energy_wh(activity, planned_min).sum(),
            "ran_wh": _energy_wh(activity, ran_min).sum(),
            "planned_mbit": _data_mbit(activity, planned_min).sum(),
            "ran_mbit": _data_mbit(activity, yielded_min).sum(),
            "losses": _losses(planned),
        }
        if activity.coverage is not None:
            bins = coverage_bin(environment, activity)
            row |= {
                "bins": len(activity.coverage.edges) - 1,
                "planned_bins": _bins_filled(scenario, bins, planned["start_utc"]),
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


def _losses(planned: pd.DataFrame) -> str:
    """What became of planned slots that were not done, and why, most frequent first."""
    lost = planned[planned["outcome"] != "done"]
    kinds = [
        f"{outcome}: {reason}" if reason else outcome
        for outcome, reason in zip(lost["outcome"], lost["reason"])
    ]
    counts = {kind: kinds.count(kind) for kind in sorted(set(kinds))}
    most_first = sorted(counts.items(), key=lambda item: -item[1])
    return "; ".join(f"{count} x {kind}" for kind, count in most_first)
