"""Files and directories that appear whole or not at all, even if the writer is killed.

New content is written beside its target under a hidden name and then renamed. An existing
directory is exchanged with the new one in a single system call if the system has one; otherwise
two renames leave an instant in which the name does not exist.
"""

import ctypes
import errno
import os
import shutil
import sys
import threading
import time
from collections.abc import Callable
from glob import escape
from pathlib import Path

# Linux: renameat2 with RENAME_EXCHANGE; macOS: renameatx_np with RENAME_SWAP. Both are 2.
SWAP_CALL = {"linux": ("renameat2", -100), "darwin": ("renameatx_np", -2)}
SWAP_FLAG = 2
# Writing takes seconds, so hidden files this old were left by a run that was killed.
LEFTOVER_S = 3600


def unfinished(path: Path) -> Path:
    """A hidden name beside `path` that no other writer uses."""
    return path.with_name(f".{path.name}.{os.getpid()}-{threading.get_ident()}.part")


def write_file(path: Path, content: bytes) -> None:
    """Write a file whole; raises OSError, and then leaves what was there."""
    part = unfinished(path)
    try:
        part.write_bytes(content)
        os.replace(part, path)
    finally:
        part.unlink(missing_ok=True)


def write_directory(directory: Path, fill: Callable[[Path], None]) -> None:
    """Let `fill` write into a new directory that then takes the place of `directory`.

    Passes on any exception of `fill` or the system, and then leaves what was there.
    """
    directory.parent.mkdir(parents=True, exist_ok=True)
    _sweep(directory)
    part = unfinished(directory)
    shutil.rmtree(part, ignore_errors=True)
    try:
        part.mkdir()
        fill(part)
        _put(part, directory)
    finally:
        # After a swap the old directory is here.
        shutil.rmtree(part, ignore_errors=True)


def _put(part: Path, directory: Path) -> None:
    """Move `part` to `directory`; what was there is at `part` then."""
    for _ in range(100):  # another writer may come or go between the two calls
        try:
            os.rename(part, directory)  # onto nothing, or onto an empty directory
            return
        except OSError as problem:
            if problem.errno not in (errno.ENOTEMPTY, errno.EEXIST, errno.EACCES, errno.EPERM):
                raise
            reason = problem
        try:
            _swap(part, directory)
            return
        except FileNotFoundError:
            continue
    raise reason


def _swap(one: Path, other: Path) -> None:
    """Let two directories change places."""
    name, here = SWAP_CALL.get(sys.platform, ("", 0))
    call = getattr(ctypes.CDLL(None, use_errno=True), name, None) if name else None
    if call is not None:
        if call(here, os.fsencode(one), here, os.fsencode(other), SWAP_FLAG) == 0:
            return
        if ctypes.get_errno() == errno.ENOENT:
            raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT), str(other))
    old = one.with_suffix(".old")
    os.rename(other, old)
    try:
        os.rename(one, other)
    except OSError:
        os.rename(old, other)
        raise
    os.rename(old, one)


def _sweep(directory: Path) -> None:
    """Remove what writers of `directory` that were killed have left beside it."""
    before_s = time.time() - LEFTOVER_S
    for left in directory.parent.glob(f".{escape(directory.name)}.*.part"):
        try:
            if left.is_dir() and left.stat().st_mtime < before_s:
                shutil.rmtree(left, ignore_errors=True)
        except OSError:
            continue
