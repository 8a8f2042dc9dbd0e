"""Three families of invented scenarios over one lunar day, each made from a seed.

easy: nearly everything fits. tight: the arrays yield some two thirds of the energy that
all runs would take. crowded: energy is plentiful, but most runs exclude each other. All
names and figures are drawn at random and describe nothing real.
"""

import random

import numpy as np

from obsplan.ephemeris import open_ephemeris
from obsplan.inputs.read_scenario import scenario_from
from obsplan.inputs.scenario import Scenario
from obsplan.physics.sky import sun_events
from obsplan.physics.skyline import FLAT

FAMILIES = ("easy", "tight", "crowded")
FIRST, LUNAR_DAY = np.datetime64("2028-07-01", "s"), np.timedelta64(30, "D")
NAMES = ("lander", "rover", "rover 2", "rover 3")
# If the span has nights: hours without light that a full battery lasts, and what idling takes of
# the arrays beside the day's own to charge it.
NIGHT_H, NIGHT_SHARE = 800, 1.4
HOURS = 340  # about what is left between the first hours of light and the last
KINDS = ("sweep", "log", "block", "raster", "integration", "image", "drive", "sounding")


def drawn(
    family: str,
    seed: int,
    step_min: int = 15,
    *,
    instruments: int = 13,
    runs: int | None = None,
    platforms: int = 2,
    lunar_days: int = 1,
) -> Scenario:
    """The scenario of `family` and `seed`: 280 to 430 runs, if their number is not given.

    With several lunar days it has the nights between, through which batteries last.
    """
    draw = random.Random(f"{family} {seed}")
    carried, activities = [], []
    for k in range(instruments):
        carried.append({"name": f"instrument {k + 1}", "platform": NAMES[k % platforms]})
        for part in range(draw.choice((1, 1, 2))):
            activities.append(_activity(draw, family, k, part))
    drawn_runs = draw.randint(280, 430)
    scale = (runs or drawn_runs) / sum(a["count"] for a in activities)
    for activity in activities:
        activity["count"] = max(1, round(activity["count"] * scale))
    if family == "easy":
        for activity in activities:
            reach_min = activity["duration_min"] + 30 + activity["gap_min"]
            activity["count"] = min(activity["count"], int(0.4 * HOURS * 60 / reach_min))
    _orders(draw, activities)
    _conflicts(draw, family, activities)
    latitude_deg, longitude_deg = draw.uniform(-50, 50), draw.uniform(-60, 60)
    start_utc, end_utc = _daylight(latitude_deg, longitude_deg, lunar_days)
    return scenario_from(
        {
            "title": f"{family} {seed}",
            "site": {"name": "drawn", "latitude_deg": latitude_deg, "longitude_deg": longitude_deg},
            "span": {"start_utc": f"{start_utc}Z", "end_utc": f"{end_utc}Z", "step_min": step_min},
            "station": [
                {"name": "north", "latitude_deg": 38.0, "longitude_deg": -5.0},
                {"name": "south", "latitude_deg": -32.0, "longitude_deg": 140.0},
            ],
            "platform": [
                _platform(draw, family, name, carried, activities, lunar_days)
                for name in NAMES[:platforms]
            ],
            "instrument": carried,
            "activity": activities,
        }
    )


def _daylight(
    latitude_deg: float, longitude_deg: float, lunar_days: int
) -> tuple[np.datetime64, np.datetime64]:
    """From 6 h after first light to 3 h before last light so many days later, in whole hours."""
    until = FIRST + (lunar_days + 1) * LUNAR_DAY
    events = sun_events(open_ephemeris(), FIRST, until, latitude_deg, longitude_deg, 0.0, FLAT)
    first = next(time for event, time in events if event == "first light")
    last = [time for event, time in events if event == "last light" and time > first]
    last = last[lunar_days - 1]
    return (first + np.timedelta64(6, "h")).astype("datetime64[h]").astype("datetime64[s]"), (
        last - np.timedelta64(3, "h")
    ).astype("datetime64[h]").astype("datetime64[s]")


