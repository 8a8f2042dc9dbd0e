"""The section of the page on what becomes of the plan when things go differently."""

import pandas as pd

from obsplan.futures.goal_chances import goal_futures_table
from obsplan.futures.surer_plans import Survival
from obsplan.futures.tables import causes_table, futures_table, platform_lines
from obsplan.reporting.page.elements import Html, folded, paragraph, plain, table, tag
from obsplan.reporting.text.futures_lines import (
    MOST_NAMED,
    fresh_lines,
    minimum_line,
    surer_lines,
)


def futures_part(survival: Survival) -> list[Html]:
    """Chances of the goals, what costs most, the plans that were tried, and each slot's chance."""
    futures = survival.futures
    sure = minimum_line(futures)
    return [
        *([paragraph(tag("b", f"{_capital(sure)}."))] if sure else []),
        paragraph(
            f"In {len(futures.value)} futures (seed {futures.seed}) the plan is worth "
            f"{futures.mean_value:.1f} on average and {futures.worst_value:.1f} in the worst "
            f"tenth; {futures.certain_value:.1f} if all goes as predicted. It was executed minute "
            "by minute by a stated rule (execution_rule.txt); these futures are not those that it "
            "was chosen on. Intervals are exact, 95 %."
        ),
        *([_goals(goal_futures_table(futures))] if futures.environment.scenario.goal else []),
        _causes(causes_table(survival.alone)),
        tag("ul", *(tag("li", plain(line)) for line in platform_lines(futures))),
        *_surer(survival),
        _tries(survival.tries),
        tag("ul", *(tag("li", plain(_capital(line))) for line in fresh_lines(survival.tries))),
        *([_try_goals(survival.tries, survival.goals)] if len(survival.goals) else []),
        folded("how surely each slot is received", _slots(futures_table(futures))),
    ]


def slot_chances(survival: Survival | None) -> dict[str, str] | None:
    """How surely each slot is made and received, in words; None without futures."""
    if survival is None:
        return None
    return {
        row.slot: _chance(row.received, row.received_low, row.received_high)
        for row in futures_table(survival.futures).itertuples(index=False)
    }


def _chance(chance: float, low: float, high: float) -> str:
    return "none asked" if pd.isna(chance) else f"{chance:.3f} ({low:.3f} to {high:.3f})"


def _goals(goals: pd.DataFrame) -> Html:
    rows = [
        (
            row.goal,
            _chance(row.minimum, row.minimum_low, row.minimum_high),
            _chance(row.complete, row.complete_low, row.complete_high),
            f"{row.mean_value:.1f} of {row.of_value:g}",
            f"{row.worst_value:.1f}",
        )
        for row in goals.itertuples(index=False)
    ]
    heads = ["goal", "chance of its minimum", "chance of all", "mean value", "in the worst tenth"]
    return table("How surely goals are reached", heads, rows, stacked=True)


def _causes(causes: pd.DataFrame) -> Html:
    rows = [
        (
            f"{row.uncertainty} of {row.of}" if row.of else row.uncertainty,
            row.size,
            f"{row.cost:.1f}",
            f"{row.cost_percent:.1f} %",
            "" if pd.isna(row.minimum_goals) else f"{row.minimum_goals:.3f}",
        )
        for row in causes.head(MOST_NAMED).itertuples(index=False)
    ]
    heads = ["uncertainty", "how large", "costs on average", "of the value", "all minimum goals"]
    return table("What costs most if nothing else is uncertain", heads, rows, stacked=True)


def _surer(survival: Survival) -> list[Html]:
    """What would make the least sure goals surer."""
    lines = [line.removeprefix("surer: ") for line in surer_lines(survival.futures, survival.surer)]
    if not lines:
        return []
    return [
        paragraph(
            "What would make the least sure goals surer. Changes are tried one by one, in the "
            "replay and in the same futures:"
        ),
        tag("ul", *(tag("li", plain(_capital(line))) for line in lines)),
    ]


def _capital(line: str) -> str:
    return f"{line[:1].upper()}{line[1:]}"


def _tries(tries: pd.DataFrame) -> Html:
    rows = [
        (
            f"{k} {row.made_for}{' (this plan)' if row.chosen else ''}",
            f"{row.planned_value:.1f}",
            f"{row.mean_value:.1f}",
            f"{row.worst_value:.1f}",
            f"{row.received_percent:.1f} %",
            "" if pd.isna(row.minimum_goals) else f"{row.minimum_goals:.3f}",
        )
        for k, row in enumerate(tries.itertuples(index=False), start=1)
    ]
    heads = [
        "plan made for",
        "value as predicted",
        "mean value in futures",
        "in the worst tenth",
        "slots received",
        "all minimum goals",
    ]
    return table("Plans that were tried, all in the same futures", heads, rows, stacked=True)


def _try_goals(tries: pd.DataFrame, goals: pd.DataFrame) -> Html:
    """A row for each goal, a column for each try by its number: the chance of its minimum."""
    rows = [
        (name, *("none asked" if pd.isna(x) else f"{x:.3f}" for x in own["minimum"]))
        for name, own in goals.groupby("goal", sort=False)
    ]
    heads = ["goal", *(f"plan {k}" for k in range(1, len(tries) + 1))]
    return table("Chance of the minimum of each goal, by plan", heads, rows, stacked=True)


def _slots(slots: pd.DataFrame) -> Html:
    rows = [
        (
            row.slot,
            row.activity,
            f"{row.start_utc:%Y-%m-%d %H:%M}",
            _chance(row.made, row.made_low, row.made_high),
            _chance(row.received, row.received_low, row.received_high),
            plain(row.not_made),
        )
        for row in slots.itertuples(index=False)
    ]
    heads = ["slot", "activity", "start (UTC)", "made", "received", "why it is not made"]
    return table("Slots", heads, rows, stacked=True)
