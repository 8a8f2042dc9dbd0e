"""Work on many processes or a cluster: the same results, lost work repeated, clear errors."""

import json
import os
import signal
import subprocess
import sys
import time
from contextlib import contextmanager
from pathlib import Path

import pytest
from tools import work

from obsplan.common import workers
from obsplan.common.errors import ObsplanError

NUMBERS = {f"key {k}": (k,) for k in range(6)}
SQUARES = {f"key {k}": k * k for k in range(6)}


@pytest.mark.parametrize("jobs", [1, 2])
def test_any_number_of_processes_gives_the_same_results(jobs):
    assert dict(workers.run_all(work.square, NUMBERS, jobs=jobs)) == SQUARES


def test_nothing_to_do_needs_no_process():
    assert list(workers.run_all(work.square, {})) == []


def test_one_job_runs_in_this_process_and_more_in_others_of_one_thread_each(monkeypatch):
    monkeypatch.delenv("OPENBLAS_NUM_THREADS", raising=False)
    here = dict(workers.run_all(work.process_and_threads, {0: (0,), 1: (1,)}, jobs=1))
    assert set(here.values()) == {(os.getpid(), None)}
    others = dict(workers.run_all(work.process_and_threads, {0: (0,), 1: (1,)}, jobs=2))
    assert all(process != os.getpid() and threads == "1" for process, threads in others.values())
    assert "OPENBLAS_NUM_THREADS" not in os.environ


def test_the_work_of_a_lost_process_is_done_again(tmp_path):
    inputs = {k: (str(tmp_path / "died"), k) for k in range(4)}
    found = dict(workers.run_all(work.square_after_one_death, inputs, jobs=2))
    assert (tmp_path / "died").exists()
    assert found == {k: k * k for k in range(4)}


def test_processes_that_are_lost_every_time_are_reported(monkeypatch):
    monkeypatch.setattr(workers, "ATTEMPTS", 2)
    with pytest.raises(ObsplanError, match="lost 2 times.*use fewer with --jobs"):
        list(workers.run_all(work.die, {0: (0,), 1: (1,)}, jobs=2))


@pytest.mark.parametrize("jobs", [1, 2])
def test_an_error_of_the_function_is_raised_here(jobs):
    with pytest.raises(ZeroDivisionError):
        list(workers.run_all(work.inverse, {0: (0,), 1: (1,)}, jobs=jobs))


PARENT = """
import signal, sys
from tools import work
from obsplan.common import interruption, workers
if __name__ == "__main__":
    with interruption.listening():
        list(workers.run_all(work.tell_and_wait, {k: (sys.argv[1], k) for k in (1, 2)}, jobs=2))
"""


def gone(process: int) -> bool:
    """Whether a process has ended, or only waits to be buried."""
    try:
        return "\nState:\tZ" in Path(f"/proc/{process}/status").read_text()
    except (FileNotFoundError, ProcessLookupError):
        return True


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="no /proc here")
@pytest.mark.parametrize("how", ["SIGKILL", "SIGTERM", "SIGINT", "SIGHUP"])
def test_processes_end_at_once_with_the_one_that_began_them(tmp_path, how):
    (tmp_path / "parent.py").write_text(PARENT)
    (tmp_path / "told").mkdir()
    number = getattr(signal, how)
    parent = subprocess.Popen(
        [sys.executable, str(tmp_path / "parent.py"), str(tmp_path / "told")],
        stderr=subprocess.DEVNULL,
        env=os.environ | {"PYTHONPATH": str(Path(work.__file__).parent.parent)},
        # Tests in the background may have been told to ignore a signal.
        preexec_fn=None if how == "SIGKILL" else lambda: signal.signal(number, signal.SIG_DFL),
    )
    try:
        while len(begun := list((tmp_path / "told").iterdir())) < 2:
            assert parent.poll() is None
            time.sleep(0.02)
        parent.send_signal(number)
        parent.wait(timeout=60)
    finally:
        parent.kill()
    deadline = time.monotonic() + 60
    while not all(gone(int(path.name)) for path in begun):
        assert time.monotonic() < deadline
        time.sleep(0.02)


@pytest.mark.skipif(not hasattr(signal, "pthread_sigmask"), reason="no masks of signals here")
def test_only_this_process_hears_what_a_terminal_sends_to_all():
    before = work.blocked_signals(0)
    for found in dict(workers.run_all(work.blocked_signals, {0: (0,), 1: (1,)}, jobs=2)).values():
        assert found - before == {signal.SIGINT, signal.SIGHUP}
    assert work.blocked_signals(0) == before


def test_a_scheduler_that_does_not_answer_is_reported(monkeypatch):
    pytest.importorskip("dask.distributed")
    assert workers.CONNECT_S < 15  # what the user is promised
    monkeypatch.setattr(workers, "CONNECT_S", 1)
    with pytest.raises(ObsplanError, match="scheduler tcp://127.0.0.1:9 does not answer"):
        list(workers.run_all(work.square, NUMBERS, scheduler="tcp://127.0.0.1:9"))


def test_an_address_that_is_none_is_reported_before_anyone_waits_for_it(monkeypatch):
    distributed = pytest.importorskip("dask.distributed")
    monkeypatch.setattr(distributed, "Client", lambda *asked, **how: pytest.fail("waits"))
    with pytest.raises(ObsplanError, match="scheduler somewhere does not answer .*address like"):
        list(workers.run_all(work.square, NUMBERS, scheduler="somewhere"))


@contextmanager
def cluster_of_processes(directory):
    """The process of a scheduler, whose worker does two things at a time, and its address."""
    told = directory / "scheduler.json"
    quiet = {
        "stdout": subprocess.DEVNULL,
        "stderr": subprocess.DEVNULL,
        "cwd": directory,
        "env": os.environ | {"PYTHONPATH": str(Path(work.__file__).parent.parent)},
    }
    place = ["--host", "127.0.0.1", "--no-dashboard"]
    run = [sys.executable, "-m", "dask"]
    processes = [
        subprocess.Popen(
            [*run, "scheduler", "--port", "0", "--scheduler-file", str(told), *place], **quiet
        )
    ]
    try:
        while (address := address_in(told)) is None:
            assert processes[0].poll() is None
            time.sleep(0.05)
        threads = ["--nworkers", "1", "--nthreads", "2", "--no-nanny"]
        processes.append(subprocess.Popen([*run, "worker", address, *threads, *place], **quiet))
        yield processes[0], address
    finally:
        for process in processes:
            process.kill()
            process.wait()


def address_in(told: Path) -> str | None:
    """The address in a scheduler's file; None until the file is there and complete."""
    try:
        return json.loads(told.read_text())["address"]
    except (FileNotFoundError, ValueError):
        return None


def test_a_scheduler_that_dies_is_reported_after_what_was_done(tmp_path, monkeypatch):
    pytest.importorskip("dask.distributed")
    monkeypatch.setattr(workers, "CONNECT_S", 300)  # a busy machine answers late
    with cluster_of_processes(tmp_path) as (scheduler, address):
        results = workers.run_all(work.square_or_wait, {0: (0,), 1: (1,)}, scheduler=address)
        assert next(results) == (0, 0)
        scheduler.kill()
        with pytest.raises(ObsplanError, match="scheduler tcp.*connection was lost; run again"):
            next(results)
