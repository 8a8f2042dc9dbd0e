"""Goals on the page: what is reached, when, and what is missing and why."""

import numpy as np
import pandas as pd

from obsplan.analysis.goal_columns import ALL_BINS
from obsplan.analysis.goal_table import goal_table
from obsplan.futures.binomial import interval
from obsplan.futures.goal_chances import minimum_reached_everywhere
from obsplan.futures.surer_plans import Survival
from obsplan.futures.tables import causes_table
from obsplan.planning.plan import Plan
from obsplan.reporting.page.elements import (
    Html,
    folded,
    instant,
    paragraph,
    plain,
    table,
)
from obsplan.reporting.text.futures_lines import MOST_NAMED

NEVER = "not reached"


def goal_cards(plan: Plan) -> list[tuple]:
    """What the first screen says of goals; nothing without any."""
    goals = plan.environment.scenario.goal
    if not goals:
        return []
    whole = _whole(goal_table(plan))
    asked = {goal.name for goal in goals if goal.minimum}
    reached = int(whole["complete_utc"].notna().sum())
    worth = f"value {whole['value'].sum():.1f} of {whole['of_value'].sum():g}"
    if not asked:
        return [(f"{reached} of {len(goals)}", "goals reached in full", worth)]
    least = whole[whole["goal"].isin(asked)]
    missed = ", ".join(least.loc[least["minimum_utc"].isna(), "goal"])
    return [
        (
            f"{int(least['minimum_utc'].notna().sum())} of {len(asked)}",
            f"minimum goals reached; {reached} of {len(goals)} goals in full",
            f"not reached: {missed}" if missed else worth,
        )
    ]


def chance_cards(survival: Survival | None) -> list[tuple]:
    """What the first screen says of how surely all goals reach their minimum, and of what costs
    most; nothing without futures."""
    if survival is None:
        return []
    return [*_minimum_card(survival), *_cost_card(survival)]


def _minimum_card(survival: Survival) -> list[tuple]:
    """How surely all minimums are reached, by the plan as predicted too if another was chosen."""
    reached = minimum_reached_everywhere(survival.futures)
    if reached is None:
        return []
    many, count = int(reached.sum()), len(reached)
    low, high = interval(np.array(many), count)
    more = f"{many} of {count} futures; 95 % interval {low:.3f} to {high:.3f}"
    first = survival.tries.iloc[0]
    if not first["chosen"]:
        more += f"; {first['fresh_minimum_goals']:.3f} if planned {first['made_for']}"
    return [(f"{reached.mean():.3f}", "chance that all goals reach their minimum", more)]


def _cost_card(survival: Survival) -> list[tuple]:
    """The uncertainties that cost most, each as if nothing else were uncertain."""
    causes = causes_table(survival.alone)
    costs = [
        (f"{row.cost:.1f}", f"{row.uncertainty} of {row.of}" if row.of else row.uncertainty)
        for row in causes[causes["cost"] > 0].head(MOST_NAMED).itertuples(index=False)
    ]
    if not costs:
        return []
    (most, cause), *others = costs
    more = "; ".join(f"{name} {cost}" for cost, name in others)
    return [
        (f"-{most}", f"of value on average: {cause} costs most", f"then {more}" if more else "")
    ]


def goals_part(plan: Plan) -> list[Html]:
    """The section about goals: a table of all, and the bins of each folded under its name."""
    found = goal_table(plan)
    goals = plan.environment.scenario.goal
    asked = {goal.name for goal in goals if goal.minimum}
    required = {goal.name for goal in goals if goal.required == "minimum"}
    rows = [
        (
            row.goal,
            f"{row.counted} of {row.requested}",
            f"{row.value:.1f} of {row.of_value:g}",
            f"{row.minimum} (required)" if row.goal in required else row.minimum or "none asked",
            _since(row.minimum_utc) if row.goal in asked else "",
            _since(row.complete_utc),
            row.state,
        )
        for row in _whole(found).itertuples(index=False)
    ]
    heads = ["goal", "runs that count", "value", "minimum", "from (UTC)", "all from (UTC)", "state"]
    parts = [
        paragraph(
            "A run counts when its last bit is on Earth, or when it is done if its goal says so. "
            "Planned: all will count. Minimum: no more than that will. Short: some are missing. "
            "Out of reach: for some no permitted start is left."
        ),
        table("Goals", heads, rows, stacked=True),
    ]
    for name, bins in found[found["bin"] != ALL_BINS].groupby("goal", sort=False):
        missing = int(bins["missing"].sum())
        words = f"{name}: {f'{missing} runs missing' if missing != 1 else '1 run missing'}"
        parts.append(folded(words if missing else f"{name}: nothing missing", _bins(bins)))
    return parts


def _bins(bins: pd.DataFrame) -> Html:
    rows = [
        (
            row.bin,
            row.requested,
            row.counted,
            row.minimum,
            row.state,
            _since(row.complete_utc),
            plain(row.why),
        )
        for row in bins.itertuples(index=False)
    ]
    heads = [
        "bin",
        "requested",
        "count",
        "of minimum",
        "state",
        "all from (UTC)",
        "why runs are missing",
    ]
    return table(f"Bins of {bins['goal'].iloc[0]}", heads, rows, stacked=True)


def _whole(found: pd.DataFrame) -> pd.DataFrame:
    return found[found["bin"] == ALL_BINS]


def _since(when: pd.Timestamp) -> Html | str:
    return instant(when) or NEVER
