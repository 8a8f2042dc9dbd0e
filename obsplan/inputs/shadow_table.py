"""The shadow of a platform on its own array: output factor by the direction of the Sun."""

from pathlib import Path

import numpy as np

from obsplan.common.csv_file import read_csv
from obsplan.common.errors import ScenarioError, TableError

LIMITS = {"sun_azimuth_deg": (0.0, 360.0), "sun_elevation_deg": (-90.0, 90.0), "factor": (0.0, 1.0)}


class ShadowTable:
    """Factors (a, e) at azimuths (a,) and elevations (e,), both rising."""

    def __init__(
        self, azimuth_deg: np.ndarray, elevation_deg: np.ndarray, factor: np.ndarray, path: Path
    ):
        self.azimuth_deg, self.elevation_deg = azimuth_deg, elevation_deg
        self.factor, self.path = factor, path

    def factor_at(
        self, azimuth_deg: np.ndarray, elevation_deg: np.ndarray, lit: np.ndarray
    ) -> np.ndarray:
        """Factors (n,) for directions of the Sun (n,), bilinear and across north; 1 where not lit.

        Raises ScenarioError if the table does not reach an elevation at which the Sun is `lit`.
        """
        low, high = self.elevation_deg[[0, -1]]
        seen_deg = elevation_deg[lit]
        if len(seen_deg) and (seen_deg.min() < low or seen_deg.max() > high):
            raise ScenarioError(
                f"{self.path}: sun_elevation_deg runs from {low:g} to {high:g}; the span needs "
                f"{seen_deg.min():.4g} to {seen_deg.max():.4g}"
            )
        at_elevation = np.array(
            [np.interp(elevation_deg, self.elevation_deg, row) for row in self.factor]
        )
        azimuths = np.append(self.azimuth_deg, self.azimuth_deg[0] + 360.0)
        turned = self.azimuth_deg[0] + (azimuth_deg - self.azimuth_deg[0]) % 360.0
        after = np.clip(np.searchsorted(azimuths, turned, side="right"), 1, len(azimuths) - 1)
        share = (turned - azimuths[after - 1]) / (azimuths[after] - azimuths[after - 1])
        number = np.arange(len(azimuth_deg))
        before_at = at_elevation[after - 1, number]
        after_at = at_elevation[after % len(self.azimuth_deg), number]
        return np.where(lit, before_at + share * (after_at - before_at), 1.0)


def read_shadow_table(path: str | Path) -> ShadowTable:
    """The table in a CSV file with a row for each pair of its azimuths and elevations.

    Rows may come in any order; azimuth 360 is 0. Raises ScenarioError with a line for every
    mistake.
    """
    try:
        file = read_csv(path, tuple(LIMITS), tuple(LIMITS), others=False, may_be_empty=False)
        cells: dict[tuple[float, float], float] = {}
        for row in file.rows:
            azimuth, elevation, factor = (file.number(row, c, *LIMITS[c]) for c in LIMITS)
            at = (azimuth % 360.0, elevation)
            if at in cells and cells[at] != factor:
                file.wrong(row, "an earlier row has another factor for this direction", "factor")
            cells[at] = factor
        file.refuse_mistakes()
        azimuths, elevations = (sorted({at[k] for at in cells}) for k in (0, 1))
        for azimuth in azimuths:
            for elevation in elevations:
                if (azimuth, elevation) not in cells:
                    file.wrong(
                        None,
                        f"no row for azimuth {azimuth:g} and elevation {elevation:g}; every pair "
                        "needs one",
                    )
        file.refuse_mistakes()
    except TableError as problem:
        raise ScenarioError(*problem.args) from None
    factors = np.array([[cells[a, e] for e in elevations] for a in azimuths])
    return ShadowTable(np.array(azimuths), np.array(elevations), factors, Path(path))
