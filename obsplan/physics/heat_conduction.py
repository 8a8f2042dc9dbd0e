"""One-dimensional conduction of heat in ground that light warms and that radiates.

With the conductivity K = Kc(z) (1 + chi T^3) the heat flux is Kc dU/dz for the potential
U = T + chi T^4 / 4 (Kirchhoff's transformation), so conduction is linear in U. Two things
follow. Every implicit step solves a symmetric tridiagonal system. And once a cycle
repeats itself, the mean of U is known at every depth: Kc d<U>/dz is the heat flow from
below. That sets the deep layers at once, which would otherwise need centuries of simulated time.
"""

from collections.abc import Callable, Iterator
from itertools import islice
from typing import NamedTuple

import numpy as np
from scipy.linalg.lapack import dptsv

LONGEST_STEP_S = 3600.0  # longer steps are divided: keeps the surface within 0.05 K
LARGEST_JUMP_K = 5.0  # steps over which the light alone would do more are divided
NIGHT_EMISSION_W_M2 = 5.0  # about 100 K: what stored heat adds to the light, for that rule
SPIN_UP_STEP_S = 7200.0  # sets the deep layers within 0.02 K; the full step does the rest
SETTLED_K = 0.05  # a pass leaves a third of the error: far inside the promised 0.1 K
CYCLES_MAX = 100  # passes; 8 to 12 are usual
NEWTON_K = 0.5  # convergence is quadratic: what a smaller change leaves is below 0.01 K
NEWTON_MAX = 50  # solves in a step; 1 is usual


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


class Edges(NamedTuple):
    """Fluxes at the ends of a column: heat flow from below, emission per T^4 at the surface."""

    heat_flow_w_m2: float
    emission_w_m2_k4: float


def column_temperature_k(
    column: Column,
    edges: Edges,
    absorbed_w_m2: np.ndarray,
    step_s: float,
    depth_m: np.ndarray,
    cycle_steps: int,
    first_guess_k: float,
) -> np.ndarray:
    """Temperature (K) at every sample of `absorbed_w_m2` (s, n) and depth (d,): (s, n, d).

    Samples of the s sites are `step_s` apart; at the surface absorbed + conducted =
    emitted. The first `cycle_steps` samples are repeated until the ground returns to its
    own state after each, sought from `first_guess_k`; from that state the series is run
    once. Arguments are not checked. Raises ArithmeticError if no balance is found.
    """
    closed = np.append(absorbed_w_m2[:, :cycle_steps], absorbed_w_m2[:, :1], axis=1)
    cycle, _ = _divide(closed, step_s, edges)
    guess = np.full((len(absorbed_w_m2), len(column.depth_m)), float(first_guess_k))
    state = _settle(column, edges, _State(guess, guess, SPIN_UP_STEP_S), _coarse(cycle))
    state = _settle(column, edges, state, cycle)

    nodes = np.eye(len(column.depth_m))
    at_depth = np.array([np.interp(depth_m, column.depth_m, node) for node in nodes])
    temperature_k = np.empty((*absorbed_w_m2.shape, len(depth_m)))
    temperature_k[:, 0] = state.now_k @ at_depth
    series, ends = _divide(absorbed_w_m2, step_s, edges)
    march = _march(column, edges, state, series)
    for sample, parts in enumerate(np.diff(ends, prepend=0), start=1):
        temperature, _ = next(islice(march, int(parts) - 1, None))
        temperature_k[:, sample] = temperature @ at_depth
    return temperature_k


class _Series(NamedTuple):
    """Steps of length `step_s` (n,) and what is absorbed at the end of each (s, n)."""

    step_s: np.ndarray
    absorbed_w_m2: np.ndarray


class _State(NamedTuple):
    """Temperatures (s, k) now and `since_s` earlier."""

    now_k: np.ndarray
    before_k: np.ndarray
    since_s: float


def _march(
    column: Column, edges: Edges, state: _State, series: _Series
) -> Iterator[tuple[np.ndarray, np.ndarray]]:
    """Step through `series`, yielding temperature and potential, each (s, k).

    Second order backward differences (L-stable) with Newton on enthalpy; the first guess
    is extrapolated, so that one solve per step is the rule.
    """
    shape = state.now_k.shape
    balance = _Balance(column, edges, *shape)
    before, now, since_s = state.before_k.ravel(), state.now_k.ravel(), state.since_s
    enthalpy_before, enthalpy_now = balance.enthalpy_of(before), balance.enthalpy_of(now)
    for step_s, absorbed in zip(series.step_s.tolist(), series.absorbed_w_m2.T):
        ratio = step_s / since_s
        weight = ratio * ratio / (1 + ratio)
        mass_rate = balance.mass_kg_m2 / step_s
        history = mass_rate * ((1 + ratio) * enthalpy_now - weight * enthalpy_before)
        mass_rate *= 1 + ratio - weight
        guess = np.maximum(now + ratio * (now - before), 0.5 * now)
        before, since_s, enthalpy_before = now, step_s, enthalpy_now
        now, enthalpy_now, potential = balance.solve(guess, history, mass_rate, absorbed)
        yield now.reshape(shape), potential.reshape(shape)


