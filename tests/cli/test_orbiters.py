"""The commands sky and link for platforms in orbit, and those that refuse them."""

import pandas as pd
import pytest
from click.testing import CliRunner
from tools.flying import LANDER, NORTH, ORBIT_START, ORBITER, SPAN
from tools.orbits import kvn, segment

from obsplan.cli.main import main

SCENARIO = SPAN.replace("T06:", "T03:") + NORTH + ORBITER


@pytest.fixture
def run(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "a.oem").write_text(kvn([segment(ORBIT_START, 240)]))
    (tmp_path / "alone.toml").write_text(SCENARIO)
    (tmp_path / "beside.toml").write_text(SCENARIO + LANDER)
    return lambda *words: CliRunner().invoke(main, words)


def test_sky_shows_the_orbiter_if_there_is_no_site(run):
    ran = run("sky", "alone.toml", "-o", "sky.csv", "--occultations", "hidden.csv")
    assert ran.exit_code == 0, ran.stderr
    table, hidden = pd.read_csv("sky.csv"), pd.read_csv("hidden.csv")
    assert len(table) == 36 and table["earth_limb_angle_deg"].min() < 0
    assert set(hidden["behind"]) == {"Moon"} and set(hidden["body"]) == {"Earth", "Sun"}
    assert "orbiter: the Earth is behind the Moon: whole disc " in ran.stdout
    assert "orbiter: the Sun is behind the Earth: never" in ran.stdout
    assert "orbiter: phase angle at the Earth: 15" in ran.stdout
    assert "first light" not in ran.stdout


def test_beside_a_lander_sky_shows_the_platform_that_is_named(run):
    for words, has in (
        ((), False),
        (("--platform", "lander"), False),
        (("--platform", "orbiter"), True),
    ):
        ran = run("sky", "beside.toml", "-o", "sky.csv", *words)
        assert ran.exit_code == 0
        columns = pd.read_csv("sky.csv", nrows=1).columns
        assert ("height_km" in columns) == has and ("temperature_10cm_k" in columns) != has


@pytest.mark.parametrize(
    ("words", "line"),
    [
        (
            ("sky", "beside.toml", "--platform", "orbitr"),
            "--platform orbitr: no such platform; did you mean 'orbiter'?",
        ),
        (
            ("sky", "alone.toml", "--above", "250"),
            '--above and --below: platform "orbiter" is in orbit, not on the ground',
        ),
        (
            ("days", "beside.toml", "--from", "2028-07-01", "--to", "2028-08-01", "-o", "d"),
            'platform "orbiter" is in orbit, which is known for its own span alone; lunar days and '
            "sites are compared for platforms on the ground: leave it out of the scenario",
        ),
    ],
)
def test_what_is_not_for_orbiters_is_refused_in_one_line(run, words, line):
    ran = run(*words)
    assert ran.exit_code == 2
    assert ran.stderr.splitlines()[-1] == line


def test_occultations_need_an_orbiter(run, tmp_path):
    (tmp_path / "landed.toml").write_text(SCENARIO.partition("[[platform]]")[0] + LANDER)
    ran = run("sky", "landed.toml", "--occultations", "hidden.csv")
    assert ran.exit_code == 2 and not (tmp_path / "hidden.csv").exists()
    assert ran.stderr.strip() == "--occultations: no platform of the scenario is in orbit"


def test_link_at_says_that_the_moon_or_the_earth_is_in_the_way(run):
    ran = run("link", "beside.toml", "--at", "2028-07-05T00:40:00Z")
    assert ran.exit_code == 1
    lines = ran.stdout.splitlines()
    assert lines[0] == "orbiter no, lander yes, at 2028-07-05T00:40:00Z"
    assert lines[1].startswith("orbiter: north: the station is ")
    assert lines[1].endswith(" deg behind the Moon's limb")
    assert lines[2].startswith("orbiter: next contact from 2028-07-05T01:0")
    assert lines[3].startswith("lander: through north at 200 kbit/s")


def test_link_outside_the_span_reaches_as_far_as_the_orbit(run):
    ran = run("link", "alone.toml", "--at", "2028-07-05T03:15:00Z")
    assert ran.exit_code in (0, 1) and "is outside the span of the scenario" in ran.stderr
    assert ran.stdout.splitlines()[0].endswith(", at 2028-07-05T03:15:00Z")
    ran = run("link", "alone.toml", "--at", "2028-07-05T04:00:00Z")
    assert ran.exit_code == 2
    assert ran.stderr.splitlines()[-1].startswith("a.oem: no segment covers 2028-07-05T04:00:00Z")


def test_pictures_are_drawn(run, tmp_path):
    for command, scenario in (("sky", "alone.toml"), ("link", "beside.toml")):
        ran = run(command, scenario, "-o", "t.csv", "--figure", f"{command}.svg")
        assert ran.exit_code == 0, ran.stderr
        text = (tmp_path / f"{command}.svg").read_text()
        assert text.startswith("<?xml") and len(text) > 10_000
