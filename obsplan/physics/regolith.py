"""Ground temperature: regolith under the true Sun.

The regolith is that of Hayne et al. 2017 (JGR Planets 122, 2371, appendix A): density and
conductivity grow with depth, conductivity also with the cube of the temperature.

The start state follows from the light of the two years before. The seasons of the Moon are those
of the draconic year, the Sun's distance changes with the calendar year, and no whole number
of lunations closes either; so the ground is marched through the true Sun of those years,
in long steps.

Not modelled: rocks, layers of another soil, and heat that flows sideways.
"""

from collections.abc import Sequence
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from obsplan.common.constants import (
    ASTRONOMICAL_UNIT_KM,
    DRACONIC_YEAR_DAYS,
    STEFAN_BOLTZMANN_W_M2_K4,
    SUN_RADIUS_KM,
    SYNODIC_MONTH_DAYS,
)
from obsplan.physics import heat_conduction
from obsplan.physics.heat_conduction import Column, Edges, Series
from obsplan.physics.terrain_light import Terrain

# Hayne et al. 2017, JGR Planets 122, 2371, appendix A: everything down to the albedo.
SURFACE_DENSITY_KG_M3 = 1100.0
DEEP_DENSITY_KG_M3 = 1800.0
CONTACT_CONDUCTIVITY_W_M_K = 7.4e-4  # grain contacts alone, at the surface
DEEP_CONDUCTIVITY_W_M_K = 3.4e-3  # grain contacts alone, at depth
RADIATIVE_RATIO = 2.7  # conduction by radiation over that by contacts, at 350 K
RADIATIVE_TEMPERATURE_K = 350.0
HEAT_CAPACITY_J_KG_K = (-3.6125, 2.7431, 2.3616e-3, -1.2340e-5, 8.9093e-9)  # powers 0-4 of T
ALBEDO_CUBIC = 0.06  # per (45 deg)^3; form of Keihm 1984, as used there
ALBEDO_OCTIC = 0.25  # per (90 deg)^8; same

SUN_RADIUS_DEG = np.degrees(np.arcsin(SUN_RADIUS_KM / ASTRONOMICAL_UNIT_KM))  # from 1 au

TOGETHER = 16  # sites solved in one system, or up to twice as many; a march takes so many at once

COLDEST_K = 15.0  # below, the heat capacity formula runs towards zero

# A year to find the start state from, repeatedly, and the year after it: with the steps, this
# keeps every month within 0.6 K of a march of 38 years down to 1 m, and mostly within 0.3 K.
YEAR_S = 377 * 86400
SETTLE_S = 2 * YEAR_S
SETTLE_STEP_S = 43200.0  # adds 0.1 K; steps of a day add 0.3 K


class Soil(NamedTuple):
    """What may differ from site to site; the rest of the regolith is the same everywhere.

    normal_albedo: share of sunlight reflected at normal incidence. emissivity: in the infrared.
    heat_flow_w_m2: from below. density_scale_m: the H of Hayne et al. 2017, over which
    density and conductivity grow from the surface's to the deep ones.
    """

    normal_albedo: float = 0.12  # highland
    emissivity: float = 0.95
    heat_flow_w_m2: float = 0.018
    density_scale_m: float = 0.07

    @property
    def emission_w_m2_k4(self) -> float:
        """What the surface emits, per T^4."""
        return self.emissivity * STEFAN_BOLTZMANN_W_M2_K4


HIGHLAND, MARE = Soil(), Soil(normal_albedo=0.07)  # Hayne et al. 2017, appendix A


def _towards_depth(surface: float, deep: float, depth_m: np.ndarray, scale_m: float) -> np.ndarray:
    return deep - (deep - surface) * np.exp(-np.asarray(depth_m, dtype=float) / scale_m)


