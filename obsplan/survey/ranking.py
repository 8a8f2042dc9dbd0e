"""Rank of lunar days, and what speaks for and against each."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

# Differences from the median day that are worth a word.
NOTABLE_SHARE = 0.03
NOTABLE_GAP = 0.25
# Sunlight lost is written to 0.1 h.
NOTABLE_LOSS_H = 0.05


class Argument(NamedTuple):
    """What speaks for or against a day, in words; the short form leaves out those in the middle."""

    head: str
    middle: str = ""
    tail: str = ""

    def __str__(self) -> str:
        return f"{self.head}{self.middle}{self.tail}"

    @property
    def short(self) -> str:
        return f"{self.head}{self.tail}"


@dataclass(frozen=True)
class Notes:
    """What is to be said of a day. obstacle: why it has no landing or no plan, or ""."""

    obstacle: str = ""
    pros: tuple[Argument, ...] = ()
    cons: tuple[Argument, ...] = ()

    def __str__(self) -> str:
        parts = self.obstacle, _listed("for", self.pros), _listed("against", self.cons)
        return "; ".join(filter(None, parts))

    @property
    def short_lines(self) -> list[str]:
        """One line of what speaks for the day, one of what speaks against it, if anything does."""
        pros = _listed("for", [argument.short for argument in self.pros])
        cons = _listed("against", [argument.short for argument in self.cons])
        return list(filter(None, ["; ".join(filter(None, [self.obstacle, pros])), cons]))


def _listed(side: str, arguments: Sequence[object]) -> str:
    return f"{side}: {', '.join(map(str, arguments))}" if arguments else ""


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


def for_and_against(table: pd.DataFrame) -> list[Notes]:
    """What speaks for and against each row with a landing; nothing for the others.

    `table` holds the days of one site. Each is compared with the median of those that allow
    a landing.
    """
    lands = table["landing_opens_utc"].notna()
    numbers = ["daylight_remaining_h", "contact_h", "longest_gap_h", "landing_h", "surface_max_k"]
    median = table.loc[lands, numbers].astype(float).median()
    return [
        _arguments(row, median) if landing else Notes()
        for row, landing in zip(table.itertuples(index=False), lands)
    ]


def _arguments(row: Any, median: pd.Series) -> Notes:
    good: list[Argument] = []
    bad: list[Argument] = []
    for name, what in (("daylight_remaining_h", "daylight"), ("contact_h", "contact")):
        hours = getattr(row, name)
        if abs(hours - median[name]) >= NOTABLE_SHARE * median[name]:
            more = hours > median[name]
            (good if more else bad).append(
                Argument(
                    f"{abs(hours - median[name]):.0f} h {'more' if more else 'less'} {what}",
                    " than the median day",
                )
            )
    for share, what in ((row.energy_share, "energy"), (row.link_share, "downlink")):
        if pd.isna(share):
            continue
        of = f" ({row.energy_platform})" if what == "energy" else ""
        if share >= 1:
            good.append(Argument(f"{what} covers all", " requests"))
        else:
            bad.append(Argument(f"{what} covers {int(100 * share)} %", " of all requests", of))
    if row.sunlight_lost_h >= NOTABLE_LOSS_H:
        lost = f"{row.sunlight_lost_h:.1f} h of sunlight"
        bad.append(Argument(f"eclipse of {row.eclipse_min:.0f} min blocks {lost}"))
    elif row.eclipse_min > 0:
        good.append(Argument("eclipse blocks hardly any sunlight"))
    else:
        good.append(Argument("no eclipse"))
    if row.earth_hidden_h > 0:
        bad.append(Argument(f"Earth below the skyline for {row.earth_hidden_h:.0f} h"))
    if row.longest_gap_h >= (1 + NOTABLE_GAP) * median["longest_gap_h"]:
        bad.append(Argument(f"longest contact gap {row.longest_gap_h:.1f} h"))
    if row.landing_h <= (1 - NOTABLE_GAP) * median["landing_h"]:
        bad.append(Argument(f"landing window only {row.landing_h:.1f} h"))
    return Notes(pros=tuple(good), cons=tuple(bad))
