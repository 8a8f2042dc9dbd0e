"""Of all ways to send the data of the same runs, the one in which they wait least.

Runs and value stay. Early data can be looked at early, and leave room in the store if a contact
is lost.
"""

from collections.abc import Callable

from obsplan.checking.check import Verdict
from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.tolerances import TOLERANCE
from obsplan.planning.replayed import Replay, Replayed
from obsplan.planning.solver.transmit_windows import with_early_sending

# What a plan is worth.
Worth = Callable[[Replayed], float]
# So much waiting is rounding.
ROUNDING_MBIT_H = 1e-3


def sent_promptly(plan: Replayed, replay: Replay, counted: Worth | None = None) -> Replayed:
    """The same runs, sent as planned or sooner: of what the replay accepts, what waits least.

    Tried are sending as early as later slots allow; then sending whenever there is contact, by one
    platform after the other. What a plan is worth as `counted` comes before that.
    """
    best = _sooner(plan, with_early_sending(plan.booking), replay, counted)
    for platform in range(len(plan.booking.problem.nodes)):
        free = best.booking.copy()
        free.may_send[platform] = True
        free.flow = free.simulate()
        best = _sooner(best, free, replay, counted)
    return best


def _sooner(plan: Replayed, booking: Booking, replay: Replay, counted: Worth | None) -> Replayed:
    """`booking` if the replay accepts it and its data wait no longer, else `plan`."""
    verdict = replay(booking)
    if counted is not None and verdict.is_valid:
        more = counted(Replayed(booking, verdict)) - counted(plan)
        if abs(more) > TOLERANCE:
            return Replayed(booking, verdict) if more > 0 else plan
    longer_mbit_h = waiting_mbit_h(verdict) - waiting_mbit_h(plan.verdict)
    is_sooner = verdict.is_valid and longer_mbit_h <= ROUNDING_MBIT_H
    return Replayed(booking, verdict) if is_sooner else plan


def waiting_mbit_h(verdict: Verdict) -> float:
    """What lies in all stores, summed over time: the data times their mean latency.

    Little 1961: the mean number in a queue is the rate of arrival times the mean time in it.
    """
    return sum(float(table["stored_mbit"].sum()) for table in verdict.resources.values()) / 60
