"""Paths on the command line: what a command reads, and where it may write.

One rule for all commands, which `command` makes: an output that is one of the files
that the command reads, that is no ordinary file, or that cannot be written, is refused before any
work is done. Inputs and outputs are found by the types of the parameters.
"""

import os
from collections.abc import Callable, Iterable
from contextlib import suppress
from functools import partial
from pathlib import Path
from typing import Generic, NamedTuple, TypeVar

import click


class NamedPath(click.Path):
    """A file or directory, under a name that one can have."""

    def convert(self, value, param, ctx):
        try:
            return super().convert(value, param, ctx)
        except ValueError:  # a NUL
            self.fail("no file can have this name", param, ctx)


class InputPath(NamedPath):
    """A file or directory that is read; `named` tells the files that it names in its turn."""

    def __init__(self, named: Callable[[Path], Iterable[Path]] = lambda path: ()):
        super().__init__(path_type=Path)
        self.named = named

    def files(self, path: Path) -> list[Path]:
        """The path and all that is read with it, as far as it can be told."""
        from obsplan.common.errors import ObsplanError

        with suppress(OSError, ObsplanError):
            return [path, *(path.iterdir() if path.is_dir() else self.named(path))]
        return [path]


class OutputFile(NamedPath):
    """A file that takes the place of an older one."""

    def __init__(self):
        super().__init__(readable=False, path_type=Path)

    def replaces(self, path: Path, file: Path) -> bool:
        """Whether writing `path` would replace `file`."""
        return _is_same(path, file)

    def refuse_unwritable(self, path: Path) -> None:
        """Raise OSError unless `path` can be written."""
        from obsplan.common.atomic_write import try_file

        try_file(path)


class OutputDirectory(OutputFile):
    """A directory that takes the place of an older one, with all that is in it."""

    def replaces(self, path: Path, file: Path) -> bool:
        # A link lies in one directory, and what it leads to in another.
        places = Path(os.path.realpath(file.parent), file.name), Path(os.path.realpath(file))
        return any(_is_same(path, each) for at in places for each in (at, *at.parents))

    def refuse_unwritable(self, path: Path) -> None:
        from obsplan.common.atomic_write import try_directory

        try_directory(path)


class OutputFolder(OutputFile):
    """A directory to which files are added."""

    def refuse_unwritable(self, path: Path) -> None:
        from obsplan.common.atomic_write import try_directory, try_file

        if path.is_dir():
            try_file(path / "new")
        else:
            try_directory(path)


class Picture(OutputFile):
    """A file whose suffix is that of a format in which figures can be written."""

    def convert(self, value, param, ctx) -> Path:
        from obsplan.reporting.figures.save import require_kind

        path = Path(os.fsdecode(super().convert(value, param, ctx)))
        require_kind(path)
        return path


class Command(click.Command):
    """A command that begins only if all its outputs can be written and are none of its inputs."""

    def invoke(self, ctx: click.Context):
        outputs = _given(ctx, OutputFile)
        if outputs:
            read = [
                file for given in _given(ctx, InputPath) for file in given.kind.files(given.path)
            ]
            for k, output in enumerate(outputs):
                _refuse(output, read, outputs[:k])
        return super().invoke(ctx)


# The decorator that makes a function a command.
command = partial(click.command, cls=Command)


Kind = TypeVar("Kind", bound=click.Path)


class Given(NamedTuple, Generic[Kind]):
    """A path that was given: by which option or argument, its type, and itself."""

    option: str
    kind: Kind
    path: Path


def _given(ctx: click.Context, kind: type[Kind]) -> list[Given[Kind]]:
    found = []
    for param in ctx.command.params:
        value = ctx.params.get(param.name)
        if isinstance(param.type, kind) and value is not None:
            paths = value if isinstance(value, tuple) else (value,)
            found += [Given(param.opts[0], param.type, path) for path in paths]
    return found


def _refuse(output: Given[OutputFile], read: list[Path], others: list[Given[OutputFile]]) -> None:
    """Raise ObsplanError if the command may not write this output."""
    from obsplan.common.errors import ObsplanError

    where = f"{output.option} {output.path}"
    if str(output.path) == "-":
        raise ObsplanError(f"{where}: name a file or directory; without it, tables are printed")
    for file in read:
        if output.kind.replaces(output.path, file):
            raise ObsplanError(f"{where}: would replace {file}, which this command reads")
    for other in others:
        if os.path.realpath(output.path) == os.path.realpath(other.path):
            raise ObsplanError(f"{where}: is {other.option} too; name another file")
    try:
        output.kind.refuse_unwritable(output.path)
    except OSError as problem:
        raise ObsplanError(f"{where}: cannot be written ({problem.strerror})") from None


def _is_same(one: Path, other: Path) -> bool:
    """Whether both are there and are the same file, by whatever names or links."""
    with suppress(OSError):
        return os.path.samefile(one, other)
    return False
