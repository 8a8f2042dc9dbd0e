"""Ground temperature at the site of a scenario, minute by minute."""

import numpy as np

from obsplan.common.constants import SYNODIC_MONTH_DAYS
from obsplan.environment.sun_and_earth import UNCOVERED, sun_and_earth
from obsplan.ephemeris import Ephemeris
from obsplan.inputs.scenario import Site
from obsplan.physics import regolith
from obsplan.physics.sky import sun_and_earth_track
from obsplan.physics.terrain_light import Terrain, terrain_view

SOILS = {"highland": regolith.HIGHLAND, "mare": regolith.MARE}
HOUR_S = 3600
LEAD_S = round(SYNODIC_MONTH_DAYS * 24) * HOUR_S  # hourly samples that lead from there to the span
PAST_STEP_S = 3 * HOUR_S  # samples that set the start state
STEP_MIN = 15  # samples in the span, except where that would miss something:
STRAIGHT_K = 0.5  # the light bends more: every minute, for the ground to follow within 0.3 K,
AFTER_STEPS = 8  # and for two hours afterwards


def soil_of(site: Site) -> regolith.Soil:
    """The soil that the site names, with its own figures where it gives them."""
    soil = SOILS[site.soil]
    given = {key: getattr(site, key) for key in soil._fields}
    return soil._replace(**{key: value for key, value in given.items() if value is not None})


def ground_temperature_k(
    site: Site,
    ephemeris: Ephemeris,
    profile: np.ndarray,
    minutes: np.ndarray,
    sky: dict[str, np.ndarray],
    depths_m: list[float],
) -> np.ndarray:
    """Temperatures (slopes, minutes, depths) of the ground in kelvin.

    `sky` is what `sun_and_earth` says of each of the `minutes` (n,). The site's nominal slope
    comes first, then those within its uncertainty. Raises EphemerisError unless the kernels
    cover the two years and the lunation before the span.
    """
    before_s = past_s()
    past = minutes[0] + before_s.astype("timedelta64[s]")
    track = sun_and_earth_track(ephemeris, past[0], minutes[0])
    earlier = sun_and_earth(site, track(past), profile)
    soil = soil_of(site)
    slopes = _slopes(site)
    both = earlier, sky
    absorbed_w_m2 = np.concatenate([_absorbed(over, slopes, soil) for over in both], axis=1)
    level_w_m2 = np.concatenate([_on_level_ground(over) for over in both])

    told = np.append(np.full(len(past), True), _telling(absorbed_w_m2[:, len(past) :], soil))
    time_s = np.append(before_s, 60 * np.arange(len(minutes)))
    view = terrain_view(profile, *slopes)
    terrain = None
    if view.any():
        wall = terrain_view(profile)
        terrain = Terrain(view, np.array([wall]), level_w_m2[None, told])
    samples_k = regolith.ground_temperature_k(
        absorbed_w_m2[:, told], time_s[told], depths_m, soil, terrain
    )
    sample_s = time_s[told][-samples_k.shape[1] :]
    at_s = time_s[len(past) :]
    return np.array(
        [[np.interp(at_s, sample_s, depth) for depth in slope.T] for slope in samples_k]
    ).swapaxes(1, 2)


def past_s(lead_s: int = LEAD_S) -> np.ndarray:
    """Instants (n,) whose light sets the state of the ground at 0: negative seconds, rising.

    Two years three hours apart, then `lead_s` an hour apart.
    """
    settling = np.arange(0, regolith.SETTLE_S, PAST_STEP_S) - regolith.SETTLE_S - lead_s
    return np.append(settling, np.arange(-lead_s, 0, HOUR_S))


def _slopes(site: Site) -> tuple[np.ndarray, np.ndarray]:
    """Slopes and aspects (s,): nominal, then within the uncertainty if there is any."""
    nominal = np.array([[site.slope_deg], [site.aspect_deg]])
    if not site.slope_uncertainty_deg:
        return nominal[0], nominal[1]
    tilted = regolith.tilted_deg(site.slope_deg, site.aspect_deg, site.slope_uncertainty_deg)
    slope_deg, aspect_deg = np.concatenate([nominal, tilted], axis=1)
    return slope_deg, aspect_deg


def _absorbed(sky: dict[str, np.ndarray], slopes, soil: regolith.Soil) -> np.ndarray:
    """Direct sunlight (slopes, n) that the ground takes in."""
    slope_deg, aspect_deg = slopes
    return regolith.absorbed_flux_w_m2(
        sky["irradiance_w_m2"],
        sky["sun_elevation_deg"],
        sky["sun_azimuth_deg"],
        sky["sun_visible_fraction"],
        slope_deg[:, None],
        aspect_deg[:, None],
        soil.normal_albedo,
    )


def _on_level_ground(sky: dict[str, np.ndarray]) -> np.ndarray:
    """Sunlight (n,) on level ground without terrain."""
    return regolith.level_irradiance_w_m2(
        sky["irradiance_w_m2"], sky["sun_elevation_deg"], sky[UNCOVERED]
    )


def _telling(absorbed_w_m2: np.ndarray, soil: regolith.Soil) -> np.ndarray:
    """Which minutes (n,) the ground needs: every 15th, and all where the light bends.

    It bends where the temperature in balance with it is not a straight line through 15 minutes,
    as at the edges of terrain and umbra; the ground follows in the two hours after.
    """
    balance_k = regolith.balance_k(absorbed_w_m2, soil)
    minute = np.arange(balance_k.shape[1])
    told = (minute % STEP_MIN == 0) | (minute == minute[-1])
    straight_k = np.array([np.interp(minute, minute[told], row[told]) for row in balance_k])
    bent = np.abs(balance_k - straight_k).max(axis=0) > STRAIGHT_K
    steps = np.unique(minute[bent] // STEP_MIN)[:, None] + np.arange(AFTER_STEPS + 1)
    return told | np.isin(minute // STEP_MIN, steps)
