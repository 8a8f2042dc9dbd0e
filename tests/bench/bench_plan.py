"""How soon plans come, and how good they are, on three families of invented scenarios and the demo.

    python tests/bench/bench_plan.py [--seeds N] [--families demo easy tight crowded]
        [--step 15|5] [--gap 0.01] [--patience SECONDS] [--cpu]
        [--second-opinion] [--limit SECONDS]

Each case runs alone in a fresh process, one after the other, so that memory is its own.
Every value is that of a plan which the replay by the minute accepted. Times count from the
call of `plan`; the environment is there already. With --cpu they are seconds of all cores
together, for a machine that others use too: alone on it, the wall clock shows between a half
and the whole of that. Beside it stand the greedy plan, mended until the replay accepts it,
and with --second-opinion what CP-SAT finds in `--limit` seconds on the same mixed-integer
model. What becomes known goes to stderr; a case is a line once it is done; ratios come last.

earlier.csv has what the search of 2026-11-27, not compiled, found within 150 s by the clock; it
averaged the transmitter over the minute, which made plans of energy-tight days worth up to 0.2 %
more. The demo is demo.toml, as it was then.
"""

import argparse
import csv
import json
import resource
import subprocess
import sys
import time
from collections.abc import Callable
from itertools import product
from pathlib import Path
from statistics import geometric_mean

from families import FAMILIES, drawn

from obsplan.environment.build import make_environment
from obsplan.inputs.read_scenario import read_scenario
from obsplan.inputs.scenario import Scenario
from obsplan.planning.minute_repair import tightened_problem, valid_plan
from obsplan.planning.plan import Plan, PlanSearch
from obsplan.planning.problem.booking import plan_value
from obsplan.planning.problem.from_scenario import build_problem
from obsplan.planning.search.first_plan import NoPlaceFound, quick_plan
from obsplan.planning.solver.model import build_model

MOMENTS_S = (10, 30, 60)
HERE = Path(__file__).parent
CASES = ("demo", *FAMILIES)
COLUMNS = (
    ["case", "requested", "placed", "first plan s", "bound s"]
    + [f"value at {s} s" for s in MOMENTS_S]
    + ["at the end", "upper bound", "gap %", "end s", "MiB", "of earlier %", "of greedy %"]
)


def main() -> None:
    asked = _asked()
    if asked.case:
        print(json.dumps(measured(*asked.case.split(), asked)))
        return
    if asked.second_opinion_on:
        family, seed = asked.second_opinion_on.split()
        print(json.dumps(second_opinion(family, seed, asked.step, asked.limit)))
        return
    columns = COLUMNS + ["CP-SAT", "its bound"] * asked.second_opinion
    print(f"| {' | '.join(columns)} |\n|{'---|' * len(columns)}", flush=True)
    with open(HERE / "earlier.csv", newline="") as file:
        earlier = {row["case"]: float(row["value"]) for row in csv.DictReader(file)}
    ratios: dict[tuple[str, str], list[float]] = {}
    for family, seed in product(asked.families, range(asked.seeds)):
        if family == "demo" and seed:
            continue
        case = f"{family} {seed}"
        found = _fresh("--case", case, asked)
        cells = _cells(case, found, earlier.get(case))
        if asked.second_opinion:
            value, bound = _fresh("--second-opinion-on", case, asked)
            cells += ["none" if value is None else f"{value:.0f}", f"{bound:.0f}"]
        print(f"| {' | '.join(cells)} |", flush=True)
        for other, worth in (("earlier", earlier.get(case)), ("greedy", found["greedy"])):
            if worth:
                ratios.setdefault((family, other), []).append(found["value"] / worth)
    for (family, other), each in ratios.items():
        print(f"{family}: value over {other} {geometric_mean(each):.3f} (mean of {len(each)})")


def scenario_of(family: str, seed: int, step_min: int) -> Scenario:
    """The scenario of a case."""
    if family == "demo":
        return read_scenario(HERE / "demo.toml")
    return drawn(family, seed, step_min)


