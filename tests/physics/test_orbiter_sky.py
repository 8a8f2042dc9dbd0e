"""What an orbiter sees, against closed forms for circular orbits.

With mu 4902.800066 km3/s2 and R 1737.4 km. An eclipse in parallel light lasts the share
acos(sqrt(1 - (R/r)^2) / cos beta) / pi of the period, beta the Sun's angle to the orbit's plane
(Vallado 2013, Fundamentals of Astrodynamics, section 5.3, the cylindrical shadow).
"""

import numpy as np
import pytest
from tools.orbits import MOON_RADIUS_KM, period_s

from obsplan.common.constants import EARTH_EQUATORIAL_RADIUS_KM, SUN_RADIUS_KM
from obsplan.physics.array_power import view_of_moon
from obsplan.physics.orbiter_sky import (
    discs_deg,
    earth_visible_fraction,
    free_of_limb,
    ground_below_k,
    sun_visible_fraction,
)

FAR_KM = 1e13  # parallel light
EARTH_KM = 384_400.0
AROUND = np.linspace(0.0, 2 * np.pi, 400_001)[:-1]


def ring(height_km):
    """Places (3, n) evenly around a circular orbit in the plane of the first two axes."""
    radius = MOON_RADIUS_KM + height_km
    return radius * np.stack([np.cos(AROUND), np.sin(AROUND), np.zeros(len(AROUND))])


def seen(height_km, towards, distance_km):
    """The discs around an orbit, with Sun and Earth in one direction from the Moon's centre."""
    orbiter_km = ring(height_km)
    body_km = distance_km * np.reshape(towards, (3, 1)) - orbiter_km
    sun_km = max(distance_km, 1e8) / distance_km * body_km
    return discs_deg(orbiter_km, sun_km, body_km)


@pytest.mark.parametrize(
    ("height_km", "minutes"), [(100, 117.7910), (50, 113.0158), (200, 127.5368)]
)
def test_period(height_km, minutes):
    assert period_s(height_km) / 60 == pytest.approx(minutes, abs=5e-5)


@pytest.mark.parametrize(
    ("height_km", "beta_deg", "minutes"),
    [
        (100, 0, 46.4685),
        (100, 30, 44.4528),
        (100, 45, 40.9655),
        (100, 60, 32.3255),
        (100, 70, 11.7354),
        (100, 71.0200, 0.0),
        (100, 71.0000, 0.9),
        (50, 0, 47.9789),
        (200, 0, 45.1597),
    ],
)
def test_eclipses_in_parallel_light(height_km, beta_deg, minutes):
    beta = np.radians(beta_deg)
    discs = seen(height_km, [np.cos(beta), 0.0, np.sin(beta)], FAR_KM)
    lasts_min = (discs.sun_limb < 0).mean() * period_s(height_km) / 60
    # At 71 deg the Sun grazes: 0.01 deg from the last eclipse it still lasts a moment.
    assert lasts_min == pytest.approx(minutes, abs=5e-4 if minutes != 0.9 else 0.9)


def test_no_eclipse_above_a_beta_of_71_deg():
    limb = np.degrees(np.arcsin(MOON_RADIUS_KM / (MOON_RADIUS_KM + 100)))
    assert limb == pytest.approx(71.0100, abs=5e-5)
    for beta_deg, any_hidden in ((limb - 1e-3, True), (limb + 1e-3, False)):
        beta = np.radians(beta_deg)
        discs = seen(100, [np.cos(beta), 0.0, np.sin(beta)], FAR_KM)
        assert (discs.sun_limb < 0).any() == any_hidden


def test_the_earth_over_an_edge_on_orbit():
    """Its centre hidden for 0.395939 of the orbit, its whole disc visible for 0.598779."""
    discs = seen(100, [1.0, 0.0, 0.0], EARTH_KM)
    assert (discs.earth_limb < 0).mean() == pytest.approx(0.395939, abs=1e-5)
    assert (earth_visible_fraction(discs) == 1).mean() == pytest.approx(0.598779, abs=1e-5)


