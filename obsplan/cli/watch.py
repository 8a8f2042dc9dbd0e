"""A file that people edit, looked at again whenever it is saved."""

import os
import time
from collections.abc import Iterator
from pathlib import Path

# How often the file is looked at, and how long it must rest until there is time for more.
EVERY_S, REST_S = 0.1, 1.0


def saves(path: Path, every_s: float = EVERY_S, rest_s: float = REST_S) -> Iterator[bool]:
    """True at once and after each save; False once when the file has rested since.

    A spreadsheet may save by a new file of the same name, and the file be gone for a moment.
    """
    seen, has_rested = _state(path), False
    yield True
    since = time.monotonic()
    while True:
        time.sleep(every_s)
        now = _state(path)
        if now is not None and now != seen:
            seen, has_rested = now, False
            yield True
            since = time.monotonic()
        elif not has_rested and time.monotonic() - since >= rest_s:
            has_rested = True
            yield False


def _state(path: Path) -> tuple[int, ...] | None:
    """What changes when a file is saved; None while there is none."""
    try:
        found = os.stat(path)
    except OSError:
        return None
    return found.st_mtime_ns, found.st_size, found.st_ino
