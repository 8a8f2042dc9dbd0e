"""The crater and the ridge: windows that a thermal engineer would believe, and plans in them."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import rasterio
from tools.example_models import EXAMPLES, write_models

from obsplan.environment.build import make_environment
from obsplan.inputs.read_scenario import read_scenario
from obsplan.planning.plan import make_plan
from obsplan.planning.problem.start_windows import windows_table
from obsplan.reporting.figures.resources import resources_figure
from obsplan.reporting.hours import darkness, night_words
from obsplan.survey.site_course import place_of, site_courses

HOUR = pd.Timedelta(hours=1)


@pytest.fixture(scope="module")
def crater():
    return make_environment(read_scenario(EXAMPLES / "crater.toml"))


@pytest.fixture(scope="module")
def ridge():
    return make_environment(read_scenario(EXAMPLES / "ridge.toml"))


def test_the_models_are_those_of_their_formulas(tmp_path):
    write_models(tmp_path)
    for name in ("crater.tif", "ridge.tif", "traverse.tif"):
        with rasterio.open(EXAMPLES / name) as kept, rasterio.open(tmp_path / name) as made:
            assert kept.transform.almost_equals(made.transform) and kept.crs == made.crs
            # Whole metres or centimetres: the last bit of a sine may round the other way.
            assert np.abs(kept.read(1).astype(int) - made.read(1)).max() <= 1


def test_pictures_call_darkness_shadow_of_terrain_where_the_sun_has_risen(crater):
    nights_h, _ = darkness(crater)
    assert len(nights_h) and night_words(crater) == "night or shadow of terrain"
    down = crater.sky.assign(sun_elevation_deg=crater.sky["sun_elevation_deg"] - 20)
    assert night_words(replace(crater, sky=down)) == "night"


def test_the_crater_floor_waits_days_in_the_shadow_of_its_rim(crater):
    sky = crater.sky
    shadow, lit = sky["in_terrain_shadow"], sky["sun_visible_fraction"] == 1
    first_light = crater.events.set_index("event")["time_utc"]["first light"]
    # The rim stands 9 deg high: the Sun needs more than two days to climb to it at 72 deg.
    assert shadow[:first_light].all() and first_light - sky.index[0] > 50 * HOUR
    assert sky["sun_elevation_deg"][first_light.floor("min")] == pytest.approx(8.8, abs=0.3)
    # Shadowed floors are lit by the wall: far colder than lit ground, not frozen through.
    surface_k = sky["surface_temperature_k"]
    assert 60 < surface_k[shadow].min() < 100 and 240 < surface_k[lit].max() < 275
    # Soil a decimetre down hardly knows the day, and warms long after noon.
    deep_k = sky["temperature_10cm_k"]
    assert deep_k.max() - deep_k.min() < 40 and deep_k.idxmax() - surface_k.idxmax() > 48 * HOUR


def test_windows_in_the_crater_follow_light_ground_and_camera_head(crater):
    windows = windows_table(crater).groupby("activity")
    hours = windows["duration_min"].sum() / 60
    shadow_h = crater.sky["in_terrain_shadow"].sum() / 60
    assert shadow_h - 4 < hours["floor in shadow"] <= shadow_h
    # The eclipse of July 6 parts the light.
    assert len(windows.get_group("floor in light")) == 2
    cold = windows.get_group("cold floor")
    (first, last) = cold["opens_utc"].iloc[[0, -1]]
    assert (
        first < pd.Timestamp("2028-07-01", tz="UTC") < pd.Timestamp("2028-07-10", tz="UTC") < last
    )
    # The head is too warm around noon in its hot case.
    warm = crater.sky["camera head_hot_k"] > 285
    assert warm["2028-07-06"].all() and not warm["2028-07-01"].any()
    assert hours["dark frames"] < hours["ground temperature"]


def test_the_ridge_has_light_from_all_sides_and_cold_ground(ridge):
    sky = ridge.sky
    assert (sky["sun_visible_fraction"] > 0).mean() > 0.98
    turned_deg = np.ptp(np.degrees(np.unwrap(np.radians(sky["sun_azimuth_deg"]))))
    assert turned_deg == pytest.approx(360 * 13 / 29.53, abs=2)
    assert not sky["in_terrain_shadow"].any()
    # The Sun stays below 3.5 deg: level ground never gets warm.
    assert sky["surface_temperature_k"].max() < 145
    assert ridge.night is not None
    begin, end = ridge.night
    assert 200 * HOUR < end - begin < 350 * HOUR  # shorter than on level ground further north
    box_k = ridge.platforms["rover"]["warm box_k"]
    assert (box_k >= 272 - 1e-6).all()


@pytest.mark.parametrize("name", ["crater", "ridge"])
def test_a_plan_is_valid_and_schedules_every_request(name, request):
    environment = request.getfixturevalue(name)
    made = make_plan(environment, effort="low")
    scenario = environment.scenario
    assert made.verdict.is_valid
    assert len(made.unplaced) == 0 and made.gap < 0.01
    (platform,) = scenario.platform
    (unit,) = platform.unit
    resources = made.verdict.resources[platform.name]
    low_k, high_k = unit.operating_k
    for slot in made.timeline.itertuples(index=False):
        if slot.instrument in unit.instruments:
            during = resources.loc[slot.start_utc : slot.end_utc]
            assert (
                during[unit.columns[0]].min() >= low_k and during[unit.columns[1]].max() <= high_k
            )
    labels = [axes.get_ylabel() for axes in resources_figure(made).axes]
    assert f"{platform.name}\n{unit.name}\n(K)" in labels


@pytest.mark.parametrize("name", ["crater", "ridge"])
def test_survey_and_plan_have_the_same_ground_and_arrays(name, request):
    environment = request.getfixturevalue(name)
    scenario = environment.scenario
    first, last = (int(t.timestamp()) for t in (scenario.span.start_utc, scenario.span.end_utc))
    wide = 10 * 86_400  # the local noon of the lunar day must lie within
    (course,) = site_courses(scenario, [place_of(scenario)], first - wide, last + wide)
    hours = pd.DatetimeIndex(course.hour_s.astype("datetime64[s]"), tz="UTC")
    here = (hours >= environment.sky.index[0]) & (hours <= environment.sky.index[-1])
    surface_k = environment.sky["surface_temperature_k"].reindex(hours[here]).to_numpy()
    # Hours against minutes: first light heats the surface by 100 K within some hours.
    apart_k = np.abs(course.surface_k[here] - surface_k)
    assert np.median(apart_k) < 0.5 and np.quantile(apart_k, 0.97) < 3
    (platform,) = scenario.platform
    surveyed_wh = course.generation_w[platform.name][here].sum()
    planned_wh = environment.platforms[platform.name]["generation_w"].sum() / 60
    assert surveyed_wh == pytest.approx(planned_wh, rel=0.01)
