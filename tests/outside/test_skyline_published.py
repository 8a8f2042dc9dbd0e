"""Skylines on a sphere of 1737.4 km against formulas that can be written down.

Sure: A, each follows from the circle's geometry.
"""

import numpy as np
import pytest
from tools.models import RADIUS_M, away_m, grid, in_degrees
from tools.small import small_elsewhere

from obsplan.environment.build import make_environment
from obsplan.inputs.read_scenario import read_scenario
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


@pytest.mark.parametrize("wall_m, away_km", [(1000, 10), (50, 2), (0, 5)])
def test_ring_wall_hides_the_sun_of_the_environment(tmp_path, wall_m, away_km):
    """The same walls in an elevation model that a scenario names, seen from 2 m above ground."""
    away, eye_m = away_km * 1000 / RADIUS_M, RADIUS_M + 2
    top_m = RADIUS_M + wall_m
    written = np.degrees(np.arctan2(top_m * np.cos(away) - eye_m, top_m * np.sin(away)))
    # Without a wall the ground ends at the dip, acos(R / (R + 2 m)).
    written = max(written, -dip_deg(RADIUS_M, eye_m))

    def wall(latitude, longitude):
        there_m = away_m(latitude, longitude + 0 * latitude, (40.0, 10.0))
        return np.where(there_m > away_km * 1000, float(wall_m), 0.0)

    pixel_deg = np.degrees(away / 150.5)
    in_degrees(tmp_path / "ring.tif", wall, (40.0, 10.0), pixel_deg, 401)
    text = small_elsewhere(40.0, 10.0, 0.0, "ring.tif", days=20)
    (tmp_path / "small.toml").write_text(text)
    sky = make_environment(read_scenario(tmp_path / "small.toml")).sky
    # Half of the disc is above a level edge if the Sun's centre is on it.
    half = sky["sun_visible_fraction"].to_numpy() > 0.5
    elevation_deg = sky["sun_elevation_deg"].to_numpy()
    crossings = np.flatnonzero(np.diff(half) & (elevation_deg[1:] < 10))  # high up: an eclipse
    assert len(crossings) > 0
    for crossing in crossings:
        at_deg = elevation_deg[crossing : crossing + 2]
        # The wall begins up to 1.5 of 150.5 pixels farther out; a minute is 0.007 deg.
        assert at_deg.min() - 0.001 <= written + 0.001
        assert at_deg.max() >= written - 0.01 * (max(written, 0) + np.degrees(away)) - 0.001