def _activity(draw: random.Random, family: str, k: int, part: int) -> dict:
    longest = (30, 45, 60, 90, 120, 180, 240, 360)
    duration_min = draw.choice(longest if family == "crowded" else longest[:6])
    activity = {
        "name": f"{KINDS[draw.randrange(len(KINDS))]} {k + 1}.{part + 1}",
        "instrument": f"instrument {k + 1}",
        "duration_min": duration_min,
        "warm_up_min": draw.choice((0, 0, 15)),
        "warm_up_w": draw.choice((3.0, 6.0, 12.0)),
        "power_w": round(draw.uniform(4, 26), 1),
        "data_mbit": round(draw.uniform(2, 60) * duration_min / 60, 1),
        "count": draw.randint(6, 40),
        "value": float(draw.randint(3, 15)),
        "repeat_worth": draw.choice((1.0, 1.0, 0.9, 0.8)),
        "gap_min": draw.choice((0, 0, 60, 180, 480)),
        "contact": draw.choice(("none", "none", "none", "start", "whole")),
    }
    if draw.random() < 0.3:
        activity["coverage"] = {
            "over": "local_time_h",
            "edges": list(range(6, 19, draw.choice((1, 2)))),
        }
    if draw.random() < 0.3 and family != "easy":
        low = draw.uniform(0, 15)
        activity["when"] = {
            "sun_elevation_deg": [round(low, 1), round(low + draw.uniform(15, 60), 1)]
        }
    return activity


def _orders(draw: random.Random, activities: list[dict]) -> None:
    """A few activities wait for a single run of another of their list."""
    for later, earlier in (draw.sample(range(len(activities)), 2) for _ in range(3)):
        if later > earlier:
            activities[earlier]["count"] = 1
            activities[earlier]["value"] = 30.0
            activities[earlier].pop("when", None)
            settle_min = draw.choice((0, 60, 360))
            activities[later]["after"] = [
                {"activity": activities[earlier]["name"], "settle_min": settle_min}
            ]


def _conflicts(draw: random.Random, family: str, activities: list[dict]) -> None:
    share = {"easy": 0.05, "tight": 0.08, "crowded": 0.25}[family]
    for k, activity in enumerate(activities):
        others = [a["name"] for a in activities[:k]]
        activity["not_with"] = [name for name in others if draw.random() < share]
        if family == "crowded":
            activity["quiet"] = draw.random() < 0.2
            activity["disturbs"] = not activity["quiet"] and draw.random() < 0.2


def _platform(draw, family: str, name: str, instruments, activities, lunar_days: int) -> dict:
    mine = {i["name"] for i in instruments if i["platform"] == name}
    wanted_wh = sum(
        a["count"] * (a["duration_min"] * a["power_w"] + a["warm_up_min"] * a["warm_up_w"]) / 60
        for a in activities
        if a["instrument"] in mine
    )
    mean_w = wanted_wh / HOURS / lunar_days
    idle_w = 30.0 if name == "lander" else 10.0
    # An array that follows the Sun yields 1361 W/m2 times its efficiency through the day.
    spare = {"easy": 2.2, "tight": 0.68, "crowded": 1.8}[family]
    sending_w = 10.0 if name == "lander" else 1.0
    has_nights = lunar_days > 1
    night_w = NIGHT_SHARE * idle_w * has_nights
    area_m2 = (idle_w + night_w + sending_w + spare * mean_w) / (1361 * 0.29)
    data_mbit = sum(a["count"] * a["data_mbit"] for a in activities)
    rate_kbps = round(data_mbit / 260 / lunar_days, 0)
    return {
        "name": name,
        "kind": name.split()[0],
        "idle_w": idle_w,
        "bus_limit_w": round(idle_w + 30 + 4 * mean_w + 40, 0),
        "one_at_a_time": family == "crowded",
        "array": [{"area_m2": area_m2, "efficiency": 0.29}],
        "battery": {
            "capacity_wh": round(12 * mean_w + (8 + NIGHT_H * has_nights) * idle_w, 0),
            "reserve": 0.35,
            "start": 0.9,
            "end": 0.5,
        },
        "radio": {"to": "earth", "transmit_w": 30.0, "rate_kbps": rate_kbps}
        if name == "lander"
        else {"to": "lander", "transmit_w": 3.0, "rate_kbps": 200.0},
        "store": {
            "capacity_mbit": round(data_mbit / 6, 0),
            "end_limit_mbit": round(data_mbit / 50, 0),
        },
    }
