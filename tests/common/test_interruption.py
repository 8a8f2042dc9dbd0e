"""Signals end a command at once, wait where something must not be torn, or end a search."""

import os
import signal
import subprocess
import sys

import pytest

from obsplan.common import interruption

pytestmark = pytest.mark.skipif(not hasattr(signal, "SIGHUP"), reason="no such signals here")
SIGNALS = [signal.SIGINT, signal.SIGTERM, signal.SIGHUP]


@pytest.fixture(autouse=True)
def heard(monkeypatch):
    """Signals that come at once, one after the other, count each."""
    monkeypatch.setattr(interruption, "TOGETHER_S", 0.0)
    before = {number: signal.getsignal(number) for number in SIGNALS}
    for number in SIGNALS:
        signal.signal(number, signal.SIG_DFL)
    with interruption.listening():
        yield
    for number, handler in before.items():
        signal.signal(number, handler)


@pytest.mark.parametrize("number", SIGNALS)
def test_a_signal_ends_the_command_and_is_named(number):
    with pytest.raises(KeyboardInterrupt):
        signal.raise_signal(number)
    assert interruption.name() == {2: "Ctrl-C", 15: "TERM", 1: "HUP"}[number]
    assert interruption.exit_code() == 128 + number


@pytest.mark.parametrize("number", SIGNALS)
def test_a_held_signal_is_heard_at_the_end(number):
    done = []
    with pytest.raises(KeyboardInterrupt), interruption.held():
        signal.raise_signal(number)
        done.append("all of it")
    assert done


def test_what_is_held_within_what_is_held_waits_for_the_outer_end():
    done = []
    with pytest.raises(KeyboardInterrupt), interruption.held():
        with interruption.held():
            signal.raise_signal(signal.SIGTERM)
        done.append("all of it")
    assert done


def test_after_hold_a_signal_waits_for_a_part_that_may_be_interrupted():
    interruption.hold()
    signal.raise_signal(signal.SIGINT)
    with interruption.held():
        pass
    with pytest.raises(KeyboardInterrupt), interruption.interruptible():
        pytest.fail("begins what would be interrupted")
    with interruption.interruptible():
        pass  # it was heard
    with pytest.raises(KeyboardInterrupt), interruption.interruptible():
        signal.raise_signal(signal.SIGINT)
    signal.raise_signal(signal.SIGINT)  # waits again


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP])
def test_what_may_soon_kill_ends_every_part_that_may_be_interrupted(number):
    interruption.hold()
    with interruption.calling(lambda: None):
        signal.raise_signal(number)
    for _ in range(3):
        with pytest.raises(KeyboardInterrupt), interruption.interruptible():
            pytest.fail("begins what would be interrupted")


def test_a_search_is_told_by_a_call_also_of_what_came_before():
    told = []
    with interruption.held():
        signal.raise_signal(signal.SIGINT)
        with interruption.calling(lambda: told.append("stop")):
            assert told == ["stop"]
            signal.raise_signal(signal.SIGINT)
        assert told == ["stop", "stop"]


def test_signals_close_together_are_one(monkeypatch):
    monkeypatch.setattr(interruption, "TOGETHER_S", 3600.0)
    told = []
    with interruption.listening(), interruption.calling(lambda: told.append("stop")):
        signal.raise_signal(signal.SIGTERM)
        signal.raise_signal(signal.SIGHUP)
        assert told == ["stop"] and interruption.name() == "TERM"


def test_a_signal_that_is_ignored_stays_ignored():
    signal.signal(signal.SIGHUP, signal.SIG_IGN)
    with interruption.listening():
        signal.raise_signal(signal.SIGHUP)  # as under nohup
        with pytest.raises(KeyboardInterrupt):
            signal.raise_signal(signal.SIGTERM)
    assert signal.getsignal(signal.SIGHUP) == signal.SIG_IGN


def test_what_was_held_in_one_command_is_forgotten_after_it():
    with interruption.listening():
        interruption.hold()
        signal.raise_signal(signal.SIGTERM)
    with interruption.interruptible():
        pass
    interruption.hold()
    signal.raise_signal(signal.SIGTERM)
    with interruption.listening():
        with interruption.interruptible():
            pass
        with pytest.raises(KeyboardInterrupt):
            signal.raise_signal(signal.SIGTERM)


# Signals itself when all that is left to do is tidying up.
AT_ITS_END = """
import atexit, os, signal, sys
from obsplan.common import interruption
atexit.register(lambda: os.kill(os.getpid(), int(sys.argv[1])))
with interruption.listening():
    pass
"""


@pytest.mark.parametrize("number", SIGNALS)
def test_a_command_that_is_over_ends_with_its_own_exit_code(number):
    done = subprocess.run([sys.executable, "-c", AT_ITS_END, str(int(number))])
    assert done.returncode == 0


# Is interrupted within exec of a string, as an import may be, and ends with the signal's own code.
WITHIN_EXEC = """
import os, signal, sys
from obsplan.common import interruption
with interruption.listening():
    try:
        exec("import signal; signal.raise_signal(number)", {"number": int(sys.argv[1])})
    except KeyboardInterrupt:
        sys.exit(interruption.exit_code())
"""


@pytest.mark.parametrize("number", SIGNALS)
def test_an_interrupted_import_ends_with_the_exit_code_of_its_signal(tmp_path, number):
    (tmp_path / "within_exec.py").write_text(WITHIN_EXEC)
    words = [sys.executable, "-m", "within_exec", str(int(number))]
    done = subprocess.run(words, cwd=tmp_path)
    assert done.returncode == 128 + number


# Writes after its terminal was closed, which would be an error.
ON_A_TERMINAL = """
import fcntl, sys, termios, time
from obsplan.common import interruption
fcntl.ioctl(0, termios.TIOCSCTTY)
with interruption.listening():
    try:
        print("here", flush=True)
        time.sleep(60)
    except KeyboardInterrupt:
        print("gone", flush=True)
        open(sys.argv[1], "w").write(interruption.name())
"""


def test_what_is_written_to_a_closed_terminal_is_no_error(tmp_path):
    ours, theirs = os.openpty()
    command = [sys.executable, "-c", ON_A_TERMINAL, str(tmp_path / "name")]
    child = subprocess.Popen(
        command, stdin=theirs, stdout=theirs, stderr=theirs, start_new_session=True
    )
    os.close(theirs)
    try:
        assert os.read(ours, 4) == b"here"
        os.close(ours)
        assert child.wait(timeout=60) == 0
    finally:
        child.kill()
    assert (tmp_path / "name").read_text() == "HUP"
