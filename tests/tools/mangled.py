"""Runs the real commands on mangled inputs: every case must end in 0, 1 or 2 with clear lines.

`python -m tools.mangled FIRST COUNT` runs the cases of these seeds in this process, each in a
folder of its own, and prints what each did as JSON. A process of its own has its memory measured,
and if it is killed or hangs the test that started it sees that.
"""

import io
import json
import re
import resource
import shutil
import signal
import sys
import tempfile
import traceback
import warnings
from collections.abc import Iterator
from contextlib import chdir, redirect_stderr, suppress
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from random import Random

import pandas as pd
from click.testing import CliRunner

import obsplan
from obsplan.cli.main import main
from obsplan.common.errors import ObsplanError
from obsplan.environment import build
from obsplan.inputs.read_scenario import read_scenario
from obsplan.inputs.sites_csv import read_sites
from obsplan.survey.site_survey import survey_sites
from tools.models import in_degrees, pds3
from tools.mutator import TEXTS, mangled
from tools.orbits import write_spk
from tools.sound_inputs import FILES, OLD_PLAN

# After so much work, or waiting, a case counts as hanging; another's work on the same machine does
# not count.
CPU_SECONDS, SECONDS = 60, 1000
TIMERS = (
    (signal.ITIMER_PROF, signal.SIGPROF, CPU_SECONDS),
    (signal.ITIMER_REAL, signal.SIGALRM, SECONDS),
)
MOST_LINE = 5000
MOST_LINES = 61

