"""Kills commands at random moments, and looks at what they leave.

The output must be the old one or the new one, never half of either; no process may go on; and
what the killed run left hidden must be gone after the next run. As a script:

    python -m tools.kills FOLDER --kills 200 --seed 1

prints a line for each kill and a table of what was found. It stops at the first failure.
"""

import argparse
import json
import os
import random
import signal
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import NamedTuple

import obsplan
from obsplan.common.errors import ObsplanError
from obsplan.common.whole_directory import SUMS, require_replaceable
from tools.small import SMALL

VARIANTS = ("first", "second")
SIGNALS = (signal.SIGKILL, signal.SIGTERM, signal.SIGINT)
RANGE = ["--from", "2028-06-20", "--to", "2028-07-20"]
# The calendar continues the one that it replaces, and so does its digest.
DEPEND_ON_THE_OLD = {"plan.ics", SUMS}


class Victim(NamedTuple):
    """A command that is killed: its words for a variant of the input, and what it writes."""

    words: Callable[[str], list[str]]
    outputs: tuple[str, ...]
    keeps_its_plan: bool = False


VICTIMS = {
    "plan": Victim(lambda v: ["plan", f"{v}.toml", "-o", "plan"], ("plan",), True),
    "replan": Victim(
        lambda v: ["replan", f"{v}.toml", "old.csv", "--now", "2028-07-05T02:00:00Z", "-o", "new"],
        ("new",),
        True,
    ),
    "days": Victim(lambda v: ["days", f"{v}.toml", *RANGE, "-o", "days"], ("days",)),
    "sites": Victim(
        lambda v: (
            ["sites", f"{v}.toml", "sites.csv", *RANGE, "--jobs", "2"]
            + ["-o", "survey.csv", "--figure", "map.png"]
        ),
        ("survey.csv", "map.png"),
    ),
}
Contents = dict[str, bytes]
# What Python says if it is interrupted before it has started.
NOT_STARTED = "Fatal Python error: init_import_site"
OWN_CODE = f"{Path(obsplan.__file__).parent}{os.sep}"


class Killed(NamedTuple):
    """What became of a run that was killed; `left` are hidden names beside its output."""

    outcome: str
    exit_code: int
    left: tuple[str, ...]
    said: str


def prepare(folder: Path) -> None:
    """The inputs of all victims; the variants differ in title and in what they want."""
    for variant, count in zip(VARIANTS, (3, 2)):
        text = SMALL.replace('title = "small"', f'title = "{variant}"')
        text = text.replace("count = 3", f"count = {count}")
        # One more hour of ground shade makes the other tables differ too.
        text = text.replace("latitude_deg = 40.0\nlong", f"latitude_deg = {37.0 + count}\nlong", 1)
        (folder / f"{variant}.toml").write_text(text)
    (folder / "old.csv").write_text("activity,start_utc\nsweep,2028-07-05T06:00:00Z\n")
    rows = "".join(f"site {k},{20 * k - 40},{30 * k},0\n" for k in range(5))
    (folder / "sites.csv").write_text(f"name,latitude_deg,longitude_deg,height_m\n{rows}")


def contents(folder: Path, victim: Victim) -> Contents:
    """All files of the output by name, empty if there is none."""
    files = [
        path
        for name in victim.outputs
        for path in ((folder / name).iterdir() if (folder / name).is_dir() else [folder / name])
    ]
    return {path.name: path.read_bytes() for path in files if path.is_file()}


def start(folder: Path, words: list[str]) -> subprocess.Popen:
    """A run in a session of its own, in which no signal is ignored."""

    def hear() -> None:
        for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
            signal.signal(number, signal.SIG_DFL)

    return subprocess.Popen(
        [sys.executable, "-m", "obsplan", *words],
        cwd=folder,
        env=os.environ | {"PYTHONPATH": str(Path(obsplan.__file__).parents[1])},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
        preexec_fn=hear,
    )


def complete(folder: Path, victim: Victim, variant: str) -> float:
    """Run to the end, after which nothing hidden is left; the time it took, in seconds."""
    began = time.monotonic()
    run = start(folder, victim.words(variant))
    _, said = run.communicate(timeout=600)
    assert run.returncode == 0, said
    assert not hidden(folder), hidden(folder)
    return time.monotonic() - began


def hidden(folder: Path) -> tuple[str, ...]:
    return tuple(sorted(path.name for path in folder.iterdir() if path.name.startswith(".")))


def kill(
    folder: Path, victim: Victim, variant: str, number: int, after_s: float, new: Contents | None
) -> Killed:
    """Kill a run after a while, and judge what it leaves.

    `new` is what a complete run writes, if that is known. Ctrl-C reaches all processes of the
    run, as from a terminal, the other signals only the first.
    """
    old = contents(folder, victim)
    run = start(folder, victim.words(variant))
    time.sleep(after_s)
    with suppress(ProcessLookupError):  # it has ended by itself
        (os.killpg if number == signal.SIGINT else os.kill)(run.pid, number)
    _, said = run.communicate(timeout=600)
    wait_for_silence(run.pid)
    found = contents(folder, victim)
    outcome = judged(folder, victim, variant, old, found, new)
    ended = {-number} if number == signal.SIGKILL else {-number, 128 + number}
    if said.startswith(NOT_STARTED):
        ended.add(1)
    allowed = {"old": ended, "new": {0} | ended, "kept": {0}}.get(outcome, set())
    assert run.returncode in allowed, f"{outcome}, exit {run.returncode}: {said}"
    # Python itself may be interrupted before it has come to obsplan.
    in_python = run.returncode in (1, -signal.SIGINT) and OWN_CODE not in said
    assert "Traceback" not in said or in_python, said
    return Killed(outcome, run.returncode, hidden(folder), said)


