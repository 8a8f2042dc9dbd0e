"""How warm the ground is: one-dimensional heat conduction under the true Sun.

The soil is that of Hayne et al. 2017 (JGR Planets 122, 2371, appendix A): fluffy at the
surface, packed below, its conductivity growing with the cube of the temperature. With
K = Kc(z) (1 + chi T^3) the heat flux is Kc dU/dz for the potential U = T + chi T^4 / 4
(Kirchhoff's transformation), so conduction is linear in U. Two things follow. Every
implicit step solves a symmetric tridiagonal system. And once a cycle repeats itself, the
mean of U is known at every depth: Kc d<U>/dz is the heat flow from below. That sets the
deep layers at once, which waiting would leave wrong for centuries.

Not modelled: heat and light from surrounding terrain, and seasons (the start state
repeats one lunation).
"""

import math
from collections.abc import Callable, Iterator, Sequence
from itertools import islice
from typing import NamedTuple

import numpy as np
from scipy.linalg.lapack import dptsv

from obsplan.constants import ASTRONOMICAL_UNIT_KM, STEFAN_BOLTZMANN_W_M2_K4, SUN_RADIUS_KM

# Hayne et al. 2017, JGR Planets 122, 2371, appendix A, all down to the albedo.
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
NORMAL_ALBEDO_MARE = 0.07
ALBEDO_CUBIC = 0.06  # per (45 deg)^3; form of Keihm 1984, as used there
ALBEDO_OCTIC = 0.25  # per (90 deg)^8; same

SUN_RADIUS_DEG = np.degrees(np.arcsin(SUN_RADIUS_KM / ASTRONOMICAL_UNIT_KM))  # from 1 au

LONGEST_STEP_S = 3600.0  # longer steps are divided: keeps the surface within 0.05 K
LARGEST_JUMP_K = 5.0  # steps over which the light alone would do more are divided
NIGHT_EMISSION_W_M2 = 5.0  # about 100 K: what stored heat adds to the light, for that rule
SPIN_UP_STEP_S = 7200.0  # sets the deep layers within 0.02 K; the full step does the rest
SETTLED_K = 0.05  # a pass leaves a third of the error: far inside the promised 0.1 K
CYCLES_MAX = 100  # passes; 8 to 12 are usual
NEWTON_K = 0.5  # convergence is quadratic: what a smaller change leaves is below 0.01 K
NEWTON_MAX = 50  # solves in a step; 1 is usual
COLDEST_K = 15.0  # below, the heat capacity formula runs towards zero


def _towards_depth(surface: float, deep: float, depth_m: np.ndarray) -> np.ndarray:
    return deep - (deep - surface) * np.exp(-np.asarray(depth_m, dtype=float) / DENSITY_SCALE_M)


def density_kg_m3(depth_m: np.ndarray) -> np.ndarray:
    """Bulk density at `depth_m` (m, any shape), same shape; Hayne et al. 2017."""
    return _towards_depth(SURFACE_DENSITY_KG_M3, DEEP_DENSITY_KG_M3, depth_m)


def contact_conductivity_w_m_k(depth_m: np.ndarray) -> np.ndarray:
    """Conductivity through grain contacts alone (W/m/K) at `depth_m`; Hayne et al. 2017."""
    return _towards_depth(CONTACT_CONDUCTIVITY_W_M_K, DEEP_CONDUCTIVITY_W_M_K, depth_m)


def conductivity_w_m_k(temperature_k: np.ndarray, depth_m: np.ndarray) -> np.ndarray:
    """Conductivity (W/m/K), contacts and radiation between grains; Hayne et al. 2017.

    `temperature_k` and `depth_m` (m) broadcast against each other.
    """
    relative = np.asarray(temperature_k, dtype=float) / RADIATIVE_TEMPERATURE_K
    return contact_conductivity_w_m_k(depth_m) * (1 + RADIATIVE_RATIO * relative**3)


def heat_capacity_j_kg_k(temperature_k: np.ndarray) -> np.ndarray:
    """Specific heat (J/kg/K) at `temperature_k` (any shape); Hayne et al. 2017."""
    return np.polynomial.polynomial.polyval(temperature_k, HEAT_CAPACITY_J_KG_K)


