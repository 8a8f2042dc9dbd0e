"""Skyline profiles: reading, interpolation, and what a disc shows above them."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from obsplan.common.errors import ScenarioError
from obsplan.physics.skyline import FLAT, read_profile, skyline_elevation_deg


def written(tmp_path, text, encoding="utf-8"):
    path = tmp_path / "ridge.csv"
    path.write_bytes(text.encode(encoding))
    return path


def test_flat_skyline_is_zero_all_round():
    azimuth = np.linspace(-30, 700, 50).reshape(5, 10)
    assert np.array_equal(skyline_elevation_deg(FLAT, azimuth), np.zeros((5, 10)))


def test_interpolation_is_straight_and_crosses_north():
    profile = np.array([[10.0, 1.0], [100.0, 4.0], [350.0, 3.0]])
    azimuth = np.array([10.0, 55.0, 350.0, 355.0, 0.0, 360.0, 5.0, -5.0, 365.0])
    expected = [1.0, 2.5, 3.0, 2.5, 2.0, 2.0, 1.5, 2.5, 1.5]
    assert skyline_elevation_deg(profile, azimuth) == pytest.approx(expected)


@settings(deadline=None)
@given(
    st.lists(
        st.tuples(st.floats(0, 359.9), st.floats(-10, 90)),
        min_size=1,
        max_size=30,
        unique_by=lambda point: point[0],
    ),
    st.floats(0, 360),
)
def test_interpolation_stays_within_the_profile_and_is_periodic(points, azimuth):
    profile = np.array(sorted(points))
    here, round_once = skyline_elevation_deg(profile, np.array([azimuth, azimuth + 360.0]))
    assert profile[:, 1].min() - 1e-9 <= here <= profile[:, 1].max() + 1e-9
    nearest = np.abs(np.diff(profile[:, 0])).min(initial=1.0)
    if nearest > 1e-3:  # between points closer than this, rounding of 360 is a visible step
        assert here == pytest.approx(round_once, abs=1e-6)


def test_rows_in_any_order_are_sorted(tmp_path):
    path = written(tmp_path, "azimuth_deg,elevation_deg\n180,2\n90,1\n\n270,-3.5\n")
    assert read_profile(path).tolist() == [[90, 1], [180, 2], [270, -3.5]]


def test_further_columns_and_a_byte_order_mark_do_no_harm(tmp_path):
    text = "\ufeffelevation_deg, azimuth_deg,distance_m\n4,10,900\n"
    assert read_profile(written(tmp_path, text)).tolist() == [[10, 4]]


@pytest.mark.parametrize("rows", ["0,1\n90,2\n360,1\n", "90,2\n360,1\n", "360,1\n0,1\n90,2\n"])
def test_azimuth_360_closes_the_circle(tmp_path, rows):
    path = written(tmp_path, "azimuth_deg,elevation_deg\n" + rows)
    assert read_profile(path).tolist() == [[0, 1], [90, 2]]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("azimuth_deg,elevation_deg\n10,1\n400,2\n", ["row 3", "azimuth_deg", "'400'", "0 to 360"]),
        ("azimuth_deg,elevation_deg\n-1,1\n", ["row 2", "azimuth_deg", "'-1'", "0 to 360"]),
        ("azimuth_deg,elevation_deg\n10,91\n", ["row 2", "elevation_deg", "'91'", "-10 to 90"]),
        ("azimuth_deg,elevation_deg\n10,-11\n", ["row 2", "elevation_deg", "'-11'"]),
        ("azimuth_deg,elevation_deg\n10,high\n", ["row 2", "elevation_deg", "'high'"]),
        ("azimuth_deg,elevation_deg\n10,nan\n", ["row 2", "elevation_deg", "'nan'"]),
        (
            "azimuth_deg,elevation_deg\n10\n",
            ["row 2, elevation_deg is missing: allowed is a number from -10"],
        ),
        (
            "azimuth_deg,elevation_deg\n10,1\n20,1\n10,3\n",
            ["row 4, azimuth_deg = '10': row 2 has it already"],
        ),
        ("azimuth_deg,elevation_deg\n0,nan\n360,1\n", ["row 2, elevation_deg = 'nan': allowed"]),
        ("azimuth_deg,elevation_deg\n0,1\n360,nan\n", ["row 3, elevation_deg = 'nan': allowed"]),
        ("azimuth_deg,elevation_deg\n0,1\n360,2\n", ["row 3", "elevation_deg", "row 2", "north"]),
        ("azimuth_deg,elevation_deg\n", ["no row below the header; at least one is needed"]),
        ("azimuth,elevation_deg\n10,1\n", ["row 1", "'azimuth'; did you mean 'azimuth_deg'?"]),
    ],
)
def test_a_bad_row_is_named_in_one_line(tmp_path, text, words):
    path = written(tmp_path, text)
    with pytest.raises(ScenarioError) as caught:
        read_profile(path)
    message = str(caught.value)
    assert message.startswith(str(path)) and "\n" not in message
    assert [word for word in words if word not in message] == []


def test_two_azimuths_that_cannot_be_read_do_not_repeat_each_other(tmp_path):
    with pytest.raises(ScenarioError) as caught:
        read_profile(written(tmp_path, "azimuth_deg,elevation_deg\nnan,1\nnorth,2\n"))
    assert [line.split(": ", 1)[1] for line in str(caught.value).splitlines()] == [
        "row 2, azimuth_deg = 'nan': allowed is a number from 0 to 360",
        "row 3, azimuth_deg = 'north': allowed is a number from 0 to 360",
    ]


def test_all_bad_rows_are_named_at_once(tmp_path):
    path = written(tmp_path, "azimuth_deg,elevation_deg\n10,high\n400,1\n20,1\n20,2\n")
    with pytest.raises(ScenarioError) as caught:
        read_profile(path)
    assert [line.split(":")[1] for line in str(caught.value).splitlines()] == [
        " row 2, elevation_deg = 'high'",
        " row 3, azimuth_deg = '400'",
        " row 5, azimuth_deg = '20'",
    ]
