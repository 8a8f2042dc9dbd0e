"""What the terminal shows: sums that add up, bounds in words, colour only where it suits."""

import io
import json
import math
import os
import pty
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st
from tools.small import SMALL, scenario, world

from obsplan.cli.main import main
from obsplan.planning.plan import make_plan
from obsplan.planning.reasons.audit import audit
from obsplan.planning.reasons.balance import balance
from obsplan.planning.search.strategy import Standing
from obsplan.reporting.text import terminal
from obsplan.reporting.text.sentences import bound_line


@pytest.fixture(scope="module")
def made():
    """Two activities, of which one can never run and the other wants more than there is room."""
    scene = scenario(
        {"name": "sweep", "count": 40, "value": 2.0},
        {"name": "deep night", "when": {"sun_elevation_deg": [-90, -80]}},
    )
    return make_plan(world(scene))


class Screen(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_the_table_counts_runs_and_adds_them_up(made, tmp_path):
    lines = terminal.plan_lines(made, tmp_path)
    rows = {line[:10].strip(): line[10:].split() for line in lines[:4]}
    assert rows["sweep"] == ["40", "24", "48.0"]
    assert rows["deep night"] == ["1", "0", "0.0"]
    assert rows["total"] == ["41", "24", "48.0"]
    assert lines[4] == "value 48.0, proven optimal on this time grid"
    assert lines[5].startswith("of plans worth the same")
    assert lines[6].startswith("no violations; ")
    assert lines[7].startswith("smallest margin:") and lines[-1] == f"written to {tmp_path}"


def test_the_directory_cannot_colour_the_line_that_names_it(made):
    last = terminal.plan_lines(made, Path("a\x1b[31mb"), colour=True)[-1]
    assert last == "written to a\\x1b[31mb"


def test_the_end_names_the_margins_that_are_used_up(made, tmp_path):
    margins = made.verdict.margins
    for thin, words in ((True, ": free storage (lander)"), (False, None)):
        verdict = replace(
            made.verdict, margins=margins.assign(thin=thin & (margins["margin"] == "free storage"))
        )
        last = terminal.plan_lines(replace(made, verdict=verdict), tmp_path)[-2]
        said = "margins used up (less than 2 % or 10 min left)"
        assert last == f"{said}{words}" if thin else "used up" not in last


def test_an_interrupted_plan_says_so(made, tmp_path):
    lines = terminal.plan_lines(replace(made, interrupted=True), tmp_path)
    assert sum("search interrupted" in line for line in lines) == 1


def test_progress_goes_on_when_nobody_reads_it_any_more():
    class Closed(io.StringIO):
        def write(self, text: str) -> int:
            raise BrokenPipeError

    terminal.progress(Closed())("better: value 1.0")


def test_colour_only_repeats_what_is_said(made, tmp_path):
    plain = terminal.plan_lines(made, tmp_path)
    painted = terminal.plan_lines(made, tmp_path, colour=True)
    assert not any("\x1b" in line for line in plain) and any("\x1b" in line for line in painted)
    for tone in terminal.TONES.values():
        painted = [line.replace(f"\x1b[{tone}m", "") for line in painted]
    assert [line.replace("\x1b[0m", "") for line in painted] == plain


@pytest.mark.parametrize(
    ("settings", "wanted"),
    [({}, True), ({"NO_COLOR": "1"}, False), ({"NO_COLOR": ""}, True), ({"TERM": "dumb"}, False)],
)
def test_colour_goes_to_terminals_of_those_who_want_it(monkeypatch, settings, wanted):
    monkeypatch.delenv("NO_COLOR", raising=False)
    monkeypatch.setenv("TERM", "xterm")
    for key, value in settings.items():
        monkeypatch.setenv(key, value)
    assert terminal.colours(Screen()) is wanted
    assert not terminal.colours(io.StringIO())


@pytest.mark.parametrize(
    ("value", "bound", "words"),
    [
        (21.0, 21.0, "value 21.0, proven optimal on this time grid"),
        (
            21.0,
            21.06,
            "upper bound 21.1 for any plan on this time grid: this plan is within 0.3 %",
        ),
        (
            210.0,
            210.1,
            "any plan on this time grid: this plan is within 0.1 % of the optimum",
        ),
        (0.0, 0.0, "proven"),
        (0.0, 5.0, "within 100.0 % of the optimum"),
        (1.0, math.inf, "value 1.0, no upper bound proven"),
    ],
)
def test_the_bound_in_words(made, value, bound, words):
    assert words in bound_line(replace(made, value=value, bound=bound))


@given(st.floats(0, 1e6), st.floats(0, 1e6))
def test_the_bound_in_words_is_never_below_the_bound(made, value, more):
    line = bound_line(replace(made, value=value, bound=value + more))
    if "proven" not in line:
        assert float(line.split("upper bound ")[1].split(" ")[0]) >= value + more


def test_better_plans_take_each_others_line_on_a_terminal_alone(monkeypatch):
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setenv("COLUMNS", "40")
    told = [
        "first plan: value 1.0",
        Standing("better: value 2.0"),
        Standing("better: value 3.0"),
        Standing("better: " + "x" * 80),
        "plan: " + "x" * 80,
    ]
    for stream in (Screen(), io.StringIO()):
        report = terminal.progress(stream, clock=iter(range(9)).__next__)
        for line in told:
            report(line)
        written = stream.getvalue().splitlines()
        assert written[1] == "   2.0 s  better: value 2.0"
        assert written[2].startswith("\x1b[1A\x1b[2K") is stream.isatty()
        assert written[2].endswith("   3.0 s  better: value 3.0")
        # A line that wraps could not be taken back; one that stays is told in full.
        assert len(written[3].removeprefix("\x1b[1A\x1b[2K")) == (39 if stream.isatty() else 98)
        assert len(written[4]) == 96


def test_the_audit_is_a_table_and_a_line_for_each_finding():
    scene = scenario({"name": "a", "must": 1, "power_w": 400.0})
    offered = world(scene)
    findings = audit(offered)
    lines = terminal.audit_lines(findings, balance(offered))
    assert lines[0].split() == ["platform", "required", "requested", "available"]
    assert lines[1].split() == ["lander", "energy", "400", "400", "600", "Wh"]
    assert len(lines) == 4 + len(findings) + 1
    assert lines[4].startswith('infeasible: activity "a": draws 400 W')
    assert lines[-1].startswith("infeasible: 1 of ")


@pytest.fixture
def run(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "small.toml").write_text(SMALL)
    return lambda *args: CliRunner().invoke(main, ["plan", "small.toml", *args])


def test_quiet_says_nothing_but_errors(run, tmp_path):
    made = run("-o", "p", "--quiet")
    assert made.exit_code == 0 and not made.output and (tmp_path / "p").is_dir()
    refused = run("-o", "small.toml", "--quiet")
    assert refused.exit_code == 2 and "small.toml" in refused.stderr and not refused.stdout


def test_json_is_the_summary_and_nothing_else(run, tmp_path):
    made = run("-o", "p", "--json")
    assert made.exit_code == 0
    assert made.stdout == (tmp_path / "p" / "summary.json").read_text()
    assert "first plan" in made.stderr or "plan: value" in made.stderr


def test_dry_run_writes_nothing_and_tells_by_its_exit_code(run, tmp_path):
    fine = run("--dry-run")
    assert fine.exit_code == 0 and "no blocker found; run plan to confirm" in fine.stdout
    told = json.loads(run("--dry-run", "--json").stdout)
    assert told["infeasible"] is False and len(told["balance"]) == 3
    assert {row["severity"] for row in told["findings"]} == {"note"}
    must = SMALL.replace(
        "count = 3", "count = 3\nmust = 1\nwhen = { sun_elevation_deg = [80, 90] }"
    )
    (tmp_path / "small.toml").write_text(must)
    refused = run("--dry-run")
    assert (
        refused.exit_code == 1 and 'infeasible: activity "sweep": has no window' in refused.stdout
    )
    assert run("--dry-run", "--quiet").exit_code == 1
    assert [p.name for p in tmp_path.iterdir()] == ["small.toml"]


@pytest.mark.parametrize("asked", [[], ["-o", "p", "--quiet", "--json"]])
def test_questions_that_contradict_themselves_are_told(run, asked):
    made = run(*asked)
    assert made.exit_code == 2 and "--" in made.stderr and "Traceback" not in made.output


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs a pseudo-terminal")
@pytest.mark.parametrize("no_color", ["", "1"])
def test_on_a_real_terminal_the_table_has_colour_unless_refused(run, no_color):
    mine, theirs = pty.openpty()
    environ = os.environ | {"TERM": "xterm", "NO_COLOR": no_color}
    command = [sys.executable, "-m", "obsplan", "plan", "small.toml", "--dry-run"]
    try:
        subprocess.run(command, stdout=theirs, stderr=subprocess.DEVNULL, env=environ, check=True)
        shown = os.read(mine, 100_000).decode()
    finally:
        os.close(mine)
        os.close(theirs)
    assert "available" in shown and ("\x1b[" in shown) is (not no_color)
