"""Small scenarios with steps so coarse, and batteries so lossy, that minutes differ from steps."""

import numpy as np

from obsplan.environment.model import Environment
from tools.small import platform, scenario, world


def coarse_case(seed: int) -> Environment:
    """Nine steps of an hour or ten of half an hour, in which Sun and contact come and go."""
    rng = np.random.default_rng(seed)
    step_min = int(rng.choice([30, 60]))
    minutes = {30: 300, 60: 540}[step_min]
    names = ["lander"] + ["rover"] * int(rng.random() < 0.6)
    parts = [_platform(rng, name) for name in names]
    asked = [_activity(rng, k, names) for k in range(rng.integers(2, 4))]
    scene = scenario(*asked, platforms=parts, hours=minutes / 60, step_min=step_min)
    columns: dict[str, object] = {}
    for part in scene.platform:
        direct = part.radio.to == "earth"
        lasting = int(rng.choice([10, 30]))
        contact = _pieces(rng, [True, True, False], 20, minutes)
        columns |= {
            f"{part.name}_generation_w": _pieces(rng, [0, 10, 20, 40], lasting, minutes),
            f"{part.name}_base_load_w": float(rng.choice([1, 3])),
            f"{part.name}_in_contact": contact,
            f"{part.name}_rate_kbps": np.where(contact | (not direct), part.radio.rate_kbps, 0.0),
            f"{part.name}_station": np.where(contact & direct, "alpha", ""),
        }
    return world(scene, **columns)


def _pieces(rng: np.random.Generator, levels: list, lasting: int, minutes: int) -> np.ndarray:
    return rng.choice(levels, -(-minutes // lasting)).repeat(lasting)[:minutes]


def _platform(rng: np.random.Generator, name: str) -> dict:
    battery = {
        "capacity_wh": float(rng.choice([20, 40, 80])),
        "reserve": float(rng.choice([0.2, 0.4])),
        "start": float(rng.choice([0.5, 0.7, 1.0])),
        "charge_efficiency": float(rng.choice([0.6, 0.8, 0.95])),
        "discharge_efficiency": float(rng.choice([1.0, 0.8])),
    }
    store = {"capacity_mbit": float(rng.choice([10, 25, 50]))}
    return platform(
        name,
        kind=name,
        bus_limit_w=float(rng.choice([45, 60, 100])),
        one_at_a_time=bool(rng.random() < 0.3),
        battery=battery | ({"end": 0.5} if rng.random() < 0.3 else {}),
        store=store | ({"end_limit_mbit": 2.0} if rng.random() < 0.3 else {}),
        radio={
            "to": "earth" if name == "lander" else str(rng.choice(["earth", "lander"])),
            "transmit_w": float(rng.choice([0, 5, 10])),
            "rate_kbps": float(rng.choice([2, 5, 20])),
        },
    )


def _activity(rng: np.random.Generator, k: int, names: list[str]) -> dict:
    activity = {
        "name": f"a{k}",
        "platform": str(rng.choice(names)),
        "duration_min": int(rng.choice([10, 20, 40, 60, 90, 120])),
        "warm_up_min": int(rng.choice([0, 0, 10])),
        "warm_up_w": 30.0,
        "power_w": float(rng.choice([5, 10, 20, 40])),
        "data_mbit": float(rng.choice([0, 0, 5, 15])),
        "count": int(rng.integers(1, 3)),
        "must": int(rng.random() < 0.1),
        "value": float(rng.choice([1, 2, 3, 5, 7])),
        "repeat_worth": float(rng.choice([1.0, 1.0, 0.5])),
        "gap_min": int(rng.choice([0, 0, 60])),
        "quiet": bool(rng.random() < 0.3),
        "disturbs": bool(rng.random() < 0.3),
    }
    if k and rng.random() < 0.3:
        activity["after"] = [{"activity": f"a{k - 1}", "settle_min": int(rng.choice([0, 30]))}]
    return activity
