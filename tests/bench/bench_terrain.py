"""How fast a skyline is, beside marching every ray over the same elevation model.

    python tests/bench/bench_terrain.py

A model of 2000 x 2000 pixels of 100 m of made-up hills, polar stereographic and geographic,
on one core. Marching samples each of 720 rays every half pixel out to the model's edge.
"""

import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent))

from tools.models import RADIUS_M, in_degrees, stereographic

from obsplan.physics.site_view import site_view
from obsplan.physics.terrain_skyline import along, directions, ground_radius_m

PIXELS, PIXEL_M = 2000, 100.0


def hills(latitude, longitude):
    x, y = np.moveaxis(directions(latitude, longitude), -1, 0)[:2] * 600
    return 300 * np.sin(x) * np.cos(y) + 700 * np.sin(x / 7 + y / 5)


def seconds(job):
    start = time.perf_counter()
    result = job()
    return time.perf_counter() - start, result


def marched(grid, site, eye_m):
    away_rad = np.arange(0.5, PIXELS / 2, 0.5)[:, None] * PIXEL_M / RADIUS_M
    best = []
    for part in np.array_split(np.radians(np.arange(720) / 2), 20):
        radius_m = ground_radius_m([grid], *along(*site, part, away_rad))
        rise = (radius_m * np.cos(away_rad) - eye_m) / (radius_m * np.sin(away_rad))
        best.append(np.nanmax(rise, axis=0))
    return np.degrees(np.arctan(np.concatenate(best)))


def main():
    with tempfile.TemporaryDirectory() as directory:
        polar = stereographic(Path(directory) / "polar.tif", hills, PIXEL_M, PIXELS)
        step_deg = np.degrees(PIXEL_M / RADIUS_M)
        degrees = in_degrees(Path(directory) / "deg.tif", hills, (20.0, 30.0), step_deg, PIXELS)
        for path, site in ((polar, (-89.9, 15.0)), (degrees, (20.0, 30.0))):
            took_s, seen = seconds(lambda: site_view([path], *site))
            eye_m = seen.ground_height_m + RADIUS_M + 2
            march_s, rays = seconds(lambda: marched(seen.models[0].grid, site, eye_m))
            higher = seen.view.elevation_deg - rays
            print(
                f"{path.stem}: reading and skyline {took_s:.2f} s, marching alone "
                f"{march_s:.2f} s, ratio {march_s / took_s:.1f}; above the "
                f"marched rays by {higher.min():.3f} to {higher.max():.3f} deg"
            )


if __name__ == "__main__":
    main()
