"""Among plans worth the same, an earlier one: what is done early can still be done again."""

import numpy as np

from obsplan.booking import Booking

# Earlier places that are tried for one run.
MOST_TRIES = 2
SAME_WORTH = 1e-9


def tidied(booking: Booking) -> Booking:
    """`booking` with every run at the earliest start found that is worth the same.

    Runs move one after the other, in order of time, each while all others stay. So no run
    stands late in its window or contact where an equal place earlier is free.
    """
    tidy = booking.copy()
    runs = [(start, i) for i, starts in enumerate(booking.runs) for start in starts]
    for start, i in sorted(runs):
        tidy.add(i, start, -1)
        kept, tidy.flow = tidy.flow, tidy.simulate()
        worth = tidy.next_value(i) + tidy.problem.tasks[i].favour
        equal = tidy.open_starts(i) & (worth >= worth[start] - SAME_WORTH)
        tries = np.flatnonzero(equal[:start])[:MOST_TRIES].tolist()
        if not any(tidy.add_if_it_holds(i, earlier) for earlier in tries):
            tidy.add(i, start)
            tidy.flow = kept
    return tidy