class _Balance:
    """The heat balance of all nodes of the sites, and the arrays in which it is evaluated.

    The sites lie end to end in one tridiagonal system whose couplings between sites are zero.
    """

    def __init__(self, column: Column, edges: Edges, sites: int, nodes: int):
        self.edges = edges
        self.mass_kg_m2 = np.tile(column.mass_kg_m2, sites)
        self.coupling = np.tile(np.append(column.conductance_w_m2_k, 0.0), sites)[:-1]
        self.coupled = np.append(self.coupling, 0.0) + np.append(0.0, self.coupling)
        self.surface, self.bottom = slice(None, None, nodes), slice(nodes - 1, None, nodes)
        # Enthalpy and potential, each with its slope, are polynomials: one product gives all.
        heat_capacity = np.array(column.heat_capacity_j_kg_k)
        terms = len(heat_capacity)
        self.factors = np.zeros((4, max(terms + 1, 5)))
        self.factors[0, 1 : terms + 1] = heat_capacity / np.arange(1, terms + 1)
        self.factors[1, :terms] = heat_capacity
        self.factors[2, [1, 4]] = 1.0, column.radiative_per_k3 / 4
        self.factors[3, [0, 3]] = 1.0, column.radiative_per_k3
        self.powers = np.ones((self.factors.shape[1], sites * nodes))
        self.values = np.empty((4, sites * nodes))

    def evaluate(self, temperature: np.ndarray) -> None:
        """Set `powers` of the temperature, and `values`: enthalpy and potential with slopes."""
        powers = self.powers
        powers[1] = temperature
        for power in range(2, len(powers)):
            np.multiply(powers[power - 1], temperature, out=powers[power])
        np.matmul(self.factors, powers, out=self.values)

    def enthalpy_of(self, temperature: np.ndarray) -> np.ndarray:
        self.evaluate(temperature)
        return self.values[0].copy()

    def solve(
        self, guess: np.ndarray, history: np.ndarray, mass_rate: np.ndarray, absorbed: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Temperature, enthalpy and potential (s k,) at the end of a step, by Newton from `guess`.

        There mass_rate * enthalpy = history + what is conducted, absorbed and emitted. Raises
        ArithmeticError when no balance is found.
        """
        coupling, surface, bottom = self.coupling, self.surface, self.bottom
        emission_w_m2_k4, heat_flow_w_m2 = self.edges.emission_w_m2_k4, self.edges.heat_flow_w_m2
        enthalpy, capacity, potential, potential_slope = self.values
        for _ in range(NEWTON_MAX):
            self.evaluate(guess)
            upward = coupling * (potential[1:] - potential[:-1])
            surplus = history - mass_rate * enthalpy
            surplus[:-1] += upward
            surplus[1:] -= upward
            surplus[surface] += absorbed - emission_w_m2_k4 * self.powers[4, surface]
            surplus[bottom] += heat_flow_w_m2
            slope = mass_rate * capacity
            slope[surface] += 4 * emission_w_m2_k4 * self.powers[3, surface]
            diagonal = slope / potential_slope + self.coupled
            potential_change = dptsv(diagonal, -coupling, surplus)[2]
            change = potential_change / potential_slope
            if np.abs(change).max() < NEWTON_K:
                # The step conserves the linearised enthalpy, so carrying it on conserves energy.
                return guess + change, enthalpy + capacity * change, potential + potential_change
            # Light on very cold ground would make Newton overshoot and diverge.
            guess = np.clip(guess + change, 0.5 * guess, 2 * guess)
        raise ArithmeticError("the ground's heat balance was not solved: please report this")


def _energy_weights(step_s: np.ndarray) -> np.ndarray:
    """How much the end of each step counts in the energy of a repeated cycle (n,), sum 1.

    Backward differences change the enthalpy over a step by the flux there and a share of what the
    step before had: (ratio before + (1 + ratio) here) / (1 + 2 ratio). Only with the weights that
    follow from this is energy conserved over a cycle with uneven steps.
    """
    ratio = step_s / np.roll(step_s, 1)
    here, handed_on = (1 + ratio) / (1 + 2 * ratio), np.roll(ratio / (1 + 2 * ratio), -1)
    counts = step_s.copy()
    for _ in range(40):  # each round at least halves what is missing
        counts = step_s + handed_on * np.roll(counts, -1)
    return here * counts / step_s.sum()


def _settle(column: Column, edges: Edges, state: _State, cycle: _Series) -> _State:
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


def _divide(absorbed_w_m2: np.ndarray, step_s: float, edges: Edges) -> tuple[_Series, np.ndarray]:
    """Samples (s, n) as short and gentle steps, and how many lead up to each sample.

    Between samples the series is linear. A step is divided where it is long or where the
    light of any site changes much, and for a moment afterwards.
    """
    balance_k = ((absorbed_w_m2 + NIGHT_EMISSION_W_M2) / edges.emission_w_m2_k4) ** 0.25
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
