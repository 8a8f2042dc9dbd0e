"""What the environment of the demo takes, by parts, and what temperatures of hardware add to it.

    python tests/bench/bench_environment.py

Processor seconds of one process, each the least of two runs after a first one that loads the
kernels. The link alone must need no ground: aim under 2.5 s. With one unit per platform the
environment may take at most 1.5 times what it takes without any. The demo of this folder, which has
none, takes 0.8 to 1.4 s (2026-11-30), and took 1.2 to 1.8 s before the ground followed the years
before the span, in turns, three times, on a machine in use; the aim is at most 1.5 times that.
"""

import time
from pathlib import Path

import numpy as np

from obsplan.checking.check import check_timeline
from obsplan.environment import build, unit_columns
from obsplan.environment.build import make_environment, make_link_environment
from obsplan.inputs.read_scenario import read_scenario
from obsplan.inputs.scenario import Scenario
from obsplan.physics.unit_temperature import Node, Thermostat, node_history
from obsplan.planning.problem.timeline_table import slots_table

# What is computed once for one site and span.
KEPT = (unit_columns._history, build._sky_of, build._ground_k)
EXAMPLES = Path(__file__).parents[2] / "examples"


def least_s(job, times: int = 2) -> float:
    taken = []
    for _ in range(times):
        for kept in KEPT:
            kept.cache_clear()
        start = time.process_time()
        job()
        taken.append(time.process_time() - start)
    return min(taken)


def without_units(scenario: Scenario) -> Scenario:
    bare = tuple(p.model_copy(update={"unit": ()}) for p in scenario.platform)
    return scenario.model_copy(update={"platform": bare})


def main():
    scenario = read_scenario(EXAMPLES / "demo.toml")
    bare = without_units(scenario)
    make_environment(bare)
    link_s = least_s(lambda: make_link_environment(scenario))
    bare_s = least_s(lambda: make_environment(bare))
    full_s = least_s(lambda: make_environment(scenario))
    print(f"demo, link alone: {link_s:.2f} s, {link_s / bare_s:.2f} of the environment")
    print(f"demo, environment without units: {bare_s:.2f} s")
    print(f"demo, environment with units: {full_s:.2f} s, ratio {full_s / bare_s:.2f}")
    replays_s = []
    for each in (bare, scenario):
        environment = make_environment(each)
        idle = slots_table(each, [])
        replays_s.append(least_s(lambda e=environment, i=idle: check_timeline(e, i, fixes=False)))
    print(
        f"demo, replay without slots: {replays_s[0]:.3f} s, with units {replays_s[1]:.3f} s, "
        f"ratio {replays_s[1] / replays_s[0]:.2f}"
    )
    minutes = np.ones(14 * 1440)
    node, heater = Node(20_000.0, 0.1, 0.02), Thermostat(15.0, 268.15, 278.15)
    taken_s = least_s(lambda: node_history(node, 0 * minutes, 180 * minutes, 280.0, heater))
    print(f"a node with a thermostat through 14 days by the minute: {1000 * taken_s:.0f} ms")


if __name__ == "__main__":
    main()
