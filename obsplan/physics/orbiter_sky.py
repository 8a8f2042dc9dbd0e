"""What an orbiter sees: how much of the Earth and of the Sun, and the angles between them.

Vectors are in kilometres, components first: (3, n) for n instants, all along the same axes;
`orbiter_km` starts at the Moon's centre, the others at the orbiter. Bodies are spheres.
"""

from typing import NamedTuple

import numpy as np

from obsplan.common.constants import (
    EARTH_EQUATORIAL_RADIUS_KM,
    EARTH_RADIUS_KM,
    EARTH_SHADOW_ENLARGEMENT,
    MOON_RADIUS_KM,
    STEFAN_BOLTZMANN_W_M2_K4,
    SUN_RADIUS_KM,
)
from obsplan.physics.sky import angular_radius_deg
from obsplan.physics.sun_disc import disc_overlap
from obsplan.physics.vectors import angle_between_deg, length

# The limb of a Moon that fills half the sky is straight; nearer than this no number would tell.
WIDEST_LIMB_DEG = 89.99
# Of ground by day: it takes in all but a tenth of the light; Hayne et al. 2017, table A1.
GROUND_ABSORPTANCE, GROUND_EMISSIVITY = 0.88, 0.95
# Ground at night is never colder for long at low latitudes; Williams et al. 2017, Icarus 283, 300.
NIGHT_GROUND_K = 95.0


class Discs(NamedTuple):
    """Angles (n,) in degrees at the orbiter.

    limb_radius: of the Moon. earth_limb, sun_limb: from the Moon's limb to the centre of the body,
    negative while the limb hides the centre. earth_radius, sun_radius: of their discs. apart:
    between the centres of Sun and Earth. shadow_radius: of the Earth with its opaque lower
    atmosphere, as in eclipse predictions.
    """

    limb_radius: np.ndarray
    earth_limb: np.ndarray
    earth_radius: np.ndarray
    sun_limb: np.ndarray
    sun_radius: np.ndarray
    apart: np.ndarray
    shadow_radius: np.ndarray


def discs_deg(orbiter_km: np.ndarray, sun_km: np.ndarray, earth_km: np.ndarray) -> Discs:
    """The discs of Moon, Earth and Sun; an orbiter inside the Moon has a limb of 90 deg."""
    limb_radius = limb_radius_deg(orbiter_km)
    earth_range_km, sun_range_km = length(earth_km), length(sun_km)
    return Discs(
        limb_radius,
        angle_between_deg(-orbiter_km, earth_km) - limb_radius,
        angular_radius_deg(EARTH_EQUATORIAL_RADIUS_KM, earth_range_km),
        angle_between_deg(-orbiter_km, sun_km) - limb_radius,
        angular_radius_deg(SUN_RADIUS_KM, sun_range_km),
        angle_between_deg(sun_km, earth_km),
        angular_radius_deg(EARTH_RADIUS_KM * EARTH_SHADOW_ENLARGEMENT, earth_range_km),
    )


def limb_radius_deg(orbiter_km: np.ndarray) -> np.ndarray:
    """Angular radius (n,) of the Moon."""
    return angular_radius_deg(MOON_RADIUS_KM, np.maximum(length(orbiter_km), MOON_RADIUS_KM))


def earth_visible_fraction(discs: Discs) -> np.ndarray:
    """Share 0..1 of the Earth's disc that the Moon leaves free, sunlit or not."""
    return free_of_limb(discs.earth_limb, discs.earth_radius, discs.limb_radius)


def sun_visible_fraction(discs: Discs) -> np.ndarray:
    """Share 0..1 of the Sun's disc that the Moon leaves free, times that which the Earth does."""
    free = free_of_limb(discs.sun_limb, discs.sun_radius, discs.limb_radius)
    return free * (1.0 - disc_overlap(discs.apart, discs.sun_radius, discs.shadow_radius))


def free_of_limb(limb_deg: np.ndarray, radius_deg: np.ndarray, limb_radius_deg) -> np.ndarray:
    """Share 0..1 of a small disc outside the Moon's limb, from the angle of its centre to it.

    The limb is a circle on the sky of radius rho, which bends as much as a circle of radius tan rho
    on a plane; discs are taken as plane figures beside that, an error of 1e-4 of the Earth's disc.
    The share is exactly 1 and 0 where limb and disc touch from outside and inside.
    """
    bend_deg = np.degrees(np.tan(np.radians(np.minimum(limb_radius_deg, WIDEST_LIMB_DEG))))
    return 1.0 - disc_overlap(np.maximum(bend_deg + limb_deg, 0.0), radius_deg, bend_deg)


def ground_below_k(irradiance_w_m2: np.ndarray, sun_elevation_deg: np.ndarray) -> np.ndarray:
    """Temperature (n,) of the ground below in balance with the Sun, at least that of the night.

    For the warmth that the back of an array receives; ground by day is within 10 K of the balance.
    """
    lit_w_m2 = irradiance_w_m2 * np.maximum(np.sin(np.radians(sun_elevation_deg)), 0.0)
    balance_k = (
        GROUND_ABSORPTANCE * lit_w_m2 / (GROUND_EMISSIVITY * STEFAN_BOLTZMANN_W_M2_K4)
    ) ** 0.25
    return np.maximum(balance_k, NIGHT_GROUND_K)
