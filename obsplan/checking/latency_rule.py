"""The rule of data latency: data of a run are on Earth so many hours after they were taken."""

from collections.abc import Iterator
from math import inf
from typing import NamedTuple

import numpy as np

from obsplan.checking.reception import Received
from obsplan.checking.slots import Run
from obsplan.checking.violation import Violation
from obsplan.common.text import number_text
from obsplan.inputs.scenario import Scenario


class DataWait(NamedTuple):
    """How long data of a run wait whose latency is limited, in minutes.

    taken_min: when those were taken that wait longest. sent_min: when they leave for Earth, inf if
    not within the span. waited_min: how long they wait, or have waited when the span ends.
    first_late_min: when data are first older than permitted; inf if never.
    """

    run: Run
    taken_min: float
    sent_min: float
    waited_min: float
    first_late_min: float

    @property
    def limit_min(self) -> float:
        """The longest wait that is permitted."""
        return round(60 * (self.run.activity.received_by_h or inf), 6)

    @property
    def is_late(self) -> bool:
        """Whether any data wait longer."""
        return self.first_late_min < inf


def asks_reception(scenario: Scenario) -> bool:
    """Whether any rule asks when data are on Earth."""
    orders = (order for activity in scenario.activity for order in activity.after)
    limits = (activity.received_by_h is not None for activity in scenario.activity)
    looks = (drive.data_mbit > 0 for drive in scenario.drive)
    goals = (g.required == "minimum" and g.counted == "received" for g in scenario.goal)
    received = any(order.received for order in orders)
    return received or any(limits) or any(looks) or any(goals)


def data_waits(runs: list[Run], received: list[Received], minutes: int) -> tuple[DataWait, ...]:
    """How long data of those `runs` wait that have a limit.

    Data that are still stored after the first `minutes` have waited until then. Of a run that is
    over those count whose time is not up when the last such run ends.
    """
    found = []
    over_min = max((run.last for run in runs if run.is_over), default=0)
    for run, (_, taken_min, sent_min) in zip(runs, received):
        if run.activity.received_by_h is None:
            continue
        if run.is_over:
            is_ahead = taken_min + 60 * run.activity.received_by_h >= over_min
            taken_min, sent_min = taken_min[is_ahead], sent_min[is_ahead]
        if not len(taken_min):
            continue
        waited_min = np.minimum(sent_min, minutes) - taken_min
        k = int(waited_min.argmax())
        wait = DataWait(run, float(taken_min[k]), float(sent_min[k]), float(waited_min[k]), inf)
        if (late := np.flatnonzero(waited_min > wait.limit_min)).size:
            wait = wait._replace(first_late_min=float(taken_min[late[0]]) + wait.limit_min)
        found.append(wait)
    return tuple(found)


def late_data(scenario: Scenario, waits: tuple[DataWait, ...]) -> Iterator[Violation]:
    """Runs whose data are on Earth later than permitted."""
    for wait in waits:
        if not wait.is_late:
            continue
        run = wait.run
        taken = f"data of {run} taken at {scenario.stamp_at(wait.taken_min)}"
        if wait.sent_min == inf:
            problem = f"{taken} are still stored when the span ends"
        else:
            problem = f"{taken} are sent to Earth at {scenario.stamp_at(wait.sent_min)}"
        excess_min = wait.waited_min - wait.limit_min
        yield Violation(
            "data latency",
            scenario.instant_at(wait.first_late_min),
            excess_min,
            "min",
            f"{problem}, {number_text(excess_min)} min too late for received_by_h = "
            f"{run.activity.received_by_h:g}",
            platform=run.platform,
            activity=run.activity.name,
            slots=(run.slot,),
        )
