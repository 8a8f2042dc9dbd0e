"""Light work for other processes, which import nothing but this."""

import os
import signal
import time
from pathlib import Path


def square(number: int) -> int:
    return number * number


def process_and_threads(_: int) -> tuple[int, str | None]:
    return os.getpid(), os.environ.get("OPENBLAS_NUM_THREADS")


def blocked_signals(_: int) -> set[int]:
    return {int(number) for number in signal.pthread_sigmask(signal.SIG_BLOCK, [])}


def tell_and_wait(folder: str, number: int) -> None:
    """Leave a file with the name of this process, and wait for longer than any test does."""
    Path(folder, str(os.getpid())).touch()
    time.sleep(3600)


def square_after_one_death(mark: str, number: int) -> int:
    """The work of a process that is killed at the first call."""
    if not Path(mark).exists():
        Path(mark).touch()
        os._exit(1)
    return number * number


def die(_: int) -> None:
    os._exit(1)


def inverse(number: int) -> float:
    return 1.0 / number


def square_or_wait(number: int) -> int:
    """The square of zero; any other number takes longer than any test waits."""
    time.sleep(3600 * (number > 0))
    return number * number
