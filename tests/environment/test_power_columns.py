"""Every property of an array and a heater in the scenario reaches generation or load."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from tools.small import platform

from obsplan.environment.power_columns import power_columns
from obsplan.inputs.hardware import Platform

SKY = pd.DataFrame(
    {
        "irradiance_w_m2": [1400.0, 1400.0, 1400.0],
        "sun_visible_fraction": [1.0, 0.5, 0.0],
        "sun_elevation_deg": [30.0, 30.0, -5.0],
        "sun_azimuth_deg": [90.0, 90.0, 270.0],
        "surface_temperature_k": [350.0, 300.0, 100.0],
    }
)
ARRAY = {"area_m2": 0.5, "efficiency": 0.3}


def columns(*arrays, folder=Path(), **parts):
    return power_columns(
        Platform.model_validate(platform(array=list(arrays), **parts)), SKY, folder
    )


def generation_w(*arrays):
    return columns(*arrays)["generation_w"].to_numpy()


def test_dust_takes_its_share_of_the_light_and_of_the_power():
    clean_w, dusty_w = generation_w(ARRAY), generation_w(ARRAY | {"dust_loss": 0.1})
    assert clean_w[0] > clean_w[1] > clean_w[2] == 0.0
    # Rounding only: the cells' temperature is that of clean ones, the careful assumption.
    assert dusty_w == pytest.approx(0.9 * clean_w, rel=1e-12)


@pytest.mark.parametrize(
    ("change", "factor"),
    [({"area_m2": 1.0}, 2.0), ({"efficiency": 0.15}, 0.5)],
)
def test_area_and_efficiency_are_proportional_to_power(change, factor):
    assert generation_w(ARRAY | change) == pytest.approx(factor * generation_w(ARRAY), rel=1e-12)


def test_facing_and_temperature_coefficient_reach_the_power():
    tracking_w = generation_w(ARRAY)[0]
    level_w = generation_w(ARRAY | {"facing": "fixed", "azimuth_deg": 0.0, "tilt_deg": 0.0})[0]
    # Half the light at 30 deg; cells that are colder for it give a little more.
    assert 0.5 < level_w / tracking_w < 0.6
    steady_w = generation_w(ARRAY | {"temperature_coefficient_per_k": 0.0})[0]
    assert steady_w == pytest.approx(1400.0 * 0.5 * 0.3)
    assert tracking_w < steady_w  # hotter than the 28 C of the rating


def test_arrays_add_up_and_none_gives_nothing():
    east = ARRAY | {"facing": "fixed", "azimuth_deg": 90.0, "tilt_deg": 60.0}
    both_w = generation_w(ARRAY, east)
    assert both_w == pytest.approx(generation_w(ARRAY) + generation_w(east), rel=1e-12)
    assert (generation_w() == 0).all()


def test_base_load_is_idle_and_the_heater_while_the_ground_is_cold():
    table = columns(idle_w=7.0, heater={"power_w": 20.0, "below_k": 200.0})
    np.testing.assert_array_equal(table["base_load_w"], [7.0, 7.0, 27.0])


def test_own_shadow_reaches_the_generation(tmp_path):
    rows = [f"{azimuth},{elevation},0.25" for azimuth in (0, 180) for elevation in (-90, 90)]
    text = "\n".join(["sun_azimuth_deg,sun_elevation_deg,factor", *rows, ""])
    (tmp_path / "body.csv").write_text(text)
    shaded_w = columns(ARRAY | {"shadow": "body.csv"}, folder=tmp_path)["generation_w"]
    assert shaded_w.to_numpy() == pytest.approx(0.25 * generation_w(ARRAY), rel=1e-12)
