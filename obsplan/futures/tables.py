"""The tables of the futures of a timeline: slots, and what each uncertainty costs alone."""

from collections.abc import Sequence

import numpy as np
import pandas as pd

from obsplan.futures import walk
from obsplan.futures.binomial import interval
from obsplan.futures.columns import CAUSES_COLUMNS, FUTURES_COLUMNS
from obsplan.futures.execute import Futures
from obsplan.futures.goal_chances import minimum_chance
from obsplan.futures.outcome_words import WORDS
from obsplan.inputs.uncertainty import Uncertainty


def futures_table(futures: Futures) -> pd.DataFrame:
    """One row a slot, in order of start: columns `FUTURES_COLUMNS`."""
    count = len(futures.value)
    made, received = futures.made.sum(axis=0), futures.received.sum(axis=0)
    late_min = futures.outcome.start_min - np.array([run.first for run in futures.runs])
    late_min = np.where(futures.made, late_min, 0).sum(axis=0) / np.maximum(made, 1)
    scenario = futures.environment.scenario
    table = pd.DataFrame(
        {
            "slot": [run.slot for run in futures.runs],
            "platform": [run.platform for run in futures.runs],
            "activity": [run.activity.name for run in futures.runs],
            "start_utc": pd.DatetimeIndex(
                [scenario.instant_at(run.start_min) for run in futures.runs],
                dtype="datetime64[s, UTC]",
            ),
            "late_min": np.where(made > 0, late_min, np.nan),
            "not_made": [_why(futures.outcome.code[:, k]) for k in range(len(futures.runs))],
        }
    )
    for name, happened in (("made", made), ("received", received)):
        low, high = interval(happened, count)
        table = table.assign(**{name: happened / count, f"{name}_low": low, f"{name}_high": high})
    return table[FUTURES_COLUMNS]


def _why(codes: np.ndarray) -> str:
    """Why a run was not made, the most frequent reason first: "charge 0.12; storage 0.03"."""
    shares = {code: float((codes == code).mean()) for code in WORDS}
    often = sorted((code for code in WORDS if shares[code]), key=lambda code: -shares[code])
    return "; ".join(f"{WORDS[code]} {shares[code]:.3g}" for code in often)


def causes_table(alone: Sequence[Futures]) -> pd.DataFrame:
    """What each uncertainty costs if it is the only one, the most first: columns CAUSES_COLUMNS.

    `alone` are futures with one uncertainty each, see `each_alone`.
    """
    rows = [_cause(one) for one in alone]
    table = pd.DataFrame(rows, columns=CAUSES_COLUMNS).astype({"minimum_goals": float})
    return table.sort_values("cost", ascending=False, kind="stable", ignore_index=True)


def _cause(one: Futures) -> dict[str, object]:
    (each,) = one.uncertain
    certain, cost = one.certain_value, one.certain_value - one.value
    below = (one.outcome.below > 0).any(axis=1)
    return {
        "uncertainty": each.what,
        "of": each.of or "",
        "size": size_of(each),
        "cost": float(cost.mean()),
        "cost_percent": 100 * float(cost.mean()) / certain if certain else 0.0,
        "cost_error": float(cost.std() / np.sqrt(len(cost))),
        "worst_value": one.worst_value,
        "received_percent": 100 * float(one.received.mean()) if one.runs else 100.0,
        "aboard_mbit": float(one.outcome.aboard_mbit.sum(axis=1).mean()),
        "below_reserve": float(below.mean()),
        "minimum_goals": minimum_chance(one),
    }


def size_of(each: Uncertainty) -> str:
    """How large an uncertainty is, in words."""
    if each.factor is not None:
        return "factor " + ", ".join(f"{value:g}" for value in each.factor)
    if each.chance is not None:
        return f"chance {each.chance:g}"
    lasts = "for good"
    if each.lasts_h is not None:
        lasts = "for " + ", ".join(f"{value:g}" for value in each.lasts_h) + " h"
    return f"{each.per_day:g} a day, {lasts}"


def platform_lines(futures: Futures) -> list[str]:
    """What becomes of charge and data of each platform, a sentence each."""
    lines, count = [], len(futures.value)
    for p, name in enumerate(futures.platforms):
        platform = futures.environment.scenario.platform_named(name)
        outcome = futures.outcome
        told = [("the charge falls below the reserve", outcome.below[:, p] > 0)]
        if outcome.empty[:, p].any():
            told.append(("the battery is empty at times", outcome.empty[:, p] > 0))
        if platform.battery.end is not None:
            short = outcome.end_short_wh[:, p] > walk.ENERGY_SLACK_WH
            told.append(("the charge at the end is less than required", short))
        if (limit_mbit := platform.store.end_limit_mbit) is not None:
            more = outcome.aboard_mbit[:, p] > limit_mbit + walk.DATA_SLACK_MBIT
            told.append((f"more than {limit_mbit:g} Mbit are aboard at the end", more))
        if (outcome.lost_mbit[:, p] > 0).any():
            told.append(("data are lost as the storage is full", outcome.lost_mbit[:, p] > 0))
        for words, happens in told:
            lines.append(f'"{name}": {words}: {chance_text(int(happens.sum()), count)}')
    return lines


def chance_text(happened: int, tries: int) -> str:
    """A chance with its interval: "chance 0.35 (0.303 to 0.399)"."""
    low, high = (float(end) for end in interval(np.array(happened), tries))
    return f"chance {happened / tries:.3g} ({low:.3g} to {high:.3g})"
