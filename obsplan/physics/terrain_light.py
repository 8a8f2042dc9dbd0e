"""What terrain around a site sends to its ground: reflected sunlight and infrared.

All terrain that the ground sees is taken for one wall that looks the same everywhere, as
inside the bowl of Ingersoll, Svitek & Murray 1992 (Icarus 100, 40): part of a sphere, from each
point of which one sees as much of every other. The bowl takes in the sunlight that falls
on its opening and gives all of it back through the opening, so energy is conserved.

Assumed: the wall lies as open to the Sun as level ground, from sunrise to sunset over a level
plane; it reflects and emits alike in all directions (Lambert), with the soil of the site.
Not modelled: which slopes of the terrain are lit, and from where; what terrain hides of other
terrain beyond what the bowl does.
"""

from typing import NamedTuple

import numpy as np

from obsplan.common.constants import STEFAN_BOLTZMANN_W_M2_K4
from obsplan.physics.skyline import skyline_elevation_deg

MOST_VIEW = 0.95  # ground that saw no sky at all could not lose the heat from below
AZIMUTH_DEG = np.arange(0.25, 360.0, 0.5)  # skylines from elevation models are as fine


class Terrain(NamedTuple):
    """The wall around each of some sites (...,); one wall (1,) may serve all sites.

    view: share (...,) of the hemisphere over the ground that the wall fills, see
    `terrain_view`. own_view: the same for the wall itself, which sees so much of itself.
    irradiance_w_m2: sunlight (..., m) on a level plane without the wall.
    """

    view: np.ndarray
    own_view: np.ndarray
    irradiance_w_m2: np.ndarray

    def rows(self, sites: np.ndarray, shape: tuple[int, ...]) -> "Terrain":
        """Views (s,) of some sites of an array of that `shape`; walls (s,), or (1,) if shared."""
        shared = self.own_view.size == 1
        walls = [0] if shared else sites
        return Terrain(
            np.broadcast_to(self.view, shape).reshape(-1)[sites],
            self.own_view.reshape(-1)[walls],
            self.irradiance_w_m2.reshape(-1, self.irradiance_w_m2.shape[-1])[walls],
        )

    def sunlight_w_m2(self, albedo: float) -> np.ndarray:
        """Mean sunlight (..., m) on the wall, with what it reflects to itself.

        The sunlight on the opening is spread over the bowl, whose area is larger by 1 / (1 -
        own_view); a share `albedo` is reflected, and own_view of that falls on the bowl again.
        """
        own_view = self.own_view[..., None]
        return self.irradiance_w_m2 * (1 - own_view) / (1 - albedo * own_view)

    def to_sky(self, emissivity: float) -> np.ndarray:
        """Share (...,) of the wall's emission that it does not return to itself.

        It meets own_view of what it emits again, and reflects 1 - emissivity of that.
        """
        return (1 - self.own_view) / (1 - (1 - emissivity) * self.own_view)

    def infrared_w_m2(self, wall_k: np.ndarray, emissivity: float) -> np.ndarray:
        """What a square metre of the wall at `wall_k` (..., n) sends out: emitted and reflected."""
        own_emission = emissivity * STEFAN_BOLTZMANN_W_M2_K4 * wall_k**4
        return own_emission / (1 - (1 - emissivity) * self.own_view[..., None])


def terrain_view(profile: np.ndarray, slope_deg=0.0, aspect_deg=0.0) -> np.ndarray:
    """Share 0..1 of the hemisphere over a slope that terrain fills, weighted as diffuse light.

    One minus the sky-view factor of Dozier & Frew 1990 (IEEE Trans. Geosci. Remote Sens. 28,
    963, eq. 7b), integrated round the skyline `profile` (see obsplan.physics.skyline), at
    most `MOST_VIEW`. Slopes and aspects (s,) or numbers; a slope sees level terrain in front of
    it, and none is seen through the plane of the slope.
    """
    slope, aspect = np.radians(slope_deg)[..., None], np.radians(aspect_deg)[..., None]
    across = np.cos(np.radians(AZIMUTH_DEG) - aspect)
    plane_deg = np.degrees(np.arctan(-np.tan(slope) * across))
    skyline_deg = skyline_elevation_deg(profile, AZIMUTH_DEG)
    zenith = np.radians(90.0 - np.maximum(skyline_deg, plane_deg))
    sky = np.cos(slope) * np.sin(zenith) ** 2
    sky = sky + np.sin(slope) * across * (zenith - np.sin(zenith) * np.cos(zenith))
    return np.clip(1.0 - sky.mean(axis=-1), 0.0, MOST_VIEW)