def albedo(incidence_deg: np.ndarray, normal_albedo: float = NORMAL_ALBEDO_HIGHLAND) -> np.ndarray:
    """Share of sunlight reflected at `incidence_deg` (0..90, any shape), same shape, up to 1.

    It grows from `normal_albedo` towards grazing light; Keihm 1984 as used by Hayne et
    al. 2017.
    """
    tilted = np.asarray(incidence_deg, dtype=float) / 90
    grown = ALBEDO_CUBIC * (2 * tilted) ** 3 + ALBEDO_OCTIC * tilted**8
    return np.minimum(normal_albedo + grown, 1.0)


def _sine_above_slope(sun_elevation_deg, sun_azimuth_deg, slope_deg, aspect_deg) -> np.ndarray:
    elevation, slope = np.radians(sun_elevation_deg), np.radians(slope_deg)
    from_aspect = np.radians(np.subtract(sun_azimuth_deg, aspect_deg))
    facing = np.cos(elevation) * np.cos(from_aspect)
    return np.sin(elevation) * np.cos(slope) + facing * np.sin(slope)


def cos_incidence(
    sun_elevation_deg: np.ndarray,
    sun_azimuth_deg: np.ndarray,
    slope_deg: np.ndarray,
    aspect_deg: np.ndarray,
) -> np.ndarray:
    """Cosine of the angle between the Sun and the normal of the slope, 0 when behind it.

    All angles in degrees, broadcast together; `aspect_deg` is the azimuth the slope faces
    downhill, from north through east. Geometry of a tilted plane.
    """
    sine = _sine_above_slope(sun_elevation_deg, sun_azimuth_deg, slope_deg, aspect_deg)
    return np.clip(sine, 0.0, 1.0)


def _disc_above_plane(centre_deg: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Share of the Sun's disc above a plane and the mean elevation (deg) of that part.

    The part is a circular segment of half angle theta: area theta - sin theta cos theta,
    centroid 2 sin^3 theta / 3 area from the centre, in units of the radius.
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
    slope_deg: np.ndarray = 0.0,
    aspect_deg: np.ndarray = 0.0,
    normal_albedo: float = NORMAL_ALBEDO_HIGHLAND,
) -> np.ndarray:
    """Sunlight the ground takes in (W/m2); all arguments broadcast together to (..., n).

    `irradiance_w_m2` is that of the whole disc at the distance of the Sun;
    `visible_fraction` (0..1) is the part of the disc above the skyline and not behind the
    Earth; angles in degrees as in `cos_incidence`. While the disc straddles the plane of
    the ground, only the part above the plane counts, at the mean elevation of that part,
    and no more of the disc than is visible: a half-risen Sun lights level ground although
    its centre stands at 0 deg.
    """
    sine = _sine_above_slope(sun_elevation_deg, sun_azimuth_deg, slope_deg, aspect_deg)
    above, elevation_deg = _disc_above_plane(np.degrees(np.arcsin(np.clip(sine, -1.0, 1.0))))
    lit = np.minimum(visible_fraction, above) * np.sin(np.radians(elevation_deg))
    return irradiance_w_m2 * lit * (1 - albedo(90 - elevation_deg, normal_albedo))


class Column(NamedTuple):
    """Soil cut into k cells around nodes, the first node at the surface.

    `depth_m` (k,) of the nodes, `mass_kg_m2` (k,) of the cells, `conductance_w_m2_k` (k-1,)
    through contacts between neighbours, `heat_capacity_j_kg_k` the factors of powers
    0, 1, ... of the temperature, `radiative_per_k3` the chi in K = Kc (1 + chi T^3).
    """

    depth_m: np.ndarray
    mass_kg_m2: np.ndarray
    conductance_w_m2_k: np.ndarray
    heat_capacity_j_kg_k: tuple[float, ...]
    radiative_per_k3: float


def cut_column(
    depth_m: np.ndarray,
    density: Callable[[np.ndarray], np.ndarray],
    contact_conductivity: Callable[[np.ndarray], np.ndarray],
    heat_capacity_j_kg_k: tuple[float, ...],
    radiative_per_k3: float,
) -> Column:
    """Soil given as functions of depth, cut half way between nodes at `depth_m` (k,)."""
    spacing = np.diff(depth_m)
    interface = depth_m[:-1] + spacing / 2
    width = np.diff(interface, prepend=depth_m[0], append=depth_m[-1])
    conductance = contact_conductivity(interface) / spacing
    mass = density(depth_m) * width
    return Column(depth_m, mass, conductance, heat_capacity_j_kg_k, radiative_per_k3)


