"""When a run is ready for one that people decide on after it: ended, received, decided, commanded.

When data are received depends on what else is sent. Here nothing else is, so that no run is ready
earlier; what the replay finds to be later is repaired.
"""

from math import ceil

import numpy as np

from obsplan.environment.model import Environment
from obsplan.inputs.activity import Activity
from obsplan.inputs.after import After
from obsplan.inputs.scenario import Scenario

MBIT_PER_KBPS_MIN = 0.06
# What the referee takes for rounding when data are received, and a little more.
ROUNDING_MBIT = 1.1e-4


def ready_steps(environment: Environment, activity: Activity, order: After) -> np.ndarray:
    """The first step (steps,) at which a run of `activity` may start after the run that `order`
    names, by the start of that; the number of steps if none. It never falls.
    """
    scenario = environment.scenario
    step_min, steps = scenario.span.step_min, scenario.steps
    earlier = scenario.activity_named(order.activity)
    starts_min = np.arange(steps) * step_min
    ready_min = starts_min + float(scenario.slot_min(earlier) + order.settle_min)
    if order.received:
        ready_min = np.maximum(ready_min, earliest_received_min(environment, earlier, starts_min))
    ready_min = commanded_min(environment, activity, order, ready_min)
    ready = np.ceil(np.minimum(ready_min / step_min, steps)).astype(int)
    return np.asarray(np.maximum.accumulate(ready))


def order_steps(scenario: Scenario, order: After) -> slice:
    """The steps at which a run that starts then has to come after."""
    ends = []
    for time_utc, default in ((order.from_utc, 0), (order.until_utc, scenario.steps)):
        step = default
        if time_utc is not None:
            step = ceil(scenario.minutes_of(time_utc) / scenario.span.step_min)
        ends.append(min(max(step, 0), scenario.steps))
    return slice(*ends)


def commanded_min(
    environment: Environment, activity: Activity, order: After, ready_min: np.ndarray
) -> np.ndarray:
    """When `activity` may start (n,) if all is there to decide on at `ready_min`; inf if never.

    Its commands go up in the first minute of contact after the decision.
    """
    lead_min = environment.scenario.command_lead_min(activity)
    decided_min: np.ndarray = ready_min + order.decide_min
    if lead_min is None or not order.is_decision:
        return decided_min
    contact = environment.in_contact(environment.scenario.platform_of(activity))
    minutes = np.append(np.flatnonzero(contact), np.inf)
    sent_min = minutes[np.searchsorted(minutes, np.ceil(decided_min))]
    return np.asarray(sent_min + 1 + lead_min)


def earliest_received_min(
    environment: Environment, activity: Activity, starts_min: np.ndarray
) -> np.ndarray:
    """When data of a run from each start (n,) are on Earth at the earliest; inf if never.

    On each link on the way they take as long as if there were no others, and the last of them
    wait for an open link.
    """
    scenario = environment.scenario
    per_min = activity.data_mbit / activity.duration_min
    needed_mbit = max(activity.data_mbit - ROUNDING_MBIT, 0.0)
    lasts_min = max(1, int(np.ceil(needed_mbit / per_min)))
    minutes = len(environment.sky)
    first = np.minimum(starts_min + activity.warm_up_min, minutes)
    done = (first + lasts_min - 1).astype(float)
    name = scenario.platform_of(activity)
    while name != "earth":
        rate_kbps = environment.platforms[name]["rate_kbps"].to_numpy()
        open_ = np.append(np.flatnonzero(rate_kbps > 0), np.inf)
        carried = np.concatenate([[0.0], np.cumsum(rate_kbps) * MBIT_PER_KBPS_MIN])
        # The minute in which the link has carried all, or inf.
        enough = np.searchsorted(carried, carried[first] + needed_mbit).astype(float) - 1
        enough[enough >= minutes] = np.inf
        done = np.maximum(open_[np.searchsorted(open_, done)], enough)
        name = scenario.platform_named(name).radio.to
    return np.asarray(done + 1)
