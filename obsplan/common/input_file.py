"""Opening the files that people name: regular ones alone, and texts up to a sensible size.

A device or a pipe may never end, or wait for ever. Errors are OSErrors whose `strerror` says
what is wrong, so that a missing file and an endless one are told by the same line of code.
"""

import errno
import os
import stat
from io import BufferedReader
from pathlib import Path

# Many times what the largest table, or the longest scenario, needs.
MOST_TABLE_BYTES = 20_000_000
MOST_TOML_BYTES = 2_000_000


def require_file(path: Path) -> None:
    """Raise OSError unless `path` is a regular file, or a link to one."""
    try:
        mode = os.stat(path).st_mode
    except ValueError:  # a NUL or a lone surrogate
        raise OSError(errno.EINVAL, "no file can have this name", str(path)) from None
    if stat.S_ISDIR(mode):
        raise OSError(errno.EISDIR, os.strerror(errno.EISDIR), str(path))
    if not stat.S_ISREG(mode):
        raise OSError(errno.EINVAL, "a device or a pipe, not a file", str(path))


def open_input(path: Path) -> BufferedReader:
    """A regular file, open for reading; raises OSError for anything else."""
    require_file(path)
    return open(path, "rb")


def read_input(path: Path, most_bytes: int = MOST_TABLE_BYTES) -> bytes:
    """The content of a regular file of up to `most_bytes`; raises OSError for anything else."""
    with open_input(path) as file:
        content = file.read(most_bytes + 1)
    if len(content) > most_bytes:
        raise OSError(errno.EFBIG, f"more than {most_bytes / 1e6:g} MB", str(path))
    return content
