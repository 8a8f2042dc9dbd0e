"""One-dimensional conduction of heat in ground that light warms and that radiates.

With the conductivity K = Kc(z) (1 + chi T^3) the heat flux is Kc dU/dz for the potential
U = T + chi T^4 / 4 (Kirchhoff's transformation), so conduction is linear in U. Two things
follow. Every implicit step solves a symmetric tridiagonal system. And over a time after which the
light repeats itself, the mean of U is known at every depth: Kc d<U>/dz is the heat flow from
below. That sets the deep layers at once, which would otherwise need centuries of simulated time.
"""

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from scipy.linalg.lapack import dptsv

from obsplan.physics.compiled_march import compiled_march
from obsplan.physics.march_kernel import LANES, MOST_NODES

LONGEST_STEP_S = 3600.0  # longer steps are divided: keeps the surface within 0.05 K
LARGEST_JUMP_K = 5.0  # steps over which the light alone would do more are divided
NIGHT_EMISSION_W_M2 = 5.0  # about 100 K: what stored heat adds to the light, see `balance_k`
PASSES = 3  # each leaves a third of the error in the start state, at any depth
NEWTON_K = 0.5  # convergence is quadratic: what a smaller change leaves is below 0.01 K
ROUGH_K = 5.0  # convergence in passes whose temperatures nobody sees: leaves 0.001 K
NEWTON_MAX = 50  # solves in a step; 1 is usual
MANY = 16  # sites from which on the march is compiled: fewer take less time than compiling
UNSOLVED = "the ground's heat balance was not solved: please report this"


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
    """Fluxes at the ends of a column: heat flow from below, emission per T^4 at the surface.

    Numbers, or arrays (s,) of one for each site.
    """

    heat_flow_w_m2: float | np.ndarray
    emission_w_m2_k4: float | np.ndarray


class Series(NamedTuple):
    """Steps of length `step_s` (n,) and what s sites absorb in each (s, n).

    What is absorbed is the mean over a step, or the value at its end, if it is short.
    """

    step_s: np.ndarray
    absorbed_w_m2: np.ndarray

    def part(self, steps: slice) -> "Series":
        """Some of the steps."""
        return Series(self.step_s[steps], self.absorbed_w_m2[:, steps])


def temperatures(
    column: Column,
    edges: Edges,
    series: Series,
    share: np.ndarray,
    steps: np.ndarray | None = None,
    at_depth: np.ndarray | None = None,
) -> np.ndarray:
    """Temperature (K) of s sites at the end of some of the `steps` of `series`, (s, w, d).

    `steps` (w,) are their numbers, rising; `at_depth` (k, d) has the shares of the k nodes in
    each of the d depths. Without them, all steps and nodes.

    The first m steps, of one length, are a cycle that sets the deep layers. `share` (m,), of sum 1,
    weighs them so that a weighted mean over the cycle is the mean over many cycles. The cycle
    is marched `PASSES` times; after each pass the potential's mean is set to what the heat
    flow demands at every depth. Its temperatures are those of the last pass. Many sites are
    marched compiled. Arguments are not checked. Raises ArithmeticError if no balance is found.
    """
    steps = np.arange(len(series.step_s)) if steps is None else steps
    at_depth = np.eye(len(column.depth_m)) if at_depth is None else at_depth
    resistance = np.append(0.0, np.cumsum(1 / column.conductance_w_m2_k))
    demanded = np.multiply.outer(np.asarray(edges.heat_flow_w_m2), resistance)
    cycle, rest = series.part(slice(len(share))), series.part(slice(len(share), None))
    income = cycle.absorbed_w_m2 @ share + edges.heat_flow_w_m2
    balance_k = (income / edges.emission_w_m2_k4)[:, None] ** 0.25
    guess_k = balance_k + demanded / (1 + column.radiative_per_k3 * balance_k**3)
    state = State(guess_k, guess_k, cycle.step_s[0])
    many = len(guess_k) >= MANY
    march = _march_many if many else _march
    for turn in range(PASSES):
        asked = steps[steps < (len(share) if turn == PASSES - 1 else 0)]
        newton_k = ROUGH_K if many and not len(asked) else NEWTON_K
        wanted = Wanted(share, asked, at_depth, newton_k)
        state, mean_potential, in_cycle = march(column, edges, state, cycle, wanted)
        change = mean_potential[:, :1] + demanded - mean_potential
        change /= 1 + column.radiative_per_k3 * state.now_k**3
        change = np.clip(change, -0.5 * np.minimum(state.before_k, state.now_k), state.now_k)
        state = State(state.now_k + change, state.before_k + change, cycle.step_s[-1])
    later = steps[steps >= len(share)] - len(share)
    wanted = Wanted(np.zeros(len(rest.step_s)), later, at_depth)
    _, _, after = march(column, edges, state, rest, wanted)
    return np.concatenate([in_cycle, after], axis=1)


