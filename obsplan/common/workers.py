"""One function over many inputs, on the cores of this machine or on a Dask cluster."""

import os
import signal
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import FIRST_COMPLETED, CancelledError, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager, suppress
from multiprocessing import get_context
from multiprocessing.connection import Connection
from threading import Thread
from typing import Any

from obsplan.common.errors import ObsplanError

ATTEMPTS = 3  # of work whose process was lost
CONNECT_S = 10

Work = Callable[..., Any]
Inputs = Mapping[Any, tuple[Any, ...]]
Results = Iterator[tuple[Any, Any]]


def run_all(
    function: Work,
    inputs: Inputs,
    *,
    jobs: int | None = None,
    scheduler: str | None = None,
) -> Results:
    """Each key of `inputs` with `function(*arguments)`, in the order in which they finish.

    The work is shared by `jobs` processes (default: all cores; one: no other process), or by
    the workers of the Dask cluster whose `scheduler` has that address. Function, arguments
    and results must be picklable. Work of a lost process is done again, up to `ATTEMPTS`
    times in all. What the function raises is raised here.
    Raises ObsplanError if processes are lost more often, or if the scheduler does not answer
    or is lost.
    """
    if scheduler is not None:
        return _on_cluster(function, inputs, scheduler)
    jobs = min(jobs or _cores(), len(inputs))
    if jobs <= 1:
        return ((key, function(*arguments)) for key, arguments in inputs.items())
    return _on_cores(function, inputs, jobs)


def _cores() -> int:
    """Cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def _on_cores(function: Work, inputs: Inputs, jobs: int) -> Results:
    left, context = dict(inputs), get_context("spawn")
    for _ in range(ATTEMPTS):
        other_end, life_line = context.Pipe(duplex=False)
        with _one_thread_each(), other_end, life_line:
            pool = ProcessPoolExecutor(jobs, context, _end_with_parent, (other_end,))
            try:
                with _signals_blocked():
                    keys = {pool.submit(function, *left[key]): key for key in left}
                order = {future: k for k, future in enumerate(keys)}
                while keys:
                    finished, _ = wait(keys, return_when=FIRST_COMPLETED)
                    for future in sorted(finished, key=order.__getitem__):
                        key = keys.pop(future)
                        result = future.result()
                        del left[key]
                        yield key, result
                return
            except BrokenProcessPool:
                continue
            except BaseException:
                life_line.close()  # nobody waits for what they are at
                raise
            finally:
                pool.shutdown(cancel_futures=True)
    raise ObsplanError(
        f"worker processes were lost {ATTEMPTS} times, probably because memory ran out; use "
        "fewer with --jobs"
    )


def _end_with_parent(life_line: Connection) -> None:
    """End this process once the other end of the line is closed, as it is when the parent dies."""

    def watch() -> None:
        with suppress(OSError):
            life_line.poll(None)
        os._exit(1)

    Thread(target=watch, daemon=True).start()


@contextmanager
def _signals_blocked() -> Iterator[None]:
    """New processes never hear Ctrl-C and HUP, which a terminal sends to all; the parent does."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT, signal.SIGHUP})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


@contextmanager
def _one_thread_each() -> Iterator[None]:
    """New processes use one thread each for linear algebra, since there is one per core."""
    names = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")
    before = {name: os.environ.get(name) for name in names}
    os.environ.update({name: "1" for name in names if before[name] is None})
    try:
        yield
    finally:
        for name in names:
            if before[name] is None:
                os.environ.pop(name, None)


def _on_cluster(function: Work, inputs: Inputs, scheduler: str) -> Results:
    try:
        from dask.distributed import Client, KilledWorker, as_completed
        from distributed.comm import get_address_host_port
    except ImportError:
        raise ObsplanError(
            "--scheduler needs Dask: install obsplan with the extra `cluster`"
        ) from None
    try:
        get_address_host_port(scheduler)
        client = Client(scheduler, timeout=CONNECT_S, set_as_default=False)
    except (OSError, TimeoutError, ValueError, RuntimeError) as problem:
        reason = (str(problem).splitlines() or [type(problem).__name__])[0]
        raise ObsplanError(
            f"the scheduler {scheduler} does not answer within {CONNECT_S} s ({reason}); give an "
            "address like tcp://127.0.0.1:8786"
        ) from None
    with client, client.as_current():
        keys = {
            client.submit(function, *arguments, pure=False, retries=ATTEMPTS - 1): key
            for key, arguments in inputs.items()
        }
        try:
            for future in as_completed(list(keys)):
                yield keys[future], future.result()
        except (CancelledError, KilledWorker, OSError) as problem:
            killed = isinstance(problem, KilledWorker)
            lost = "its workers were" if killed else "the connection was"
            raise ObsplanError(
                f"the scheduler {scheduler}: {lost} lost; run again to resume from the results "
                "that were saved"
            ) from None
