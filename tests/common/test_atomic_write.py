"""What is written appears whole, whenever its writer is killed and whoever else writes."""

import os
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

import obsplan
from obsplan.common import atomic_write

# Writes a directory of two files that must agree, again and again, until it is killed.
WRITER = """
import sys
from pathlib import Path
from obsplan.common.atomic_write import write_directory
k = int(sys.argv[2])
rounds = int(sys.argv[3])
def fill(part):
    (part / "a").write_text(f"{k} " * 2000)
    (part / "b").write_text(f"{k} " * 2000)
for _ in range(rounds):
    write_directory(Path(sys.argv[1]), fill)
    k += 2
    print(k, flush=True)
"""


def writer(directory, first, rounds=10**9):
    return subprocess.Popen(
        [sys.executable, "-c", WRITER, str(directory), str(first), str(rounds)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def consistent(directory: Path) -> bool:
    names = {p.name for p in directory.iterdir()}
    return names == {"a", "b"} and (directory / "a").read_text() == (directory / "b").read_text()


@pytest.mark.skipif(
    sys.platform not in atomic_write.SWAP_CALL, reason="no exchange in one call here"
)
@pytest.mark.parametrize("wait_ms", [0, 1, 2, 3, 5, 7, 11, 13])
def test_a_writer_killed_at_any_moment_leaves_one_whole_directory(tmp_path, wait_ms):
    process = writer(tmp_path / "plan", 1)
    process.stdout.readline()
    time.sleep(wait_ms / 1000)
    process.send_signal(signal.SIGKILL)
    process.communicate()
    assert consistent(tmp_path / "plan")


def test_two_writers_at_once_both_finish_and_leave_one_whole_directory(tmp_path):
    both = [writer(tmp_path / "plan", first, rounds=150) for first in (1, 2)]
    for process in both:
        _, errors = process.communicate(timeout=60)
        assert process.returncode == 0, errors
    assert consistent(tmp_path / "plan")
    assert [p.name for p in tmp_path.iterdir()] == ["plan"]


def fill_with(text):
    return lambda part: (part / "a").write_text(text) and None


def test_without_a_swap_in_one_call_two_renames_do(tmp_path, monkeypatch):
    monkeypatch.setattr(atomic_write, "SWAP_CALL", {})
    for text in ("old", "new"):
        atomic_write.write_directory(tmp_path / "plan", fill_with(text))
    assert (tmp_path / "plan" / "a").read_text() == "new"
    assert [p.name for p in tmp_path.iterdir()] == ["plan"]


def test_failure_while_filling_leaves_what_was_there(tmp_path):
    atomic_write.write_directory(tmp_path / "plan", fill_with("old"))

    def fail(part):
        (part / "a").write_text("half")
        raise OSError(28, "No space left on device")

    with pytest.raises(OSError, match="No space left"):
        atomic_write.write_directory(tmp_path / "plan", fail)
    assert (tmp_path / "plan" / "a").read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["plan"]


def test_old_scraps_of_killed_writers_are_swept_and_fresh_ones_left(tmp_path):
    stale, fresh = tmp_path / ".plan.1-2.part", tmp_path / ".plan.3-4.part"
    other = tmp_path / ".plan b.1-2.part"
    for scrap in (stale, fresh, other):
        scrap.mkdir()
    for scrap in (stale, other):
        os.utime(scrap, (0, 0))
    atomic_write.write_directory(tmp_path / "plan", fill_with("new"))
    assert {p.name for p in tmp_path.iterdir()} == {"plan", fresh.name, other.name}


def test_only_one_module_renames_files():
    for path in Path(obsplan.__file__).parent.rglob("*.py"):
        found = re.findall(
            r"os\.(?:replace|rename)\(|\.rename\(Path|shutil\.move", path.read_text()
        )
        assert not found or path.name == "atomic_write.py", path
