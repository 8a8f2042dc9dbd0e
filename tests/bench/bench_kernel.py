"""Microseconds that a try of ruin and recreate takes, compiled and as plain Python.

    python tests/bench/bench_kernel.py [--tries N]

On the demo as it was (demo.toml) and on one case of each family, from the quick plan. Seconds are
those of the processor. Both ways do the same tries, and the values that they reach must be equal.
"""

import argparse
import time
from threading import Event

from bench_plan import CASES, scenario_of

from obsplan.environment.build import make_environment
from obsplan.planning.problem.from_scenario import build_problem
from obsplan.planning.search import kernel
from obsplan.planning.search.compiled import compiled
from obsplan.planning.search.first_plan import quick_plan
from obsplan.planning.search.kernel_arrays import instance_of, state_of

MANY = 30_000


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--tries", type=int, default=200)
    tries = parser.parse_args().tries
    print("| case | steps | runs | compiled, many tries | compiled | plain Python | ratio |")
    print("|---|---|---|---|---|---|---|")
    for family in CASES:
        problem = build_problem(make_environment(scenario_of(family, 0, 15)))
        booking = quick_plan(problem, Event())
        quick, ahead = microseconds(compiled().anneal, booking, tries)
        plain, as_far_ahead = microseconds(kernel.anneal, booking, tries)
        assert ahead == as_far_ahead
        many, _ = microseconds(compiled().anneal, booking, MANY)
        runs = sum(map(len, booking.runs))
        cells = f"{many:.1f} | {quick:.1f} | {plain:.0f} | {plain / quick:.0f}"
        print(f"| {family} 0 | {problem.steps} | {runs} | {cells} |", flush=True)


def microseconds(anneal, booking, tries: int) -> tuple[float, float]:
    """Of the processor for each try; and how far the plan has come."""
    instance, state = instance_of(booking.problem), state_of(booking, 1, tries, 0.1)
    began = time.process_time()
    anneal(instance, state, tries)
    return 1e6 * (time.process_time() - began) / tries, float(state.sums[kernel.BEST_AHEAD])


if __name__ == "__main__":
    main()
