"""The invented elevation models of the crater and ridge examples: heights by formula.

`python -m tools.example_models`, run in tests/, writes them beside the examples; the same formulas
give the same heights every time.
"""

from pathlib import Path

import numpy as np

from tools.models import RADIUS_M, away_m, stereographic

EXAMPLES = Path(__file__).parents[2] / "examples"
# Latitude and longitude of the middle of each model.
CRATER, RIDGE = (-72.0, 14.0), (-86.5, -20.0)


def crater_m(latitude_deg, longitude_deg) -> np.ndarray:
    """A crater 30 km across: a floor at -1900 m, a rim at 500 m, and plains at -200 m."""
    away_km = away_m(latitude_deg, longitude_deg, CRATER) / 1000
    wall = _smooth((away_km - 9.0) / 6.0)
    outside = _smooth((away_km - 15.0) / 8.0)
    hills = 12.0 * np.sin(away_km / 0.7)
    return -1900.0 + 2400.0 * wall - 700.0 * outside + hills


def ridge_m(latitude_deg, longitude_deg) -> np.ndarray:
    """A ridge 1200 m above the plains, 60 km long and 8 km wide, and lower hills far away."""
    colatitude_m = 2 * RADIUS_M * np.tan(np.radians(90 + np.asarray(latitude_deg)) / 2)
    longitude = np.radians(np.asarray(longitude_deg) - RIDGE[1])
    middle_m = 2 * RADIUS_M * np.tan(np.radians(90 + RIDGE[0]) / 2)
    along_km = colatitude_m * np.sin(longitude) / 1000
    across_km = (colatitude_m * np.cos(longitude) - middle_m) / 1000
    crest = 1200.0 * np.exp(-((across_km / 4.0) ** 2) - (along_km / 30.0) ** 4)
    hills = 250.0 * np.exp(-(((across_km - 34.0) / 6.0) ** 2))
    return 300.0 + crest + hills


def _smooth(share: np.ndarray) -> np.ndarray:
    """From 0 to 1 without a kink at either end."""
    share = np.clip(share, 0.0, 1.0)
    return share * share * (3 - 2 * share)


def write_models(folder: Path) -> None:
    """Write both models, in whole metres around the south pole."""
    for name, height, site, pixel_m, pixels in (
        ("crater", crater_m, CRATER, 200.0, 300),
        ("ridge", ridge_m, RIDGE, 250.0, 360),
    ):
        away = 2 * RADIUS_M * np.tan(np.radians(90 + site[0]) / 2)
        centre = away * np.sin(np.radians(site[1])), away * np.cos(np.radians(site[1]))
        stereographic(
            folder / f"{name}.tif",
            lambda latitude, longitude, height=height: np.round(height(latitude, longitude)),
            pixel_m,
            pixels,
            centre,
            dtype="int16",
            compress="deflate",
            predictor=2,
        )


if __name__ == "__main__":
    write_models(EXAMPLES)
