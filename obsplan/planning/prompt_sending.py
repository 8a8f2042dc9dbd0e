"""Of all ways to send the data of the same runs, the one in which they wait least.

Runs and value stay. Early data can be looked at early, and leave room in the store if a contact
is lost.
"""

from obsplan.checking.check import Verdict
from obsplan.planning.problem.booking import Booking
from obsplan.planning.replayed import Replay, Replayed
from obsplan.planning.solver.transmit_windows import with_early_sending

# So much waiting is rounding.
ROUNDING_MBIT_H = 1e-3


def sent_promptly(plan: Replayed, replay: Replay) -> Replayed:
    """The same runs, sent as planned or sooner: of what the replay accepts, what waits least.

    Tried are sending as early as later slots allow; then sending whenever there is contact, by one
    platform after the other.
    """
    best = _sooner(plan, with_early_sending(plan.booking), replay)
    for platform in range(len(plan.booking.problem.nodes)):
        free = best.booking.copy()
        free.may_send[platform] = True
        free.flow = free.simulate()
        best = _sooner(best, free, replay)
    return best


def _sooner(plan: Replayed, booking: Booking, replay: Replay) -> Replayed:
    """`booking` if the replay accepts it and its data wait no longer, else `plan`."""
    verdict = replay(booking)
    longer_mbit_h = waiting_mbit_h(verdict) - waiting_mbit_h(plan.verdict)
    is_sooner = verdict.is_valid and longer_mbit_h <= ROUNDING_MBIT_H
    return Replayed(booking, verdict) if is_sooner else plan


def waiting_mbit_h(verdict: Verdict) -> float:
    """What lies in all stores, summed over time: the data times their mean latency.

    Little 1961: the mean number in a queue is the rate of arrival times the mean time in it.
    """
    return sum(float(table["stored_mbit"].sum()) for table in verdict.resources.values()) / 60
