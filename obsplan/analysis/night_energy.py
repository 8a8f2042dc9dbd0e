"""How far into the night the batteries last once the light is gone."""

from math import inf
from typing import NamedTuple

import pandas as pd

from obsplan.inputs.hardware import Platform
from obsplan.planning.plan import Plan


class NightEnergy(NamedTuple):
    """A platform's battery after last light, without any run.

    stored_wh: at last light, or at the end of the span if that comes before. reserve_h, empty_h:
    from last light until the reserve is reached and until the battery is empty, however long the
    night.
    """

    platform: str
    last_light_utc: pd.Timestamp
    night_h: float
    draw_w: float
    stored_wh: float
    reserve_h: float
    empty_h: float


def night_energy(plan: Plan) -> list[NightEnergy]:
    """The platforms at the site in the night after the plan; empty if that night is not known."""
    environment = plan.environment
    if environment.night is None:
        return []
    last_light, first_light = environment.night
    night_h = (first_light - last_light) / pd.Timedelta(hours=1)
    rows = []
    for platform in environment.scenario.platform:
        if platform.flies:
            continue  # its nights come with each orbit
        stored = plan.verdict.resources[platform.name]["stored_wh"]
        before = stored.index.searchsorted(last_light, side="right") - 1
        stored_wh, draw_w = max(0.0, float(stored.iloc[max(before, 0)])), night_draw_w(platform)
        battery = platform.battery
        left_wh = max(0.0, stored_wh - battery.reserve * battery.usable_wh)
        reserve_h, empty_h = (
            wh * battery.discharge_efficiency / draw_w if draw_w else inf
            for wh in (left_wh, stored_wh)
        )
        rows.append(
            NightEnergy(platform.name, last_light, night_h, draw_w, stored_wh, reserve_h, empty_h)
        )
    return rows


def night_draw_w(platform: Platform) -> float:
    """Power through the night: night_w, or idling with every heater at full power."""
    if platform.night_w is not None:
        return platform.night_w
    heaters_w = 0.0 if platform.heater is None else platform.heater.power_w
    heaters_w += sum(unit.thermostat.power_w for unit in platform.unit if unit.thermostat)
    return platform.idle_w + heaters_w
