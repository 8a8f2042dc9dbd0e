"""How surely goals are reached: each of them (goal_futures.csv), and all their minimums."""

import numpy as np
import pandas as pd

from obsplan.checking.goal_worth import all_reached, goal_value, minimum_reached
from obsplan.futures.binomial import interval
from obsplan.futures.columns import GOAL_FUTURES_COLUMNS
from obsplan.futures.execute import Futures, worst_mean


def goal_futures_table(futures: Futures) -> pd.DataFrame:
    """One row a goal, in the order of the scenario: columns `GOAL_FUTURES_COLUMNS`."""
    count, rows = len(futures.value), []
    for goal in futures.environment.scenario.goal:
        there = futures.goal_counts(goal)
        value = goal_value(goal, there)
        row = {
            "goal": goal.name,
            "of_value": goal.value,
            "mean_value": float(value.mean()),
            "worst_value": worst_mean(value),
        }
        reached = {"complete": all_reached(goal, there)}
        if goal.minimum is not None:
            reached["minimum"] = minimum_reached(goal, there)
        for name, happens in reached.items():
            low, high = interval(np.array(happens.sum()), count)
            row |= {name: happens.mean(), f"{name}_low": low, f"{name}_high": high}
        rows.append(row)
    table = pd.DataFrame(rows, columns=GOAL_FUTURES_COLUMNS)
    return table.astype(dict.fromkeys(GOAL_FUTURES_COLUMNS[1:], float))


def minimum_reached_everywhere(futures: Futures) -> np.ndarray | None:
    """In which futures (f,) every goal that has a minimum reaches it; None without such a goal."""
    goals = [goal for goal in futures.environment.scenario.goal if goal.minimum]
    if not goals:
        return None
    return np.all([minimum_reached(goal, futures.goal_counts(goal)) for goal in goals], axis=0)


def minimum_chance(futures: Futures) -> float | None:
    """Share of the futures in which every goal that has a minimum reaches it; None without one."""
    reached = minimum_reached_everywhere(futures)
    return None if reached is None else float(reached.mean())
