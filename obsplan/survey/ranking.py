"""Rank of lunar days, and what speaks for and against each."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from obsplan.survey.tolerances import least_difference

# What decides if the worth of days is equal, and its name.
TIE_BREAKS = {
    "contact_h": "contact",
    "landing_h": "landing window",
    "margin": "margin of energy and downlink",
}


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
    """The table with `rank` and `decided_by` for the rows that allow a landing.

    Rows are compared by `value` if `planned` (rows without a plan then have no rank), else by
    `useful_light_h`. Those that are equal are compared by contact, landing window, and margin:
    the smaller of energy and link share. Equal are a row that is best of those left, and all
    that are not behind it by the least difference that matters (`TOLERANCES`). Rows equal in
    everything share a rank: 1, 2, 2, 4. `decided_by` is the figure in which a row is behind the
    one ranked before it, "" for the first and for a row equal to the one before.
    """
    worth = "value" if planned else "useful_light_h"
    able = table[table["landing_opens_utc"].notna()].dropna(subset=worth)
    shares = able[["energy_share", "link_share"]].astype(float)
    figures = able[[worth, "contact_h", "landing_h"]].astype(float)
    # Without requests, supply is ample.
    figures = figures.assign(margin=shares.min(axis=1).fillna(np.inf))
    # To six decimals, as written, so that a file read back gives the same ranks.
    figures = figures.round(6).loc[able.sort_values("landing_opens_utc", kind="stable").index]
    rank = pd.Series(pd.NA, index=table.index, dtype="Int64")
    decided_by = pd.Series("", index=table.index, dtype="str")
    place = 1
    for figure, rows in _classes(figures, list(figures)):
        rank[rows] = place
        decided_by[rows[:1]] = figure
        place += len(rows)
    return table.assign(rank=rank, decided_by=decided_by)


def _classes(figures: pd.DataFrame, names: list[str]) -> list[tuple[str, list[Any]]]:
    """Labels of rows that are equal in all these figures, best first.

    With each the figure in which it is behind the one before, "" for the first.
    """
    if not names:
        return [("", list(figures.index))]
    name, *others = names
    left = figures
    found: list[tuple[str, list[Any]]] = []
    while len(left):
        best = left[name].max()
        equal = left[name] >= best - (least_difference(name, best) if np.isfinite(best) else 0.0)
        (_, leaders), *rest = _classes(left[equal], others)
        found += [(name if found else "", leaders), *rest]
        left = left[~equal]
    return found


def standing(row: Any) -> str:
    """How a ranked row stands to the one before it, in words; "" if it is worth less."""
    if row.decided_by in ("value", "useful_light_h"):
        return ""
    worth = "useful light" if pd.isna(row.value) else "value"
    if row.decided_by:
        return f"equal {worth}, less {TIE_BREAKS[row.decided_by]} than the one before"
    return f"equal to the one before: {worth}, {', '.join(TIE_BREAKS.values())}"


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
        if abs(hours - median[name]) >= least_difference(name, median[name]):
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
    if row.sunlight_lost_h >= least_difference("sunlight_lost_h", 0.0):
        lost = f" blocks {row.sunlight_lost_h:.1f} h of sunlight"
        bad.append(Argument("eclipse", f" of {row.eclipse_min:.0f} min", lost))
    elif row.eclipse_min > 0:
        good.append(Argument("eclipse blocks hardly any sunlight"))
    else:
        good.append(Argument("no eclipse"))
    if row.earth_hidden_h >= least_difference("earth_hidden_h", 0.0):
        bad.append(Argument(f"Earth below the skyline for {row.earth_hidden_h:.0f} h"))
    usual_h = median["longest_gap_h"]
    if row.longest_gap_h - usual_h >= least_difference("longest_gap_h", usual_h):
        bad.append(Argument(f"longest contact gap {row.longest_gap_h:.1f} h"))
    usual_h = median["landing_h"]
    if usual_h - row.landing_h >= least_difference("landing_h", usual_h):
        bad.append(Argument(f"landing window open only {row.landing_h:.1f} h{in_parts(row)}"))
    return Notes(pros=tuple(good), cons=tuple(bad))


def in_parts(row: Any) -> str:
    """In how many parts the landing window of a row is open, "" if it is one."""
    return f" in {row.landing_windows:.0f} parts" if row.landing_windows > 1 else ""
