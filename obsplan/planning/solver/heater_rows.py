"""Rows of thermostat heaters in the linear model of a relaxed problem: runs save heater power."""

import numpy as np

from obsplan.planning.problem.definition import Heater, Problem
from obsplan.planning.solver.matrix import MatrixBuilder, Starts, profile_terms, shifted


def heater_draw(
    builder: MatrixBuilder,
    problem: Problem,
    heater: Heater,
    starts: list[Starts],
    limit_w: float,
    every: int,
) -> tuple[np.ndarray, np.ndarray, float]:
    """The draw of a heater in watts, as a term of steps, columns and factor.

    spared[k+1] <= spared[k] + draw + heat of runs - least draw, never below 0: what is spared by
    heating earlier, or by runs, may be missing later. It has a row for `every` so many steps. No
    more than `limit_w` is ever drawn by runs.
    """
    row, hour = np.arange(problem.steps) // every, problem.step_h
    hours = np.bincount(row) * hour
    rows = np.arange(len(hours))
    least_wh = np.bincount(row, heater.least_wh)
    most_wh = (heater.power_w + limit_w) * hours.sum() + np.maximum(-least_wh, 0.0).sum()
    drawn = builder.add_columns(len(hours), high=heater.power_w * hours)
    spared = builder.add_columns(len(hours), high=most_wh)
    heat = [
        (row[r], c, -f * hour)
        for task, its_starts, share in zip(problem.tasks, starts, heater.share)
        if share
        for r, c, f in profile_terms(its_starts, task.load_w, share)
    ]
    builder.add_rows(
        len(hours),
        -np.inf,
        -least_wh,
        (rows, spared, 1),
        (rows, shifted(spared, 1), -1),
        (rows, drawn, -1),
        *heat,
    )
    return np.flatnonzero(np.diff(row, prepend=-1)), drawn, 1 / hour
