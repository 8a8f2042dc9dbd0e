"""How fast ground temperature is, beside scipy's general-purpose stiff solvers.

    python tests/bench/bench_regolith.py

Same soil, same nodes, same sunlight (two lunations of 900 s samples at 30 N), one core.
scipy is given every help: the banded or sparse Jacobian, a tolerance that still leaves
about 0.1 K, and our settled start state. Waiting for the deep layers is what it would do
without one; how long that takes follows from the slowest mode of the column. The second
ratio counts it: both sides then start from one guess and end within 0.1 K at every depth.
The first leaves it out on scipy's side alone.
"""

import time

import numpy as np
from scipy.integrate import solve_ivp
from scipy.sparse import diags

from obsplan.common.constants import STEFAN_BOLTZMANN_W_M2_K4, SYNODIC_MONTH_DAYS
from obsplan.physics.regolith import (
    EMISSIVITY,
    HEAT_FLOW_W_M2,
    REGOLITH,
    absorbed_flux_w_m2,
    contact_conductivity_w_m_k,
    ground_temperature_k,
    heat_capacity_j_kg_k,
)

LUNATION_S = SYNODIC_MONTH_DAYS * 86400
STEPS = 2835
STEP_S = LUNATION_S / STEPS
DEPTH_M = REGOLITH.depth_m
SPACING_M = np.diff(DEPTH_M)
MIDDLE_M = DEPTH_M[:-1] + SPACING_M / 2
CLOCK_S = np.arange(2 * STEPS) * STEP_S
FIRST_GUESS_K = 250.0


def conductivity_w_m_k(temperature, depth_m):
    return contact_conductivity_w_m_k(depth_m) * (1 + REGOLITH.radiative_per_k3 * temperature**3)


def seconds(job):
    start = time.perf_counter()
    result = job()
    return time.perf_counter() - start, result


def sunlight(latitude_deg=30.0, longitude_deg=0.0):
    turn = 2 * np.pi * CLOCK_S / LUNATION_S + np.radians(longitude_deg)
    sine = np.cos(np.radians(latitude_deg)) * np.cos(turn)
    return absorbed_flux_w_m2(1361.0, np.degrees(np.arcsin(sine)), 0.0, sine > 0)


def scipy_run(absorbed, start_k, method, **jacobian):
    def warming_k_s(time_s, temperature):
        between = (temperature[1:] + temperature[:-1]) / 2
        upward = conductivity_w_m_k(between, MIDDLE_M) * np.diff(temperature) / SPACING_M
        net = np.append(upward, HEAT_FLOW_W_M2) - np.append(0.0, upward)
        emitted = EMISSIVITY * STEFAN_BOLTZMANN_W_M2_K4 * temperature[0] ** 4
        net[0] += np.interp(time_s, CLOCK_S, absorbed) - emitted
        return net / (REGOLITH.mass_kg_m2 * heat_capacity_j_kg_k(temperature))

    # Without a longest step an adaptive solver leaps over a whole eclipse.
    return solve_ivp(
        warming_k_s,
        CLOCK_S[[0, -1]],
        start_k,
        method,
        CLOCK_S,
        rtol=1e-4,
        atol=1e-2,
        max_step=3600.0,
        **jacobian,
    ).y.T


def lunations_of_waiting(misfit_k):
    """Until `misfit_k` at depth has fallen to 0.1 K: slowest mode under a held surface."""
    conductance = conductivity_w_m_k(FIRST_GUESS_K, MIDDLE_M) / SPACING_M
    held_in = np.append(conductance[1:], 0.0)
    capacity = (REGOLITH.mass_kg_m2 * heat_capacity_j_kg_k(FIRST_GUESS_K))[1:]
    matrix = np.diag(conductance + held_in) - np.diag(held_in[:-1], 1) - np.diag(held_in[:-1], -1)
    root = np.sqrt(capacity)
    slowest_per_s = np.linalg.eigvalsh(matrix / root / root[:, None])[0]
    return np.log(misfit_k / 0.1) / slowest_per_s / LUNATION_S


def main():
    absorbed = sunlight()
    bands = [np.ones(len(DEPTH_M) - 1), np.ones(len(DEPTH_M)), np.ones(len(DEPTH_M) - 1)]
    settled = ground_temperature_k(absorbed, STEP_S, DEPTH_M, cycle_steps=STEPS)
    waiting = lunations_of_waiting(abs(settled[0, -1] - FIRST_GUESS_K))
    ours = {}
    for sites in (1, 10, 100):
        # All over the Moon: each has its sunrise, and short steps for it, at its own time.
        spread = np.linspace(0, 1, sites)
        light = np.array([sunlight(30 - 90 * s, 360 * s) for s in spread])
        taken, _ = seconds(
            lambda: ground_temperature_k(light, STEP_S, [0.0, 0.3, 1.0], cycle_steps=STEPS)
        )
        ours[sites] = taken / sites
        print(f"ours, settling included, {sites:3} sites: {1e3 * ours[sites]:7.1f} ms a site")
    for method, jacobian in (
        ("LSODA", {"lband": 1, "uband": 1}),
        ("BDF", {"jac_sparsity": diags(bands, [-1, 0, 1])}),
    ):
        taken, theirs = seconds(lambda: scipy_run(absorbed, settled[0], method, **jacobian))
        whole = taken * (1 + waiting / 2)
        print(
            f"{method}, start given: {1e3 * taken:.0f} ms a site, "
            f"{np.abs(theirs - settled).max():.2f} K from ours\n"
            f"  ratio, start given to {method} and not to us: "
            + ", ".join(f"{taken / t:.1f} ({sites} sites)" for sites, t in ours.items())
            + f"\n  ratio, both from {FIRST_GUESS_K:.0f} K ({waiting:.0f} lunations to wait): "
            + ", ".join(f"{whole / t:.0f} ({sites} sites)" for sites, t in ours.items())
        )


if __name__ == "__main__":
    main()
