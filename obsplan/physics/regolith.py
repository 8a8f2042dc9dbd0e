"""Ground temperature: regolith under the true Sun.

The regolith is that of Hayne et al. 2017 (JGR Planets 122, 2371, appendix A): density and
conductivity grow with depth, conductivity also with the cube of the temperature.

Not modelled: heat and light from surrounding terrain, and seasons (the start state repeats
one lunation).
"""

import math
from collections.abc import Sequence

import numpy as np

from obsplan.common.constants import ASTRONOMICAL_UNIT_KM, STEFAN_BOLTZMANN_W_M2_K4, SUN_RADIUS_KM
from obsplan.physics.heat_conduction import Column, Edges, column_temperature_k, cut_column

# Hayne et al. 2017, JGR Planets 122, 2371, appendix A: everything down to the albedo.
SURFACE_DENSITY_KG_M3 = 1100.0
DEEP_DENSITY_KG_M3 = 1800.0
DENSITY_SCALE_M = 0.07
CONTACT_CONDUCTIVITY_W_M_K = 7.4e-4  # grain contacts alone, at the surface
DEEP_CONDUCTIVITY_W_M_K = 3.4e-3  # grain contacts alone, at depth
RADIATIVE_RATIO = 2.7  # conduction by radiation over that by contacts, at 350 K
RADIATIVE_TEMPERATURE_K = 350.0
HEAT_CAPACITY_J_KG_K = (-3.6125, 2.7431, 2.3616e-3, -1.2340e-5, 8.9093e-9)  # powers 0-4 of T
EMISSIVITY = 0.95
HEAT_FLOW_W_M2 = 0.018
NORMAL_ALBEDO_HIGHLAND = 0.12
ALBEDO_CUBIC = 0.06  # per (45 deg)^3; form of Keihm 1984, as used there
ALBEDO_OCTIC = 0.25  # per (90 deg)^8; same

SUN_RADIUS_DEG = np.degrees(np.arcsin(SUN_RADIUS_KM / ASTRONOMICAL_UNIT_KM))  # from 1 au

TOGETHER = 64  # sites solved in one system: more do not fit into the processor's cache

COLDEST_K = 15.0  # below, the heat capacity formula runs towards zero


def _towards_depth(surface: float, deep: float, depth_m: np.ndarray) -> np.ndarray:
    return deep - (deep - surface) * np.exp(-np.asarray(depth_m, dtype=float) / DENSITY_SCALE_M)


def density_kg_m3(depth_m: np.ndarray) -> np.ndarray:
    """Bulk density at `depth_m` (m, any shape), same shape; Hayne et al. 2017."""
    return _towards_depth(SURFACE_DENSITY_KG_M3, DEEP_DENSITY_KG_M3, depth_m)


def contact_conductivity_w_m_k(depth_m: np.ndarray) -> np.ndarray:
    """Conductivity through grain contacts alone (W/m/K) at `depth_m`; Hayne et al. 2017."""
    return _towards_depth(CONTACT_CONDUCTIVITY_W_M_K, DEEP_CONDUCTIVITY_W_M_K, depth_m)


def heat_capacity_j_kg_k(temperature_k: np.ndarray) -> np.ndarray:
    """Specific heat (J/kg/K) at `temperature_k` (any shape); Hayne et al. 2017."""
    return np.polynomial.polynomial.polyval(temperature_k, HEAT_CAPACITY_J_KG_K)


def albedo(incidence_deg: np.ndarray, normal_albedo: float = NORMAL_ALBEDO_HIGHLAND) -> np.ndarray:
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
    normal_albedo: float = NORMAL_ALBEDO_HIGHLAND,
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


# From 0.5 mm, growing by 12 % to 3.3 m: the day's wave fades by e every 5 to 9 cm.
REGOLITH = cut_column(
    0.0005 * (1.12 ** np.arange(60) - 1) / 0.12,
    density_kg_m3,
    contact_conductivity_w_m_k,
    HEAT_CAPACITY_J_KG_K,
    RADIATIVE_RATIO / RADIATIVE_TEMPERATURE_K**3,
)