# From 0.5 mm, growing by 12 % to 3.3 m: the day's wave fades by e every 5 to 9 cm.
REGOLITH = cut_column(
    0.0005 * (1.12 ** np.arange(60) - 1) / 0.12,
    density_kg_m3,
    contact_conductivity_w_m_k,
    HEAT_CAPACITY_J_KG_K,
    RADIATIVE_RATIO / RADIATIVE_TEMPERATURE_K**3,
)


class _Series(NamedTuple):
    """Steps of length `step_s` (n,) and what is absorbed at the end of each (s, n)."""

    step_s: np.ndarray
    absorbed_w_m2: np.ndarray


class _State(NamedTuple):
    """Temperatures (s, k) now and `since_s` earlier."""

    now_k: np.ndarray
    before_k: np.ndarray
    since_s: float


class _Edges(NamedTuple):
    """What crosses the ends of the column: heat from below, emission per T^4 above."""

    heat_flow_w_m2: float
    emission_w_m2_k4: float


def _march(
    column: Column, edges: _Edges, state: _State, series: _Series
) -> Iterator[tuple[np.ndarray, np.ndarray]]:
    """Step through `series`, yielding temperature and potential, each (s, k).

    Second order backward differences (L-stable) with Newton on enthalpy; the first guess
    is extrapolated, so that one solve per step is the rule. The sites lie end to end in
    one tridiagonal system whose couplings between sites are zero.
    """
    sites, nodes = state.now_k.shape
    coupling = np.tile(np.append(column.conductance_w_m2_k, 0.0), sites)[:-1]
    coupled = np.append(coupling, 0.0) + np.append(0.0, coupling)
    mass = np.tile(column.mass_kg_m2, sites)
    surface, bottom = slice(None, None, nodes), slice(nodes - 1, None, nodes)

    # Enthalpy and potential, each with its slope, are polynomials: one product gives all.
    heat_capacity = np.array(column.heat_capacity_j_kg_k)
    terms = len(heat_capacity)
    factors = np.zeros((4, max(terms + 1, 5)))
    factors[0, 1 : terms + 1] = heat_capacity / np.arange(1, terms + 1)
    factors[1, :terms] = heat_capacity
    factors[2, [1, 4]] = 1.0, column.radiative_per_k3 / 4
    factors[3, [0, 3]] = 1.0, column.radiative_per_k3
    powers = np.ones((factors.shape[1], mass.size))
    values = np.empty((4, mass.size))
    enthalpy, capacity, potential, potential_slope = values

    def evaluate(temperature: np.ndarray) -> None:
        powers[1] = temperature
        for power in range(2, len(powers)):
            np.multiply(powers[power - 1], temperature, out=powers[power])
        np.matmul(factors, powers, out=values)

    before, now, since_s = state.before_k.ravel(), state.now_k.ravel(), state.since_s
    evaluate(before)
    enthalpy_before = enthalpy.copy()
    evaluate(now)
    enthalpy_now = enthalpy.copy()
    for step_s, absorbed in zip(series.step_s.tolist(), series.absorbed_w_m2.T):
        ratio = step_s / since_s
        weight = ratio * ratio / (1 + ratio)
        mass_rate = mass / step_s
        history = mass_rate * ((1 + ratio) * enthalpy_now - weight * enthalpy_before)
        mass_rate *= 1 + ratio - weight
        guess = np.maximum(now + ratio * (now - before), 0.5 * now)
        for _ in range(NEWTON_MAX):
            evaluate(guess)
            upward = coupling * (potential[1:] - potential[:-1])
            surplus = history - mass_rate * enthalpy
            surplus[:-1] += upward
            surplus[1:] -= upward
            surplus[surface] += absorbed - edges.emission_w_m2_k4 * powers[4, surface]
            surplus[bottom] += edges.heat_flow_w_m2
            slope = mass_rate * capacity
            slope[surface] += 4 * edges.emission_w_m2_k4 * powers[3, surface]
            diagonal = slope / potential_slope + coupled
            potential_change = dptsv(diagonal, -coupling, surplus)[2]
            change = potential_change / potential_slope
            if np.abs(change).max() < NEWTON_K:
                break
            # Light on very cold ground would send Newton far beyond, and not back.
            guess = np.clip(guess + change, 0.5 * guess, 2 * guess)
        else:
            raise ArithmeticError("the ground's heat balance was not solved: please report this")
        before, now, since_s = now, guess + change, step_s
        # The linearised enthalpy is what the step conserved: carried on, the books close.
        enthalpy_before, enthalpy_now = enthalpy_now, enthalpy + capacity * change
        yield now.reshape(sites, nodes), (potential + potential_change).reshape(sites, nodes)


