"""The end of a search before its end: by patience, or by a signal."""

from collections.abc import Iterator
from contextlib import contextmanager
from enum import Enum
from threading import Event, Timer

from obsplan.common.interruption import calling


class StopReason(Enum):
    """Why a search stopped before its end; the text is what the user is told."""

    SIGNAL = "interrupted: continuing with the best plan so far"
    PATIENCE = "patience ran out; another run may give a different plan"


class EarlyEnd:
    """How a search is ended before its end; `reason` says why, if it was.

    It ends soon once `stop` is set: when patience runs out, then `expired` is set too, and on
    Ctrl-C and other signals if it `has_plan`.
    """

    def __init__(self) -> None:
        self.has_plan = False
        self.stop, self.expired = Event(), Event()
        self.reason: StopReason | None = None

    @contextmanager
    def clock(self, patience_s: float | None) -> Iterator[None]:
        """Within, patience runs out after so many seconds; with None, never."""
        clock = Timer(patience_s or 0.0, self._expire)
        clock.daemon = True
        if patience_s is not None:
            clock.start()
        try:
            yield
        finally:
            clock.cancel()

    @contextmanager
    def by_signal(self) -> Iterator[None]:
        """Within, a signal ends the search; KeyboardInterrupt passes only without a plan."""
        try:
            with calling(self.hear):
                yield
        except KeyboardInterrupt:  # from outside a command
            self.hear()

    def _expire(self) -> None:
        self.expired.set()
        self._end(StopReason.PATIENCE)

    def hear(self) -> None:
        """A signal came."""
        if not self.has_plan:
            raise KeyboardInterrupt
        self._end(StopReason.SIGNAL)

    def _end(self, reason: StopReason) -> None:
        self.reason = self.reason or reason
        self.stop.set()
