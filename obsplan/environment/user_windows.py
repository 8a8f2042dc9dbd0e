"""Windows that a script gives an activity, in addition to the conditions of the scenario."""

from dataclasses import replace
from datetime import datetime

import numpy as np
import pandas as pd

from obsplan.common.errors import TableError
from obsplan.common.instants import MINUTE, stamp, utc_from
from obsplan.common.text import did_you_mean
from obsplan.environment.model import Environment


def with_windows(
    environment: Environment, activity: str, windows: pd.DataFrame | pd.Series | np.ndarray
) -> Environment:
    """The environment in which every slot of `activity` must also lie within `windows`.

    `windows` is a boolean for each minute of the span (n,), or a table with `start_utc` and
    `end_utc`, half-open; times without a zone are UTC. Of a table only whole minutes count, and
    what reaches beyond the span is cut off. Windows that were given to the activity before still
    apply: a slot must lie within both.

    Raises TableError if there is no such activity, if the booleans are not one a
    minute, or if a row has no time, ends before it starts or lies outside the span.
    """
    names = [a.name for a in environment.scenario.activity]
    if activity not in names:
        raise TableError(
            f"windows of '{activity}': no such activity; {did_you_mean(activity, names)}"
        )
    index = environment.sky.index
    where = f'windows of "{activity}"'
    if isinstance(windows, pd.DataFrame):
        open_ = _from_table(windows, index, where)
    else:
        open_ = _from_minutes(windows, index, where)
    earlier = environment.user_windows.get(activity, np.ones(len(index), dtype=bool))
    user_windows = environment.user_windows | {activity: earlier & open_}
    return replace(environment, user_windows=user_windows)


def _from_minutes(windows, index: pd.DatetimeIndex, where: str) -> np.ndarray:
    open_ = np.asarray(windows)
    if open_.shape != (len(index),) or open_.dtype != bool:
        raise TableError(
            f"{where}: {open_.dtype} of shape {open_.shape}; allowed is one boolean for each of "
            f"the {len(index)} minutes of the span, or a table with start_utc and end_utc"
        )
    if isinstance(windows, pd.Series) and not windows.index.equals(index):
        raise TableError(
            f"{where}: the index is not that of the span; allowed are its minutes, as in "
            "environment.sky.index"
        )
    return open_.copy()


def _from_table(windows: pd.DataFrame, index: pd.DatetimeIndex, where: str) -> np.ndarray:
    missing = [column for column in ("start_utc", "end_utc") if column not in windows]
    if missing:
        raise TableError(f"{where}: column {' and '.join(missing)} is missing")
    first, last = index[0], index[-1] + MINUTE
    open_ = np.zeros(len(index), dtype=bool)
    for row, (start, end) in enumerate(zip(windows["start_utc"], windows["end_utc"]), start=1):
        start_utc, end_utc = (_instant(time, f"{where}, row {row}") for time in (start, end))
        if end_utc <= start_utc:
            raise TableError(
                f"{where}, row {row}: end_utc = {end} must be after start_utc = {start}"
            )
        if end_utc <= first or start_utc >= last:
            raise TableError(
                f"{where}, row {row}: {start} to {end} lies outside the span; allowed is "
                f"{stamp(first)} to {stamp(last)}"
            )
        open_ |= (index >= start_utc) & (index + MINUTE <= end_utc)
    return open_


def _instant(time: object, where: str) -> pd.Timestamp:
    """The instant in a cell of a column named `_utc`: UTC, if it does not say otherwise."""
    try:
        if isinstance(time, datetime | np.datetime64):
            time = str(pd.Timestamp(time))
        return pd.Timestamp(utc_from(str(time)))
    except ValueError as problem:
        raise TableError(f"{where}: '{time}': {problem}") from None
