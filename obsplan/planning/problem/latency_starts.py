"""How long data of a run wait if nothing else is sent, by its start.

What else is sent only makes them later, so no plan has a run where even an empty link is too slow.
What the replay finds to be late because of other data is repaired.
"""

import numpy as np

from obsplan.environment.model import Environment
from obsplan.inputs.activity import Activity

MBIT_PER_KBPS_MIN = 0.06
# What the replay takes for rounding, and a little more.
ROUNDING_MBIT = 2e-4


def latency_starts(environment: Environment, activity: Activity) -> np.ndarray:
    """Steps (n,) at which a run of `activity` keeps `received_by_h` on an empty link."""
    assert activity.received_by_h is not None
    limit_min = int(round(60 * activity.received_by_h, 6))
    return longest_wait_min(environment, activity, limit_min) <= limit_min


def longest_wait_min(environment: Environment, activity: Activity, most_min: int) -> np.ndarray:
    """The longest wait (steps,) of any data of a run on an empty link; more than `most_min` as inf.

    Data pass every link on the way, first in, first out. Those that are still stored when the span
    ends have waited until then.
    """
    scenario = environment.scenario
    minutes = scenario.steps * scenario.span.step_min
    first = np.arange(scenario.steps) * scenario.span.step_min + activity.warm_up_min
    lasts_min = activity.duration_min
    per_min = activity.data_mbit / lasts_min
    links = _links_mbit(environment, activity, minutes)
    held_mbit, sent_mbit = np.zeros((len(links), len(first))), np.zeros(len(first))
    # How many minutes of the run are on Earth.
    done, longest = np.zeros((2, len(first)))
    for k in range(lasts_min + most_min + 1):
        at = np.minimum(first + k, minutes)
        coming = np.full(len(first), per_min if k < lasts_min else 0.0)
        for link, held in zip(links, held_mbit):
            held += coming
            coming = np.minimum(held, link[at])
            held -= coming
        sent_mbit += coming
        before, done = done, np.minimum((sent_mbit + ROUNDING_MBIT) // per_min, lasts_min)
        longest = np.where(done > before, np.maximum(longest, k - before), longest)
        waiting = (done < lasts_min) & (first + k < minutes)
        if k >= lasts_min and not waiting.any():
            break
    at_end = np.where(done < lasts_min, np.maximum(minutes - first - done, 0), 0)
    longest = np.maximum(longest, np.where(waiting, np.inf, at_end))
    return np.where(longest <= most_min, longest, np.inf)


def _links_mbit(environment: Environment, activity: Activity, minutes: int) -> list[np.ndarray]:
    """What each link to Earth carries in every minute, and after the span: nothing."""
    links, name = [], environment.scenario.platform_of(activity)
    while name != "earth":
        rate_kbps = environment.platforms[name]["rate_kbps"].to_numpy(dtype=float)[:minutes]
        links.append(np.append(rate_kbps * MBIT_PER_KBPS_MIN, 0.0))
        name = environment.scenario.platform_named(name).radio.to
    return links