def density_kg_m3(
    depth_m: np.ndarray, density_scale_m: float = HIGHLAND.density_scale_m
) -> np.ndarray:
    """Bulk density at `depth_m` (m, any shape), same shape; Hayne et al. 2017."""
    return _towards_depth(SURFACE_DENSITY_KG_M3, DEEP_DENSITY_KG_M3, depth_m, density_scale_m)


def contact_conductivity_w_m_k(
    depth_m: np.ndarray, density_scale_m: float = HIGHLAND.density_scale_m
) -> np.ndarray:
    """Conductivity through grain contacts alone (W/m/K) at `depth_m`; Hayne et al. 2017."""
    ends = CONTACT_CONDUCTIVITY_W_M_K, DEEP_CONDUCTIVITY_W_M_K
    return _towards_depth(*ends, depth_m, density_scale_m)


# Nodes begin with 0.5 mm and grow by 12 %: the day's wave fades by e every 5 to 9 cm.
NODES_M = 0.0005 * (1.12 ** np.arange(60) - 1) / 0.12
DEEPEST_M = float(NODES_M[-1])  # 3.3 m


@lru_cache(maxsize=8)
def regolith_column(density_scale_m: float = HIGHLAND.density_scale_m) -> Column:
    """The regolith from the surface to 3.3 m, cut into cells.

    They begin with 0.5 mm and grow by 12 %: the day's wave fades by e every 5 to 9 cm.
    """
    return heat_conduction.cut_column(
        NODES_M,
        lambda depth_m: density_kg_m3(depth_m, density_scale_m),
        lambda depth_m: contact_conductivity_w_m_k(depth_m, density_scale_m),
        HEAT_CAPACITY_J_KG_K,
        RADIATIVE_RATIO / RADIATIVE_TEMPERATURE_K**3,
    )


def heat_capacity_j_kg_k(temperature_k: np.ndarray) -> np.ndarray:
    """Specific heat (J/kg/K) at `temperature_k` (any shape); Hayne et al. 2017."""
    return np.polynomial.polynomial.polyval(temperature_k, HEAT_CAPACITY_J_KG_K)


def albedo(incidence_deg: np.ndarray, normal_albedo: float = HIGHLAND.normal_albedo) -> np.ndarray:
    """Share of sunlight reflected at `incidence_deg` i (0..90, any shape), same shape, up to 1.

    normal_albedo + 0.06 (i / 45 deg)^3 + 0.25 (i / 90 deg)^8: Keihm 1984 (Icarus 60, 568) as
    used by Hayne et al. 2017, appendix A.
    """
    tilted = np.asarray(incidence_deg, dtype=float) / 90
    grown = ALBEDO_CUBIC * (2 * tilted) ** 3 + ALBEDO_OCTIC * tilted**8
    return np.minimum(normal_albedo + grown, 1.0)


def _sine_above_slope(sun_elevation_deg, sun_azimuth_deg, slope_deg, aspect_deg) -> np.ndarray:
    elevation, slope = np.radians(sun_elevation_deg), np.radians(slope_deg)
    from_aspect = np.radians(np.subtract(sun_azimuth_deg, aspect_deg))
    facing = np.cos(elevation) * np.cos(from_aspect)
    return np.sin(elevation) * np.cos(slope) + facing * np.sin(slope)


def tilted_deg(slope_deg: float, aspect_deg: float, by_deg: float) -> tuple[np.ndarray, np.ndarray]:
    """Slopes and aspects (8,) of a plane tilted by another `by_deg` in eight directions.

    The directions go round in steps of 45 deg, beginning downhill. Rotation of the normal.
    """
    slope, aspect, by = np.radians([slope_deg, aspect_deg, by_deg])
    towards = np.radians(np.arange(0, 360, 45))
    # The normal as downhill, across and up; by the tilt it leans in its own plane.
    lean, across = np.sin(by) * np.cos(towards), np.sin(by) * np.sin(towards)
    downhill = np.cos(by) * np.sin(slope) + lean * np.cos(slope)
    up = np.cos(by) * np.cos(slope) - lean * np.sin(slope)
    new_aspect = aspect + np.arctan2(across, downhill)
    return np.degrees(np.arctan2(np.hypot(downhill, across), up)), np.degrees(new_aspect) % 360.0


