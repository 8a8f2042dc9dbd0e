"""Contacts of the whole Moon with the Earth's shadow, as almanacs print them.

An eclipse of the Sun by the Earth, seen from one site, begins and ends within the lunar eclipse of
the almanac. The shadow is two cones that touch Sun and Earth: the penumbra, in which the Earth
covers some of the Sun, and the umbra, in which it covers all. The Earth is enlarged as in
eclipse predictions.
"""

from collections.abc import Callable

import numpy as np

from obsplan.common.constants import (
    EARTH_RADIUS_KM,
    EARTH_SHADOW_ENLARGEMENT,
    MOON_RADIUS_KM,
    SUN_RADIUS_KM,
)
from obsplan.physics.crossings import Signal, windows_where
from obsplan.physics.vectors import length

SHADOW_RADIUS_KM = EARTH_RADIUS_KM * EARTH_SHADOW_ENLARGEMENT
# The contacts at which each depth, in this order, becomes positive and negative again.
CONTACTS = tuple(
    tuple(f"{name} of the whole Moon" for name in pair)
    for pair in (("P1", "P4"), ("U1", "U4"), ("U2", "U3"))
)


def depths_km(sun_km: np.ndarray, earth_km: np.ndarray) -> np.ndarray:
    """How far the Moon is in the penumbra, in the umbra, and wholly in the umbra: (3, n) km.

    Apparent vectors (3, n) of Sun and Earth from the Moon's centre. The distance of a point from
    a cone is that from its nearest generator, which touches the Earth's sphere.
    """
    from_sun = earth_km - sun_km
    distance_km = length(from_sun)
    behind_km = -(earth_km * from_sun).sum(axis=0) / distance_km
    aside_km = np.sqrt(np.maximum((earth_km**2).sum(axis=0) - behind_km**2, 0.0))
    opening = np.arcsin((SUN_RADIUS_KM + SHADOW_RADIUS_KM) / distance_km)
    closing = np.arcsin((SUN_RADIUS_KM - SHADOW_RADIUS_KM) / distance_km)
    penumbra = SHADOW_RADIUS_KM + behind_km * np.sin(opening) - aside_km * np.cos(opening)
    umbra = SHADOW_RADIUS_KM - behind_km * np.sin(closing) - aside_km * np.cos(closing)
    depths = np.array([penumbra + MOON_RADIUS_KM, umbra + MOON_RADIUS_KM, umbra - MOON_RADIUS_KM])
    return np.minimum(depths, behind_km)  # the cones begin at the Earth


def whole_moon_contacts(
    track: Callable[[np.ndarray], tuple[np.ndarray, ...]],
    first_utc: np.datetime64,
    last_utc: np.datetime64,
) -> list[tuple[str, np.datetime64]]:
    """Contacts in first_utc..last_utc as (name, instant to 1 s), in order.

    Names are those of `CONTACTS`; `track` gives vectors of Sun and Earth at instants, see
    `sky.sun_and_earth_track`.
    """

    def deep(row: int) -> Signal:
        return lambda times_utc: depths_km(*track(times_utc)[:2])[row]

    found = []
    for depth, (begins, ends) in enumerate(CONTACTS):
        for start, end in windows_where(deep(depth), first_utc, last_utc):
            found += [(begins, start)] if start > first_utc else []
            found += [(ends, end)] if end < last_utc else []
    return sorted(found, key=lambda contact: contact[1])
