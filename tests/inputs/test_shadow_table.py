"""The output factor of an array in its platform's own shadow."""

import numpy as np
import pytest

from obsplan.common.errors import ScenarioError
from obsplan.inputs.shadow_table import read_shadow_table

GRID = """sun_azimuth_deg,sun_elevation_deg,factor
0,0,0.2
0,20,0.4
90,0,1
90,20,1
270,0,0.6
270,20,0.8
"""


def table(tmp_path, text=GRID):
    path = tmp_path / "shadow.csv"
    path.write_text(text)
    return path


def test_factors_are_bilinear_and_pass_north(tmp_path):
    found = read_shadow_table(table(tmp_path))
    azimuth, elevation = np.array([0.0, 45, 90, 180, 315, 359.999]), np.array([10.0] * 6)
    factor = found.factor_at(azimuth, elevation, np.ones(6, dtype=bool))
    assert factor == pytest.approx([0.3, 0.65, 1.0, 0.85, 0.5, 0.3], abs=1e-4)


def test_only_a_sun_that_shines_must_be_in_the_table(tmp_path):
    found = read_shadow_table(table(tmp_path))
    azimuth, elevation = np.array([10.0, 10.0]), np.array([-5.0, 5.0])
    assert found.factor_at(azimuth, elevation, np.array([False, True]))[0] == 1.0
    with pytest.raises(ScenarioError, match="runs from 0 to 20; the span needs -5 to 5"):
        found.factor_at(azimuth, elevation, np.array([True, True]))


@pytest.mark.parametrize(
    ("text", "what"),
    [
        (GRID.replace("270,20,0.8\n", ""), "no row for azimuth 270 and elevation 20"),
        (GRID.replace("0.4", "1.4"), "allowed is a number from 0 to 1"),
        (GRID + "360,0,0.5\n", "an earlier row has another factor"),
        ("sun_azimuth_deg,sun_elevation_deg\n0,0\n", "column factor is missing"),
    ],
)
def test_each_mistake_is_one_line(tmp_path, text, what):
    with pytest.raises(ScenarioError) as caught:
        read_shadow_table(table(tmp_path, text))
    assert len(caught.value.args) == 1 and what in str(caught.value)
