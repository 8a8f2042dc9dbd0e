"""What decides between plans worth the same, in order, and the better of two.

Data latency comes first, then margins, spread, switches and the energy for sending. A difference
that no flight team would feel decides nothing, so that the next may.
"""

from typing import NamedTuple

import numpy as np

from obsplan.checking.check import Verdict
from obsplan.planning.problem.booking import Booking
from obsplan.planning.prompt_sending import waiting_mbit_h
from obsplan.planning.replayed import Replayed
from obsplan.planning.tie_breaks import LONGER_WAIT_H, places, starts_in_order

# A margin of which so much is left is wide enough; less differs by a hundredth at least.
WIDE, SAME_MARGIN = 0.1, 0.01
# Runs that are less than so much of their permitted time from even are spread as well.
SAME_UNEVENNESS = 0.02


class AsGood(NamedTuple):
    """The figures of a plan that decide between plans worth the same, the first before all others.

    latency_h: from taken to received, the mean of all data; their priority says whose is shorter.
    margin: the least share left of any battery, bus, store or link, 1 if none is measured.
    unevenness: how far repeated runs are from evenly spaced places, as a share of the time in which
    they may start. switches: how often a platform goes on to another activity. sending_wh: energy
    for sending.
    """

    latency_h: float
    margin: float
    unevenness: float
    switches: int
    sending_wh: float

    def is_preferred_to(self, other: "AsGood") -> bool:
        """Whether this plan is taken and not the other, which is worth the same."""
        wide, others = min(self.margin, WIDE), min(other.margin, WIDE)
        for mine, its, same in (
            (self.latency_h, other.latency_h, LONGER_WAIT_H),
            (-wide, -others, SAME_MARGIN),
            (self.unevenness, other.unevenness, SAME_UNEVENNESS),
            (self.switches, other.switches, 0),
        ):
            if abs(mine - its) > same:
                return mine < its
        return self.sending_wh < other.sending_wh - 1e-6


def as_good(plan: Replayed) -> AsGood:
    """The figures of a plan."""
    booking, verdict = plan
    data_mbit = float(booking.data_mbit.sum())
    names = [task.name for task in booking.problem.tasks]
    nodes = range(len(booking.problem.nodes))
    orders = ([names[i] for _, i in starts_in_order(booking, n)] for n in nodes)
    return AsGood(
        latency_h=waiting_mbit_h(verdict) / data_mbit if data_mbit else 0.0,
        margin=_least_margin(verdict),
        unevenness=_unevenness(booking),
        switches=sum(a != b for order in orders for a, b in zip(order, order[1:])),
        sending_wh=_sending_wh(booking),
    )


def preferred(plans: list[Replayed]) -> Replayed:
    """The one of these plans, worth the same, that is taken; the first if they are alike."""
    best, *others = plans
    for other in others:
        if as_good(other).is_preferred_to(as_good(best)):
            best = other
    return best


def _least_margin(verdict: Verdict) -> float:
    """The least share left of energy, power, storage or link."""
    table = verdict.margins[(verdict.margins["room"] > 0) & (verdict.margins["unit"] != "K")]
    return float((table["amount"] / table["room"]).min()) if len(table) else 1.0


def _unevenness(booking: Booking) -> float:
    """The mean distance of repeated runs from their places, of those that no others need."""
    apart = []
    for i, (task, starts) in enumerate(zip(booking.problem.tasks, booking.runs)):
        if len(starts) > 1 and i not in booking.problem.prerequisites:
            away = np.abs(np.array(sorted(starts)) - places(task, len(starts)))
            apart += (away / max(1, int(task.starts.sum()))).tolist()
    return float(np.mean(apart)) if apart else 0.0


def _sending_wh(booking: Booking) -> float:
    nodes = booking.problem.nodes
    on_h = (booking.sending(n).sum() * booking.problem.step_h for n in range(len(nodes)))
    return sum(float(hours) * node.transmit_w for hours, node in zip(on_h, nodes))
