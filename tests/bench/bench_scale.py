"""How time and memory of a plan grow with steps, runs, platforms and lunar days.

    python tests/bench/bench_scale.py [--family tight] [--seed 0] [--effort low] [--only NAME ...]

Each case runs alone in a fresh process, one after the other. Times are seconds of all cores, so
that other work on the machine matters little; alone on two cores the clock shows between a half and
the whole of that. With --effort low the search is one call of ruin and recreate and one pair.
Last comes, for each quantity that grows, the exponent fitted to its cases: time goes as that power
of it.
"""

import argparse
import json
import resource
import subprocess
import sys
import time

import numpy as np
from families import FAMILIES, drawn

from obsplan.environment.build import make_environment
from obsplan.inputs.scenario import Scenario
from obsplan.planning.plan import PlanSearch
from obsplan.planning.search.compiled import compiled

# What grows: the cases by name, each with its size.
GROWTH: dict[str, dict[str, float]] = {
    "steps": {"30 min": 0.5, "15 min": 1.0, "5 min": 3.0},
    "runs": {"250 runs": 250.0, "500 runs": 500.0, "1000 runs": 1000.0},
    "platforms": {"1 platform": 1.0, "2 platforms": 2.0, "3 platforms": 3.0},
    "lunar days": {"1 lunar day": 1.0, "2 lunar days": 2.0, "3 lunar days": 3.0},
}
COLUMNS = (
    "case", "steps", "requested", "placed", "environment s", "first plan s", "bound s", "search s",
    "filled s", "reasons s", "gap %", "MiB",
)  # fmt: skip
FITTED = ("environment s", "first plan s", "bound s", "search s", "filled s", "reasons s", "MiB")


def main() -> None:
    asked = _asked()
    if asked.case:
        print(json.dumps(measured(scenario_of(asked.case, asked.family, asked.seed), asked)))
        return
    print(f"| {' | '.join(COLUMNS)} |\n|{'---|' * len(COLUMNS)}", flush=True)
    found: dict[str, dict[str, float]] = {}
    for name in asked.only or [name for cases in GROWTH.values() for name in cases]:
        command = [sys.executable, __file__, "--case", name, "--family", asked.family]
        command += ["--seed", str(asked.seed), "--effort", asked.effort]
        done = subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True)
        found[name] = json.loads(done.stdout.splitlines()[-1])
        cells = [f"{found[name][column]:.4g}" for column in COLUMNS[1:]]
        print(f"| {' | '.join([name, *cells])} |", flush=True)
    print(f"\n| grows with | {' | '.join(FITTED)} |\n|{'---|' * (1 + len(FITTED))}")
    for quantity, cases in GROWTH.items():
        sizes = {name: size for name, size in cases.items() if name in found}
        if len(sizes) > 1:
            fits = (exponent(sizes, found, column) for column in FITTED)
            print(f"| {quantity} | {' | '.join(f'{fit:.1f}' for fit in fits)} |")


def exponent(sizes: dict[str, float], found: dict[str, dict[str, float]], column: str) -> float:
    """The power of the size with which a column grows: a line through the logarithms."""
    amounts = [max(found[name][column], 1e-3) for name in sizes]
    return float(np.polyfit(np.log(list(sizes.values())), np.log(amounts), 1)[0])


def scenario_of(case: str, family: str, seed: int) -> Scenario:
    """The scenario of a case of `GROWTH`."""
    number, what = case.split(" ", 1)
    if what == "min":
        return drawn(family, seed, int(number))
    if what == "runs":
        # Some 1.3 activities an instrument: some 40 with 1000 runs.
        return drawn(family, seed, instruments=int(number) * 3 // 100, runs=int(number))
    if what.startswith("platform"):
        return drawn(family, seed, platforms=int(number))
    return drawn(family, seed, lunar_days=int(number), runs=300 * int(number))


def measured(scenario: Scenario, asked: argparse.Namespace) -> dict[str, float]:
    """Plan one case; seconds of all cores, and the most memory."""
    compiled()
    clock = [time.process_time()]

    def lap() -> float:
        clock.append(time.process_time())
        return clock[-1] - clock[-2]

    environment = make_environment(scenario)
    took = {"environment s": lap()}
    heard: dict[str, float] = {}

    def hear(what: str) -> None:
        heard.setdefault(what, time.process_time() - clock[-1])

    search = PlanSearch(environment, lambda line: hear(line.split(":")[0]))
    search.bounds = Heard(lambda: hear("bound"))
    best = search.run(0.0, asked.effort)
    took |= {"search s": lap(), "first plan s": heard["first plan"], "bound s": heard["bound"]}
    best = search.filled(best)
    took["filled s"] = lap()
    plan = search.plan(best)
    took["reasons s"] = lap()
    return took | {
        "steps": scenario.steps,
        "requested": sum(activity.count for activity in scenario.activity),
        "placed": sum(map(len, best.booking.runs)),
        "gap %": 100 * plan.gap,
        "MiB": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
    }


class Heard(list):
    """A list of bounds that says when it gets one."""

    def __init__(self, hear):
        super().__init__()
        self.hear = hear

    def append(self, bound: float) -> None:
        super().append(bound)
        self.hear()


def _asked() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--family", choices=FAMILIES, default="tight")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--effort", default="low", choices=("low", "normal", "high"))
    parser.add_argument("--only", nargs="+", metavar="NAME")
    parser.add_argument("--case", help=argparse.SUPPRESS)
    return parser.parse_args()


if __name__ == "__main__":
    main()
