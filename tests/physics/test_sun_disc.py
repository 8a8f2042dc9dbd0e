"""Discs in the sky: what a skyline or another disc leaves of them."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from obsplan.physics.sun_disc import disc_clearance_deg, disc_overlap, disc_share_above

RADIUS_DEG = 0.2666

# --- above a skyline ------------------------------------------------------------------


def test_over_a_level_skyline_the_share_is_the_circular_segment():
    height = np.linspace(-1.0, 1.0, 401)  # skyline above the centre, in radii
    share = disc_share_above(
        np.array([[0.0, 5.0]]), 5.0 - height * RADIUS_DEG, np.full(401, 123.0), RADIUS_DEG
    )
    segment = (np.arccos(height) - height * np.sqrt(1 - height**2)) / np.pi
    assert share == pytest.approx(segment, abs=1e-12)  # rounding alone
    assert np.all(np.diff(share) < 0)


def test_a_cliff_at_the_centre_hides_half_the_disc():
    cliff = np.array([[0.0, 0.0], [90.0, 0.0], [90.0 + 1e-9, 60.0], [180.0, 60.0]])
    share = disc_share_above(cliff, np.array([20.0]), np.array([90.0]), RADIUS_DEG)
    assert share == pytest.approx(0.5, abs=1e-7)  # the cliff leans by 1e-9 deg


def test_high_up_a_disc_spans_more_azimuth():
    """At 60 deg of elevation a cliff 0.2 deg of azimuth aside stands 0.1 deg off the centre."""
    cliff = np.array([[0.0, 0.0], [90.2, 0.0], [90.2 + 1e-9, 80.0], [180.0, 80.0]])
    share = disc_share_above(cliff, np.array([60.0]), np.array([90.0]), RADIUS_DEG)
    aside = 0.1 / RADIUS_DEG
    hidden = (np.arccos(aside) - aside * np.sqrt(1 - aside**2)) / np.pi
    assert share == pytest.approx(1 - hidden, abs=1e-7)  # the cliff leans by 1e-9 deg


@pytest.mark.parametrize("slope", [-2.0, -0.3, 0.7, 3.0])
@pytest.mark.parametrize("offset", [-0.7, 0.0, 0.4])
def test_a_sloping_skyline_hides_what_counting_points_says(slope, offset):
    elevation = 12.0
    half_width = 2.0  # degrees of azimuth; the skyline is straight across the disc
    rise = slope * half_width * np.cos(np.radians(elevation))
    middle = elevation + offset * RADIUS_DEG
    profile = np.array(
        [
            [40.0, 0.0],
            [50.0 - half_width, middle - rise],
            [50.0 + half_width, middle + rise],
            [60.0, 0.0],
        ]
    )
    share = disc_share_above(profile, np.array([elevation]), np.array([50.0]), RADIUS_DEG)
    x, y = np.meshgrid(*[np.linspace(-1, 1, 1501)] * 2)
    disc = x**2 + y**2 <= 1
    counted = (y[disc] > offset + slope * x[disc]).mean()
    assert share == pytest.approx(counted, abs=4e-3)  # pixels


def test_near_the_zenith_the_disc_stays_whole():
    profile = np.array([[0.0, 30.0], [180.0, 50.0]])
    elevation = np.array([89.0, 89.9, 89.999, 90.0])
    assert np.array_equal(disc_share_above(profile, elevation, np.zeros(4), RADIUS_DEG), np.ones(4))


@settings(deadline=None, max_examples=200)
@given(st.floats(-3, 12), st.floats(0, 360), st.integers(0, 2**32 - 1))
def test_clearance_is_positive_exactly_where_something_shows(elevation, azimuth, seed):
    rough = np.random.default_rng(seed).uniform(0, 6, 900)
    profile = np.stack([np.arange(0, 360, 0.4), rough], axis=1)
    place = np.array([elevation]), np.array([azimuth]), np.array([RADIUS_DEG])
    share = disc_share_above(profile, *place)
    clearance = disc_clearance_deg(profile, *place)
    if abs(clearance[0]) > 1e-9:  # closer than that the area is below rounding
        assert (share > 0) == (clearance > 0)
    assert 0 <= share <= 1


# --- behind another disc --------------------------------------------------------------

radii = st.floats(0.05, 5.0)


@given(st.floats(0, 12), radii, radii)
def test_overlap_is_a_share_and_one_area_for_both_discs(separation, a, b):
    of_a, of_b = disc_overlap(separation, a, b), disc_overlap(separation, b, a)
    assert 0 <= of_a <= 1
    assert of_a * a**2 == pytest.approx(of_b * b**2, rel=1e-9, abs=1e-12)


@given(radii, radii)
def test_overlap_falls_without_a_jump_from_inside_to_apart(a, b):
    distance = np.linspace(0, a + b + 0.1, 4001)
    share = disc_overlap(distance, a, b)
    assert share[0] == pytest.approx(min(1.0, (b / a) ** 2)) and share[-1] == 0
    assert np.all(np.diff(share) <= 1e-12)
    # The lens loses area no faster than its chord, at most twice the smaller radius.
    chord = 2 * min(a, b) / (np.pi * a**2)
    assert np.abs(np.diff(share)).max() <= chord * (distance[1] - distance[0]) + 1e-12


@pytest.mark.parametrize(
    ("separation", "a", "b"), [(1.0, 0.26, 0.95), (0.9, 1.0, 0.5), (1.4, 1.0, 1.0)]
)
def test_overlap_is_the_share_of_points_counted(separation, a, b):
    x, y = np.meshgrid(*[np.linspace(-a, a, 2001)] * 2)
    disc = x**2 + y**2 <= a**2
    counted = ((x - separation) ** 2 + y**2 <= b**2)[disc].mean()
    assert disc_overlap(separation, a, b) == pytest.approx(counted, abs=5e-4)  # pixels
