"""Goals as lines for the terminal."""

import pandas as pd

from obsplan.analysis.goal_columns import ALL_BINS
from obsplan.analysis.goal_table import goal_table
from obsplan.planning.plan import Plan


def goal_lines(plan: Plan) -> list[str]:
    """A table of the goals: runs that count, value, from when on minimum and all are reached."""
    table = goal_table(plan)
    whole = table[table["bin"] == ALL_BINS]
    if whole.empty:
        return []
    least = {goal.name: goal.minimum is not None for goal in plan.environment.scenario.goal}
    wide = max(len("goal"), *whole["goal"].str.len())
    lines = [f"{'goal':<{wide}}       runs            value  minimum from       all from"]
    for row in whole.itertuples(index=False):
        runs = f"{row.counted} of {row.requested}"
        worth = f"{row.value:.1f} of {row.of_value:g}"
        minimum = stamped(row.minimum_utc) if least[row.goal] else "none asked"
        complete = stamped(row.complete_utc)
        lines.append(f"{row.goal:<{wide}}  {runs:>9}  {worth:>15}  {minimum:<17}  {complete}")
    return lines


def stamped(when: pd.Timestamp) -> str:
    """An instant to the minute, or that it is not reached."""
    return "not reached" if pd.isna(when) else f"{when:%Y-%m-%dT%H:%MZ}"