def _energy_weights(step_s: np.ndarray) -> np.ndarray:
    """How much the end of each step counts in the energy of a repeated cycle (n,), sum 1.

    Backward differences change the enthalpy over a step by the flux there and a share of
    what the step before had: (ratio before + (1 + ratio) here) / (1 + 2 ratio). With the
    weights that follow, and no others, the books of a cycle with uneven steps close.
    """
    ratio = step_s / np.roll(step_s, 1)
    here, handed_on = (1 + ratio) / (1 + 2 * ratio), np.roll(ratio / (1 + 2 * ratio), -1)
    counts = step_s.copy()
    for _ in range(40):  # each round at least halves what is missing
        counts = step_s + handed_on * np.roll(counts, -1)
    return here * counts / step_s.sum()


def _settle(column: Column, edges: _Edges, state: _State, cycle: _Series) -> _State:
    """The state to which the ground returns after every `cycle`, sought from `state`.

    After each pass the potential's mean is set to what the heat flow demands at every
    depth, and the whole column is shifted until the mean balance at the surface closes.
    Each mode of the error loses about two thirds that way, however slow it is by itself.
    """
    demanded = np.append(0.0, np.cumsum(edges.heat_flow_w_m2 / column.conductance_w_m2_k))
    share = _energy_weights(cycle.step_s)
    income = cycle.absorbed_w_m2 @ share + edges.heat_flow_w_m2
    for _ in range(CYCLES_MAX):
        end, before = state.now_k, state.now_k
        mean_potential = np.zeros_like(end)
        surface_k = np.empty_like(cycle.absorbed_w_m2)
        for step, (temperature, potential) in enumerate(_march(column, edges, state, cycle)):
            before, end = end, temperature
            mean_potential += share[step] * potential
            surface_k[:, step] = temperature[:, 0]
        emitted = edges.emission_w_m2_k4 * surface_k**4 @ share
        effective_k = surface_k**4 @ share / (surface_k**3 @ share)
        shift = effective_k * ((income / emitted) ** 0.25 - 1)
        change = mean_potential[:, :1] + demanded - mean_potential
        change = change / (1 + column.radiative_per_k3 * end**3) + shift[:, None]
        change = np.clip(change, -0.5 * np.minimum(before, end), end)
        drift = end - state.now_k
        state = _State(end + change, before + change, cycle.step_s[-1])
        if max(np.abs(change).max(), np.abs(drift).max()) < SETTLED_K:
            return state
    raise ArithmeticError("the ground's start state was not found: please report this")


