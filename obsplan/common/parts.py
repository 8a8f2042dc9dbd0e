"""Hidden files and directories beside a target, in which new content is made.

A part is locked as long as the run that made it lives. One that is not locked was left by a run
that was killed, and the next writer of the same target removes it.
"""

import os
import secrets
import shutil
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from glob import escape
from pathlib import Path

try:
    import fcntl
except ImportError:  # a system without such locks
    fcntl = None  # type: ignore[assignment]

# Writing takes seconds, so where there are no locks, parts this old were left by a killed run.
LEFTOVER_S = 3600
DIGITS = 8


@contextmanager
def new_part(target: Path, make: Callable[[Path], None]) -> Iterator[Path]:
    """A path beside `target` that `make` creates, empty; what is there in the end is removed.

    Removes what killed writers of `target` left. Passes on OSError.
    """
    sweep(target.parent, f".{escape(target.name)}.{DIGITS * '[0-9a-f]'}.part")
    part = target.with_name(f".{target.name}.{secrets.token_hex(DIGITS // 2)}.part")
    with locked(part, make):
        try:
            yield part
        finally:
            remove(part)


@contextmanager
def locked(path: Path, make: Callable[[Path], None], shared: bool = False) -> Iterator[None]:
    """Let `make` create `path`, and keep it locked; others may lock it too if it is `shared`.

    Without an error where the system or the file system has no locks.
    """
    while True:
        make(path)
        if fcntl is None:
            yield
            return
        try:
            handle = os.open(path, os.O_RDONLY)
        except FileNotFoundError:
            continue  # swept away before it was locked
        try:
            with suppress(OSError):
                fcntl.flock(handle, fcntl.LOCK_SH if shared else fcntl.LOCK_EX)
            if _is_still(handle, path):
                yield
                return
        finally:
            os.close(handle)


def sweep(folder: Path, pattern: str) -> None:
    """Remove what matches `pattern` in `folder` and belongs to no living run."""
    for left in folder.glob(pattern):
        with suppress(OSError):
            _remove_unless_locked(left)


def remove(path: Path) -> None:
    """Remove a file, or a directory with all that is in it; nothing if it is not there."""
    if path.is_dir() and not path.is_symlink():
        shutil.rmtree(path, ignore_errors=True)
    else:
        path.unlink(missing_ok=True)


def _remove_unless_locked(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY | os.O_NOFOLLOW)
    try:
        if fcntl is not None:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            remove(path)
            return
    except BlockingIOError:
        return
    except OSError:
        pass  # no locks on this file system
    finally:
        os.close(handle)
    if path.stat().st_mtime < time.time() - LEFTOVER_S:
        remove(path)


def _is_still(handle: int, path: Path) -> bool:
    """Whether `path` still names the open file."""
    with suppress(OSError):
        return os.path.samestat(os.fstat(handle), os.stat(path))
    return False
