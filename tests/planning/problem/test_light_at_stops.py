"""What the planner counts on from the arrays of a rover that moves between light and dark."""

from dataclasses import replace

import numpy as np
import pytest
from tools.places import PLACES

from obsplan.environment.build import make_environment
from obsplan.inputs.along_routes import on_route
from obsplan.inputs.placed import Route
from obsplan.inputs.read_scenario import read_scenario
from obsplan.planning.problem.platform_power import platform_power


@pytest.fixture(scope="module")
def environment(tmp_path_factory):
    folder = tmp_path_factory.mktemp("light")
    (folder / "r2.csv").write_text("azimuth_deg,elevation_deg\n0,60\n")
    text = PLACES.replace('"R2"\nplatform', '"R2"\nskyline = "r2.csv"\nplatform', 1)
    (folder / "s.toml").write_text(text.replace('skyline = "flat"', ""))
    return make_environment(read_scenario(folder / "s.toml"))


def counted_w(environment, *places, relaxed=False):
    scenario = on_route(environment.scenario, [Route("rover", ("lander", *places))], free=relaxed)
    rover = scenario.platform_named("rover")
    return platform_power(replace(environment, scenario=scenario), rover, relaxed).generation_w


def test_a_dark_stop_counts_from_when_the_drive_to_it_may_begin(environment):
    scenario = environment.scenario
    lit = environment.generation_at_w("rover", "R1")
    assert not environment.generation_at_w("rover", "R2").any() and (lit > 10).all()
    assert np.array_equal(counted_w(environment, "R1", "R3"), lit)
    found = counted_w(environment, "R1", "R2")
    began = scenario.slot_min(scenario.activity_named("drive lander to R1"))
    assert np.array_equal(found, [*lit[:began], *np.zeros(len(lit) - began)])


def test_the_relaxed_problem_counts_on_the_brightest_place(environment):
    lit = environment.generation_at_w("rover", "R1")
    assert np.array_equal(counted_w(environment, "R1", "R2", relaxed=True), lit)
