"""What takes long says what it does before it begins, and patience bounds all of a command."""

import importlib

import pytest
from click.testing import CliRunner
from tools.small import SMALL

from obsplan.cli import patience as patience_room
from obsplan.cli.main import main
from obsplan.cli.patience import patience_of

RANGE = ["--from", "2028-06-20", "--to", "2028-07-20"]
PLAN = ["plan", "small.toml", "-o", "out"]
REPLAN = ["replan", "small.toml", "old.csv", "--now", "2028-07-05T02:00:00Z", "-o", "out"]
GROUND = "computing Sun, Earth, ground, power and link ..."
WRITING = "writing tables and figures ..."


@pytest.fixture
def run(tmp_path, monkeypatch):
    """Runs a command in a folder with a small scenario and inputs for all commands."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "small.toml").write_text(SMALL)
    (tmp_path / "old.csv").write_text("activity,start_utc\nsweep,2028-07-05T06:00:00Z\n")
    (tmp_path / "broken.csv").write_text("activity,start_utc\nsweep,2028-07-05T06:01:00Z\n")
    (tmp_path / "sites.csv").write_text("name,latitude_deg,longitude_deg,height_m\na,1,2,0\n")
    return lambda words: CliRunner().invoke(main, words)


# The place in which each command then spends its time, and the last line before.
STEPS = {
    "sky": (["sky", "small.toml"], "environment.build.make_environment", GROUND),
    "link": (
        ["link", "small.toml", "-o", "out"],
        "environment.build.make_link_environment",
        "computing Sun, Earth and link ...",
    ),
    "skyline": (
        ["skyline", "small.toml", "--latitude", "1", "--longitude", "2", "-o", "out"],
        "physics.site_view.site_view",
        "reading the elevation models ...",
    ),
    "check": (["check", "small.toml", "old.csv"], "environment.build.make_environment", GROUND),
    "fixes": (
        ["check", "small.toml", "broken.csv"],
        "checking.check.with_fixes",
        "trying what would mend the broken rules ...",
    ),
    "compare": (
        ["compare", "small.toml", "old.csv", "old.csv"],
        "environment.build.make_environment",
        GROUND,
    ),
    "days": (
        ["days", "small.toml", *RANGE, "-o", "out"],
        "survey.landing_days.landing_days",
        "computing Sun, Earth, ground, power and contacts of every lunar day ...",
    ),
    "sites": (
        ["sites", "small.toml", "sites.csv", *RANGE, "-o", "out", "--jobs", "1"],
        "survey.site_survey.survey_sites",
        "1 sites from 2028-06-20 to 2028-07-20",
    ),
    "plan": (PLAN, "environment.build.make_environment", GROUND),
    "audit": (["plan", "small.toml", "--dry-run"], "environment.build.make_environment", GROUND),
    "reasons": (
        [*PLAN, "--keep-out", "sweep", "2028-07-05T00:00Z", "2028-07-06T00:00Z"],
        "planning.plan.unplaced_table",
        "checking what would allow more runs ...",
    ),
    "writing": (PLAN, "reporting.plan_directory.write_plan", WRITING),
    "alternatives": (
        [*PLAN, "--alternatives", "2"],
        "analysis.alternatives.alternative_plans",
        "looking for plans that differ clearly ...",
    ),
    "worth": (
        [*PLAN, "--worth"],
        "planning.reasons.marginal_worth.marginal_worth",
        "computing what more of each resource would add ...",
    ),
    "replan": (REPLAN, "environment.build.make_environment", GROUND),
    "writing a replan": (REPLAN, "reporting.plan_directory.write_plan", WRITING),
}


@pytest.mark.parametrize(("words", "place", "line"), STEPS.values(), ids=STEPS)
def test_a_step_that_may_take_long_says_first_what_it_does(run, monkeypatch, words, place, line):
    class Reached(Exception):
        pass

    def reached(*_, **__):
        raise Reached

    module, _, name = place.rpartition(".")
    monkeypatch.setattr(importlib.import_module(f"obsplan.{module}"), name, reached)
    told = run(words)
    assert isinstance(told.exception, Reached), told.output
    assert told.stderr.splitlines()[-1].endswith(line)


def test_patience_keeps_time_for_writing(monkeypatch):
    now = 100.0
    monkeypatch.setattr(patience_room, "monotonic", lambda: now)
    assert patience_of(None).search_s is None
    assert not patience_of(None).leaves_no_search and not patience_of(None).is_over
    long, short = patience_of(60.0), patience_of(4.0)
    assert long.search_s == 52.0 and short.search_s == 2.0
    now = 103.0
    assert short.leaves_no_search and not short.is_over and long.search_s == 49.0
    now = 104.0
    assert short.is_over and not long.leaves_no_search


@pytest.mark.parametrize(
    ("words", "place"),
    [(PLAN, "planning.plan.make_plan"), (REPLAN, "operations.replan.make_replan")],
    ids=["plan", "replan"],
)
def test_the_search_gets_what_is_left_of_the_patience(run, monkeypatch, words, place):
    given = []

    def taken(*_, patience_s, **__):
        given.append(patience_s)
        raise RuntimeError

    module, _, name = place.rpartition(".")
    monkeypatch.setattr(importlib.import_module(f"obsplan.{module}"), name, taken)
    run([*words, "--patience", "1000"])
    run(words)
    # Reading, sky and ground have taken some of it.
    assert 0 < given[0] < 1000 - patience_room.WRITING_S and given[1] is None


def test_what_patience_leaves_out_is_said_and_the_plan_is_written(run, tmp_path):
    told = run([*PLAN, "--patience", "0.001", "--alternatives", "2", "--worth"])
    assert told.exit_code == 0, told.output
    assert (tmp_path / "out" / "plan.png").exists()
    lines = [line[10:] for line in told.stderr.splitlines()]
    for left_out in ("alternatives are", "what more of each resource would add is"):
        assert f"patience ran out: {left_out} left out" in lines
    assert not (tmp_path / "out" / "alternatives.csv").exists()
