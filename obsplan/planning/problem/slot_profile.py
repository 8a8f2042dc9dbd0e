"""What one slot draws and yields by the minute, and how large a store its data need."""

import numpy as np

from obsplan.environment.model import Environment
from obsplan.inputs.activity import Activity
from obsplan.planning.problem.supplies import supplies_of
from obsplan.planning.problem.tolerances import BUS_TOLERANCE_W


def slot_profile(activity: Activity, slot_min: int) -> tuple[np.ndarray, np.ndarray]:
    """Draw in watts and data in Mbit for each minute of a slot."""
    warm, run = activity.warm_up_min, activity.duration_min
    draw_w, data_mbit = np.zeros(slot_min), np.zeros(slot_min)
    draw_w[:warm] = activity.warm_up_w
    draw_w[warm : warm + run] = activity.power_w
    data_mbit[warm : warm + run] = activity.data_mbit / run
    return draw_w, data_mbit


def least_store_mbit(environment: Environment, activity: Activity) -> np.ndarray:
    """The most data of one run on board at a time, by its start (steps,), at the least.

    That is if nothing else is on board or drawn, and the platform sends all that link and bus
    allow meanwhile.
    """
    scenario = environment.scenario
    steps, step_min = scenario.steps, scenario.span.step_min
    platform = scenario.platform_named(scenario.platform_of(activity))
    table = environment.platforms[platform.name]
    minutes = steps * step_min
    quiet_w, rate_kbps = (
        table[column].to_numpy(dtype=float)[:minutes] for column in ("base_load_w", "rate_kbps")
    )
    supplies = supplies_of(platform)
    spare_w = supplies.bus_w - platform.radio.transmit_w - quiet_w + BUS_TOLERANCE_W
    held_mbit, most_mbit = np.zeros((2, steps))
    profile = slot_profile(activity, scenario.slot_min(activity))
    for k, (draw_w, data_mbit) in enumerate(zip(*profile)):
        # Slots that would end after the span are none anyway.
        at = np.minimum(np.arange(steps) * step_min + k, minutes - 1)
        sent_mbit = np.where(spare_w[at] >= draw_w, supplies.link * rate_kbps[at] * 60 / 1000, 0.0)
        held_mbit = np.maximum(held_mbit + data_mbit - sent_mbit, 0.0)
        most_mbit = np.maximum(most_mbit, held_mbit)
    return most_mbit
