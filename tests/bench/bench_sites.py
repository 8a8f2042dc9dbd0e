"""How long surveys of many sites take, and events of thirty years at one.

    python tests/bench/bench_sites.py [PROCESSES]

Ten, a hundred and a thousand random sites through twelve lunar days, without plans, then
a hundred through six: cost should grow with sites and days, and no faster. Seconds are
those of the clock and, as others may use the machine too, of all processors together. On 2026-11-29
a thousand sites through twelve lunar days took 62 s on two cores (120 s of processors).
"""

import os
import resource
import sys
import time
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from obsplan.ephemeris import open_ephemeris
from obsplan.inputs.read_scenario import read_scenario
from obsplan.inputs.sites_csv import Place
from obsplan.physics.sky import sun_events
from obsplan.physics.skyline import FLAT
from obsplan.survey.site_survey import survey_sites

DEMO = Path(__file__).parents[2] / "examples" / "demo.toml"
YEAR = datetime(2028, 1, 10, tzinfo=UTC)
ENDS = {
    6: datetime(2028, 7, 5, tzinfo=UTC),
    12: datetime(2028, 12, 29, tzinfo=UTC),
}


def processor_s() -> float:
    used = os.times()
    return used.user + used.system + used.children_user + used.children_system


def random_places(count: int) -> list[Place]:
    rng = np.random.default_rng(count)
    latitude = np.degrees(np.arcsin(rng.uniform(-1, 1, count)))
    longitude = rng.uniform(-180, 180, count)
    return [
        Place(f"site {k}", float(lat), float(lon))
        for k, (lat, lon) in enumerate(zip(latitude, longitude))
    ]


def main():
    jobs = int(sys.argv[1]) if len(sys.argv) > 1 else None
    clock, spent = time.perf_counter(), processor_s()
    events = sun_events(
        open_ephemeris(),
        np.datetime64("2019-06-01"),
        np.datetime64("2049-06-01"),
        62.4,
        11.8,
        0.0,
        FLAT,
    )
    print(
        f"events of 30 years at one site: {time.perf_counter() - clock:.1f} s "
        f"({processor_s() - spent:.1f} s of processors), {len(events)} events"
    )
    scenario = read_scenario(DEMO)
    base_s = None
    for sites, days in ((10, 12), (100, 12), (100, 6), (1000, 12)):
        clock, spent = time.perf_counter(), processor_s()
        table = survey_sites(scenario, random_places(sites), YEAR, ENDS[days], jobs=jobs)
        taken_s, spent_s = time.perf_counter() - clock, processor_s() - spent
        each_ms = 1000 * spent_s / len(table)
        base_s = base_s or each_ms
        print(
            f"{sites:5} sites, {days:2} days, {len(table):6} rows: {taken_s:6.1f} s "
            f"({spent_s:6.1f} s of processors), {each_ms:5.1f} ms a row, "
            f"ratio {each_ms / base_s:.2f}"
        )
    largest = max(
        resource.getrusage(who).ru_maxrss
        for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
    )
    print(f"largest process: {largest / 1e6:.2f} GB")


if __name__ == "__main__":
    main()
