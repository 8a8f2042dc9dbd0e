"""CPU seconds of routes and plans with stops, against what is promised.

    python tests/bench/bench_routes.py

Prints: the route of 12 stops (under 5 s), the plan of examples/six_rocks.toml against that without
its stops and drives (at most 1.5 times), and a plan of 20 stops (60 s). The search must have been
compiled before.
"""

import random
import time
import tomllib
from importlib import resources
from threading import Event

from obsplan.environment.build import make_environment
from obsplan.inputs.read_scenario import scenario_from
from obsplan.planning.plan import make_plan
from obsplan.planning.routed import routed

SIX_ROCKS = (resources.files("obsplan.examples") / "six_rocks.toml").read_text()


def with_stops(count, seed=1):
    """The example with so many stops at random places around the lander."""
    draw, raw = random.Random(seed), tomllib.loads(SIX_ROCKS)
    raw["stop"] = [
        {
            "name": f"S{k}",
            "platform": "rover",
            "east_m": float(draw.randint(-120, 120)),
            "north_m": float(draw.randint(-120, 120)),
            "value_factor": draw.choice([0.5, 1.0, 1.5]),
        }
        for k in range(1, count + 1)
    ]
    return scenario_from(raw)


def without_stops():
    """The example without places: as many runs of each activity, wherever the rover is."""
    raw = tomllib.loads(SIX_ROCKS)
    for activity in raw["activity"]:
        if activity.pop("at", None):
            activity["count"] = len(raw["stop"]) * activity.get("count", 1)
            activity.pop("after", None)
            activity.pop("once_each", None)
    del raw["stop"]
    for platform in raw["platform"]:
        platform.pop("drive", None)
        platform.pop("parking", None)
    return scenario_from(raw)


def seconds(work):
    began = time.process_time()
    result = work()
    return time.process_time() - began, result


def main():
    environment = make_environment(without_stops())
    make_plan(environment)  # compiled code is loaded
    took, _ = seconds(lambda: routed(make_environment(with_stops(12)), "normal", Event(), print))
    print(f"route of 12 stops: {took:.1f} CPU s (at most 5)")
    bare, plan = seconds(lambda: make_plan(environment))
    rocks = make_environment(scenario_from(tomllib.loads(SIX_ROCKS)))
    took, driven = seconds(lambda: make_plan(rocks))
    print(
        f"six rocks: {took:.1f} CPU s (value {driven.value:.1f}), without stops {bare:.1f} (value "
        f"{plan.value:.1f}): {took / bare:.2f} times (at most 1.5)"
    )
    environment = make_environment(with_stops(20))
    took, plan = seconds(lambda: make_plan(environment))
    print(f"plan of 20 stops: {took:.1f} CPU s (at most 60), value {plan.value:.1f}")


if __name__ == "__main__":
    main()
