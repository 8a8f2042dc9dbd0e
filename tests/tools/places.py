"""A small scenario with a rover among stops, and elevation models around it."""

import numpy as np

from tools.models import RADIUS_M, in_degrees
from tools.small import SHELF

SITE = 40.0, 10.0
STOPS = {"R1": (30.0, 10.0), "R2": (-20.0, 35.0), "R3": (5.0, -40.0)}
# The shelf of the small scenario for longer, with a larger battery.
LONGER = (
    SHELF.replace('"small"', '"places"').replace("-05T12:", "-06T12:").replace("200.0,", "300.0,")
)
PLACES = (
    LONGER
    + """[[platform]]
name = "rover"
kind = "rover"
idle_w = 4.0
bus_limit_w = 60.0
array = [{ area_m2 = 0.1, efficiency = 0.3 }]
battery = { capacity_wh = 120.0, reserve = 0.3 }
radio = { to = "lander", transmit_w = 2.0, rate_kbps = 100.0 }
store = { capacity_mbit = 300.0 }
[platform.drive]
speed_by_slope = [[10, 0.5], [15, 0.3], [20, 0.15]]
power_w = 30.0
data_mbit_per_m = 0.5
longest_drive_m = 60.0
decide_min = 30
contact = "none"
after = [{ activity = "laser" }]
[[instrument]]
name = "laser head"
platform = "rover"
hazard = "laser"
[[instrument]]
name = "probe"
platform = "lander"
[[stop]]
name = "R1"
platform = "rover"
east_m = 30.0
north_m = 10.0
[[stop]]
name = "R2"
platform = "rover"
east_m = -20.0
north_m = 35.0
[[stop]]
name = "R3"
platform = "rover"
east_m = 5.0
north_m = -40.0
[[activity]]
name = "laser"
instrument = "laser head"
duration_min = 30
power_w = 10.0
data_mbit = 5.0
value = 2.0
at = "stops"
[[activity]]
name = "sweep"
instrument = "probe"
duration_min = 40
power_w = 10.0
data_mbit = 5.0
count = 3
value = 1.0
"""
)


def with_drive(**keys: str) -> str:
    """The scenario with more keys of the drive, as TOML has them."""
    lines = "".join(f"{key} = {value}\n" for key, value in keys.items())
    return PLACES.replace("decide_min = 30\n", f"decide_min = 30\n{lines}", 1)


def model(path, height, pixels=160, pixel_m=2.0):
    """A model around the site; `height` of metres east and north of it."""

    def placed(latitude, longitude):
        north = np.radians(latitude - SITE[0]) * RADIUS_M
        east = np.radians(longitude - SITE[1]) * RADIUS_M * np.cos(np.radians(SITE[0]))
        return height(east, north)

    return in_degrees(path, placed, SITE, np.degrees(pixel_m / RADIUS_M), pixels, unit="m")
