"""What an orbiter beside the lander costs: the demo's lunar day at the same step, with and without.

`python tests/bench/bench_orbiter.py [STEP_MIN]` prints CPU seconds, values and bounds, and how many
times as long the plan with the orbiter took.
"""

import sys
import tomllib
from pathlib import Path
from time import process_time

from obsplan.environment.build import make_environment
from obsplan.inputs.read_scenario import scenario_from
from obsplan.planning.plan import make_plan

EXAMPLES = Path(__file__).parents[2] / "examples"
ADDED = "platform", "instrument", "activity", "goal"


def scenario(step_min: int, with_orbiter: bool):
    """The demo at another step, perhaps with orbiter, instruments and goal of the other example."""
    table = tomllib.loads((Path(__file__).parent / "demo.toml").read_text())
    table["span"]["step_min"] = step_min
    if with_orbiter:
        other = tomllib.loads((EXAMPLES / "earth_watch.toml").read_text())
        for platform in other["platform"]:
            # Stations of the demo have what a fixed rate needs not.
            table["platform"].append(platform)
        for key in ADDED[1:]:
            table.setdefault(key, []).extend(other.get(key, []))
    return scenario_from(table).model_copy(update={"folder": EXAMPLES})


def main() -> None:
    step_min = int(sys.argv[1]) if len(sys.argv) > 1 else 5
    spent = []
    for with_orbiter in (False, True):
        begun = process_time()
        environment = make_environment(scenario(step_min, with_orbiter))
        physics = process_time() - begun
        plan = make_plan(environment)
        spent.append(process_time() - begun)
        print(
            f"{'with' if with_orbiter else 'without'} orbiter, steps of {step_min} min: "
            f"{spent[-1]:.1f} CPU s ({physics:.1f} of it physics), value {plan.value:.1f}, upper "
            f"bound {plan.bound:.1f}, {'no' if plan.verdict.is_valid else 'some'} violations",
            flush=True,
        )
    print(f"{spent[1] / spent[0]:.2f} times as long with the orbiter")


if __name__ == "__main__":
    main()
