"""Of all ways to send the data of the same runs, the one in which they wait least.

Runs and value stay. Early data can be looked at early, and leave room in the store if a contact
is lost.
"""

from obsplan.checking.check import Verdict
from obsplan.planning.replayed import Replay, Replayed
from obsplan.planning.solver.transmit_windows import with_early_sending

# So much waiting is rounding.
ROUNDING_MBIT_H = 1e-3


def sent_promptly(plan: Replayed, replay: Replay) -> Replayed:
    """The same runs sent as planned, as early as later slots allow, or whenever there is contact.

    Of these it is the one that the replay accepts and whose data wait least, of equal ones the
    last.
    """
    free = plan.booking.copy()
    free.may_send[:] = True
    free.flow = free.simulate()
    best = plan
    for booking in (with_early_sending(plan.booking), free):
        verdict = replay(booking)
        longer = waiting_mbit_h(verdict) - waiting_mbit_h(best.verdict)
        if verdict.is_valid and longer <= ROUNDING_MBIT_H:
            best = Replayed(booking, verdict)
    return best


def waiting_mbit_h(verdict: Verdict) -> float:
    """What lies in all stores, summed over time: the data times their mean latency.

    Little 1961: the mean number in a queue is the rate of arrival times the mean time in it.
    """
    return sum(float(table["stored_mbit"].sum()) for table in verdict.resources.values()) / 60