def _divide(absorbed_w_m2: np.ndarray, step_s: float) -> tuple[_Series, np.ndarray]:
    """Samples (s, n) as short and gentle steps, and how many lead up to each sample.

    Between samples the series is linear. A step is divided where it is long or where the
    light of any site changes much, and for a moment afterwards.
    """
    emission = EMISSIVITY * STEFAN_BOLTZMANN_W_M2_K4
    balance_k = ((absorbed_w_m2 + NIGHT_EMISSION_W_M2) / emission) ** 0.25
    jump_k = np.abs(np.diff(balance_k, axis=1)).max(axis=0)
    parts = np.ceil(np.maximum(step_s / LONGEST_STEP_S, jump_k / LARGEST_JUMP_K)).astype(int)
    for step in range(1, len(parts)):
        parts[step] = max(parts[step], (parts[step - 1] + 1) // 2)
    ends = np.cumsum(parts)
    left = np.repeat(np.arange(len(parts)), parts)
    part = (np.arange(1, ends[-1] + 1) - (ends - parts)[left]) / parts[left]
    absorbed = absorbed_w_m2[:, left] * (1 - part) + absorbed_w_m2[:, left + 1] * part
    return _Series(step_s / parts[left], absorbed), ends


def _coarse(cycle: _Series) -> _Series:
    """The cycle in equal steps of about SPIN_UP_STEP_S, their means keeping the energy."""
    clock = np.append(0.0, np.cumsum(cycle.step_s))
    count = max(1, round(clock[-1] / SPIN_UP_STEP_S))
    marks = np.linspace(0.0, clock[-1], count + 1)
    energy = np.pad(np.cumsum(cycle.absorbed_w_m2 * cycle.step_s, axis=1), ((0, 0), (1, 0)))
    at_marks = np.array([np.interp(marks, clock, row) for row in energy])
    return _Series(np.diff(marks), np.diff(at_marks, axis=1) / np.diff(marks))


def _require_usable(absorbed, step_s, depths, cycle_steps, edges, first_guess_k, column) -> None:
    samples, deepest = absorbed.shape[-1], column.depth_m[-1]
    income = absorbed[..., : max(cycle_steps, 1)].mean(axis=-1) + edges.heat_flow_w_m2
    starved = income <= edges.emission_w_m2_k4 * COLDEST_K**4
    for wrong, complaint in (
        (not np.isfinite(absorbed).all(), "absorbed_w_m2 has samples that are not finite"),
        ((absorbed < 0).any(), "absorbed_w_m2 has negative samples"),
        (not 0 < step_s < math.inf, f"step_s must be positive, not {step_s}"),
        (not 2 <= cycle_steps <= samples, f"{samples} samples hold no cycle of {cycle_steps}"),
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
    depth_m: Sequence[float],
    *,
    cycle_steps: float,
    heat_flow_w_m2: float = HEAT_FLOW_W_M2,
    emissivity: float = EMISSIVITY,
    first_guess_k: float = 250.0,
    column: Column = REGOLITH,
) -> np.ndarray:
    """Temperature (K) of the ground at every sample and wanted depth, shape (..., n, depths).

    `absorbed_w_m2` (..., n) is the sunlight taken in at instants `step_s` apart, for any
    number of sites; `depth_m` the wanted depths, 0 the surface. The first `cycle_steps`
    samples (a lunation, rounded to whole steps) are repeated until the ground returns to
    its own state after each; from that state the series is run once.
    `first_guess_k` only begins the search: results from 150 K and 300 K agree to 0.05 K.

    Heat conduction after Hayne et al. 2017 unless another `column` is given; at the
    surface absorbed + conducted = emitted; at the bottom `heat_flow_w_m2` enters.
    Sites are best solved together: ten cost about as much as two one by one.

    Raises ValueError for values that are not finite or negative, a series shorter than
    its cycle, a depth outside the column, or ground so starved of heat that the heat
    capacity formula fails (mean income below what 15 K emits).
    """
    absorbed = np.atleast_1d(np.asarray(absorbed_w_m2, dtype=float))
    cycle_steps = round(cycle_steps)
    depths = np.atleast_1d(np.asarray(depth_m, dtype=float))
    edges = _Edges(heat_flow_w_m2, emissivity * STEFAN_BOLTZMANN_W_M2_K4)
    _require_usable(absorbed, step_s, depths, cycle_steps, edges, first_guess_k, column)
    shape = absorbed.shape
    absorbed = absorbed.reshape(-1, shape[-1])

    closed = np.append(absorbed[:, :cycle_steps], absorbed[:, :1], axis=1)
    cycle, _ = _divide(closed, step_s)
    guess = np.full((len(absorbed), len(column.depth_m)), float(first_guess_k))
    state = _settle(column, edges, _State(guess, guess, SPIN_UP_STEP_S), _coarse(cycle))
    state = _settle(column, edges, state, cycle)

    at_depth = np.array([np.interp(depths, column.depth_m, row) for row in np.eye(guess.shape[1])])
    wanted = np.empty((len(absorbed), shape[-1], len(depths)))
    wanted[:, 0] = state.now_k @ at_depth
    series, ends = _divide(absorbed, step_s)
    march = _march(column, edges, state, series)
    for sample, parts in enumerate(np.diff(ends, prepend=0), start=1):
        temperature, _ = next(islice(march, int(parts) - 1, None))
        wanted[:, sample] = temperature @ at_depth
    return wanted.reshape(*shape, len(depths))
