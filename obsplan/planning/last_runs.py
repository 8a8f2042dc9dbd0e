"""The end of the search: every run left out is tried at every permitted start.

Searches look at some starts, in steps; the replay by the minute has the last word on all.
"""

from collections.abc import Callable
from dataclasses import replace
from threading import Event

import numpy as np

from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.definition import first_worths
from obsplan.planning.replayed import Replay, Replayed
from obsplan.planning.search.exact import is_small
from obsplan.planning.search.ruin_and_recreate import first_fit
from obsplan.planning.solver.transmit_windows import COARSE, ways_to_send


def with_last_runs(
    plan: Replayed,
    replay: Replay,
    stop: Event | None = None,
    is_hopeless: Callable[[Booking], bool] = lambda booking: False,
    tries: int | None = None,
) -> Replayed:
    """`plan` with all further runs of any worth that the replay accepts somewhere.

    The most valuable tasks come first, and of each the most valuable and earliest starts; with
    `tries` only about so many of its starts, spread evenly. What `is_hopeless` is not replayed.
    Once `stop` is set, no more are tried.
    """

    def fuller(booking: Booking, i: int, start: int) -> Replayed | None:
        more = booking.copy()
        more.add(i, start)
        if is_hopeless(more):
            return None
        more.flow = more.simulate()
        for sent in ways_to_send(more, (COARSE,), even_if_short=False):
            if (verdict := replay(sent)).is_valid:
                return Replayed(sent, verdict)
        return None

    tasks, before = plan.booking.problem.tasks, None
    # With few starts a look at each takes less than the compiled search takes to load.
    is_quick = is_small(plan.booking.problem)
    worths = first_worths(plan.booking.problem)
    done = np.zeros((len(tasks), plan.booking.problem.steps), dtype=bool)
    while plan is not before:
        before = plan
        for i in sorted(range(len(tasks)), key=lambda i: -worths[i]):
            starts = _worthy_starts(plan.booking, i, done[i])
            starts = starts[:: max(1, len(starts) // tries)] if tries else starts
            while len(starts) and not (stop is not None and stop.is_set()):
                passed = 0 if is_quick else first_fit(plan.booking, i, starts)
                done[i, starts[: passed + 1]] = True
                if passed == len(starts):
                    break
                start, starts = int(starts[passed]), starts[passed + 1 :]
                if found := fuller(plan.booking, i, start):
                    plan = found
                    starts = starts[np.isin(starts, _worthy_starts(plan.booking, i, done[i]))]
    return plan


def _worthy_starts(booking: Booking, i: int, done: np.ndarray) -> np.ndarray:
    """Starts at which one more run of task `i` adds value and breaks no rule, best first.

    Only what no sending can change is looked at: the charge is judged as if nothing were sent.
    """
    silent = booking.copy()
    silent.flow = replace(booking.flow, sent_share=np.zeros_like(booking.flow.sent_share))
    silent.flow = silent.recharged(booking.problem.tasks[i].node)
    worth = booking.next_value(i)
    starts = np.flatnonzero(silent.open_starts(i) & ~done & (worth > 0))
    return starts[np.argsort(-worth[starts], kind="stable")]
