"""The thermal team's table of a unit: temperature and heater draw in a cold and a hot case."""

from pathlib import Path
from typing import NamedTuple

import numpy as np

from obsplan.common.csv_file import CsvFile, read_csv
from obsplan.common.errors import ScenarioError, TableError

# What the rows run along, and its limits.
AGAINST = {"local_time_h": (0.0, 24.0), "sun_elevation_deg": (-90.0, 90.0)}
TEMPERATURES = {"cold_k": (20.0, 600.0), "hot_k": (20.0, 600.0)}
HEATERS = {"cold_heater_w": (0.0, 10_000.0), "hot_heater_w": (0.0, 10_000.0)}
LIMITS = AGAINST | TEMPERATURES | HEATERS


class ThermalTable(NamedTuple):
    """Rows (n,) along `against`, a column of the sky table; heater_w is the larger of the cases."""

    path: Path
    against: str
    at: np.ndarray
    cold_k: np.ndarray
    hot_k: np.ndarray
    heater_w: np.ndarray

    def values(self, quantity: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Cold, hot and heater (m,) where the column `against` has these values (m,).

        Raises ScenarioError if the table does not reach one of them.
        """
        low, high = float(quantity.min()), float(quantity.max())
        if low < self.at[0] or high > self.at[-1]:
            raise ScenarioError(
                f"{self.path}: {self.against} runs from {self.at[0]:g} to {self.at[-1]:g}; the "
                f"span needs {low:.4g} to {high:.4g}"
            )
        columns = (self.cold_k, self.hot_k, self.heater_w)
        cold_k, hot_k, heater_w = (np.interp(quantity, self.at, column) for column in columns)
        return cold_k, hot_k, heater_w


def read_thermal_table(path: str | Path) -> ThermalTable:
    """The table in a CSV file; raises ScenarioError with a line for every mistake."""
    try:
        file = read_csv(path, tuple(LIMITS), tuple(TEMPERATURES), others=False, may_be_empty=False)
        filled = {key for key in LIMITS if any(row.cells[key] for row in file.rows)}
        there = [key for key in LIMITS if key in TEMPERATURES or key in filled]
        along = [key for key in AGAINST if key in there]
        if len(along) != 1:
            file.wrong(None, "give either local_time_h or sun_elevation_deg in every row")
        columns = {key: [file.number(row, key, *LIMITS[key]) for row in file.rows] for key in there}
        _note_disorder(file, columns, along)
        file.refuse_mistakes()
    except TableError as problem:
        raise ScenarioError(*problem.args) from None
    rows = {key: np.array(column) for key, column in columns.items()}
    none = np.zeros(len(file.rows))
    heater_w = np.maximum(rows.get("cold_heater_w", none), rows.get("hot_heater_w", none))
    return ThermalTable(
        Path(path), along[0], rows[along[0]], rows["cold_k"], rows["hot_k"], heater_w
    )


def _note_disorder(file: CsvFile, columns: dict[str, list[float]], along: list[str]) -> None:
    """Note rows that do not rise, and a hot case that is colder than the cold one."""
    for key in along:
        for row, earlier, at in zip(file.rows[1:], columns[key], columns[key][1:]):
            if at <= earlier:
                file.wrong(row, f"must be above {earlier:g}, that of the row before", key)
    for row, cold_k, hot_k in zip(file.rows, columns["cold_k"], columns["hot_k"]):
        if hot_k < cold_k:
            file.wrong(row, f"must be {cold_k:g}, that of cold_k, or more", "hot_k")
