"""Stops with a skyline of their own: the Sun there, what arrays yield, and what changes with it."""

from dataclasses import replace

import numpy as np
import pytest
from tools.places import PLACES

from obsplan.environment.build import make_environment
from obsplan.environment.key_changes import KeyChange, changed
from obsplan.environment.model import times_generation
from obsplan.environment.power_columns import power_columns
from obsplan.inputs.read_scenario import read_scenario

SITE = '[site]\nname = "test shelf"\n'


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("skies")
    # The Sun is 48 to 50 degrees high, and hidden at R2 for some hours.
    (folder / "r2.csv").write_text("azimuth_deg,elevation_deg\n0,0\n158,0\n159,60\n170,60\n171,0\n")
    (folder / "s.toml").write_text(
        PLACES.replace('"R2"\nplatform', '"R2"\nskyline = "r2.csv"\nplatform', 1)
    )
    return folder


@pytest.fixture(scope="module")
def environment(folder):
    return make_environment(read_scenario(folder / "s.toml"))


def test_only_what_follows_from_the_skyline_differs_at_the_stop(environment):
    here, there = environment.sky, environment.sky_at("R2")
    differing = {name for name in here if not here[name].equals(there[name])}
    assert differing == {"sun_visible_fraction", "in_terrain_shadow"}
    azimuth = here["sun_azimuth_deg"].to_numpy()
    hidden = (azimuth > 159.5) & (azimuth < 169.5)
    assert hidden.any() and not there["sun_visible_fraction"][hidden].any()
    assert there["in_terrain_shadow"][hidden].all()
    assert (there["sun_visible_fraction"][azimuth > 172] == 1).all()
    assert environment.sky_at("R1") is here and environment.sky_at("lander") is here


def test_a_stop_with_the_skyline_of_the_site_is_as_the_site(folder, environment):
    # The whole environment made with that skyline, by the code of the site.
    text = PLACES.replace(SITE, SITE + 'skyline = "r2.csv"\n', 1)
    (folder / "all.toml").write_text(text)
    other = make_environment(read_scenario(folder / "all.toml"))
    for name in ("sun_visible_fraction", "in_terrain_shadow"):
        assert environment.sky_at("R2")[name].to_numpy() == pytest.approx(other.sky[name], abs=1e-9)
    # Cells are as warm as the ground of the site allows, so nearly the same power.
    lit = other.platforms["rover"]["generation_w"].to_numpy()
    assert environment.generation_at_w("rover", "R2") == pytest.approx(lit, abs=2.0)


def test_arrays_yield_at_a_stop_what_its_sun_gives(environment):
    at_site, at_stop = (environment.generation_at_w("rover", name) for name in ("R1", "R2"))
    shade = environment.sky_at("R2")["sun_visible_fraction"].to_numpy() == 0
    assert (at_stop[shade] == 0).all() and (at_site[shade] > 0).all()
    assert at_stop[~shade & (environment.sky_at("R2")["sun_visible_fraction"] == 1)].max() > 10
    assert (
        environment.generation_at_w("lander", "R2")
        == environment.platforms["lander"]["generation_w"]
    ).all()


def test_a_drive_is_under_the_sky_of_both_ends(environment):
    scenario = environment.scenario
    named = {
        name: [*environment.skies_of(scenario.activity_named(name))]
        for name in ("laser at R1", "laser at R2", "drive R1 to R2", "drive R1 to R3", "sweep")
    }
    assert named == {
        "laser at R1": [""],
        "laser at R2": ["R2"],
        "drive R1 to R2": ["", "R2"],
        "drive R1 to R3": [""],
        "sweep": [""],
    }


def test_more_array_and_less_output_count_at_every_place(environment):
    rover = environment.scenario.platform_named("rover")
    twice = changed(
        environment, KeyChange("platform", "rover", ("array", "area_m2"), (0.1,), (0.2,))
    )
    for stop in ("R1", "R2"):
        was, now = (e.generation_at_w("rover", stop) for e in (environment, twice))
        assert now == pytest.approx(2 * was)
    table = environment.platforms["rover"]
    half = replace(environment, platforms={"rover": table.assign(**times_generation(table, 0.5))})
    for stop in ("R1", "R2"):
        was, now = (e.generation_at_w("rover", stop) for e in (environment, half))
        assert now == pytest.approx(was / 2)
    again = power_columns(rover, environment.sky_at("R2"), environment.scenario.folder)
    assert np.array_equal(again["generation_w"], environment.generation_at_w("rover", "R2"))