def judged(
    folder: Path,
    victim: Victim,
    variant: str,
    old: Contents,
    found: Contents,
    new: Contents | None,
) -> str:
    """Whether the output is old, new, or a new plan kept from an interrupted search."""
    if found == old:
        return "old"
    if SUMS in found:
        output = folder / victim.outputs[0]
        require_replaceable(output, set(found))  # every digest is right
        listed = {line.split()[1] for line in found[SUMS].decode().splitlines()}
        assert listed == set(found) - {SUMS}
    if new is not None and _same(found, new):
        return "new"
    if victim.keeps_its_plan and json.loads(found["summary.json"])["interrupted"]:
        assert json.loads(found["summary.json"])["title"] == variant
        return "kept"
    assert new is None, f"neither old nor new: {[n for n in found if found[n] != new.get(n)]}"
    assert SUMS in found or set(found) == set(victim.outputs), set(found)
    return "new"


def _same(one: Contents, other: Contents) -> bool:
    def plain(files: Contents) -> Contents:
        return {name: files[name] for name in files if name not in DEPEND_ON_THE_OLD}

    return plain(one) == plain(other)


def wait_for_silence(session: int, patience_s: float = 60.0) -> None:
    """Until no process of the session lives; an AssertionError if one goes on."""
    deadline = time.monotonic() + patience_s
    while alive := [process for process in map(_process, _numbers()) if process[1] == session]:
        assert time.monotonic() < deadline, f"processes go on: {alive}"
        time.sleep(0.05)


def _numbers() -> list[int]:
    return [int(path.name) for path in Path("/proc").iterdir() if path.name.isdigit()]


def _process(number: int) -> tuple[int, int]:
    """A process and its session, 0 for one that is gone or only waits to be buried."""
    try:
        status = Path(f"/proc/{number}/stat").read_text().rpartition(")")[2].split()
    except OSError:
        return number, 0
    return number, 0 if status[0] == "Z" else int(status[3])


def attack(folder: Path, name: str, kills: int, draw: random.Random, known: bool = True):
    """Kill a command again and again, at moments from its first to its last; yield each `Killed`.

    What it leaves hidden must be gone after one complete run. With `known`, complete runs come
    first, so that every output is compared with theirs; else there is nothing at first.
    """
    victim, lasts_s, new = VICTIMS[name], 3.0, dict.fromkeys(VARIANTS)
    for variant in VARIANTS if known else ():
        lasts_s = max(lasts_s, complete(folder, victim, variant))
        new[variant] = contents(folder, victim)
    variant, other = VARIANTS  # the one that is there now is the other
    for _ in range(kills):
        number = SIGNALS[draw.randrange(len(SIGNALS))]
        killed = kill(folder, victim, variant, number, draw.random() * lasts_s, new[variant])
        yield number, killed
        if killed.left:
            complete(folder, victim, variant)
        if killed.left or killed.outcome != "old":
            variant, other = other, variant


def rivals(folder: Path, name: str, draw: random.Random) -> str:
    """Two runs at once into one output; one is killed, and the other must end well."""
    victim = VICTIMS[name]
    known = {}
    for variant in VARIANTS:
        lasts_s = complete(folder, victim, variant)
        known[variant] = contents(folder, victim)
    doomed, other = (start(folder, victim.words(variant)) for variant in VARIANTS)
    time.sleep(draw.random() * 2 * lasts_s)
    doomed.kill()
    doomed.communicate()
    _, said = other.communicate(timeout=600)
    assert other.returncode == 0, said
    found = contents(folder, victim)
    last = [variant for variant in VARIANTS if _same(found, known[variant])]
    assert last, "neither the one nor the other"
    complete(folder, victim, VARIANTS[0])
    return last[0]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--rivals", type=int, default=0, help="Pairs of runs at once.")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", choices=VICTIMS, action="append")
    asked = parser.parse_args()
    names, draw = asked.only or [*VICTIMS], random.Random(asked.seed)
    counts: Counter = Counter()
    for k, name in enumerate(names):
        folder = asked.folder / name
        folder.mkdir(parents=True)
        prepare(folder)
        share = asked.kills // len(names) + (k < asked.kills % len(names))
        for number, killed in attack(folder, name, share, draw):
            print(name, number.name, *killed[:3], flush=True)
            counts[name, number.name, killed.outcome, bool(killed.left)] += 1
        for _ in range(asked.rivals):
            print(name, "rivals: the last was the", rivals(folder, name, draw), flush=True)
    for (name, number, outcome, left), count in sorted(counts.items()):
        rest = ", hidden files until the next run" if left else ""
        print(f"{count:4d}  {name:8} {number:8} output {outcome}{rest}")


if __name__ == "__main__":
    try:
        main()
    except (AssertionError, ObsplanError) as failure:
        sys.exit(f"failed: {failure}")
