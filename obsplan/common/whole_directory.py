"""Directories of results: all files new or all old, and nothing made by hand is ever lost.

A directory holds the SHA-256 digest of each of its files in `SUMS`, in the form that the program
sha256sum checks. What differs from its digest, or has none, was changed or added by hand.
"""

import hashlib
import re
from collections.abc import Callable, Iterator
from pathlib import Path

from obsplan.common.atomic_write import write_directory
from obsplan.common.errors import TableError
from obsplan.common.input_file import open_input, read_input

SUMS = "SHA256SUMS"
SUMS_HOLDS = (
    "SHA-256 of every other file; what differs from it was changed by hand, and is kept by "
    "refusing to write here again"
)
LINE = re.compile(r"([0-9a-f]{64})  (.+)")


def write_whole(directory: Path, names: set[str], fill: Callable[[Path], None]) -> None:
    """Let `fill` write files with some of these `names` into a directory that replaces the old one.

    Raises TableError if that would delete anything that is not ours, or if it cannot be written.
    """
    directory = directory.resolve()
    require_replaceable(directory, names)

    def fill_and_sum(part: Path) -> None:
        fill(part)
        lines = [f"{_digest(path)}  {path.name}\n" for path in sorted(part.iterdir())]
        (part / SUMS).write_text("".join(lines))
        # Someone may have edited the old files meanwhile.
        require_replaceable(directory, names)

    try:
        write_directory(directory, fill_and_sum)
    except OSError as problem:
        raise TableError(f"{directory}: cannot be written ({problem.strerror})") from None


def require_replaceable(directory: Path, names: set[str]) -> None:
    """Raise TableError unless `directory` is new, empty, or as we wrote it.

    It is ours if it has digests, and only of files with these `names`.
    """
    while True:
        before = _identity(directory)
        try:
            return _require_untouched(directory, names)
        except (TableError, OSError) as problem:
            # Another run may have put its files there while this one looked.
            if _identity(directory) != before:
                continue
            if isinstance(problem, TableError):
                raise
            raise TableError(f"{directory}: cannot be read ({problem.strerror})") from None


def _require_untouched(directory: Path, names: set[str]) -> None:
    if not directory.exists() or (directory.is_dir() and not any(directory.iterdir())):
        return
    digests = dict(_digests(directory / SUMS)) if directory.is_dir() else {}
    if not digests or not digests.keys() <= names:
        raise TableError(
            f"{directory}: is not empty, and was not written by this command (it has no {SUMS} of "
            "such files); choose another directory"
        )
    ours = {name for name, digest in digests.items() if _is_as_written(directory / name, digest)}
    by_hand = {path.name for path in directory.iterdir()} - ours - {SUMS}
    if by_hand:
        them = "them" if len(by_hand) > 1 else "it"
        raise TableError(
            f"{directory}: {', '.join(sorted(by_hand))}: changed or added by hand, and would be "
            f"lost; move {them} away, or choose another directory"
        )


def _digests(path: Path) -> Iterator[tuple[str, str]]:
    """Name and digest of each file; of a line that is none, the line itself and no digest."""
    try:
        lines = read_input(path).decode().splitlines()
    except (FileNotFoundError, UnicodeDecodeError):
        return
    for line in lines:
        match = LINE.fullmatch(line)
        yield (match[2], match[1]) if match else (line, "")


def _is_as_written(path: Path, digest: str) -> bool:
    return path.is_file() and not path.is_symlink() and _digest(path) == digest


def _digest(path: Path) -> str:
    with open_input(path) as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _identity(directory: Path) -> tuple[int, int] | None:
    try:
        status = directory.stat()
    except OSError:
        return None
    return status.st_dev, status.st_ino
