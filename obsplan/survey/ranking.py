"""Which lunar day is better, and what speaks for and against it, in words."""

import numpy as np
import pandas as pd

# A difference from the middle day that is worth a word.
SHARE_WORTH = 0.03
GAP_WORTH = 0.25
# A twentieth of an hour of light, as written.
LEAST_LOSS_H = 0.05


def ranked(table: pd.DataFrame, planned: bool) -> pd.DataFrame:
    """The table with `rank` 1, 2, ... of the rows that offer a landing; the others have none.

    By `value` where the planner ran, which leaves out rows without a plan, then by
    `useful_light_h`, then earlier, then as in the table.
    """
    able = table["landing_opens_utc"].notna()
    if planned:
        able &= table["value"].notna()
    keys = table.loc[able, ["value", "useful_light_h", "landing_opens_utc"]].copy()
    # To six decimals, as written: a file read again ranks alike.
    keys[["value", "useful_light_h"]] = -keys[["value", "useful_light_h"]].astype(float).round(6)
    order = keys.sort_values(list(keys), kind="stable").index
    rank = pd.Series(np.arange(1, len(order) + 1), index=order, dtype="Int64")
    return table.assign(rank=rank.reindex(table.index))


def for_and_against(table: pd.DataFrame) -> list[str]:
    """What speaks for and against each row with a landing, "" for the others.

    `table` holds the days of one site; the middle one of those that offer a landing is the
    measure.
    """
    lands = table["landing_opens_utc"].notna()
    numbers = ["light_left_h", "contact_h", "longest_gap_h", "landing_h", "surface_max_k"]
    middle = table.loc[lands, numbers].astype(float).median()
    words = []
    for row, landing in zip(table.itertuples(index=False), lands):
        good, bad = _arguments(row, middle) if landing else ([], [])
        parts = [
            f"{side}: {', '.join(said)}" for side, said in (("for", good), ("against", bad)) if said
        ]
        words.append("; ".join(parts))
    return words


def _arguments(row, middle: pd.Series) -> tuple[list[str], list[str]]:
    good: list[str] = []
    bad: list[str] = []
    for name, what in (("light_left_h", "light"), ("contact_h", "contact")):
        hours = getattr(row, name)
        if abs(hours - middle[name]) >= SHARE_WORTH * middle[name]:
            more = hours > middle[name]
            (good if more else bad).append(
                f"{abs(hours - middle[name]):.0f} h {'more' if more else 'less'} {what} "
                "than the middle day"
            )
    for share, what in ((row.energy_share, "energy"), (row.link_share, "link")):
        if pd.isna(share):
            continue
        of = f" ({row.energy_platform})" if what == "energy" else ""
        if share >= 1:
            good.append(f"{what} for all that is asked")
        else:
            bad.append(f"{what} for {int(100 * share)} % of what is asked{of}")
    if row.sunlight_lost_h >= LEAST_LOSS_H:
        bad.append(
            f"eclipse of {row.eclipse_min:.0f} min takes {row.sunlight_lost_h:.1f} h of light"
        )
    elif row.eclipse_min > 0:
        good.append("eclipse takes next to no light")
    else:
        good.append("no eclipse")
    if row.earth_hidden_h > 0:
        bad.append(f"Earth below the skyline for {row.earth_hidden_h:.0f} h")
    if row.longest_gap_h >= (1 + GAP_WORTH) * middle["longest_gap_h"]:
        bad.append(f"silence of {row.longest_gap_h:.1f} h")
    if row.landing_h <= (1 - GAP_WORTH) * middle["landing_h"]:
        bad.append(f"landing window of {row.landing_h:.1f} h only")
    return good, bad