class State(NamedTuple):
    """Temperatures (s, k) now and `since_s` earlier."""

    now_k: np.ndarray
    before_k: np.ndarray
    since_s: float


class Wanted(NamedTuple):
    """What a march through n steps is to tell, and how exactly.

    share: weights (n,) of the sum of potentials. steps, at_depth: see `temperatures`.
    newton_k: no solve ends with a larger change.
    """

    share: np.ndarray
    steps: np.ndarray
    at_depth: np.ndarray
    newton_k: float = NEWTON_K


# A state at the end, the weighted sum of potentials (s, k), and temperatures (s, w, d).
Marched = tuple[State, np.ndarray, np.ndarray]


def _march_many(
    column: Column, edges: Edges, state: State, series: Series, wanted: Wanted
) -> Marched:
    """As `_march`, but compiled, unless there is no compiler."""
    compiled = compiled_march().march
    if compiled is None or len(column.depth_m) > MOST_NODES:
        return _march(column, edges, state, series, wanted)
    now_k, before_k = state.now_k.copy(), state.before_k.copy()
    weighed = np.empty_like(now_k)
    told = np.empty((len(now_k), len(wanted.steps), wanted.at_depth.shape[1]))
    row = np.full(len(series.step_s), -1)
    row[wanted.steps] = np.arange(len(wanted.steps))
    flow, emission = (np.broadcast_to(edge, len(now_k)) for edge in edges)
    conductance = np.append(column.conductance_w_m2_k, 0.0)
    capacity = np.pad(column.heat_capacity_j_kg_k, (0, 5 - len(column.heat_capacity_j_kg_k)))
    # The last site fills up the last call.
    calls = -(-len(now_k) // LANES)
    for group in np.minimum(np.arange(calls * LANES), len(now_k) - 1).reshape(calls, LANES):
        now, before = now_k[group].T.copy(), before_k[group].T.copy()
        potential, seen = np.zeros_like(now), np.empty((*told.shape[1:], len(group)))
        solved = compiled(
            now, before, float(state.since_s), series.step_s, series.absorbed_w_m2[group].T.copy(),
            column.mass_kg_m2, conductance, capacity, column.radiative_per_k3,
            flow[group], emission[group], wanted.newton_k, NEWTON_MAX,
            wanted.share, potential, row, wanted.at_depth, seen,
        )  # fmt: skip
        if not solved:
            raise ArithmeticError(UNSOLVED)
        now_k[group], before_k[group], weighed[group] = now.T, before.T, potential.T
        told[group] = np.moveaxis(seen, -1, 0)
    return State(now_k, before_k, float(series.step_s[-1])), weighed, told


def _march(column: Column, edges: Edges, state: State, series: Series, wanted: Wanted) -> Marched:
    """March through `series`.

    Second order backward differences (L-stable) with Newton on enthalpy; the first guess
    is extrapolated, so that one solve per step is the rule.
    """
    shape = state.now_k.shape
    balance = _Balance(column, edges, *shape)
    before, now, since_s = state.before_k.ravel(), state.now_k.ravel(), state.since_s
    enthalpy_before, enthalpy_now = balance.enthalpy_of(before), balance.enthalpy_of(now)
    weighed = np.zeros(shape)
    told = np.empty((shape[0], len(wanted.steps), wanted.at_depth.shape[1]))
    row_of = {step: row for row, step in enumerate(wanted.steps.tolist())}
    lengths_s = series.step_s.tolist()
    for step, (step_s, absorbed) in enumerate(zip(lengths_s, series.absorbed_w_m2.T)):
        ratio = step_s / since_s
        weight = ratio * ratio / (1 + ratio)
        mass_rate = balance.mass_kg_m2 / step_s
        history = mass_rate * ((1 + ratio) * enthalpy_now - weight * enthalpy_before)
        mass_rate *= 1 + ratio - weight
        guess = np.maximum(now + ratio * (now - before), 0.5 * now)
        before, since_s, enthalpy_before = now, step_s, enthalpy_now
        solved = balance.solve(guess, history, mass_rate, absorbed, wanted.newton_k)
        now, enthalpy_now, potential = solved
        if wanted.share[step]:
            weighed += wanted.share[step] * potential.reshape(shape)
        if step in row_of:
            told[:, row_of[step]] = now.reshape(shape) @ wanted.at_depth
    return State(now.reshape(shape), before.reshape(shape), since_s), weighed, told


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
        self,
        guess: np.ndarray,
        history: np.ndarray,
        mass_rate: np.ndarray,
        absorbed: np.ndarray,
        newton_k: float,
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
            if np.abs(change).max() < newton_k:
                # The step conserves the linearised enthalpy, so carrying it on conserves energy.
                return guess + change, enthalpy + capacity * change, potential + potential_change
            # Light on very cold ground would make Newton overshoot and diverge.
            guess = np.clip(guess + change, 0.5 * guess, 2 * guess)
        raise ArithmeticError(UNSOLVED)


def means_over(marks_s: np.ndarray, time_s: np.ndarray, samples: np.ndarray) -> np.ndarray:
    """Means (s, m) between m + 1 marks of samples (s, n), linear between instants (n,)."""
    spans = np.diff(time_s) / 2
    sums = np.cumsum((samples[:, 1:] + samples[:, :-1]) * spans, axis=1)
    sums = np.pad(sums, ((0, 0), (1, 0)))
    # The integral is quadratic between samples; marks lie on them, or close.
    at_marks = np.array([np.interp(marks_s, time_s, row) for row in sums])
    return np.diff(at_marks, axis=1) / np.diff(marks_s)


def balance_k(absorbed_w_m2: np.ndarray, emission_w_m2_k4: float) -> np.ndarray:
    """The temperature at which light and a little stored heat would be emitted at once."""
    return ((absorbed_w_m2 + NIGHT_EMISSION_W_M2) / emission_w_m2_k4) ** 0.25


def gentle_steps(
    time_s: np.ndarray, absorbed_w_m2: np.ndarray, emission_w_m2_k4: float
) -> tuple[Series, np.ndarray]:
    """Samples (s, n) as short and gentle steps, and how many lead up to each but the first.

    Between samples the series is linear. A step is divided where it is long or where the
    light of any site changes much, and for a moment afterwards.
    """
    jump_k = np.abs(np.diff(balance_k(absorbed_w_m2, emission_w_m2_k4), axis=1)).max(axis=0)
    gaps_s = np.diff(time_s)
    parts = np.ceil(np.maximum(gaps_s / LONGEST_STEP_S, jump_k / LARGEST_JUMP_K)).astype(int)
    while True:
        # A step at most twice as long as the one before keeps the differences stable.
        longest_s = 2 * gaps_s[:-1] / parts[:-1]
        shorter = np.maximum(parts[1:], np.ceil(gaps_s[1:] / longest_s).astype(int))
        if (shorter == parts[1:]).all():
            break
        parts[1:] = shorter
    ends = np.cumsum(parts)
    left = np.repeat(np.arange(len(parts)), parts)
    part = (np.arange(1, ends[-1] + 1) - (ends - parts)[left]) / parts[left]
    absorbed = absorbed_w_m2[:, left] * (1 - part) + absorbed_w_m2[:, left + 1] * part
    return Series(gaps_s[left] / parts[left], absorbed), ends
