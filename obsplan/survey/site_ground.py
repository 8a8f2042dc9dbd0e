"""The ground's surface temperature at many sites, hour by hour."""

from typing import NamedTuple

import numpy as np

from obsplan.environment.ground import past_s
from obsplan.inputs.sites_csv import Place
from obsplan.physics import regolith, sky
from obsplan.physics.terrain_light import Terrain, terrain_view
from obsplan.survey.lunar_days import HOUR_S, PER_HOUR

Where = tuple[np.ndarray, np.ndarray, np.ndarray]
NEAR_EARTH_DEG = 3.0  # angular radii of Sun and Earth plus parallax of a site: 1.6


class Light(NamedTuple):
    """Sunlight (s, n) at sites: what the ground absorbs, and what falls on level open ground.

    view, own_view: the shares (s,) of terrain, see `Terrain`.
    """

    absorbed_w_m2: np.ndarray
    level_w_m2: np.ndarray
    view: np.ndarray
    own_view: np.ndarray

    def of(self, site: int) -> "Light":
        """The light at one site, as arrays of one."""
        return Light(*(part[site : site + 1] for part in self))

    def by_hour(self) -> "Light":
        """Means over the hours around each full hour of a scan."""
        return self._replace(
            absorbed_w_m2=means_by_hour(self.absorbed_w_m2),
            level_w_m2=means_by_hour(self.level_w_m2),
        )

    def after(self, earlier: "Light") -> "Light":
        """This light, preceded by earlier light."""
        return self._replace(
            absorbed_w_m2=np.append(earlier.absorbed_w_m2, self.absorbed_w_m2, axis=1),
            level_w_m2=np.append(earlier.level_w_m2, self.level_w_m2, axis=1),
        )


def means_by_hour(scanned: np.ndarray) -> np.ndarray:
    """Means over the hour around each full hour (s, m) of scans (s, n), so that none is lost."""
    ends = scanned[:, ::PER_HOUR]
    half = PER_HOUR // 2
    parts = [
        scanned[:, half + k : scanned.shape[1] - half - (PER_HOUR - k) + 1 : PER_HOUR]
        for k in range(PER_HOUR + 1)
    ]
    weights = np.array([0.5, *np.ones(PER_HOUR - 1), 0.5]) / PER_HOUR
    inner = sum(weight * part for weight, part in zip(weights, parts))
    return np.concatenate([ends[:, :1], inner, ends[:, -1:]], axis=1)


def near_earth(vectors: tuple[np.ndarray, ...]) -> np.ndarray:
    """Numbers of the instants at which any site may see an eclipse."""
    sun_km, earth_km, _ = vectors
    lengths = np.linalg.norm(sun_km, axis=0) * np.linalg.norm(earth_km, axis=0)
    least = np.cos(np.radians(NEAR_EARTH_DEG))
    return np.flatnonzero((sun_km * earth_km).sum(axis=0) > lengths * least)


def light_at(
    places: list[Place], profile: np.ndarray, soil: regolith.Soil, sun, above, uncovered
) -> Light:
    """Light on places (s,) that share a skyline.

    `sun` is its (elevation, azimuth, range) (s, n); `above` and `uncovered` are the shares (s, n)
    of its disc above the skyline and outside the Earth.
    """
    slope_deg, aspect_deg = (np.array([p[axis] for p in places]) for axis in (4, 5))
    irradiance_w_m2 = sky.irradiance_w_m2(sun[2])
    absorbed_w_m2 = regolith.absorbed_flux_w_m2(
        irradiance_w_m2,
        sun[0],
        sun[1],
        above * uncovered,
        slope_deg[:, None],
        aspect_deg[:, None],
        soil.normal_albedo,
    )
    return Light(
        absorbed_w_m2,
        regolith.level_irradiance_w_m2(irradiance_w_m2, sun[0], uncovered),
        terrain_view(profile, slope_deg, aspect_deg),
        np.broadcast_to(terrain_view(profile), slope_deg.shape),
    )


def past_light(vectors, where: Where, places: list[Place], profile, soil: regolith.Soil) -> Light:
    """Light at the instants of `past_s`; `where`: latitudes, longitudes, heights of the places."""
    sun_km, earth_km, site_scale = vectors
    sun = sky.elevation_azimuth_range(sun_km, *where)
    near = near_earth(vectors)
    earth = sky.elevation_azimuth_range(earth_km[:, near], *where, site_scale[near])
    uncovered = np.ones_like(sun[0])
    uncovered[:, near] = sky.sun_uncovered_fraction(tuple(part[:, near] for part in sun), earth)
    return light_at(places, profile, soil, sun, sky.sun_above_fraction(profile, *sun), uncovered)


def surface_temperature_k(lights: list[Light], soil: regolith.Soil) -> np.ndarray:
    """Surface temperature (s, m) by the hour, from the light (1, n) at each site.

    That is the light at the instants of `past_s` and at m full hours after them.
    """
    light = Light(*(np.concatenate(parts) for parts in zip(*lights)))
    earlier_s = past_s(lead_s=0)
    hours = light.absorbed_w_m2.shape[1] - len(earlier_s)
    time_s = np.append(earlier_s, float(HOUR_S) * np.arange(hours))
    walled = light.view.any()
    terrain = Terrain(light.view, light.own_view, light.level_w_m2) if walled else None
    return regolith.ground_temperature_k(light.absorbed_w_m2, time_s, [0.0], soil, terrain)[..., 0]
