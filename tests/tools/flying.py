"""Small scenarios with an orbiter, alone or beside a lander, as files; and its orbit.

The orbit is a circle over the poles of the ICRF, 100 km high, from half an hour before the span, as
stations are set up then.
"""

from pathlib import Path

from obsplan.inputs.read_scenario import read_scenario
from obsplan.inputs.scenario import Scenario
from tools.orbits import kvn, segment

SPAN = """
title = "in orbit"
[span]
start_utc = 2028-07-05T00:00:00Z
end_utc = 2028-07-05T06:00:00Z
step_min = 5
"""
NORTH = """
[[station]]
name = "north"
latitude_deg = 40.0
longitude_deg = 0.0
"""
SOUTH = """
[[station]]
name = "south"
latitude_deg = -35.0
longitude_deg = 149.0
"""
PLATFORM = """
[[platform]]
name = "KIND"
kind = "KIND"
idle_w = 30.0
bus_limit_w = 150.0
array = [{ area_m2 = 1.0, efficiency = 0.3 }]
battery = { capacity_wh = 300.0, reserve = 0.3 }
radio = { transmit_w = 30.0, rate_kbps = 200.0 }
store = { capacity_mbit = 500.0 }
"""
ORBITER = PLATFORM.replace("KIND", "orbiter") + 'orbit = { file = "a.oem" }\n'
SITE = """
[site]
name = "plain"
latitude_deg = 10.0
longitude_deg = 20.0
"""
LANDER = SITE + PLATFORM.replace("KIND", "lander")
# From before the span.
ORBIT_START, ORBIT_MINUTES = "2028-07-04T23:30:00", 420
OEM = kvn([segment(ORBIT_START, ORBIT_MINUTES)])


def flying(folder: Path, text: str, oem: str = OEM) -> Scenario:
    """The scenario in a text, read from a folder in which it and its orbit are written."""
    (folder / "a.oem").write_text(oem)
    (folder / "scenario.toml").write_text(text)
    return read_scenario(folder / "scenario.toml")