def test_the_share_of_a_disc_is_one_and_zero_where_discs_touch_and_half_between():
    limb_deg = np.array([1.0001, 1.0, 0.0, -1.0, -1.0001])
    for limb_radius_deg in (5.0, 45.0, 71.0, 89.999, 90.0):
        share = free_of_limb(limb_deg, np.array(1.0), np.array(limb_radius_deg))
        assert share[[0, -1]].tolist() == [1.0, 0.0]
        assert share[[1, 3]] == pytest.approx([1.0, 0.0], abs=1e-9)
        # A limb that bends away leaves a little more than half.
        assert 0.5 <= share[2] < 0.5 + 0.1 / np.tan(np.radians(limb_radius_deg)) * 0.1 + 1e-6
    # A Moon that is smaller than the disc covers its share of it.
    assert free_of_limb(np.array([-0.5]), np.array([1.0]), np.array([0.5]))[0] == pytest.approx(
        0.75, abs=1e-3
    )


def test_the_share_of_a_disc_against_points_on_it():
    """Counted on the sphere: evenly spread points of the Earth's disc outside the Moon's limb."""
    rng = np.random.default_rng(5)
    radius, limb_radius = np.radians(0.95), np.radians(71.0)
    apart = limb_radius + radius * np.linspace(-1.1, 1.1, 23)
    off = np.arccos(1 - rng.random(200_000) * (1 - np.cos(radius)))
    turn = rng.random(200_000) * 2 * np.pi
    for distance in apart:
        # From the Moon's centre to a point `off` from the Earth's, by the law of cosines.
        cosine = np.cos(distance) * np.cos(off) + np.sin(distance) * np.sin(off) * np.cos(turn)
        counted = (cosine < np.cos(limb_radius)).mean()
        ours = free_of_limb(*(np.degrees([distance - limb_radius, radius, limb_radius])))
        assert ours == pytest.approx(counted, abs=4e-3)


def test_the_sun_is_also_hidden_by_the_earth():
    orbiter_km = np.array([[0.0], [0.0], [MOON_RADIUS_KM + 500.0]])
    sun_km = np.array([[1.5e8], [0.0], [0.0]])
    behind, beside = np.array([[EARTH_KM], [0.0], [0.0]]), np.array([[EARTH_KM], [9e4], [0.0]])
    assert sun_visible_fraction(discs_deg(orbiter_km, sun_km, behind))[0] == 0.0
    discs = discs_deg(orbiter_km, sun_km, beside)
    assert sun_visible_fraction(discs)[0] == 1.0
    assert discs.apart[0] == pytest.approx(np.degrees(np.arctan2(9e4, EARTH_KM)))
    assert discs.earth_radius[0] == pytest.approx(
        np.degrees(np.arcsin(EARTH_EQUATORIAL_RADIUS_KM / np.hypot(EARTH_KM, 9e4)))
    )
    assert discs.sun_radius[0] == pytest.approx(np.degrees(np.arcsin(SUN_RADIUS_KM / 1.5e8)))


def test_ground_below_is_warm_by_day_and_never_colder_than_by_night():
    """Subsolar ground is some 390 K warm (Williams et al. 2017, Icarus 283, 300)."""
    below_k = ground_below_k(np.full(4, 1361.0), np.array([90.0, 30.0, 0.0, -40.0]))
    assert below_k[0] == pytest.approx(390, abs=8)
    assert below_k[1] == pytest.approx(below_k[0] * 0.5**0.25)
    assert below_k[2:].tolist() == [95.0, 95.0]


def test_a_plate_sees_less_of_the_moon_the_higher_it_is():
    assert view_of_moon(np.array([0.0, 1737.4])) == pytest.approx([1.0, 0.25])
