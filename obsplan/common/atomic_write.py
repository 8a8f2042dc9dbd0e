"""Files and directories that appear whole or not at all, even if the writer is killed.

New content is written beside its target under a hidden name and then renamed. An existing
directory is exchanged with the new one in a single system call if the system has one; otherwise
two renames leave an instant in which the name does not exist.
"""

import ctypes
import errno
import os
import stat
import sys
from collections.abc import Callable, Mapping
from contextlib import ExitStack, suppress
from glob import escape
from pathlib import Path

from obsplan.common.interruption import held
from obsplan.common.parts import DIGITS, new_part, remove

# Linux: renameat2 with RENAME_EXCHANGE; macOS: renameatx_np with RENAME_SWAP. Both are 2.
SWAP_CALL = {"linux": ("renameat2", -100), "darwin": ("renameatx_np", -2)}
SWAP_FLAG = 2


def write_file(path: Path, content: bytes) -> None:
    """Write a file whole; raises OSError, and then leaves what was there."""
    write_files({path: content})


def write_files(contents: Mapping[Path, bytes]) -> None:
    """Write files whole; all are complete before the first one appears under its name.

    A link stays one, and the file that it leads to is written. Raises OSError, and then leaves
    what was there; a device or a pipe is never replaced.
    """
    with ExitStack() as parts:
        ready = {}
        for path, content in contents.items():
            target = _target(path)
            ready[target] = parts.enter_context(new_part(target, _empty_file))
            ready[target].write_bytes(content)
        with held():
            for target, part in ready.items():
                os.replace(part, target)


def write_directory(directory: Path, fill: Callable[[Path], None]) -> None:
    """Let `fill` write into a new directory that then takes the place of `directory`.

    Passes on any exception of `fill` or the system, and then leaves what was there.
    """
    directory.parent.mkdir(parents=True, exist_ok=True)
    _recover(directory)
    # After the exchange the part is the old directory, and goes with the part.
    with new_part(directory, os.mkdir) as part:
        fill(part)
        with held():
            _put(part, directory)


def try_file(path: Path) -> None:
    """Raise OSError unless a file can be written at `path`; what killed writers left goes."""
    with new_part(_target(path), _empty_file):
        pass


def try_directory(directory: Path) -> None:
    """Raise OSError unless a whole directory can be written; what killed writers left goes."""
    target = Path(os.path.realpath(directory))
    if target.is_mount():
        raise OSError(errno.EBUSY, "a mount point cannot be replaced; name a directory in it")
    if target == Path.cwd():
        raise OSError(errno.EBUSY, "the current directory; name one in it")
    if os.path.lexists(target) and not target.is_dir():
        raise NotADirectoryError(errno.ENOTDIR, "a file; name a directory")
    while not target.parent.exists():  # will be made
        target = target.parent
    with new_part(target, os.mkdir):
        pass


def _target(path: Path) -> Path:
    """Where a file at `path` is written, links followed; OSError if something else is there."""
    target = Path(os.path.realpath(path))
    if os.path.lexists(target):
        mode = os.stat(target).st_mode
        if stat.S_ISDIR(mode):
            raise IsADirectoryError(errno.EISDIR, "a directory; name a file")
        if not stat.S_ISREG(mode):
            raise OSError(errno.EINVAL, "a device or a pipe; name a file")
        if target.is_mount():  # of a single file, as containers have it
            raise OSError(errno.EBUSY, "a mount point cannot be replaced; name another file")
        if not os.access(target, os.W_OK):
            raise PermissionError(errno.EACCES, "write-protected")
    return target


def _empty_file(path: Path) -> None:
    path.touch(exist_ok=False)


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
    with suppress(FileNotFoundError):  # another writer has removed it
        os.rename(old, one)


def _recover(directory: Path) -> None:
    """Bring back what a writer put aside that was killed between its two renames."""
    for old in directory.parent.glob(f".{escape(directory.name)}.{DIGITS * '[0-9a-f]'}.old"):
        if directory.exists():
            remove(old)
        else:
            os.rename(old, directory)
