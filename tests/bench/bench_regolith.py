"""How fast ground temperature is, beside scipy's general-purpose stiff solvers.

    python tests/bench/bench_regolith.py

Same soil, same nodes, same sunlight (two lunations at 30 N, by the quarter of an hour and by the
hour, as surveys of sites have it); processor seconds, each the least of three runs that take turns.
scipy is given every help: the banded or sparse Jacobian, our settled start state, and of some
tolerances and longest steps the quickest that is at most 1.5 times as far as ours from a solution
with tolerances ten thousand times as strict (root mean square at the surface). The first
ratio leaves out on scipy's side the years before, which ours marches through; the second lets it
march through them at the same pace. Many sites are marched compiled; compiling is left out.

The aim is a hundred sites in one call at least 20 times as fast a site. On 2026-11-30, on a
machine in use and at the same accuracy, LSODA takes 22 times as long by the quarter of an hour
and 39 by the hour, BDF 129 and 134 times; with the years before, 309 and 537, 1774 and 1844
times. Before sites were marched sixteen at once by loops that the compiler turns into steps for
all, LSODA took 13 to 16 and 17 times as long, and before the march was compiled, twice.
"""

import time
from functools import partial

import numpy as np
from scipy.integrate import solve_ivp
from scipy.sparse import diags

from obsplan.common.constants import SYNODIC_MONTH_DAYS
from obsplan.physics.compiled_march import compiled_march
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
SETTLING_STEP_S = 6 * 3600.0
COLUMN = regolith_column()
BANDS = [np.ones(len(NODES_M) - 1), np.ones(len(NODES_M)), np.ones(len(NODES_M) - 1)]
METHODS = {
    "LSODA": {"lband": 1, "uband": 1},
    "BDF": {"jac_sparsity": diags(BANDS, [-1, 0, 1])},
}
STRICT = {"rtol": 1e-9, "atol": 1e-7, "max_step": 450.0}
# Without a longest step an adaptive solver leaps over a whole eclipse.
EASES = [
    {"rtol": rtol, "atol": 100 * rtol, "max_step": step_s}
    for rtol in (1e-5, 3e-5, 1e-4, 3e-4)
    for step_s in (3600.0, 7200.0)
]


def seconds(job):
    start = time.process_time()
    result = job()
    return time.process_time() - start, result


def sunlight(time_s, latitude_deg=30.0, longitude_deg=0.0):
    turn = 2 * np.pi * time_s / LUNATION_S + np.radians(longitude_deg)
    sine = np.cos(np.radians(latitude_deg)) * np.cos(turn)
    return absorbed_flux_w_m2(1361.0, np.degrees(np.arcsin(sine)), 0.0, sine > 0)


def scipy_run(clock_s, start_k, method, **limits):
    absorbed = sunlight(clock_s)

    def warming_k_s(time_s, temperature):
        between = (temperature[1:] + temperature[:-1]) / 2
        conductance = COLUMN.conductance_w_m2_k * (1 + COLUMN.radiative_per_k3 * between**3)
        upward = conductance * np.diff(temperature)
        net = np.append(upward, HIGHLAND.heat_flow_w_m2) - np.append(0.0, upward)
        emitted = HIGHLAND.emission_w_m2_k4 * temperature[0] ** 4
        net[0] += np.interp(time_s, clock_s, absorbed) - emitted
        return net / (COLUMN.mass_kg_m2 * heat_capacity_j_kg_k(temperature))

    span = clock_s[[0, -1]]
    return solve_ivp(warming_k_s, span, start_k, method, clock_s, **limits, **METHODS[method]).y.T


def rms_k(found, exact):
    return np.sqrt(((found - exact)[:, 0] ** 2).mean())


def beside(samples: int) -> None:
    """Ours and theirs with so many samples in a lunation."""
    clock_s = np.arange(2 * samples) * (LUNATION_S / samples)
    time_s = np.concatenate([np.arange(-SETTLE_S, 0.0, SETTLING_STEP_S), clock_s])
    settled = ground_temperature_k(sunlight(time_s), time_s, NODES_M)
    exact = scipy_run(clock_s, settled[0], "LSODA", **STRICT)
    ours_k = rms_k(settled, exact)
    print(f"{LUNATION_S / samples:.0f} s to a sample; ours is {ours_k:.4f} K off")
    jobs = {}
    for method in METHODS:
        quickest = {}
        for ease in EASES:
            taken_s, found = seconds(lambda: scipy_run(clock_s, settled[0], method, **ease))
            if rms_k(found, exact) <= 1.5 * ours_k:
                quickest[taken_s] = ease, rms_k(found, exact)
        if not quickest:
            print(f"  {method}: not as exact with any of these tolerances")
            continue
        ease, off_k = quickest[min(quickest)]
        print(f"  {method} is {off_k:.4f} K off with {ease}")
        jobs[method] = partial(scipy_run, clock_s, settled[0], method, **ease)
    for sites in (1, 10, 100):
        # All over the Moon: each has its sunrise, and short steps for it, at its own time.
        light = np.array([sunlight(time_s, 30 - 90 * s, 360 * s) for s in np.linspace(0, 1, sites)])
        jobs[sites] = partial(ground_temperature_k, light, time_s, [0.0, 0.3, 1.0])
    taken = dict.fromkeys(jobs, np.inf)
    for name, job in list(jobs.items()) * 3:
        taken[name] = min(taken[name], seconds(job)[0])
    for sites in (1, 10, 100):
        each_s = taken[sites] / sites
        ratios = ", ".join(
            f"{method} {taken[method] / each_s:.1f}, with the years before "
            f"{taken[method] * (1 + SETTLE_S / clock_s[-1]) / each_s:.0f}"
            for method in METHODS
            if method in taken
        )
        print(f"  {sites} sites: {1e3 * each_s:.1f} ms each; times as long take {ratios}")


def main():
    compiled_march()
    for samples in (2835, 709):
        beside(samples)


if __name__ == "__main__":
    main()