def measured(family: str, seed: str, asked: argparse.Namespace) -> dict:
    """Plan one case and say what was known when."""
    scenario = scenario_of(family, int(seed), asked.step)
    sky = make_environment(scenario)
    known: list[tuple[float, float, float]] = []  # seconds, value (0: none yet), bound
    clock = time.process_time if asked.cpu else time.perf_counter
    began = clock()

    def hear(value: float, bound: float) -> None:
        known.append((clock() - began, value, bound))
        print(
            f"{family} {seed}: {known[-1][0]:6.1f} s, value {value:.1f}, at most {bound:.1f}",
            file=sys.stderr,
            flush=True,
        )

    made = OverheardSearch(sky, hear).made(asked.gap, asked.patience)
    hear(made.value, made.bound)
    end_s = known[-1][0]
    peak_mib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return {
        "requested": sum(a.count for a in scenario.activity),
        "placed": int((made.timeline["instrument"] != "radio").sum()),
        "first_s": next((s for s, value, _ in known if value), end_s),
        "bound_s": next((s for s, value, _ in known if not value), end_s),
        "value": made.value,
        "bound": made.bound,
        "values": [max((v for s, v, _ in known if s <= moment), default=0) for moment in MOMENTS_S],
        "end_s": end_s,
        "peak_mib": peak_mib,
        "greedy": greedy_worth(scenario, sky),
    }


class OverheardSearch(PlanSearch):
    """The search of `make_plan`; `hear` learns of each plan kept, and of each bound (value 0)."""

    def __init__(self, environment, hear: Callable[[float, float], None]):
        super().__init__(environment, report=lambda line: None)
        self.hear = hear
        self.bounds = _OverheardBounds(hear)

    def made(self, gap: float, patience_s: float | None) -> Plan:
        with self.end.clock(patience_s):
            best = self.run(gap, "normal")
            return self.plan(self.filled(best))

    def _take(self, booking, bound: float) -> None:
        super()._take(booking, bound)
        self.hear(self.best.booking.value(), min([self.requested_value, *self.bounds]))


class _OverheardBounds(list):
    def __init__(self, hear: Callable[[float, float], None]):
        super().__init__()
        self.hear = hear

    def append(self, bound: float) -> None:
        super().append(bound)
        self.hear(0.0, bound)


def greedy_worth(scenario, sky) -> float | None:
    """Worth of the greedy plan, mended until the replay accepts it; None when it has none."""
    question = build_problem(sky)
    try:
        spared, first = tightened_problem(sky, question)
        mended, _ = valid_plan(sky, question, first or quick_plan(spared), None)
    except NoPlaceFound:
        return None
    return plan_value(question, mended.runs)


def second_opinion(family: str, seed: str, step_min: int, limit_s: float) -> tuple:
    """What CP-SAT finds in `limit_s` on two workers, and its bound."""
    sys.path.insert(0, str(Path(__file__).parents[1]))
    from tools.second_solver import by_cp_sat

    scenario = scenario_of(family, int(seed), step_min)
    relaxed = build_problem(make_environment(scenario), relaxed=True)
    return by_cp_sat(build_model(relaxed), limit_s=limit_s, workers=2)


def _cells(case: str, found: dict, earlier: float | None) -> list[str]:
    value, bound = found["value"], found["bound"]
    shares = [f"{100 * value / other:.1f}" if other else "" for other in (earlier, found["greedy"])]
    return [
        case,
        *(str(found[key]) for key in ("requested", "placed")),
        *(f"{found[key]:.1f}" for key in ("first_s", "bound_s")),
        *(f"{worth:.1f}" for worth in (*found["values"], value, bound)),
        f"{100 * max(0.0, 1 - value / bound):.2f}",
        f"{found['end_s']:.0f}",
        f"{found['peak_mib']:.0f}",
        *shares,
    ]


def _fresh(option: str, case: str, asked: argparse.Namespace):
    """What this script prints for one case in a process of its own."""
    command = [sys.executable, __file__, option, case, "--step", str(asked.step)]
    command += ["--gap", str(asked.gap), "--limit", str(asked.limit)] + ["--cpu"] * asked.cpu
    command += ["--patience", str(asked.patience)] if asked.patience is not None else []
    done = subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True)
    return json.loads(done.stdout.splitlines()[-1])


def _asked() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, default=4)
    parser.add_argument("--families", nargs="+", choices=CASES, default=CASES)
    parser.add_argument("--step", type=int, default=15, choices=(15, 5))
    parser.add_argument("--gap", type=float, default=0.01)
    parser.add_argument("--patience", type=float)
    parser.add_argument("--cpu", action="store_true")
    parser.add_argument("--second-opinion", action="store_true")
    parser.add_argument("--limit", type=float, default=60.0)
    parser.add_argument("--case", help=argparse.SUPPRESS)
    parser.add_argument("--second-opinion-on", help=argparse.SUPPRESS)
    return parser.parse_args()


if __name__ == "__main__":
    main()
