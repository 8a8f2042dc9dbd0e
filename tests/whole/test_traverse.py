"""The rover among seven stops: legs that a driver would believe, over ground invented for it."""

from math import hypot

import numpy as np
import pytest
from tools.example_models import EXAMPLES, TRAVERSE, traverse_m

from obsplan.environment.build import make_environment
from obsplan.inputs.legs import legs_of, places_of, ways_of
from obsplan.inputs.read_scenario import read_scenario
from obsplan.physics.line_of_sight import in_sight
from obsplan.physics.terrain_skyline import along
from obsplan.planning.reasons.audit import findings
from obsplan.planning.reasons.finding import Severity


@pytest.fixture(scope="module")
def scenario():
    return read_scenario(EXAMPLES / "traverse.toml")


def test_every_two_places_are_joined_by_a_leg_that_keeps_all_limits(scenario):
    rover = scenario.platform_named("rover")
    places, legs, ways = (f(scenario, rover) for f in (_places, legs_of, ways_of))
    assert len(places) == 9 and len(legs) == 9 * 8
    for (start, end), leg in legs.items():
        straight_m = hypot(*np.subtract(places[end], places[start]))
        assert straight_m <= leg.distance_m <= 1.35 * straight_m
        assert leg.farthest_m <= 150 and leg.steepest_slope_deg <= 20
        corners = np.array(leg.path_m)
        for hazard in ways.hazards:
            assert not hazard.shape.crossed(corners[:-1], corners[1:]).any()
        assert in_sight(ways.drivable.ground, corners, np.zeros(2)).all()


def _places(scenario, rover):
    return places_of(scenario, rover.name)


def test_ways_lead_around_craters_and_boulders_and_slow_down_on_the_rim(scenario):
    legs = legs_of(scenario, scenario.platform_named("rover"))

    def around(start, end):
        leg = legs[start, end]
        return leg.distance_m / hypot(*np.subtract(leg.path_m[-1], leg.path_m[0]))

    # The crater lies between the rims, the boulder field between lander and block.
    assert around("rim", "far rim") > 1.2
    assert around("lander", "block") > 1.005
    assert around("ejecta", "dark patch") == pytest.approx(1.0, abs=5e-3)
    assert legs["rim", "block"].steepest_slope_deg > 10
    assert legs["rim", "block"].drive_min > legs["rim", "block"].distance_m / 0.5


def test_heights_along_a_leg_are_those_of_the_formula(scenario):
    ways = ways_of(scenario, scenario.platform_named("rover"))
    rng = np.random.default_rng(7)
    points = rng.uniform(-100, 110, (200, 2))
    east, north = points.T
    radius_m = ways.drivable.ground.radius_m
    at = along(*TRAVERSE, np.arctan2(east, north), np.hypot(east, north) / radius_m)
    found = ways.drivable.ground.height_at(points)
    known = ~np.isnan(found)
    assert known.sum() > 180
    # Bilinear between pixels of 2 m, in whole centimetres; rims of craters are sharper than that.
    off_m = np.abs(found - traverse_m(*at))[known]
    assert np.median(off_m) < 0.01 and off_m.max() < 0.2


def test_no_stop_is_out_of_reach_and_the_hollow_is_dark_at_first(scenario):
    environment = make_environment(scenario)
    lines = [f.line for f in findings(environment) if f.severity != Severity.NOTE]
    assert not lines
    dark = environment.sky_at("hollow")["in_terrain_shadow"].to_numpy()
    assert dark[0] and 1 < dark.sum() / 60 < 5 and not dark[dark.argmin() :].any()
