"""The starts at which data of a run can be on Earth in time, if nothing else is sent.

What else is sent only makes them later, so no plan has a run at another start. What the replay
finds to be late for that reason is repaired.
"""

import numpy as np

from obsplan.environment.model import Environment
from obsplan.inputs.scenario import Activity

MBIT_PER_KBPS_MIN = 0.06
# What the replay takes for rounding, and a little more.
ROUNDING_MBIT = 2e-4


def latency_starts(environment: Environment, activity: Activity) -> np.ndarray:
    """Steps (n,) at which a run of `activity` keeps `received_by_h` on an empty link.

    The data of each minute pass every link on the way, first in, first out. Those whose time is up
    after the span are not judged.
    """
    assert activity.received_by_h is not None
    scenario = environment.scenario
    minutes = scenario.steps * scenario.span.step_min
    starts_min = np.arange(scenario.steps) * scenario.span.step_min + activity.warm_up_min
    lasts_min, limit_min = activity.duration_min, int(round(60 * activity.received_by_h, 6))
    links = _links_mbit(environment, activity, minutes)
    per_min = activity.data_mbit / lasts_min
    in_time = np.ones(scenario.steps, dtype=bool)
    held_mbit, sent_mbit = np.zeros((len(links), len(starts_min))), np.zeros(len(starts_min))
    for k in range(lasts_min + limit_min):
        at = np.minimum(starts_min + k, minutes)
        coming = np.full(len(starts_min), per_min if k < lasts_min else 0.0)
        for link, held in zip(links, held_mbit):
            held += coming
            coming = np.minimum(held, link[at])
            held -= coming
        sent_mbit += coming
        # By now what was taken so long ago must have been sent, unless the span is over.
        due_mbit = per_min * min(max(k - limit_min + 1, 0), lasts_min)
        in_time &= (sent_mbit >= due_mbit - ROUNDING_MBIT) | (starts_min + k >= minutes)
        if k >= lasts_min and not (held_mbit[:, in_time & (starts_min + k < minutes)] > 0).any():
            break
    return in_time


def _links_mbit(environment: Environment, activity: Activity, minutes: int) -> list[np.ndarray]:
    """What each link to Earth carries in every minute, the last of them after the span: nothing."""
    links, name = [], environment.scenario.platform_of(activity)
    while name != "earth":
        rate_kbps = environment.platforms[name]["rate_kbps"].to_numpy(dtype=float)[:minutes]
        links.append(np.append(rate_kbps * MBIT_PER_KBPS_MIN, 0.0))
        name = environment.scenario.platform_named(name).radio.to
    return links
