"""What the sky of an orbiter costs: a month by the minute, of states as far apart as given.

`python tests/bench/bench_orbit.py [STEP_S ...]` prints CPU seconds of reading and of everything,
for an OEM and an SPK file, and how many times as long that is as for a site.
"""

import sys
import tempfile
from pathlib import Path
from time import process_time

from obsplan.environment.build import make_environment
from obsplan.inputs.oem_file import read_oem
from obsplan.inputs.read_scenario import read_scenario

sys.path.insert(0, str(Path(__file__).parent.parent))

from tools.orbits import kvn, segment, write_spk  # noqa: E402

DAYS = 30
SCENARIO = """
title = "a month"
SITE
[span]
start_utc = 2028-07-01T00:00:00Z
end_utc = 2028-07-31T00:00:00Z
step_min = 5
[[station]]
name = "north"
latitude_deg = 40.0
longitude_deg = 0.0
[[station]]
name = "south"
latitude_deg = -35.0
longitude_deg = 149.0
[[platform]]
name = "platform"
KIND
idle_w = 30.0
bus_limit_w = 150.0
array = [{ area_m2 = 1.0, efficiency = 0.3 }]
battery = { capacity_wh = 300.0, reserve = 0.3 }
radio = { transmit_w = 30.0, rate_kbps = 200.0 }
store = { capacity_mbit = 500.0 }
"""
SITE = '[site]\nname = "plain"\nlatitude_deg = 10.0\nlongitude_deg = 20.0'


def seconds(folder: Path, site: str, kind: str) -> float:
    """CPU seconds of the environment of a platform."""
    (folder / "a.toml").write_text(SCENARIO.replace("SITE", site).replace("KIND", kind))
    scenario = read_scenario(folder / "a.toml")
    begin = process_time()
    make_environment(scenario)
    return process_time() - begin


def main(steps_s: list[float]) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        seconds(folder, SITE, 'kind = "lander"')  # what is loaded once
        begin, minutes = "2028-06-30T23:00:00", (DAYS * 24 + 2) * 60
        site_s = seconds(folder, SITE.replace("10.0", "11.0"), 'kind = "lander"')
        print(f"a site: {site_s:.2f} s")
        for step_s in steps_s:
            (folder / "a.oem").write_text(kvn([segment(begin, minutes, step_s)]))
            started = process_time()
            read_oem(folder / "a.oem")
            read_s = process_time() - started
            orbit = 'kind = "orbiter"\norbit = { file = "a.oem" }'
            oem_s = seconds(folder, "", orbit)
            write_spk(folder / "a.bsp", begin, minutes, step_s=step_s)
            spk_s = seconds(folder, "", orbit.replace('"a.oem"', '"a.bsp", target = -999'))
            (folder / "a.bsp").unlink()
            print(
                f"states {step_s:g} s apart: reading an OEM {read_s:.2f} s, all {oem_s:.2f} s "
                f"({oem_s / site_s:.2f} of a site), of an SPK file {spk_s:.2f} s"
            )


if __name__ == "__main__":
    main([float(each) for each in sys.argv[1:]] or [60.0, 300.0])
