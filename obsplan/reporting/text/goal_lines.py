"""Goals as lines for the terminal."""

from math import inf

import pandas as pd

from obsplan.analysis.goal_columns import ALL_BINS
from obsplan.analysis.goal_table import goal_counters, goal_table
from obsplan.common.instants import stamp
from obsplan.environment.model import Environment
from obsplan.planning.plan import Plan


def goal_lines(plan: Plan) -> list[str]:
    """A table of the goals: runs that count, value, from when on minimum and all are reached."""
    table = goal_table(plan)
    whole = table[table["bin"] == ALL_BINS]
    if whole.empty:
        return []
    wide = max(len("goal"), *whole["goal"].str.len())
    lines = [f"{'goal':<{wide}}       runs            value  minimum from       all from"]
    for row in whole.itertuples(index=False):
        runs = f"{row.counted} of {row.requested}"
        worth = f"{row.value:.1f} of {row.of_value:g}"
        minimum = "none asked"
        if row.minimum:
            missed = f"only {row.minimum}".replace("only 0 of", "none of")
            minimum = missed if pd.isna(row.minimum_utc) else stamped(row.minimum_utc)
        complete = stamped(row.complete_utc)
        lines.append(f"{row.goal:<{wide}}  {runs:>9}  {worth:>15}  {minimum:<17}  {complete}")
    return lines


def check_lines(
    environment: Environment, slots: pd.DataFrame, resources: dict[str, pd.DataFrame]
) -> list[str]:
    """A line for each goal: what counts of it by the end with these slots."""
    lines = []
    for each in goal_counters(environment, slots, resources):
        goal, least = each.goal, each.goal.minimum
        line = f"goal {goal.name}: {each.counted_by(inf)} of {goal.runs} runs count, "
        line += f"value {each.value_at(inf):.1f} of {goal.value:g}"
        if least is not None and each.minimum_min < inf:
            line += f"; minimum from {stamp(environment.scenario.instant_at(each.minimum_min))}"
        elif least is not None:
            runs = "a run" if least.runs_each == 1 else f"{least.runs_each} runs"
            line += f"; minimum missed: {each.minimum_bins} of {least.bins} bins have {runs}"
        lines.append(line)
    return lines


def as_run_lines(goals: pd.DataFrame) -> list[str]:
    """A line for each goal of `goals_as_run`: what counts by now of what was due."""
    lines = []
    for row in goals.itertuples(index=False):
        missed = "; minimum was due" if row.minimum_due else ""
        minimum = "; minimum reached" if row.minimum else missed
        lines.append(
            f"goal {row.goal}: runs that count by now: {row.counted}, as planned {row.due}, of "
            f"{row.requested} requested; value {row.value:.1f}, as planned {row.due_value:.1f}"
            f"{minimum}"
        )
    return lines


def state_lines(plan: Plan) -> list[str]:
    """A line for each goal of a replan: bins that are reached, planned, short and out of reach."""
    table = goal_table(plan)
    bins = table[table["bin"] != ALL_BINS]
    lines = []
    for name, own in bins.groupby("goal", sort=False):
        many = own["state"].value_counts()
        states = ("reached", "planned", "short", "out of reach")
        told = ", ".join(f"{many[state]} {state}" for state in states if state in many)
        lines.append(f"goal {name}, bins: {told}")
    return lines


def stamped(when: pd.Timestamp) -> str:
    """An instant to the minute, or that it is not reached."""
    return "not reached" if pd.isna(when) else f"{when:%Y-%m-%dT%H:%MZ}"
