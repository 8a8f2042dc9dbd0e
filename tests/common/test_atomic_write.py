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
from obsplan.common import atomic_write, parts

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


# Makes a part beside a target, tells its name, and lives on until it is killed.
SLOW_WRITER = """
import sys, time
from pathlib import Path
from obsplan.common import atomic_write, parts
def linger(part):
    print(part.name, flush=True)
    time.sleep(3600)
target = Path(sys.argv[1])
if target.suffix:
    with parts.new_part(target, Path.touch) as part:
        linger(part)
atomic_write.write_directory(target, linger)
"""


@pytest.mark.parametrize("name", ["plan", "table.csv"])
def test_the_next_writer_removes_what_a_killed_one_left_and_nothing_of_a_living_one(tmp_path, name):
    target = tmp_path / name
    slow = [sys.executable, "-c", SLOW_WRITER, str(target)]
    killed, alive = (subprocess.Popen(slow, stdout=subprocess.PIPE, text=True) for _ in range(2))
    try:
        lost, kept = (process.stdout.readline().strip() for process in (killed, alive))
        killed.kill()
        killed.wait()
        assert {path.name for path in tmp_path.iterdir()} == {lost, kept}
        if target.suffix:
            atomic_write.write_file(target, b"new")
        else:
            atomic_write.write_directory(target, fill_with("new"))
        assert {path.name for path in tmp_path.iterdir()} == {name, kept}
    finally:
        alive.kill()
        alive.wait()


@pytest.mark.parametrize("aged", [False, True])
def test_without_locks_only_old_parts_are_taken_for_those_of_killed_runs(
    tmp_path, monkeypatch, aged
):
    monkeypatch.setattr(parts, "fcntl", None)
    left = tmp_path / ".plan.0123abcd.part"
    left.mkdir()
    if aged:
        os.utime(left, (0, 0))
    atomic_write.write_directory(tmp_path / "plan", fill_with("new"))
    assert left.exists() is not aged


def test_parts_of_other_targets_and_what_looks_alike_are_left_alone(tmp_path):
    others = [".plan b.0123abcd.part", ".plan.part", ".plan.0123abcd.parts", ".plan.notes.part"]
    for name in others:
        (tmp_path / name).mkdir()
    atomic_write.write_directory(tmp_path / "plan", fill_with("new"))
    assert {path.name for path in tmp_path.iterdir()} == {"plan", *others}


@pytest.mark.parametrize("name", [".plan.0123abcd.old", "plan"])
def test_a_directory_put_aside_by_a_killed_writer_comes_back_or_goes(tmp_path, name, monkeypatch):
    monkeypatch.setattr(atomic_write, "SWAP_CALL", {})
    (tmp_path / ".plan.0123abcd.old").mkdir()
    (tmp_path / name).mkdir(exist_ok=True)
    fill_with("old")(tmp_path / name)

    def fail(part):
        raise OSError(28, "No space left on device")

    with pytest.raises(OSError, match="No space left"):
        atomic_write.write_directory(tmp_path / "plan", fail)
    assert (tmp_path / "plan" / "a").read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["plan"]


def test_a_device_or_a_pipe_is_never_replaced(tmp_path):
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "device").symlink_to(os.devnull)
    for name in ("pipe", "device"):
        for attempt in (atomic_write.try_file, lambda path: atomic_write.write_file(path, b"new")):
            with pytest.raises(OSError, match="a device or a pipe; name a file"):
                attempt(tmp_path / name)
    assert (tmp_path / "pipe").is_fifo() and (tmp_path / "device").is_char_device()


def test_a_file_that_is_a_mount_point_is_refused_before_it_is_written(tmp_path, monkeypatch):
    (tmp_path / "a.csv").write_text("old")
    monkeypatch.setattr(Path, "is_mount", lambda path: path == tmp_path / "a.csv")
    with pytest.raises(OSError, match="a mount point cannot be replaced"):
        atomic_write.try_file(tmp_path / "a.csv")


def test_trying_a_place_leaves_nothing_and_removes_what_killed_writers_left(tmp_path):
    for left in (".a.csv.0123abcd.part", ".plan.0123abcd.part"):
        (tmp_path / left).mkdir()
    atomic_write.try_file(tmp_path / "a.csv")
    atomic_write.try_directory(tmp_path / "plan")
    atomic_write.try_directory(tmp_path / "new" / "plan")
    assert list(tmp_path.iterdir()) == []


def test_several_files_appear_only_once_all_are_complete(tmp_path):
    first, second = tmp_path / "a", tmp_path / "no" / "b"
    with pytest.raises(FileNotFoundError):
        atomic_write.write_files({first: b"new", second: b"new"})
    assert list(tmp_path.iterdir()) == []


def test_a_link_stays_and_the_file_it_leads_to_is_written(tmp_path):
    (tmp_path / "folder").mkdir()
    for name in ("there", "nothing"):
        (tmp_path / name).symlink_to(tmp_path / "folder" / name)
    (tmp_path / "folder" / "there").write_text("old")
    for name in ("there", "nothing"):
        atomic_write.write_file(tmp_path / name, b"new")
        assert (tmp_path / name).is_symlink()
        assert (tmp_path / "folder" / name).read_text() == "new"
    assert len(list((tmp_path / "folder").iterdir())) == 2


def test_only_one_module_renames_files():
    for path in Path(obsplan.__file__).parent.rglob("*.py"):
        found = re.findall(
            r"os\.(?:replace|rename)\(|\.rename\(Path|shutil\.move", path.read_text()
        )
        assert not found or path.name == "atomic_write.py", path
