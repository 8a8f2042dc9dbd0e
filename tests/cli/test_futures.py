"""The command for many futures of a plan."""

import pandas as pd
import pytest
from click.testing import CliRunner
from tools.small import SMALL

from obsplan.cli.main import main
from obsplan.futures.columns import CAUSES_COLUMNS, CONTINGENCY_COLUMNS, FUTURES_COLUMNS

UNCERTAIN = """
[futures]
samples = 6
[[uncertainty]]
what = "array output"
of = "lander"
factor = [0.5, 0.9, 1.0]
[[uncertainty]]
what = "run fails"
chance = 0.3
"""
TIMELINE = """activity,start_utc
sweep,2028-07-05T01:00:00Z
sweep,2028-07-05T04:00:00Z
"""


@pytest.fixture
def mine(tmp_path):
    (tmp_path / "scenario.toml").write_text(SMALL + UNCERTAIN)
    (tmp_path / "timeline.csv").write_text(TIMELINE)
    return tmp_path


def run(folder, *words):
    names = ["futures", str(folder / "scenario.toml"), str(folder / "timeline.csv")]
    return CliRunner().invoke(main, [*names, "-o", str(folder / "out"), *words])


def test_futures_writes_tables_a_figure_and_the_rule(mine):
    ended = run(mine)
    assert ended.exit_code == 0, ended.output
    assert {path.name for path in (mine / "out").iterdir()} == {
        *("futures.csv", "causes.csv", "futures.png", "execution_rule.txt", "SHA256SUMS")
    }
    slots = pd.read_csv(mine / "out" / "futures.csv")
    assert list(slots.columns) == FUTURES_COLUMNS and len(slots) == 2
    assert ((slots["made_low"] <= slots["made"]) & (slots["made"] <= slots["made_high"])).all()
    causes = pd.read_csv(mine / "out" / "causes.csv")
    assert list(causes.columns) == CAUSES_COLUMNS
    assert causes["cost"].is_monotonic_decreasing
    assert "value received in 6 futures (seed 1)" in ended.stdout
    assert "costs most: run fails" in ended.stdout
    before = (mine / "out" / "futures.csv").read_bytes()
    assert run(mine, "--contingencies", "--jobs", "1").exit_code == 0
    lost = pd.read_csv(mine / "out" / "contingencies.csv")
    assert list(lost.columns) == CONTINGENCY_COLUMNS and set(lost["kind"]) == {
        *("instrument", "station", "platform")
    }
    assert run(mine, "--jobs", "2").exit_code == 0  # over its own files, by other processes
    assert (mine / "out" / "futures.csv").read_bytes() == before
    other = run(mine, "--seed", "2", "--surer")
    assert other.exit_code == 0 and "nothing is tried, since the scenario has no" in other.stderr
    assert (mine / "out" / "futures.csv").read_bytes() != before


def test_without_anything_uncertain_a_line_says_what_to_add(mine):
    (mine / "scenario.toml").write_text(SMALL)
    ended = run(mine)
    assert ended.exit_code == 2 and not (mine / "out").exists()
    assert "nothing can go differently; add [[uncertainty]] tables" in ended.stderr


def test_a_directory_of_something_else_is_not_replaced(mine):
    (mine / "out").mkdir()
    (mine / "out" / "notes.txt").write_text("mine")
    assert run(mine).exit_code == 2
    assert (mine / "out" / "notes.txt").read_text() == "mine"


def test_plan_with_futures_writes_the_plan_it_chose_and_how_it_was_chosen(mine):
    words = ["plan", str(mine / "scenario.toml"), "-o", str(mine / "plan"), "--effort", "low"]
    ended = CliRunner().invoke(main, [*words, "--futures", "--judge", "mean-worst-10-percent"])
    assert ended.exit_code == 0, ended.output
    tries = pd.read_csv(mine / "plan" / "tries.csv")
    assert tries["made_for"].iloc[0] == "as predicted" and tries["chosen"].sum() == 1
    assert tries["worst_value"].max() == tries.loc[tries["chosen"], "worst_value"].iloc[0]
    assert "<- chosen" in ended.stdout and "in fresh futures, made for as predicted" in ended.stdout
    timeline = pd.read_csv(mine / "plan" / "timeline.csv")
    slots = pd.read_csv(mine / "plan" / "futures.csv")
    assert set(slots["slot"]) == set(timeline.loc[timeline["activity"] == "sweep", "slot"])
    (mine / "scenario.toml").write_text(SMALL)
    alone = CliRunner().invoke(main, [*words, "--judge", "mean"])
    assert alone.exit_code == 2 and "--judge mean needs --futures" in alone.stderr
    refused = CliRunner().invoke(main, [*words, "--futures"])
    assert refused.exit_code == 2 and "nothing can go differently" in refused.stderr