def _require_usable(absorbed, step_s, depths, cycle_steps, edges, first_guess_k, column) -> None:
    samples, deepest = absorbed.shape[-1], column.depth_m[-1]
    income = absorbed[..., : max(cycle_steps, 1)].mean(axis=-1) + edges.heat_flow_w_m2
    starved = income <= edges.emission_w_m2_k4 * COLDEST_K**4
    for wrong, complaint in (
        (not np.isfinite(absorbed).all(), "absorbed_w_m2 has samples that are not finite"),
        ((absorbed < 0).any(), "absorbed_w_m2 has negative samples"),
        (not 0 < step_s < math.inf, f"step_s must be positive, not {step_s}"),
        (
            not 2 <= cycle_steps <= samples,
            f"{samples} samples do not fill a cycle of {cycle_steps}",
        ),
        (not 0 < edges.emission_w_m2_k4 < math.inf, "emissivity must be positive"),
        (not 0 <= edges.heat_flow_w_m2 < math.inf, "heat_flow_w_m2 must be 0 or more"),
        (not COLDEST_K <= first_guess_k < math.inf, f"first_guess_k must be over {COLDEST_K}"),
        (
            not ((depths >= 0) & (depths <= deepest)).all(),
            f"depth_m must lie between 0 and {deepest:.2f}, the bottom of the column",
        ),
        (starved.any(), f"too little heat to keep the ground above {COLDEST_K} K on the mean"),
    ):
        if wrong:
            raise ValueError(f"ground temperature: {complaint}")


def ground_temperature_k(
    absorbed_w_m2: np.ndarray,
    step_s: float,
    depth_m: Sequence[float] | np.ndarray,
    *,
    cycle_steps: float,
    heat_flow_w_m2: float = HEAT_FLOW_W_M2,
    emissivity: float = EMISSIVITY,
    first_guess_k: float = 250.0,
    column: Column = REGOLITH,
) -> np.ndarray:
    """Temperature (K) of the ground at every sample and requested depth, shape (..., n, depths).

    `absorbed_w_m2` (..., n) is the sunlight taken in at instants `step_s` apart, for any
    number of sites; `depth_m` the requested depths, 0 the surface. The first `cycle_steps`
    samples (a lunation, rounded to whole steps) are repeated until the ground returns to
    its own state after each; from that state the series is run once.
    `first_guess_k` only begins the search: results from 150 K and 300 K agree to 0.05 K.

    Heat conduction after Hayne et al. 2017 unless another `column` is given; at the
    surface absorbed + conducted = emitted; at the bottom `heat_flow_w_m2` enters.
    Sites are best computed together: ten take about as long as two one by one. Results for a
    site may differ by 0.05 K depending on which sites share the call.

    Raises ValueError for values that are not finite or negative, a series shorter than
    its cycle, a depth outside the column, or ground so starved of heat that the heat
    capacity formula fails (mean income below what 15 K emits).
    """
    absorbed = np.atleast_1d(np.asarray(absorbed_w_m2, dtype=float))
    cycle_steps = round(cycle_steps)
    depths = np.atleast_1d(np.asarray(depth_m, dtype=float))
    edges = Edges(heat_flow_w_m2, emissivity * STEFAN_BOLTZMANN_W_M2_K4)
    _require_usable(absorbed, step_s, depths, cycle_steps, edges, first_guess_k, column)
    sites = absorbed.reshape(-1, absorbed.shape[-1])
    temperature = np.empty((*sites.shape, len(depths)))
    for group in _lit_alike(sites[:, :cycle_steps]):
        temperature[group] = column_temperature_k(
            column, edges, sites[group], step_s, depths, cycle_steps, first_guess_k
        )
    return temperature.reshape(*absorbed.shape, len(depths))


def _lit_alike(cycle_w_m2: np.ndarray) -> list[np.ndarray]:
    """Numbers of the sites (s, n) in groups with noon at nearly the same time.

    All sites of a group take the short steps that one of them needs at its sunrise.
    """
    turn = np.exp(2j * np.pi * np.arange(cycle_w_m2.shape[1]) / cycle_w_m2.shape[1])
    noon = np.angle(cycle_w_m2 @ turn)
    return np.array_split(np.argsort(noon, kind="stable"), -(-len(noon) // TOGETHER))
