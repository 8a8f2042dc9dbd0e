"""How fast ground temperature is, beside scipy's general-purpose stiff solvers.

    python tests/bench/bench_regolith.py

Same soil, same nodes, same sunlight (two lunations of 900 s samples at 30 N); processor seconds.
scipy is given every help: the banded or sparse Jacobian, a tolerance that still leaves about
0.1 K, and our settled start state. The first ratio leaves out on scipy's side the years before,
which ours marches through; the second lets it march through them at the same pace.

The aim is a hundred sites in one call at least 20 times as fast a site by the first ratio. It is
missed: 2.9 times against LSODA and 10.4 against BDF on 2026-11-29, on a machine in use, and 2.7 and
12.4 before the ground followed the years. Later on that day it was 2.0 and 6.8 times; by the second
ratio, 28 and 94 times.
"""

import time

import numpy as np
from scipy.integrate import solve_ivp
from scipy.sparse import diags

from obsplan.common.constants import SYNODIC_MONTH_DAYS
from obsplan.physics.regolith import (
    HIGHLAND,
    NODES_M,
    SETTLE_S,
    absorbed_flux_w_m2,
    ground_temperature_k,
    heat_capacity_j_kg_k,
    regolith_column,
)

LUNATION_S = SYNODIC_MONTH_DAYS * 86400
STEPS, SETTLING_STEP_S = 2835, 6 * 3600.0
COLUMN = regolith_column()
CLOCK_S = np.arange(2 * STEPS) * (LUNATION_S / STEPS)
TIME_S = np.concatenate([np.arange(-SETTLE_S, 0.0, SETTLING_STEP_S), CLOCK_S])


def seconds(job):
    start = time.process_time()
    result = job()
    return time.process_time() - start, result


def sunlight(latitude_deg=30.0, longitude_deg=0.0):
    turn = 2 * np.pi * TIME_S / LUNATION_S + np.radians(longitude_deg)
    sine = np.cos(np.radians(latitude_deg)) * np.cos(turn)
    return absorbed_flux_w_m2(1361.0, np.degrees(np.arcsin(sine)), 0.0, sine > 0)


def scipy_run(absorbed, start_k, method, **jacobian):
    def warming_k_s(time_s, temperature):
        between = (temperature[1:] + temperature[:-1]) / 2
        conductance = COLUMN.conductance_w_m2_k * (1 + COLUMN.radiative_per_k3 * between**3)
        upward = conductance * np.diff(temperature)
        net = np.append(upward, HIGHLAND.heat_flow_w_m2) - np.append(0.0, upward)
        emitted = HIGHLAND.emission_w_m2_k4 * temperature[0] ** 4
        net[0] += np.interp(time_s, CLOCK_S, absorbed) - emitted
        return net / (COLUMN.mass_kg_m2 * heat_capacity_j_kg_k(temperature))

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


def main():
    absorbed = sunlight()
    bands = [np.ones(len(NODES_M) - 1), np.ones(len(NODES_M)), np.ones(len(NODES_M) - 1)]
    settled = ground_temperature_k(absorbed, TIME_S, NODES_M)
    ours = {}
    for sites in (1, 10, 100):
        # All over the Moon: each has its sunrise, and short steps for it, at its own time.
        spread = np.linspace(0, 1, sites)
        light = np.array([sunlight(30 - 90 * s, 360 * s) for s in spread])
        taken, _ = seconds(lambda: ground_temperature_k(light, TIME_S, [0.0, 0.3, 1.0]))
        ours[sites] = taken / sites
        print(f"ours, settling included, {sites:3} sites: {1e3 * ours[sites]:7.1f} ms a site")
    for method, jacobian in (
        ("LSODA", {"lband": 1, "uband": 1}),
        ("BDF", {"jac_sparsity": diags(bands, [-1, 0, 1])}),
    ):
        lit = absorbed[-len(CLOCK_S) :]
        taken, theirs = seconds(lambda: scipy_run(lit, settled[0], method, **jacobian))
        whole = taken * (1 + SETTLE_S / CLOCK_S[-1])
        print(
            f"{method}, start given: {1e3 * taken:.0f} ms a site, "
            f"{np.abs(theirs - settled).max():.2f} K from ours; ratio: "
            + ", ".join(f"{taken / t:.1f} ({sites} sites)" for sites, t in ours.items())
            + "; with the years before: "
            + ", ".join(f"{whole / t:.0f} ({sites} sites)" for sites, t in ours.items())
        )


if __name__ == "__main__":
    main()
