"""The kernel compiled: once for each machine and version, in a process of its own.

Compiling takes some twenty seconds of a processor, in which no other thread of its process gets
on. So `compiling` starts it beside environment, first plan and relaxation, and the compiled search
is read from the compiler's cache. Two processes share the work: large parts of the kernel are in
the cache by themselves, so that either process takes there what the other has compiled. Whatever
goes wrong is told in a line, and the search goes on: compiled anew, or as plain Python, which finds
the same plans some hundred times as slowly.
"""

import os
import subprocess
import sys
from collections.abc import Callable, Sequence
from contextlib import suppress
from functools import cache
from inspect import signature
from itertools import chain
from pathlib import Path
from threading import Event
from typing import Any, NamedTuple

import numpy as np

from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.definition import Node, Problem, Task
from obsplan.planning.search import kernel
from obsplan.planning.search.kernel_arrays import instance_of, state_of


class Kernel(NamedTuple):
    """What is called of the kernel, and a line if it is not compiled and cached."""

    anneal: Callable[[kernel.Instance, kernel.State, int], None]
    first_fit: Callable[[kernel.Instance, kernel.State, np.ndarray], int]
    walk: Callable[[kernel.Instance, kernel.State], bool]
    told: str = ""


# Set in the process that compiles, which starts no other.
MARK = "OBSPLAN_COMPILES"
COMPILE = "from obsplan.planning.search.compiled import fill_cache; fill_cache()"
BESIDE = "from obsplan.planning.search.compiled import fill_beside; fill_beside()"
# Parts that are compiled by themselves. The first process compiles what changes a plan, of which
# both want what puts in a run; the second compiles what judges and fills it.
PUTTING = (kernel.put_in,)
CHANGING = (kernel.ruin, kernel.refuse, kernel.accept)
JUDGING = (kernel.is_accepted, kernel.begin)
FILLING = (kernel.refill,)
# More optimisation takes longer and makes the search no faster.
LEVEL = "1"
FIX = "fix: set NUMBA_CACHE_DIR to a new folder"
# Between two looks if the search is to stop.
LOOK_S = 0.05


class Compiling:
    """A process that fills the compiler's cache; None if nothing needs be done.

    has_cache: whether there is one, from which the search is read. is_told: what there is to say
    of it has been reported.
    """

    def __init__(self) -> None:
        self.process: subprocess.Popen[bytes] | None = None
        self.is_told = False
        is_missing = _is_missing()
        self.has_cache = is_missing is not None
        if MARK not in os.environ and sys.executable and is_missing:
            self.process = subprocess.Popen(
                [sys.executable, "-c", COMPILE],
                env={"NUMBA_OPT": LEVEL, **os.environ, MARK: "1"},
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
            )

    def wait(self, stop: Event) -> None:
        """Wait for the process, or until `stop` is set."""
        while self.process is not None and not stop.is_set():
            try:
                self.process.wait(LOOK_S)
            except subprocess.TimeoutExpired:
                continue
            self.process = None


@cache
def compiling() -> Compiling:
    """The process of this run that compiles, begun with the first call."""
    return Compiling()


def _is_missing() -> bool | None:
    """Whether the cache has nothing of this version yet; None if it cannot be written."""
    try:
        indexes = _indexes()
    except Exception:
        return None  # `compiled` tells why
    source = Path(kernel.__file__).stat().st_mtime
    return any(
        not found or max(path.stat().st_mtime for path in found) < source for found in indexes
    )


def _indexes() -> list[list[Path]]:
    """The index files in the compiler's cache, of each function that is called."""
    return [
        sorted(Path(function.stats.cache_path).glob(f"kernel.{function.py_func.__name__}-*.nbi"))
        for function in _jitted(cached=True)
    ]


def fill_cache() -> None:
    """Compile what the cache lacks, beside a second process; then it is newer than the source."""
    anneal, _, _ = _jitted(cached=True)
    command = [sys.executable, "-c", BESIDE]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as beside:
        assert beside.stdin and beside.stdout
        _compile(PUTTING)
        with suppress(OSError):  # if it was lost, its parts are compiled here
            beside.stdin.write(b"\n")
            beside.stdin.close()
        _compile(CHANGING)
        beside.stdout.readline()
        anneal(*_smallest(), 1)
    compiled()
    for path in chain.from_iterable(_indexes()):
        # A source that was written again with the same content is not compiled again.
        path.touch()