def _disc_above_plane(centre_deg: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Share of the Sun's disc above a plane, and the mean elevation (deg) of that part.

    The part is a circular segment of half angle theta: area theta - sin theta cos theta,
    centroid at 2 sin^3 theta / (3 area) from the centre, in units of the radius.
    """
    theta = np.arccos(np.clip(-centre_deg / SUN_RADIUS_DEG, -1.0, 1.0))
    area = theta - np.sin(theta) * np.cos(theta)
    # A vanishing segment lies on the plane; its area would underflow before that.
    safe = np.maximum(area, 1e-12)
    centroid_deg = centre_deg + SUN_RADIUS_DEG * 2 * np.sin(theta) ** 3 / (3 * safe)
    return area / np.pi, np.where(area > 1e-12, np.maximum(centroid_deg, 0.0), 0.0)


def absorbed_flux_w_m2(
    irradiance_w_m2: np.ndarray,
    sun_elevation_deg: np.ndarray,
    sun_azimuth_deg: np.ndarray,
    visible_fraction: np.ndarray,
    slope_deg: float | np.ndarray = 0.0,
    aspect_deg: float | np.ndarray = 0.0,
    normal_albedo: float = HIGHLAND.normal_albedo,
) -> np.ndarray:
    """Sunlight absorbed by the ground (W/m2); all arguments broadcast together to (..., n).

    `irradiance_w_m2` is that of the whole disc at the distance of the Sun; `visible_fraction`
    (0..1) is the part of the disc above the skyline and not behind the Earth. Angles in degrees;
    `aspect_deg` is the azimuth the slope faces downhill, from north through east. While the disc
    straddles the plane of the ground, only the part above the plane counts, at the mean elevation
    of that part, and no more of the disc than is visible: a half-risen Sun lights level ground
    although its centre is at 0 deg.
    """
    sine = _sine_above_slope(sun_elevation_deg, sun_azimuth_deg, slope_deg, aspect_deg)
    above, elevation_deg = _disc_above_plane(np.degrees(np.arcsin(np.clip(sine, -1.0, 1.0))))
    lit = np.minimum(visible_fraction, above) * np.sin(np.radians(elevation_deg))
    return irradiance_w_m2 * lit * (1 - albedo(90 - elevation_deg, normal_albedo))


def level_irradiance_w_m2(
    irradiance_w_m2: np.ndarray, sun_elevation_deg: np.ndarray, uncovered: np.ndarray
) -> np.ndarray:
    """Sunlight on a level plane without terrain (W/m2); `uncovered` is the disc's share 0..1."""
    above, elevation_deg = _disc_above_plane(np.asarray(sun_elevation_deg, dtype=float))
    return irradiance_w_m2 * uncovered * above * np.sin(np.radians(elevation_deg))


def balance_k(absorbed_w_m2: np.ndarray, soil: Soil = HIGHLAND) -> np.ndarray:
    """Temperature in balance with the light and with what is stored for the night."""
    return heat_conduction.balance_k(absorbed_w_m2, soil.emission_w_m2_k4)


def season_share(steps: int) -> np.ndarray:
    """Weights (n,) of sum 1 of equal steps of a year: their mean is that of many years.

    A mean over a lunation of means over a draconic year has neither the day nor the
    season left in it. That is a trapezoid of 376.15 d, which ends with the year.
    """
    end_d = np.linspace(0.0, YEAR_S / 86400, steps + 1)
    end_d = end_d + DRACONIC_YEAR_DAYS + SYNODIC_MONTH_DAYS - end_d[-1]

    def twice_summed(since_d: float) -> np.ndarray:
        return np.maximum(end_d - since_d, 0.0) ** 2 / 2

    corners = 0.0, SYNODIC_MONTH_DAYS, DRACONIC_YEAR_DAYS, DRACONIC_YEAR_DAYS + SYNODIC_MONTH_DAYS
    rises, peaks, falls, _ = map(twice_summed, corners)
    return np.diff(rises - peaks - falls) / (DRACONIC_YEAR_DAYS * SYNODIC_MONTH_DAYS)


def ground_temperature_k(
    absorbed_w_m2: np.ndarray,
    time_s: np.ndarray,
    depth_m: Sequence[float] | np.ndarray,
    soil: Soil = HIGHLAND,
    terrain: Terrain | None = None,
) -> np.ndarray:
    """Temperature (K) of the ground at settled samples and requested depths, (..., n, depths).

    `absorbed_w_m2` (..., m) is the sunlight taken in at instants `time_s` (m,), for any number
    of sites; `depth_m` the requested depths, 0 the surface. The samples of the first
    `SETTLE_S`, a few hours apart, set the start state; the n samples that follow have
    temperatures, the first one exactly `SETTLE_S` after the first of all.

    Heat conduction after Hayne et al. 2017; at the surface absorbed + conducted = emitted; at
    the bottom the heat flow enters. `terrain` adds the light and heat of the wall around the
    sites; the wall is a column of the same soil. Sites are best computed together: ten
    take about as long as two one by one.

    Raises ValueError for values that are not finite or negative, instants that do not rise
    or do not meet the end of settling, a depth outside the column, or ground so starved of
    heat that the heat capacity formula fails (mean income below what 15 K emits).
    """
    absorbed = np.atleast_1d(np.asarray(absorbed_w_m2, dtype=float))
    time_s = np.asarray(time_s, dtype=float)
    depths = np.atleast_1d(np.asarray(depth_m, dtype=float))
    _require_usable(absorbed, time_s, depths, soil)
    rows = absorbed.reshape(-1, absorbed.shape[-1])
    at_depth = np.array([np.interp(depths, NODES_M, node) for node in np.eye(len(NODES_M))])
    settled = int((time_s >= time_s[0] + SETTLE_S).sum())
    temperature = np.empty((len(rows), settled, len(depths)))
    for group in _lit_alike(rows, time_s):
        wall = None if terrain is None else terrain.rows(group, absorbed.shape[:-1])
        temperature[group] = _march(rows[group], time_s, soil, wall, at_depth)
    return temperature.reshape(*absorbed.shape[:-1], settled, len(depths))


def _march(
    absorbed_w_m2: np.ndarray,
    time_s: np.ndarray,
    soil: Soil,
    wall: Terrain | None,
    at_depth: np.ndarray,
) -> np.ndarray:
    """Temperatures (s, n, d) of sites at the settled samples; `at_depth` as `temperatures` has."""
    if wall is None:
        series, ends = _steps(absorbed_w_m2, time_s, soil)
        return _temperatures(series, soil, ends - 1, at_depth)
    taken_in = (1 - soil.normal_albedo) * wall.sunlight_w_m2(soil.normal_albedo)
    lit = absorbed_w_m2 + wall.view[:, None] * soil.normal_albedo * taken_in
    series, ends = _steps(np.concatenate([lit, taken_in]), time_s, soil)
    of_sites, of_walls = np.split(series.absorbed_w_m2, [len(lit)])
    every, surface = np.arange(len(series.step_s)), np.eye(len(NODES_M), 1)
    to_sky = wall.to_sky(soil.emissivity)
    wall_k = _temperatures(Series(series.step_s, of_walls), soil, every, surface, to_sky)[..., 0]
    warming = wall.view[:, None] * wall.infrared_w_m2(wall_k, soil.emissivity)
    lit_and_warmed = Series(series.step_s, of_sites + soil.emissivity * warming)
    return _temperatures(lit_and_warmed, soil, ends - 1, at_depth)


def _temperatures(
    series: Series,
    soil: Soil,
    steps: np.ndarray,
    at_depth: np.ndarray,
    to_sky: float | np.ndarray = 1.0,
) -> np.ndarray:
    """Temperatures (s, w, d) after some steps; `to_sky` is the share of emission that is lost."""
    edges = Edges(soil.heat_flow_w_m2, soil.emission_w_m2_k4 * to_sky)
    share = season_share(round(YEAR_S / SETTLE_STEP_S))
    column = regolith_column(soil.density_scale_m)
    return heat_conduction.temperatures(column, edges, series, share, steps, at_depth)


def _steps(absorbed_w_m2: np.ndarray, time_s: np.ndarray, soil: Soil) -> tuple[Series, np.ndarray]:
    """The series (s, m) in long steps until it is settled, then in gentle ones, for `_march`."""
    marks_s = time_s[0] + np.arange(0.0, SETTLE_S + 1.0, SETTLE_STEP_S)
    first = int(np.searchsorted(time_s, marks_s[-1]))
    past = heat_conduction.means_over(marks_s, time_s[: first + 1], absorbed_w_m2[:, : first + 1])
    after, ends = heat_conduction.gentle_steps(
        time_s[first:], absorbed_w_m2[:, first:], soil.emission_w_m2_k4
    )
    series = Series(
        np.append(np.diff(marks_s), after.step_s),
        np.concatenate([past, after.absorbed_w_m2], axis=1),
    )
    return series, len(marks_s) - 1 + np.append(0, ends)


def _require_usable(absorbed, time_s, depths, soil) -> None:
    income = absorbed[..., time_s < time_s[0] + YEAR_S].mean(axis=-1) + soil.heat_flow_w_m2
    starved = income <= soil.emission_w_m2_k4 * COLDEST_K**4
    for wrong, complaint in (
        (not np.isfinite(absorbed).all(), "absorbed_w_m2 has samples that are not finite"),
        ((absorbed < 0).any(), "absorbed_w_m2 has negative samples"),
        (not (np.diff(time_s) > 0).all(), "time_s must rise"),
        (
            not (time_s == time_s[0] + SETTLE_S).any(),
            f"time_s needs an instant {SETTLE_S} s after its first one",
        ),
        (not 0 < soil.emissivity <= 1, "emissivity must be over 0 and at most 1"),
        (not 0 <= soil.normal_albedo <= 1, "normal_albedo must lie between 0 and 1"),
        (not 0 < soil.density_scale_m < np.inf, "density_scale_m must be over 0"),
        (not 0 <= soil.heat_flow_w_m2 < np.inf, "heat_flow_w_m2 must be 0 or more"),
        (
            not ((depths >= 0) & (depths <= DEEPEST_M)).all(),
            f"depth_m must lie between 0 and {DEEPEST_M:.2f}, the bottom of the column",
        ),
        (starved.any(), f"too little heat to keep the ground above {COLDEST_K} K on the mean"),
    ):
        if wrong:
            raise ValueError(f"ground temperature: {complaint}")


def _lit_alike(absorbed_w_m2: np.ndarray, time_s: np.ndarray) -> list[np.ndarray]:
    """Numbers of the sites (s, m) in groups with noon at nearly the same time.

    All sites of a group take the short steps that one of them needs at its sunrise.
    """
    sites = len(absorbed_w_m2)
    if sites < 2 * TOGETHER:
        return [np.arange(sites)]
    turn = 2 * np.pi * time_s / (SYNODIC_MONTH_DAYS * 86400)
    sine, cosine = (
        absorbed_w_m2 @ (at * np.gradient(time_s)) for at in (np.sin(turn), np.cos(turn))
    )
    noon = np.arctan2(sine, cosine)
    ends = range(TOGETHER, sites - TOGETHER + 1, TOGETHER)
    return np.split(np.argsort(noon, kind="stable"), ends)