RANGE = ("--from", "2028-07-01", "--to", "2028-07-25")
SURVEY = ["sites", "small.toml", "sites.csv", *RANGE, "-o", "survey.csv", "--jobs", "1"]
SKYLINE = ["skyline", "near.tif", "--latitude", "40", "--longitude", "10", "-o", "out.csv"]
DRY_RUN = ["plan", "small.toml", "--dry-run"]
COMMANDS = {
    "scenario": [
        ["sky", "small.toml"],
        ["sky", "small.toml", "-o", "out.csv", "--above", "250", "--depth", "0.2"],
        ["link", "small.toml", "-o", "out.csv", "--figure", "out.png"],
        ["link", "small.toml", "--at", "2028-07-05T02:00:00Z"],
        ["check", "small.toml", "timeline.csv", "-o", "out.csv"],
        ["check", "small.toml", "timeline.csv", "--state", "state.toml"],
        ["compare", "small.toml", "timeline.csv", "as_run.csv", "-o", "out.csv"],
        DRY_RUN,
        [*DRY_RUN, "--json"],
        ["days", "small.toml", *RANGE, "-o", "out"],
    ],
    **dict.fromkeys(
        ["unit", "margins", "conditions", "decision", "goal", "places"],
        [
            DRY_RUN,
            ["check", "small.toml", "timeline.csv", "-o", "out.csv"],
            ["check", "small.toml", "timeline.csv", "--state", "state.toml"],
        ],
    ),
    "keep-out": [
        DRY_RUN,
        [*DRY_RUN, "--keep-out", "probe", "2028-07-05T04:00Z", "2028-07-05T04:30Z"],
        ["check", "small.toml", "timeline.csv", "-o", "out.csv"],
        ["days", "small.toml", *RANGE, "-o", "out"],
    ],
    "uncertainty": [
        ["futures", "small.toml", "timeline.csv", "-o", "out", "--samples", "3"],
        ["futures", "small.toml", "timeline.csv", "-o", "out", "--samples", "2", "--seed", "7"],
    ],
    "thermal table": [
        ["check", "small.toml", "timeline.csv", "-o", "out.csv"],
        ["days", "small.toml", *RANGE, "-o", "out"],
        DRY_RUN,
    ],
    "shadow table": [
        ["check", "small.toml", "timeline.csv", "-o", "out.csv"],
        ["days", "small.toml", *RANGE, "-o", "out"],
        DRY_RUN,
    ],
    "team": [
        DRY_RUN,
        ["check", "small.toml", "timeline.csv", "-o", "out.csv"],
    ],
    "pin": [
        DRY_RUN,
        [*DRY_RUN, "--pin", "panorama@2028-07-05T02:30Z"],
        ["check", "small.toml", "timeline.csv", "-o", "out.csv"],
    ],
    "hazards": [DRY_RUN, ["check", "small.toml", "timeline.csv", "-o", "out.csv"]],
    "shifts": [
        DRY_RUN,
        ["check", "small.toml", "timeline.csv", "-o", "out.csv"],
    ],
    "passes": [
        ["link", "small.toml", "-o", "out.csv", "--figure", "out.png"],
        ["link", "small.toml", "--at", "2028-07-05T02:00:00Z"],
        ["check", "small.toml", "timeline.csv", "-o", "out.csv"],
        [*DRY_RUN, "--json"],
    ],
    "skyline": [["sky", "small.toml", "-o", "out.csv"]],
    "station skyline": [["link", "small.toml", "-o", "out.csv"]],
    "timeline": [
        ["check", "small.toml", "timeline.csv", "-o", "out.csv"],
        ["check", "small.toml", "timeline.csv", "--format", "csv"],
        ["compare", "small.toml", "timeline.csv", "as_run.csv"],
    ],
    "as run": [["compare", "small.toml", "timeline.csv", "as_run.csv", "-o", "out.csv"]],
    "state": [["check", "small.toml", "timeline.csv", "--state", "state.toml", "-o", "out.csv"]],
    "sites": [SURVEY],
    "saved chunk": [SURVEY],
    "elevation model": [SKYLINE],
    "model label": [["skyline", "pole.lbl", "--latitude", "-90", *SKYLINE[4:]]],
    "windows": [["from Python: with_windows"]],
    "old plan": [
        ["check", "small.toml", "old"],
        ["replan", "small.toml", "old", "--now", "2028-07-05T03:00:00Z", "-o", "out"],
        ["plan", "small.toml", "-o", "old"],
    ],
    "orbiter": [
        ["sky", "flying.toml", "-o", "out.csv"],
        ["link", "flying.toml", "--at", "2028-07-05T02:00:00Z"],
        ["plan", "flying.toml", "--dry-run"],
    ],
    **dict.fromkeys(
        ["orbit", "sampled orbit"],
        [["sky", "flying.toml", "-o", "out.csv"], ["link", "flying.toml", "-o", "out.csv"]],
    ),
    "planned": [
        ["plan", "small.toml", "-o", "out", "--effort", "low", "--patience", "5"],
        ["plan", "small.toml", "-o", "out", "--worth", "--alternatives", "2", "--patience", "8"],
        [
            *("replan", "small.toml", "timeline.csv", "--now", "2028-07-05T04:00:00Z", "--state"),
            *("state.toml", "--as-run", "as_run.csv", "-o", "out", "--patience", "5"),
        ],
    ],
}
# What is mangled: the file, how, and how often of a hundred cases.
MANGLED = {
    "scenario": ("small.toml", "toml", 14),
    "unit": ("small.toml", "toml unit", 4),
    "keep-out": ("small.toml", "toml keep_out", 3),
    "team": ("small.toml", "toml team", 3),
    "pin": ("small.toml", "toml pin", 2),
    "margins": ("small.toml", "toml margins", 3),
    "goal": ("small.toml", "toml goal", 3),
    "conditions": ("small.toml", "toml when", 3),
    "places": ("small.toml", "toml stop drive parking", 5),
    "decision": ("small.toml", "toml after first_runs_in_contact received_by_h", 4),
    "uncertainty": ("small.toml", "toml futures uncertainty", 3),
    "orbiter": ("flying.toml", "toml orbit", 3),
    "orbit": ("orbit.oem", "text", 4),
    "sampled orbit": ("orbit.bsp", "bytes", 2),
    "skyline": ("around.csv", "csv", 3),
    "station skyline": ("mask.csv", "csv", 2),
    "thermal table": ("thermal.csv", "csv", 4),
    "shadow table": ("shadow.csv", "csv", 4),
    "hazards": ("hazards.csv", "csv", 3),
    "passes": ("passes.csv", "csv", 5),
    "shifts": ("shifts.csv", "csv", 4),
    "timeline": ("timeline.csv", "csv", 7),
    "as run": ("as_run.csv", "csv", 7),
    "state": ("state.toml", "toml", 7),
    "sites": ("sites.csv", "csv", 4),
    "saved chunk": (".survey.csv.*.parts/*.json", "text", 2),
    "elevation model": ("near.tif", "tif", 3),
    "model label": ("pole.lbl", "text", 2),
    "windows": ("windows.csv", "csv", 2),
    "command line": ("", "", 3),
    "old plan": ("old/*", "text", 2),
    "planned": ("small.toml", "toml", 2),
}
WORDS = [*TEXTS, "\udcff", "small.toml", "out.csv", "out", "..", "--help", "-", "-o", "--state"]


