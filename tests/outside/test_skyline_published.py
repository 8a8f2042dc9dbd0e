"""Skylines on a sphere of 1737.4 km against formulas that can be written down.

Sure: A, each follows from the circle's geometry.
"""

import numpy as np
import pytest
from tools.models import RADIUS_M, away_m, grid

from obsplan.physics.terrain_skyline import dip_deg, skyline

EQUATOR = (0.0, 0.0)


# Dip acos(R / (R + h)), A: height in m, degrees; half of the last digit given.
@pytest.mark.parametrize(
    "height_m, dip", [(1.5, 0.0753), (10, 0.1944), (100, 0.6147), (1000, 1.9435)]
)
def test_dip_of_the_bare_sphere(height_m, dip):
    assert dip_deg(RADIUS_M, RADIUS_M + height_m) == pytest.approx(dip, abs=5e-5)
    # And so does gridded ground at 0 m: 60 km to the edge seen from 1000 m. Half a pixel
    # of 400 m off the tangent point changes nothing in the fourth digit.
    level = grid(lambda *at: np.zeros_like(at[0]), pixel_m=400, pixels=401)
    seen = skyline([level], *EQUATOR, RADIUS_M + height_m).elevation_deg
    assert seen == pytest.approx(-dip, abs=1e-4)


# Drop R (1 - cos(s / R)), A: distance in km, metres; half of the last digit given.
@pytest.mark.parametrize("away_km, drop_m", [(1, 0.288), (10, 28.779), (100, 2877.07)])
def test_drop_of_the_sphere_hides_a_wall_of_that_height(away_km, drop_m):
    away = away_km * 1000 / RADIUS_M
    assert RADIUS_M * (1 - np.cos(away)) == pytest.approx(drop_m, rel=2e-5, abs=5e-4)
    # A wall w high at distance s has its top (R + w) cos(s / R) - R above the eye's plane:
    # as high as the drop it stands level, but for the wall's own lean, w (1 - cos(s / R)).
    pixel_m = away_km * 1000 / 150.5
    wall = grid(
        lambda *at: np.where(away_m(*at, EQUATOR) > away_km * 1000, drop_m, -10.0),
        pixel_m=pixel_m,
        pixels=401,
    )
    seen = skyline([wall], *EQUATOR, RADIUS_M).elevation_deg
    lean_deg = np.degrees(drop_m * (1 - np.cos(away)) / (away_km * 1000))
    # Pixels stand up to 1.5 behind the wall's foot, where the sphere has dropped on.
    later_deg = np.degrees(1.5 * pixel_m / RADIUS_M)
    assert np.all(seen <= -lean_deg + 1e-5)
    assert np.all(seen >= -lean_deg - later_deg)


# Ring wall of height w at distance s seen from the ground, A:
# atan2((R + w) cos(s / R) - R, (R + w) sin(s / R)).
@pytest.mark.parametrize(
    "wall_m, away_km, elevation_deg", [(1000, 10, 5.5441), (3000, 50, 2.6060), (50, 2, 1.3991)]
)
def test_ring_wall(wall_m, away_km, elevation_deg):
    away = away_km * 1000 / RADIUS_M
    top_m = RADIUS_M + wall_m
    written = np.degrees(np.arctan2(top_m * np.cos(away) - RADIUS_M, top_m * np.sin(away)))
    assert written == pytest.approx(elevation_deg, abs=5e-5)
    pixel_m = away_km * 1000 / 150.5
    ring = grid(
        lambda *at: np.where(away_m(*at, EQUATOR) > away_km * 1000, float(wall_m), 0.0),
        pixel_m=pixel_m,
        pixels=401,
    )
    seen = skyline([ring], *EQUATOR, RADIUS_M).elevation_deg
    # The wall begins up to 1.5 pixels of s / 150.5 farther out: 1 % of its angle, which
    # is the elevation and the sphere's drop, s / 2R, together.
    assert np.all(seen <= written + 1e-4)
    assert np.all(seen >= written - 0.01 * (written + np.degrees(away)))
