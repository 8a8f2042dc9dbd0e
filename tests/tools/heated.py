"""Small days on which the heat of runs and the heater of a unit decide what fits."""

import numpy as np

from obsplan.environment.model import Environment
from tools.small import platform, scenario, world


def heated_case(seed: int) -> Environment:
    """Some hours of a cold platform with one unit that runs warm and a thermostat heats."""
    rng = np.random.default_rng(seed)
    step_min, hours = int(rng.choice([30, 60])), int(rng.integers(5, 9))
    power_w = float(rng.choice([6, 12, 20]))
    unit = {
        "name": "box",
        "instruments": ["a0", "a1"][: rng.integers(1, 3)],
        "heat_capacity_j_k": float(rng.choice([600, 2000, 6000])),
        "start_k": float(rng.choice([262, 270, 279])),
        "ground_w_k": float(rng.choice([0.05, 0.1])),
        "radiating_m2": float(rng.choice([0.0, 0.01])),
        "run_heat_share": float(rng.choice([0.5, 1.0])),
        "thermostat": {"power_w": power_w, "on_below_k": 268.0, "off_above_k": 274.0},
    }
    if rng.random() < 0.3:
        unit["operating_k"] = [float(rng.choice([255, 267])), float(rng.choice([290, 320]))]
    if rng.random() < 0.3:
        unit["switch_on_k"] = [float(rng.choice([260, 269])), 320.0]
    if rng.random() < 0.3:
        unit["charges_above_k"] = float(rng.choice([266, 271]))
    # What idling takes, and a little more: runs fit only if their heat is counted.
    idle_wh = hours * (0.8 * power_w + 1)
    battery = {
        "capacity_wh": 100.0,
        "reserve": 0.2,
        "start": float(np.clip(0.2 + (idle_wh * rng.uniform(0.8, 1.6)) / 100.0, 0.3, 1.0)),
        "charge_efficiency": float(rng.choice([0.8, 1.0])),
        "discharge_efficiency": float(rng.choice([0.9, 1.0])),
    }
    part = platform(unit=[unit], battery=battery, bus_limit_w=float(rng.choice([30, 60])))
    asked = [
        {
            "name": f"a{k}",
            "duration_min": int(rng.choice([30, 60, 90])),
            "power_w": float(rng.choice([5, 10, 20])),
            "count": int(rng.integers(1, 3)),
            "value": float(rng.choice([1, 2, 3, 5])),
        }
        for k in range(2)
    ]
    scene = scenario(*asked, platforms=[part], hours=hours, step_min=step_min)
    minutes = hours * 60
    sunlit = rng.choice([0, 0, 8, 25], -(-minutes // 60)).repeat(60)[:minutes].astype(float)
    sky = {"surface_temperature_k": float(rng.choice([120, 180]))}
    return world(scene, sky, generation_w=sunlit, base_load_w=1.0)
