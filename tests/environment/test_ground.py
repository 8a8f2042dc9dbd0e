"""The ground of a site: its soil, the edges of light, terrain, and only if it is asked for."""

from typing import get_args

import numpy as np
import pytest
from tools.ground import at_site, ring
from tools.small import landing_table

from obsplan.common.errors import ScenarioError
from obsplan.environment import build, ground
from obsplan.inputs.read_scenario import scenario_from
from obsplan.inputs.scenario import Site

ECLIPSE = (20.0, "2028-12-31T12:00", 12)  # latitude, start, hours: total here, at local noon


def surface_k(*where, **site):
    return at_site(*where, **site).sky["surface_temperature_k"].to_numpy()


def test_every_soil_of_a_scenario_is_known():
    assert set(get_args(Site.model_fields["soil"].annotation)) == set(ground.SOILS)
    keys = ground.soil_of(Site(name="a", latitude_deg=0, longitude_deg=0))._fields
    assert all(Site.model_fields[key].default is None for key in keys)


def test_a_site_may_change_single_figures_of_its_soil():
    site = Site(name="a", latitude_deg=0, longitude_deg=0, soil="mare", density_scale_m=0.05)
    assert ground.soil_of(site) == ground.SOILS["mare"]._replace(density_scale_m=0.05)


@pytest.mark.parametrize(
    ("changes", "warmer_at"),
    [
        ({"soil": "mare"}, "noon"),
        ({"normal_albedo": 0.07}, "noon"),
        ({"emissivity": 0.9}, "noon"),
        ({"density_scale_m": 0.04}, "night"),
        ({"heat_flow_w_m2": 0.15}, "night"),
    ],
)
def test_every_figure_of_the_soil_reaches_the_ground(changes, warmer_at):
    start = {"noon": "2028-07-07", "night": "2028-07-20"}[warmer_at]
    plain, changed = (surface_k(40.0, start, 1, **site) for site in ({}, changes))
    assert (changed > plain + 0.3).all()


@pytest.mark.parametrize(
    ("key", "low", "high"),
    [
        ("normal_albedo", 0.02, 0.4),
        ("emissivity", 0.85, 1.01),
        ("density_scale_m", 0.005, 0.3),
        ("heat_flow_w_m2", 0.0, 0.3),
        ("soil", "dust", "MARE"),
    ],
)
def test_a_figure_out_of_range_is_named_with_what_is_allowed(key, low, high):
    for value in (low, high):
        with pytest.raises(ScenarioError) as told:
            at_site(0.0, "2028-07-07", 1, **{key: value})
        line = str(told.value)
        assert f"site.{key}" in line and "\n" not in line.strip()
        assert "highland" in line if key == "soil" else any(c.isdigit() for c in line)


def test_eclipse_edges_are_those_of_a_march_by_the_minute(monkeypatch):
    told_k = surface_k(*ECLIPSE)
    monkeypatch.setattr(ground, "STRAIGHT_K", -1.0)  # every minute bends
    build._ground_k.cache_clear()
    exact_k = surface_k(*ECLIPSE)
    assert np.ptp(exact_k) > 150
    # 1 K: what a planner may ask of the umbra's edge; every 15th minute alone misses 15 K.
    assert np.abs(told_k - exact_k).max() < 1.0
    monkeypatch.setattr(ground, "STRAIGHT_K", np.inf)
    build._ground_k.cache_clear()
    rough_k = surface_k(*ECLIPSE)
    build._ground_k.cache_clear()  # nor is it kept for other tests
    assert np.abs(rough_k - exact_k).max() > 5.0


def test_the_sun_behind_a_ridge_is_terrain_shadow_and_its_light_warms_the_ground(tmp_path):
    azimuth_deg = np.arange(360)
    ridge = ring(tmp_path / "ridge.csv", np.where(np.abs(azimuth_deg - 180) < 40, 30.0, 1.0))
    where = 70.0, "2028-08-05", 30
    hidden, plain = at_site(*where, skyline=ridge).sky, at_site(*where).sky
    assert hidden["in_terrain_shadow"].all() and not plain["in_terrain_shadow"].any()
    shadow_k = hidden["surface_temperature_k"].to_numpy()
    assert (shadow_k > 100).all() and (shadow_k < plain["surface_temperature_k"] - 50).all()


def test_there_is_no_terrain_shadow_at_night_nor_while_the_earth_covers_the_sun(tmp_path):
    ridge = ring(tmp_path / "ridge.csv", 85.0)
    eclipsed = at_site(*ECLIPSE, skyline=ridge).sky["in_terrain_shadow"]
    plain = at_site(*ECLIPSE).sky["sun_visible_fraction"]
    assert (eclipsed == (plain > 0)).all() and 0.1 < eclipsed.mean() < 0.95
    night = at_site(20.0, "2029-01-14", 2, skyline=ridge).sky
    assert (night["sun_elevation_deg"] < -5).all() and not night["in_terrain_shadow"].any()


def test_links_alone_are_those_of_the_whole_environment(demo, monkeypatch):
    def not_asked(*_):
        raise AssertionError("nobody asked for the ground")

    monkeypatch.setattr(build, "_ground_k", not_asked)
    monkeypatch.setattr(build.sky, "sun_events", not_asked)
    linked = build.make_link_environment(demo.scenario)
    assert linked.contacts.equals(demo.contacts)
    assert linked.sky.equals(demo.sky[linked.sky.columns])
    assert not any(column.endswith("_k") for column in linked.sky)
    assert list(linked.platforms) == list(demo.platforms)
    for name, table in linked.platforms.items():
        assert table.equals(demo.platforms[name][table.columns])
        assert "rate_kbps" in table and "generation_w" not in table
    assert linked.events.empty and list(linked.events) == list(demo.events)


def test_other_hardware_on_the_same_ground_waits_for_no_ground(monkeypatch, tmp_path):
    """Nor does what somebody changes in one environment reach the next."""
    asked, ask = [], build.ground_temperature_k
    monkeypatch.setattr(build, "ground_temperature_k", lambda *a: asked.append(1) or ask(*a))
    table = landing_table()
    table["site"]["name"] = "asked for once"
    one = build.make_environment(scenario_from(table))
    surface_k = one.sky["surface_temperature_k"].copy()
    one.sky.loc[:, "surface_temperature_k"] = 0.0
    table["platform"][0]["idle_w"] += 1.0
    two = build.make_environment(scenario_from(table))
    assert two.sky["surface_temperature_k"].equals(surface_k) and len(asked) == 1
    base_w = (each.platforms["lander"]["base_load_w"] for each in (one, two))
    assert (next(base_w) + 1.0 == next(base_w)).all()
    table["site"]["skyline"] = str(ring(tmp_path / "ridge.csv", 20.0))
    ringed = build.make_environment(scenario_from(table))
    assert not ringed.sky["surface_temperature_k"].equals(surface_k)
