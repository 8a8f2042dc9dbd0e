"""How long a replan of the demo takes, and what it offers.

    python tests/bench/bench_replan.py

On day 5 the seismometer is lost for two days and the arrays yield 15 % less than predicted.
The old plan is a plan of the demo, made first (or read: give its directory). Prints the
seconds of the wall clock and of all cores, and the price list.
"""

import sys
import time
from datetime import UTC, datetime
from pathlib import Path

from obsplan.environment.build import make_environment
from obsplan.inputs.read_scenario import read_scenario
from obsplan.inputs.telemetry_file import Outage, PlatformState, State
from obsplan.inputs.timeline_csv import read_timeline
from obsplan.operations.replan import make_replan
from obsplan.operations.telemetry import with_telemetry
from obsplan.planning.plan import make_plan

DEMO = Path(__file__).parents[2] / "tests" / "bench" / "demo.toml"
NOW = datetime(2028, 7, 6, 12, tzinfo=UTC)


def main() -> None:
    scenario = read_scenario(DEMO)
    before = make_environment(scenario)
    if sys.argv[1:]:
        slots = read_timeline(Path(sys.argv[1]) / "timeline.csv", scenario)
    else:
        slots = make_plan(before, report=lambda line: print(f"plan: {line}")).timeline
    running = slots[(slots["activity"] == "seismic block") & (slots["start_utc"] <= NOW)]
    state = State(
        at_utc=NOW,
        platform=[PlatformState(name=p.name, array_factor=0.85) for p in scenario.platform],
        instrument=[Outage(name="seismometer", until_utc=NOW.replace(day=8))],
    )
    ran = running[running["end_utc"] > NOW].assign(end_utc=NOW, outcome="shortened", reason="")
    wall, cores = time.perf_counter(), time.process_time()
    made = make_replan(
        with_telemetry(before, state),
        slots,
        NOW,
        ran=ran,
        report=lambda line: print(f"{time.perf_counter() - wall:6.1f} s  {line}"),
    )
    print(
        f"replan: {time.perf_counter() - wall:.1f} s, {time.process_time() - cores:.1f} s of "
        f"all cores; {made.plan.verdict.summary}"
    )
    print(f"value {made.plan.value:.1f}, at most {made.plan.bound:.1f}; {made.kept} kept")
    print(made.price_list.to_string(index=False))


if __name__ == "__main__":
    main()