def fill_beside() -> None:
    """Compile what judges and fills a plan, and what is called besides: the second process."""
    _, first_fit, walk = _jitted(cached=True)
    _compile(JUDGING)
    sys.stdin.readline()
    _compile(FILLING)
    print(flush=True)
    walk(*_smallest())
    first_fit(*_smallest(), np.zeros((1, 2), dtype=np.int64))


def _compile(parts: Sequence[Callable[..., Any]]) -> None:
    """Compile parts of the kernel into the cache, for an instance, a state and integers."""
    from numba import njit, typeof, types

    options: dict[str, Any] = {"cache": True, "no_cpython_wrapper": True, **kernel.PART}
    arguments = [typeof(value) for value in _smallest()]
    for part in parts:
        integers = [types.int64] * (len(signature(part).parameters) - len(arguments))
        njit(**options, **_uncounted())(part).compile((*arguments, *integers))


def _uncounted() -> dict[str, Any]:
    """The option that references to arrays are not counted, if the compiler has it still.

    The kernel makes no arrays. To count references to those it is given takes a third of its time.
    """
    from numba.core.options import DefaultOptions

    return {"_nrt": False} if hasattr(DefaultOptions, "_nrt") else {}


def _jitted(*, cached: bool) -> list[Any]:
    """What is called of the kernel, to be compiled, with the cache or without it."""
    # Imported here, as it takes half a second.
    from numba import njit

    IN_CACHE.is_on = cached
    options: dict[str, Any] = {"nogil": True, "cache": cached, **_uncounted()}
    functions = kernel.anneal, kernel.first_fit, kernel.walk
    called = [njit(**options)(function) for function in functions]
    _register_parts()
    return called


@cache
def _register_parts() -> None:
    """Let compiled functions find the parts."""
    from numba.extending import register_jitable

    for part in (*PUTTING, *CHANGING, *JUDGING, *FILLING):
        register_jitable(cache=IN_CACHE, **kernel.PART)(part)


class _Switch:
    """Whether parts are taken from the cache and kept there, which the compiler asks for each."""

    is_on = True

    def __bool__(self) -> bool:
        return self.is_on


IN_CACHE = _Switch()


@cache
def compiled() -> Kernel:
    """The kernel as well as it can be had."""
    told, smallest = [], _smallest()
    for cached in (True, False):
        try:
            anneal, first_fit, walk = _jitted(cached=cached)
            anneal(*smallest, 1)
            first_fit(*smallest, np.zeros((1, 2), dtype=np.int64))
            walk(*smallest)
        except Exception as why:
            told.append(" ".join(f"{type(why).__name__}: {why}".split())[:200])
            continue
        if cached:
            return Kernel(anneal, first_fit, walk)
        why_not = f"the search was compiled without a cache, as in every run ({told[0]}); {FIX}"
        return Kernel(anneal, first_fit, walk, why_not)
    why_not = f"the search is not compiled and takes very long ({told[-1]})"
    return Kernel(kernel.anneal, kernel.first_fit, kernel.walk, why_not)


def _smallest() -> tuple[kernel.Instance, kernel.State]:
    """Arrays of the kernel, of the kinds that all have."""
    one, none = np.ones(1), np.zeros(1)
    task = Task(
        "run", 0, 1, none, none, none, 1, 0, 0, 1.0, 1.0, one > 0, none.astype(int), (),
        none.astype(int), none,
    )  # fmt: skip
    node = Node(
        "platform", one, none, none, none, none, 1.0, 1.0, 0.0, 1.0, 0.0, 1.0, 1.0, np.inf, 0.0,
        none, none, -1, none.astype(int) - 1, 1.0, 0.0, 1.0,
    )  # fmt: skip
    booking = Booking(Problem(1, 1.0, (task,), (node,), frozenset()))
    return instance_of(booking.problem), state_of(booking, 0, 1, 0.1)
