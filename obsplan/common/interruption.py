"""Ctrl-C, TERM and HUP: what each does depends on what the command is doing.

As a rule it ends the command, by KeyboardInterrupt. Where something must not be torn it waits, and
a search that has a plan already ends with that. Ctrl-C ends one such part, and a second one the
next; TERM and HUP end all that follow, since what sends them may soon kill what has not ended.
Without `listening`, as in a notebook, all this changes nothing, and Ctrl-C is Python's own.
"""

import atexit
import math
import os
import signal
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager, suppress
from functools import cache
from types import FrameType

SIGNALS = tuple(
    getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)
)
# A closing terminal sends HUP twice, a system that shuts down TERM and HUP: signals this close
# together are one.
TOGETHER_S = 1.0


def _raise() -> None:
    _now.raised = True
    raise KeyboardInterrupt


def _wait() -> None:
    _now.waits = True


class _Now:
    """What a signal does now, whether one waits, and the last one that came and when."""

    action: Callable[[], None] = staticmethod(_raise)
    waits = False
    raised = False
    ends_all = False
    outcome = "nothing was written"
    last = signal.SIGINT
    last_s = -math.inf


_now = _Now()


@contextmanager
def listening() -> Iterator[None]:
    """Within, the three signals do what the code asks for; one that is ignored stays ignored."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    terminals = [stream for stream in (1, 2) if os.isatty(stream)]

    def hear(number: int, _: FrameType | None) -> None:
        _leave_closed(terminals)
        if time.monotonic() - _now.last_s >= TOGETHER_S:
            _now.last, _now.last_s = signal.Signals(number), time.monotonic()
            _now.ends_all |= number != signal.SIGINT
            _now.action()

    _at_exit()
    _now.__dict__.clear()
    heard = [number for number in SIGNALS if signal.getsignal(number) != signal.SIG_IGN]
    before = {number: signal.signal(number, hear) for number in heard}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
        _now.__dict__.clear()


@cache
def _at_exit() -> None:
    """Let a process that only tidies up end as it would, whatever signal comes then."""
    for number in SIGNALS:
        atexit.register(signal.signal, number, signal.SIG_IGN)
    # An interrupt within exec of a string, as when an import makes a dataclass, lets Python end
    # itself by SIGINT even if it was caught; the next exec forgets it.
    atexit.register(exec, "", {})


def hold() -> None:
    """From here on signals wait for the next `interruptible` part; if there is none, for ever."""
    _now.action = _wait


@contextmanager
def held() -> Iterator[None]:
    """Within, signals wait; one that came then is heard at the end."""
    outer = _now.action
    with calling(_wait):
        yield
    if outer is not _wait and _waited():
        outer()


@contextmanager
def calling(action: Callable[[], None]) -> Iterator[None]:
    """Within, a signal calls `action`; one that came before and was not heard calls it at once."""
    outer = _now.action
    try:
        _now.action = action
        if action is not _wait and _waited():
            action()
        yield
    finally:
        _now.action = outer


def interruptible() -> AbstractContextManager[None]:
    """Within, a signal raises KeyboardInterrupt, even after `hold`; one that waits, at once."""
    return calling(_raise)


def _waited() -> bool:
    """Whether a signal waits to be heard; then it is."""
    came, _now.waits = _now.waits or _now.ends_all, False
    return came


def has_raised() -> bool:
    """Whether a signal has raised KeyboardInterrupt."""
    return _now.raised


def settle(outcome: str) -> None:
    """Say what came of the command until now, in case that a signal ends it."""
    _now.outcome = outcome


def outcome() -> str:
    """What came of the command that a signal has ended."""
    return _now.outcome


def exit_code() -> int:
    """What a shell calls the end of a command by the last signal."""
    return 128 + _now.last


def name() -> str:
    """The last signal as people call it."""
    return "Ctrl-C" if _now.last == signal.SIGINT else _now.last.name.removeprefix("SIG")


def _leave_closed(terminals: list[int]) -> None:
    """Send to nowhere what is written to a terminal that was closed, where it would be an error."""
    for stream in terminals:
        if not os.isatty(stream):
            with suppress(OSError):
                nowhere = os.open(os.devnull, os.O_WRONLY)
                os.dup2(nowhere, stream)
                os.close(nowhere)
