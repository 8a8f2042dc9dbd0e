"""The invented elevation models of the crater, ridge and traverse examples: heights by formula.

`python -m tools.example_models`, run in tests/, writes them beside the examples; the same formulas
give the same heights every time.
"""

from pathlib import Path

import numpy as np

from tools.models import RADIUS_M, away_m, stereographic

EXAMPLES = Path(__file__).parents[2] / "examples"
# Latitude and longitude of the middle of each model.
CRATER, RIDGE, TRAVERSE = (-72.0, 14.0), (-86.5, -20.0), (-68.0, 31.0)


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


def traverse_m(latitude_deg, longitude_deg) -> np.ndarray:
    """Rolling ground around a lander, two small craters with steep walls, and a ridge."""
    turn = np.radians(np.asarray(longitude_deg) - TRAVERSE[1])
    away = 2 * RADIUS_M * np.tan(np.radians(90 + np.asarray(latitude_deg)) / 2)
    lander = 2 * RADIUS_M * np.tan(np.radians(90 + TRAVERSE[0]) / 2)
    # The map's own scale at the lander, so that metres are metres there.
    scale = (1 + np.sin(np.radians(-TRAVERSE[0]))) / 2
    east, north = away * np.sin(turn) * scale, (away * np.cos(turn) - lander) * scale
    height = -60.0 - 0.015 * east + 0.5 * np.sin(east / 19.0) * np.cos(north / 23.0)
    for middle, radius, depth in (((70.0, -52.0), 30.0, 6.5), ((-42.0, 22.0), 14.0, 2.8)):
        share = np.hypot(east - middle[0], north - middle[1]) / radius
        bowl = np.minimum(share**2 - 1.0, 0.0)
        rim = np.exp(-(((share - 1.0) / 0.35) ** 2))
        height = height + depth * bowl + 0.2 * depth * rim
    across = 0.5 * east + 0.866 * north - 112.0
    return height + 17.0 * np.exp(-((across / 20.0) ** 2))


def _smooth(share: np.ndarray) -> np.ndarray:
    """From 0 to 1 without a kink at either end."""
    share = np.clip(share, 0.0, 1.0)
    return share * share * (3 - 2 * share)


def write_models(folder: Path) -> None:
    """Write all models around the south pole: two in whole metres, the traverse in centimetres."""
    for name, height, site, pixel_m, pixels, unit_m in (
        ("crater", crater_m, CRATER, 200.0, 300, 1.0),
        ("ridge", ridge_m, RIDGE, 250.0, 360, 1.0),
        ("traverse", traverse_m, TRAVERSE, 2.0, 220, 0.01),
    ):
        away = 2 * RADIUS_M * np.tan(np.radians(90 + site[0]) / 2)
        centre = away * np.sin(np.radians(site[1])), away * np.cos(np.radians(site[1]))
        stereographic(
            folder / f"{name}.tif",
            lambda latitude, longitude, height=height, unit_m=unit_m: np.round(
                height(latitude, longitude) / unit_m
            ),
            pixel_m,
            pixels,
            centre,
            dtype="int16",
            compress="deflate",
            predictor=2,
            scale=unit_m,
            **({"unit": "m"} if unit_m < 1 else {}),
        )


if __name__ == "__main__":
    write_models(EXAMPLES)
