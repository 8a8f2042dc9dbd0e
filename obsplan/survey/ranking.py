"""Rank of lunar days, and in words what speaks for and against each."""

import numpy as np
import pandas as pd

# Differences from the median day that are worth a word.
NOTABLE_SHARE = 0.03
NOTABLE_GAP = 0.25
# Sunlight lost is written to 0.1 h.
NOTABLE_LOSS_H = 0.05


def ranked(table: pd.DataFrame, planned: bool) -> pd.DataFrame:
    """The table with `rank` 1, 2, ... for the rows that allow a landing; the others have none.

    By `value` if `planned` (rows without a plan then have no rank), then by
    `useful_light_h`, then by date, then by order in the table.
    """
    able = table["landing_opens_utc"].notna()
    if planned:
        able &= table["value"].notna()
    keys = table.loc[able, ["value", "useful_light_h", "landing_opens_utc"]].copy()
    # To six decimals, as written, so that a file read back gives the same ranks.
    keys[["value", "useful_light_h"]] = -keys[["value", "useful_light_h"]].astype(float).round(6)
    order = keys.sort_values(list(keys), kind="stable").index
    rank = pd.Series(np.arange(1, len(order) + 1), index=order, dtype="Int64")
    return table.assign(rank=rank.reindex(table.index))


def for_and_against(table: pd.DataFrame) -> list[str]:
    """What speaks for and against each row with a landing, "" for the others.

    `table` holds the days of one site. Each is compared with the median of those that allow
    a landing.
    """
    lands = table["landing_opens_utc"].notna()
    numbers = ["daylight_remaining_h", "contact_h", "longest_gap_h", "landing_h", "surface_max_k"]
    median = table.loc[lands, numbers].astype(float).median()
    words = []
    for row, landing in zip(table.itertuples(index=False), lands):
        good, bad = _arguments(row, median) if landing else ([], [])
        parts = [
            f"{side}: {', '.join(said)}" for side, said in (("for", good), ("against", bad)) if said
        ]
        words.append("; ".join(parts))
    return words


def _arguments(row, median: pd.Series) -> tuple[list[str], list[str]]:
    good: list[str] = []
    bad: list[str] = []
    for name, what in (("daylight_remaining_h", "daylight"), ("contact_h", "contact")):
        hours = getattr(row, name)
        if abs(hours - median[name]) >= NOTABLE_SHARE * median[name]:
            more = hours > median[name]
            (good if more else bad).append(
                f"{abs(hours - median[name]):.0f} h {'more' if more else 'less'} {what} "
                "than the median day"
            )
    for share, what in ((row.energy_share, "energy"), (row.link_share, "downlink")):
        if pd.isna(share):
            continue
        of = f" ({row.energy_platform})" if what == "energy" else ""
        if share >= 1:
            good.append(f"{what} covers all requests")
        else:
            bad.append(f"{what} covers {int(100 * share)} % of all requests{of}")
    if row.sunlight_lost_h >= NOTABLE_LOSS_H:
        bad.append(
            f"eclipse of {row.eclipse_min:.0f} min blocks {row.sunlight_lost_h:.1f} h of sunlight"
        )
    elif row.eclipse_min > 0:
        good.append("eclipse blocks hardly any sunlight")
    else:
        good.append("no eclipse")
    if row.earth_hidden_h > 0:
        bad.append(f"Earth below the skyline for {row.earth_hidden_h:.0f} h")
    if row.longest_gap_h >= (1 + NOTABLE_GAP) * median["longest_gap_h"]:
        bad.append(f"longest contact gap {row.longest_gap_h:.1f} h")
    if row.landing_h <= (1 - NOTABLE_GAP) * median["landing_h"]:
        bad.append(f"landing window only {row.landing_h:.1f} h")
    return good, bad