@dataclass
class Outcome:
    """What a case did; `wrong` says what it should not have done, "" if nothing."""

    seed: int
    kind: str
    done: str
    words: list[str]
    code: int
    stdout: str
    stderr: str
    peak_mb: float
    wrong: str


def bench(folder: Path) -> None:
    """Write sound inputs into a folder, and a chunk that an interrupted survey has saved."""
    for name, text in FILES.items():
        (folder / name).write_text(text)
    in_degrees(folder / "near.tif", lambda y, x: 0 * y + 50 * x, (40.0, 10.0), 0.05, 9, unit="m")
    write_spk(folder / "orbit.bsp", "2028-07-04T23:30:00", 480)
    (folder / "old").mkdir()
    for name, text in OLD_PLAN.items():
        (folder / "old" / name).write_text(text)
    pds3(folder / "pole.lbl", [[k * j for k in range(9)] for j in range(9)], 1000.0, unit="METER")
    scenario = read_scenario(folder / "small.toml")
    days = [datetime(2028, 7, day, tzinfo=UTC) for day in (1, 25)]
    places = read_sites(folder / "sites.csv")
    table = survey_sites(scenario, places, *days, jobs=1, keep=folder / "survey.csv")
    obsplan.write_csv(table, folder / "survey expected.csv")


def case(seed: int, sound: Path, folder: Path) -> Outcome:
    """Copy the sound inputs, mangle one of them, run a command, and judge what it did."""
    rng = Random(seed)
    weights = [weight for _, _, weight in MANGLED.values()]
    kind = rng.choices(list(MANGLED), weights)[0]
    shutil.copytree(sound, folder)
    name, form, _ = MANGLED[kind]
    if kind == "command line":
        words, done = _odd_words(rng)
    else:
        words = list(rng.choice(COMMANDS[kind]))
        path = rng.choice(sorted(folder.glob(name)))
        content, done = mangled(form, path.read_bytes(), rng)
        path.write_bytes(content)
    _reset_peak()
    code, stdout, stderr, wrong = _run(words, folder)
    peak_mb = _peak_mb()
    wrong = wrong or _what_is_wrong(kind, words, code, stdout, stderr, folder)
    if peak_mb > 1000:
        wrong = wrong or f"took {peak_mb:.0f} MB"
    return Outcome(seed, kind, done, words, code, stdout, stderr, peak_mb, wrong)


def _odd_words(rng: Random) -> tuple[list[str], str]:
    """A command of another kind with one or two words replaced, dropped or added."""
    words = list(rng.choice([w for k, several in COMMANDS.items() for w in several if k[0] != "w"]))
    done = []
    for _ in range(rng.choice([1, 1, 2])):
        at, odd = rng.randrange(len(words)), rng.choice(WORDS)
        words[at : at + rng.choice([0, 1, 1, 1])] = rng.choice([[odd], [odd], []])
        done.append(f"word {at}")
    return words or ["sky"], ", ".join(done)


