"""A timeline that is edited is judged after each save."""

import os
import signal
import subprocess
import sys
import threading
from pathlib import Path

import pytest
from click.testing import CliRunner
from tools.small import SMALL, platform, scenario, slots, world

from obsplan.checking.check import check_timeline
from obsplan.cli.main import main
from obsplan.cli.watch import saves
from obsplan.reporting.text.sentences import violation_lines, worst_first

HEADER = "activity,start_utc\n"
GOOD = HEADER + "sweep,2028-07-05T06:00:00Z\n"
BAD = HEADER + "sweep,2028-07-05T06:10:00Z\n"


def test_a_file_is_seen_at_once_after_each_save_and_when_it_rests(tmp_path):
    path = tmp_path / "t.csv"
    path.write_text(GOOD)
    seen = saves(path, every_s=0.01, rest_s=0.05)
    assert [next(seen), next(seen)] == [True, False]
    path.write_text(BAD + BAD)
    assert [next(seen), next(seen)] == [True, False]


def test_a_file_that_is_gone_for_a_moment_is_waited_for(tmp_path):
    path, other = tmp_path / "t.csv", tmp_path / "other.csv"
    path.write_text(GOOD)
    seen = saves(path, every_s=0.01, rest_s=30.0)
    assert next(seen)
    other.write_text(BAD)
    path.unlink()
    threading.Timer(0.1, lambda: other.rename(path)).start()
    assert next(seen) and path.read_text() == BAD


@pytest.fixture
def watched(tmp_path):
    """A check that watches, and a function that gives its lines up to the end of a verdict."""
    (tmp_path / "small.toml").write_text(SMALL)
    (tmp_path / "t.csv").write_text(GOOD)
    words = ["check", "small.toml", "t.csv", "--watch"]
    run = subprocess.Popen(
        [sys.executable, "-m", "obsplan", *words],
        cwd=tmp_path,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
        env=os.environ | {"PYTHONUNBUFFERED": "1"},
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.default_int_handler),
    )

    def verdict() -> str:
        lines = []
        for line in run.stdout:
            lines.append(line)
            if "Ctrl-C ends the watch" in line:
                return "".join(lines)
        raise AssertionError(f"ended: {lines}")

    yield run, verdict
    run.kill()
    run.wait()


def saved(path: Path, text: str) -> None:
    """As an editor saves: by a new file that takes the name of the old."""
    path.with_suffix(".new").write_text(text)
    path.with_suffix(".new").rename(path)


def test_each_save_is_judged_and_ctrl_c_ends_with_the_last_verdict(tmp_path, watched):
    run, verdict = watched
    assert "no violations" in verdict()
    saved(tmp_path / "t.csv", BAD)
    said = verdict()
    assert "grid: " in said and "fix: " not in said
    assert "fix: " in verdict()
    saved(tmp_path / "t.csv", "activity,start\nsweep,soon\n")
    assert "start_utc = 'soon': not a time" in verdict()
    saved(tmp_path / "t.csv", BAD)
    assert "grid: " in verdict()
    run.send_signal(signal.SIGINT)
    assert run.wait(60) == 1


def test_what_watches_writes_nothing(tmp_path):
    (tmp_path / "small.toml").write_text(SMALL)
    (tmp_path / "t.csv").write_text(GOOD)
    names = [str(tmp_path / name) for name in ("small.toml", "t.csv", "out.csv")]
    for more in (["-o", names[2]], ["--format", "csv"]):
        done = CliRunner().invoke(main, ["check", *names[:2], "--watch", *more])
        assert done.exit_code == 2 and "use it without -o and --format csv" in done.output


def test_what_runs_out_comes_before_what_is_misplaced_and_much_before_little():
    scene = scenario(
        {"name": "oven", "power_w": 90.0, "count": 9, "must": 3, "gap_min": 60},
        platforms=[platform(battery={"capacity_wh": 100.0})],
        hours=12,
    )
    rows = [("oven", 7), ("oven", 90), ("oven", 160)]
    verdict = check_timeline(world(scene), slots(*rows), fixes=False)
    rules = [v.rule for v in worst_first(verdict).found]
    assert rules[0] == "state of charge" and "gap" in rules and "grid" in rules
    gaps = [v.amount for v in worst_first(verdict).found if v.rule == "gap"]
    assert len(gaps) == 2 and gaps == sorted(gaps, reverse=True)
    assert len(violation_lines(worst_first(verdict))) == len(violation_lines(verdict))
