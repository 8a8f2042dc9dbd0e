"""Ground in the shadow of terrain with the Sun up, against published shadowed floors.

How sure the number is: M from memory, S as quoted by others, P read in the publication.
"""

import numpy as np
import pytest
from tools.ground import at_site, ring, temperature_under

from obsplan.common.constants import SOLAR_IRRADIANCE_W_M2, STEFAN_BOLTZMANN_W_M2_K4
from obsplan.physics.regolith import HIGHLAND, Soil
from obsplan.physics.terrain_light import Terrain, terrain_view

# A bowl of depth over diameter 0.2: seen from its middle the rim is at atan(0.4) all round, and
# the share of the sphere that it is, 1 / (1 + 1 / 0.16), is also what it sees of itself.
RIM_DEG = np.degrees(np.arctan(0.4))
SHARE = 1 / (1 + 1 / 0.16)
# Floor in shadow at these elevations of the Sun: Ingersoll, Svitek & Murray 1992, Icarus 100, 40
# (formula M, values worked out by others from it).
PUBLISHED = [(1.5, 98.0), (5.0, 132.0), (10.0, 157.0)]


def test_the_bowl_sees_the_share_of_the_sphere_that_it_is():
    assert terrain_view(np.array([[0.0, RIM_DEG]])) == pytest.approx(SHARE, abs=1e-9)


@pytest.mark.parametrize(("sun_elevation_deg", "published_k"), PUBLISHED)
def test_shadowed_floor_of_a_bowl(sun_elevation_deg, published_k):
    """5 K: their albedo and solar constant are not ours. The formula itself to 0.1 K.

    sigma T^4 = S sin e f (1 - A) / (1 - A f) (1 + A (1 - f) / emissivity), f the share above.
    """
    level_w_m2 = SOLAR_IRRADIANCE_W_M2 * np.sin(np.radians(sun_elevation_deg))
    soil, share = Soil(heat_flow_w_m2=0.003), np.array([SHARE])
    floor_k = temperature_under(
        lambda t: np.zeros((1, len(t))),
        np.arange(0.0, 36000.0, 3600.0),
        [0.0],
        soil,
        lambda t: Terrain(share, share, np.full((1, len(t)), level_w_m2)),
    )[0, -1, 0]
    a, e, f = soil.normal_albedo, soil.emissivity, SHARE
    taken_in = level_w_m2 * f * (1 - a) / (1 - a * f) * (1 + a * (1 - f) / e)
    assert floor_k == pytest.approx((taken_in / STEFAN_BOLTZMANN_W_M2_K4) ** 0.25, abs=0.1)
    assert floor_k == pytest.approx(published_k, abs=5.0)


def test_shadowed_floor_at_the_pole_in_summer_through_the_environment(tmp_path):
    """The Sun 1.5 deg high all day for weeks, so that inertia hardly matters; 5 K as above."""
    rim = ring(tmp_path / "bowl.csv", RIM_DEG)
    floor = at_site(90.0, "2028-04-20", 24, skyline=rim).sky
    assert floor["sun_elevation_deg"].between(1.45, 1.6).all()
    assert floor["in_terrain_shadow"].all() and (floor["sun_visible_fraction"] == 0).all()
    assert floor["surface_temperature_k"].to_numpy() == pytest.approx(98.0, abs=5.0)


def test_shadowed_floors_at_mid_latitudes_are_far_below_lit_neighbours_but_not_frozen(tmp_path):
    """McGovern et al. 2013, Icarus 223, 566 (P): at 58 to 65 deg 75 to 120 K below at midday.

    Small craters whose equatorward rim hides the Sun even at noon; elsewhere the rim is that
    of a fresh bowl. The bounds are theirs.
    """
    azimuth_deg = np.arange(360)
    for latitude_deg, hiding_deg in ((58.0, 34.0), (65.0, 28.0)):
        rim = np.where(np.abs(azimuth_deg - 180) < 100, hiding_deg, RIM_DEG)
        skyline = ring(tmp_path / "steep.csv", rim)
        start, hours = "2028-07-06T18:00", 24
        floor, plain = (at_site(latitude_deg, start, hours, skyline=s).sky for s in (skyline, None))
        noon = (plain["local_time_h"] - 12).abs().idxmin()
        assert abs(plain["local_time_h"][noon] - 12) < 0.1
        assert floor["in_terrain_shadow"][noon]
        below_k = plain["surface_temperature_k"][noon] - floor["surface_temperature_k"][noon]
        assert 75 <= below_k <= 120, (latitude_deg, below_k)


def test_a_wall_without_light_hardly_matters_to_a_cold_night():
    """At night the wall is about as warm as the ground: the sky it hides is what counts.

    Radiative balance: emission to 1 - f of the sky, (1 / (1 - f))^(1/4) warmer at most (A).
    """
    view = np.array([SHARE])
    dark = temperature_under(
        lambda t: np.zeros((1, len(t))),
        np.arange(0.0, 36000.0, 3600.0),
        [0.0],
        HIGHLAND,
        lambda t: Terrain(view, view, np.zeros((1, len(t)))),
    )[0, -1, 0]
    open_k = (HIGHLAND.heat_flow_w_m2 / HIGHLAND.emission_w_m2_k4) ** 0.25
    assert open_k < dark <= open_k * (1 / (1 - SHARE)) ** 0.25 + 0.05