def _run(words: list[str], folder: Path) -> tuple[int, str, str, str]:
    """Exit code, what was printed, and a traceback or that it hangs, if so."""

    def late(*_):
        raise TimeoutError(f"not done after {CPU_SECONDS} s of work, or {SECONDS} s")

    for timer, number, seconds in TIMERS:
        signal.signal(number, late)
        signal.setitimer(timer, seconds)
    try:
        with chdir(folder), warnings.catch_warnings():
            warnings.simplefilter("always")
            for quiet in (DeprecationWarning, PendingDeprecationWarning, ResourceWarning):
                warnings.simplefilter("ignore", quiet)
            if words[0].startswith("from Python"):
                return _windows()
            ran = CliRunner().invoke(main, words)
    finally:
        for timer, _, _ in TIMERS:
            signal.setitimer(timer, 0)
    trace = ""
    if ran.exception and not isinstance(ran.exception, SystemExit):
        trace = "".join(traceback.format_exception(ran.exception, limit=-6))
    return ran.exit_code, ran.stdout, ran.stderr, trace


def _windows() -> tuple[int, str, str, str]:
    """A table of windows as a script reads it; what pandas cannot read is not obsplan's affair."""
    said = io.StringIO()
    try:
        with redirect_stderr(said):
            windows = pd.read_csv("windows.csv")
            environment = build.make_environment(read_scenario("small.toml"))
            obsplan.with_windows(environment, "sweep", windows)
    except ObsplanError as refused:
        return refused.exit_code, "", f"{said.getvalue()}{refused}\n", ""
    except (ValueError, pd.errors.ParserError):
        if "windows" in locals():
            return 3, "", said.getvalue(), traceback.format_exc(limit=-6)
    return 0, "", said.getvalue(), ""


PROGRESS = re.compile(r"^( *\d+\.\d s  .*|computing .*|note: .*|caution: .*)$")


def _what_is_wrong(
    kind: str, words: list[str], code: int, stdout: str, stderr: str, folder: Path
) -> str:
    if code not in (0, 1, 2):
        return f"exit code {code}"
    for line in (stdout + "\n" + stderr).split("\n"):
        if not line.replace("\t", " ").isprintable():
            return f"not printable: {line[:200]!r}"
        if len(line) > MOST_LINE and "csv" not in words:  # data may be as long as they are
            return f"a line of {len(line)} characters"
    if "Traceback" in stderr or "Warning: " in stderr:
        return "a traceback or a warning"
    lines = [line for line in stderr.splitlines() if line and not PROGRESS.match(line)]
    if code == 2 and not 1 <= len(lines) <= MOST_LINES:
        return f"{len(lines)} lines of error"
    if code == 1 and not lines and not stdout.strip():
        return "says nothing"
    outputs = {"out", "out.csv", "survey.csv"} & {path.name for path in folder.iterdir()}
    if code == 2 and outputs and kind != "command line":
        return f"refused, but {outputs} was written"
    if (
        kind == "saved chunk"
        and (folder / "survey.csv").read_bytes() != (folder / "survey expected.csv").read_bytes()
    ):
        return "other results after resuming"
    return ""


def _reset_peak() -> None:
    with suppress(OSError):  # on another system the peak is that of all cases so far
        Path("/proc/self/clear_refs").write_text("5")


def _peak_mb() -> float:
    try:
        status = Path("/proc/self/status").read_text()
        return int(re.search(r"VmHWM:\s+(\d+) kB", status)[1]) / 1000
    except OSError:
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1000


def outcomes(seeds: range, folder: Path) -> Iterator[Outcome]:
    """Run the cases of these seeds below a folder."""
    (sound := folder / "sound").mkdir()
    bench(sound)
    original, sound_scenario = build.make_environment, read_scenario(sound / "small.toml")
    known = original(sound_scenario)

    def make_environment(scenario, *rest):
        """The sound scenario, that of most cases, need not be computed again each time."""
        same = scenario.model_copy(update={"folder": sound_scenario.folder}) == sound_scenario
        return known if same and not any(rest) else original(scenario, *rest)

    build.make_environment = make_environment
    for seed in seeds:
        yield case(seed, sound, folder / str(seed))
        shutil.rmtree(folder / str(seed))


if __name__ == "__main__":
    resource.setrlimit(resource.RLIMIT_AS, (6 << 30, 6 << 30))
    with tempfile.TemporaryDirectory() as here:
        first, count = map(int, sys.argv[1:3])
        for outcome in outcomes(range(first, first + count), Path(here)):
            print(json.dumps(asdict(outcome)), flush=True)
