"""The commands as a user meets them: exit codes, one clear line, nothing half-written."""

import shutil
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner
from tools.small import SMALL

from obsplan.cli.main import main


@pytest.fixture
def run(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "small.toml").write_text(SMALL)

    def invoke(*args):
        return CliRunner().invoke(main, [str(a) for a in args], catch_exceptions=False)

    return invoke


@pytest.fixture(scope="module")
def planned(tmp_path_factory):
    """The directory of the small scenario and its plan, and what the command said."""
    here = tmp_path_factory.mktemp("planned")
    (here / "small.toml").write_text(SMALL)
    made = CliRunner().invoke(main, ["plan", str(here / "small.toml"), "-o", str(here / "plan")])
    return here, made


def edited(tmp_path, old, new):
    (tmp_path / "small.toml").write_text(SMALL.replace(old, new))


def test_help_imports_nothing_heavy():
    code = (
        "import sys; from obsplan.cli.main import main\n"
        "try: main(['--help'])\n"
        "except SystemExit: pass\n"
        "heavy = {'numpy', 'pandas', 'skyfield', 'matplotlib', 'highspy', 'pydantic'}\n"
        "sys.exit(bool(heavy & set(sys.modules)))"
    )
    assert subprocess.run([sys.executable, "-c", code], capture_output=True).returncode == 0


def test_plan_writes_every_table_and_check_accepts_it(run, planned):
    here, made = planned
    assert made.exit_code == 0
    assert "on this time grid" in made.stdout
    assert "no violations; " in made.stdout
    assert "caution" in made.stdout
    assert "rounded up to 60 min" in made.stderr
    assert {p.name for p in (here / "plan").iterdir()} == {
        "timeline.csv",
        "sky.csv",
        "contacts.csv",
        "latency.csv",
        "resources.csv",
        "unplaced.csv",
        "summary.json",
        "plan.png",
        "plan.ics",
        "sky.png",
        "resources.png",
        "report.html",
        "SHA256SUMS",
    }
    checked = run("check", "small.toml", here / "plan" / "timeline.csv")
    assert checked.exit_code == 0
    assert "no violations; " in checked.stdout


def test_two_runs_write_the_same_bytes(run, planned, tmp_path):
    assert run("plan", "small.toml", "-o", "again").exit_code == 0
    first, again = (sorted(d.iterdir()) for d in (planned[0] / "plan", tmp_path / "again"))
    assert [p.name for p in first] == [p.name for p in again]
    for one, other in zip(first, again):
        assert one.read_bytes() == other.read_bytes(), one.name


def test_a_second_plan_replaces_the_first(run, planned, tmp_path):
    shutil.copytree(planned[0] / "plan", tmp_path / "plan")
    edited(tmp_path, "count = 3", "count = 2")
    assert run("plan", "small.toml", "-o", "plan").exit_code == 0
    timeline = pd.read_csv(tmp_path / "plan" / "timeline.csv")
    assert (timeline["activity"] == "sweep").sum() == 2
    assert sorted(p.name for p in tmp_path.iterdir()) == ["plan", "small.toml"]


def test_plan_does_not_replace_a_directory_of_other_things(run, tmp_path):
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "thesis.txt").write_text("years of work")
    made = run("plan", "small.toml", "-o", "mine")
    assert made.exit_code == 2
    assert "mine: is not empty, and was not written by this" in made.stderr
    assert (tmp_path / "mine" / "thesis.txt").read_text() == "years of work"


@pytest.mark.parametrize("name", ["timeline.csv", "report.html", "changes.csv"])
def test_a_plan_that_a_hand_changed_is_kept_and_named_before_the_search(
    run, planned, tmp_path, monkeypatch, name
):
    shutil.copytree(planned[0] / "plan", tmp_path / "plan")
    (tmp_path / "plan" / name).write_text("activity,start_utc\nsweep,2028-07-05T01:00:00Z\n")
    monkeypatch.setattr(
        "obsplan.planning.plan.make_plan", lambda *_, **__: pytest.fail("works in vain")
    )
    made = run("plan", "small.toml", "-o", "plan")
    assert made.exit_code == 2
    assert f"plan: {name}: changed or added by hand" in made.stderr
    assert "move it away, or choose another directory" in made.stderr
    assert (tmp_path / "plan" / name).read_text().startswith("activity,start_utc\n")


def test_check_names_a_broken_rule_and_exits_1(run, tmp_path):
    (tmp_path / "t.csv").write_text(
        "activity,start_utc\nsweep,2028-07-05T11:30:00Z\nsweep,2028-07-05T01:10:00Z\n"
    )
    checked = run("check", "small.toml", "t.csv", "-o", "broken.csv")
    assert checked.exit_code == 1
    assert "span:" in checked.stdout and "grid:" in checked.stdout
    assert set(pd.read_csv(tmp_path / "broken.csv")["rule"]) == {"span", "grid"}


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        (
            "latitude_deg = 40.0\nlongitude_deg = 10.0",
            "latitude_deg = 95\nlongitude_deg = 10.0",
            ["site.latitude_deg = 95", "-90 to 90"],
        ),
        ("idle_w = 20.0", "idel_w = 20.0", ["idel_w: unknown key; did you mean 'idle_w'?"]),
        ("2028-07-05T12:00:00Z", "2028-07-04T12:00:00Z", ["span.end_utc", "after"]),
        ("2028-07-05T12:00:00Z", "2028-07-05T12:00:00", ["no zone"]),
        ("2028-", "2061-", ["2050", "--ephemeris"]),
        ('title = "small"', "title = ", ["not valid TOML"]),
    ],
)
def test_bad_scenarios_are_told_in_words_and_write_nothing(run, tmp_path, old, new, words):
    edited(tmp_path, old, new)
    made = run("plan", "small.toml", "-o", "plan")
    assert made.exit_code == 2
    assert all(word in made.stderr for word in words), made.stderr
    assert "Traceback" not in made.output
    assert not (tmp_path / "plan").exists()


def test_missing_scenario_is_one_line(run):
    made = run("sky", "nowhere.toml")
    assert made.exit_code == 2
    assert made.stderr.strip().count("\n") == 0 and "nowhere.toml" in made.stderr


def test_idle_load_that_empties_the_battery_exits_1_and_writes_nothing(run, tmp_path):
    edited(tmp_path, "array = [{ area_m2 = 0.3, efficiency = 0.3 }]", "array = []")
    made = run("plan", "small.toml", "-o", "plan")
    assert made.exit_code == 1
    assert "lander" in made.stderr and "Wh" in made.stderr and "2028-07-05T" in made.stderr
    assert not (tmp_path / "plan").exists()


def test_must_without_window_exits_1_and_names_the_condition(run, tmp_path):
    edited(tmp_path, "count = 3", "count = 3\nmust = 1\nwhen = { sun_elevation_deg = [80, 90] }")
    made = run("plan", "small.toml", "-o", "plan")
    assert made.exit_code == 1
    assert (
        'activity "sweep": has no window' in made.stderr
        and "Sun elevation 80 to 90 deg" in made.stderr
    )


@pytest.mark.parametrize(
    ("csv", "words"),
    [
        ("activity,start_utc\nsweeep,2028-07-05T01:00:00Z\n", ["row 2", "did you mean 'sweep'?"]),
        ("activity,begin\nsweep,2028-07-05T01:00:00Z\n", ["column start_utc is missing"]),
        ("activity,start_utc\nsweep,yesterday\n", ["row 2", "yesterday", "not a time"]),
        ("activity,start_utc\nsweep,2028-07-05\n", ["row 2", "no time of day"]),
    ],
)
def test_bad_timelines_are_told_row_by_row(run, tmp_path, csv, words):
    (tmp_path / "t.csv").write_text(csv)
    checked = run("check", "small.toml", "t.csv")
    assert checked.exit_code == 2
    assert all(word in checked.stderr for word in words), checked.stderr


def test_sky_and_link_print_their_tables(run):
    sky = run("sky", "small.toml")
    assert sky.exit_code == 0
    assert sky.stdout.splitlines()[0].startswith("time_utc,sun_elevation_deg,sun_azimuth_deg")
    assert len(sky.stdout.splitlines()) == 1 + 24
    link = run("link", "small.toml")
    assert link.exit_code == 0
    assert "longest contact gap" in link.stderr
    assert link.stdout.splitlines()[0].startswith("platform,station,acquisition_utc,loss_utc")


def test_events_of_the_sky_stand_below_its_table(run, tmp_path):
    day = SMALL.replace("05T00:00", "06T12:00").replace("05T12:00", "07T00:00")
    (tmp_path / "small.toml").write_text(day)  # with an eclipse in the evening
    printed = run("sky", "small.toml")
    assert "  eclipse begins\n" in printed.stderr and "eclipse" not in printed.stdout
    written = run("sky", "small.toml", "-o", "sky.csv")
    assert [line[20:] for line in written.stdout.splitlines()] == [
        "  P1 of the whole Moon",
        "  eclipse begins",
        "  U1 of the whole Moon",
        "  full cover begins",
        "  full cover ends",
        "  U4 of the whole Moon",
        "  eclipse ends",
        "  P4 of the whole Moon",
        "ht: the Sun is up throughout the span",
    ]
    assert (tmp_path / "sky.csv").read_text() == printed.stdout


def test_sky_lists_when_the_ground_is_that_warm(run, tmp_path):
    # Noon at 40 N: the surface is near 350 K, 12 cm below it is cooler than the mean.
    asked = run("sky", "small.toml", "--above", 300)
    assert asked.stdout == (
        "start_utc,end_utc,duration_min\n2028-07-05T00:00:00Z,2028-07-05T12:00:00Z,720\n"
    )
    deep = run("sky", "small.toml", "--below", 260, "--depth", 0.123, "-o", "sky.csv")
    assert deep.stdout == asked.stdout
    assert "temperature_12.3cm_k" in pd.read_csv(tmp_path / "sky.csv")
    never = run("sky", "small.toml", "--below", 100)
    assert never.exit_code == 0 and never.stdout.count("\n") == 1
    assert "the ground is never that cold in the span" in never.stderr


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        (["--depth", "0.1"], "--depth needs --above or --below"),
        (["--above", "300", "--below", "200"], "--above 300 K must not exceed --below 200 K"),
        (["--below", "300", "--depth", "9"], "9.0 is not in the range 0<=x<=2"),
        (["--below", "nan"], "must be a number"),
        (["--above", "warm"], "'warm' is not a valid float"),
    ],
)
def test_questions_about_the_ground_that_cannot_be_answered_are_told(run, asked, words):
    made = run("sky", "small.toml", *asked)
    assert made.exit_code == 2 and words in made.stderr and not made.stdout


@pytest.mark.parametrize(
    ("day", "words"), [("05", "the Sun is up"), ("20", "the Sun is below the skyline")]
)
def test_sky_says_if_the_sun_neither_rises_nor_sets(run, day, words):
    text = Path("small.toml").read_text().replace("2028-07-05", f"2028-07-{day}")
    Path("moved.toml").write_text(text)
    made = run("sky", "moved.toml", "-o", "sky.csv")
    assert made.exit_code == 0
    assert made.stdout == f"no first or last light: {words} throughout the span\n"


def test_link_at_an_instant_is_answered_in_words(run):
    can = run("link", "small.toml", "--at", "2028-07-05T08:00:00Z")
    assert can.exit_code == 0
    assert can.stdout.startswith(
        "yes, at 2028-07-05T08:00:00Z\nlander: through south at 100 kbit/s"
    )
    cannot = run("link", "small.toml", "--at", "2028-07-05T04:00:00Z", "-o", "l.csv")
    assert cannot.exit_code == 1
    assert cannot.stdout.startswith("no, at 2028-07-05T04:00:00Z\nlander: north: the Moon is")
    assert pd.read_csv("l.csv")["acquisition_utc"].iloc[1] in cannot.stdout.splitlines()[-1]


def test_link_is_answered_outside_the_span_too(run):
    can = run("link", "small.toml", "--at", "2029-07-05T04:00:00Z")
    assert can.exit_code in (0, 1)
    assert can.stdout.splitlines()[0][-25:] == ", at 2029-07-05T04:00:00Z"
    assert "outside the span of the scenario" in can.stderr
    # The same instant as the start of the scenario's own span.
    text = Path("small.toml").read_text().replace("2028-07-05", "2029-07-05")
    Path("moved.toml").write_text(text.replace("T00:00:00Z", "T03:00:00Z"))
    moved = run("link", "moved.toml", "--at", "2029-07-05T04:00:00Z")
    assert moved.exit_code == can.exit_code
    same = [words.stdout.split(", until")[0] for words in (moved, can)]
    assert same[0] == same[1] and "lander: through" in same[0]


def test_link_at_is_no_unless_every_platform_has_contact(run):
    rover = """
[[platform]]
name = "rover"
kind = "rover"
idle_w = 5.0
bus_limit_w = 50.0
battery = { capacity_wh = 100.0, reserve = 0.3 }
store = { capacity_mbit = 100.0 }
track = [{ from_utc = 2028-07-05T00:00:00Z, distance_m = 900 }]
radio = { to = "lander", transmit_w = 1.0, rate_kbps = 50.0, range_limit_m = 500 }
"""
    text = Path("small.toml").read_text()
    Path("pair.toml").write_text(text.replace("[[instrument]]", f"{rover}[[instrument]]", 1))
    made = run("link", "pair.toml", "--at", "2028-07-05T08:00:00Z")
    assert made.stdout.startswith("lander yes, rover no, at 2028-07-05T08:00:00Z\n")
    assert made.exit_code == 1


@pytest.mark.parametrize("at", ["2028-07-05T04:00:00", "2061-07-05T04:00:00Z", "teatime"])
def test_link_at_a_bad_instant_is_one_line(run, at):
    made = run("link", "small.toml", "--at", at)
    assert made.exit_code == 2 and not made.stdout
    assert len(made.stderr.splitlines()) == 1 and at[:10] in made.stderr


def test_figures_are_written(run, tmp_path):
    assert run("sky", "small.toml", "-o", "s.csv", "--figure", "sky.svg").exit_code == 0
    assert run("link", "small.toml", "-o", "l.csv", "--figure", "link.pdf").exit_code == 0
    assert (tmp_path / "sky.svg").stat().st_size > 0
    assert (tmp_path / "link.pdf").stat().st_size > 0


@pytest.mark.parametrize("command", ["sky", "link"])
def test_a_picture_of_no_known_kind_is_refused_before_anything_is_written(run, tmp_path, command):
    made = run(command, "small.toml", "-o", "table.csv", "--figure", "picture.jpg")
    assert made.exit_code == 2 and "picture.jpg: pictures are written as .png" in made.stderr
    assert not (tmp_path / "table.csv").exists()


def test_check_takes_a_plan_directory_for_its_timeline(run, tmp_path):
    (tmp_path / "plan").mkdir()
    (tmp_path / "plan" / "timeline.csv").write_text("activity,start_utc\n")
    assert "no violations" in run("check", "small.toml", "plan").stdout


def test_check_names_a_slot_of_the_state_that_the_timeline_has_not(run, tmp_path):
    (tmp_path / "slots.csv").write_text("slot,activity,start_utc\ns1,sweep,2028-07-05T01:00:00Z\n")
    (tmp_path / "state.toml").write_text(
        'at_utc = 2028-07-05T03:00:00Z\n[[slot]]\nslot = "s9"\noutcome = "done"\n'
    )
    made = run("check", "small.toml", "slots.csv", "--state", "state.toml")
    assert made.exit_code in (0, 1)
    assert 'note: state.toml: slot "s9": no such slot in the timeline' in made.stderr


def test_check_replays_what_the_state_tells_of_slots(run, tmp_path):
    (tmp_path / "slots.csv").write_text("slot,activity,start_utc\ns1,sweep,2028-07-05T01:07:00Z\n")
    asked = ("check", "small.toml", "slots.csv")
    assert "  grid: " in run(*asked).stdout
    (tmp_path / "state.toml").write_text(
        'at_utc = 2028-07-05T03:00:00Z\n[[slot]]\nslot = "s1"\noutcome = "done"\n'
    )
    assert "no violations" in run(*asked, "--state", "state.toml").stdout


def test_start_writes_a_scenario_that_reads_and_keeps_what_is_there(run, tmp_path):
    from obsplan.inputs.read_scenario import read_scenario

    assert run("start", "mine").exit_code == 0
    assert read_scenario(tmp_path / "mine" / "scenario.toml").site.name
    again = run("start", "mine")
    assert again.exit_code == 2 and "already exists" in again.stderr


def test_check_reads_rows_that_overlap_and_names_the_rule(run, tmp_path):
    (tmp_path / "t.csv").write_text(
        "activity,start_utc\nsweep,2028-07-05T01:00:00Z\nsweep,2028-07-05T01:30:00Z\n"
    )
    checked = run("check", "small.toml", "t.csv")
    assert checked.exit_code == 1
    assert "instrument, repeat:" in checked.stdout
    table = run("check", "small.toml", "t.csv", "--format", "csv")
    assert table.exit_code == 1
    assert (
        table.stdout.splitlines()[0] == "rule,platform,activity,slots,time_utc,amount,unit,message"
    )
    assert len(table.stdout.splitlines()) == 3
    assert "smallest margin" in table.stderr and "rules checked" in table.stderr


def test_check_of_an_empty_timeline_holds_and_lists_the_rules(run, tmp_path):
    (tmp_path / "t.csv").write_text("activity,start_utc\n")
    checked = run("check", "small.toml", "t.csv")
    assert checked.exit_code == 0
    assert "rules checked: span, grid, duration" in checked.stdout


def test_uplink_deadlines_are_in_the_plan_and_another_scenario_is_told_apart(run, tmp_path):
    edited(
        tmp_path,
        '[[station]]\nname = "north"',
        '[uplink]\nlead_min = 30\n[[station]]\nname = "north"',
    )
    assert run("plan", "small.toml", "-o", "plan").exit_code == 0
    deadlines = pd.read_csv(tmp_path / "plan" / "deadlines.csv")
    assert len(deadlines) == 3 and (deadlines["deadline_utc"] < deadlines["start_utc"]).all()
    early = "activity,start_utc\nsweep,2028-07-05T00:00:00Z\n"
    (tmp_path / "t.csv").write_text(early)
    checked = run("check", "small.toml", "t.csv")
    assert checked.exit_code == 1 and "cannot be commanded in time" in checked.stdout
    edited(tmp_path, "count = 3", "count = 4")
    checked = run("check", "small.toml", "plan/timeline.csv")
    assert checked.exit_code == 0
    assert "was planned for another scenario (input hash" in checked.stderr


def test_compare_without_now_says_which_time_it_takes(run, planned, tmp_path):
    slots = pd.read_csv(planned[0] / "plan" / "timeline.csv")
    first = slots[slots["activity"] == "sweep"].iloc[0]
    (tmp_path / "ran.csv").write_text(
        f"slot,activity,start_utc\n{first['slot']},sweep,{first['start_utc']}\n"
    )
    asked = ("compare", "small.toml", str(planned[0] / "plan"), "ran.csv")
    made = run(*asked)
    until = f"{first['end_utc'][:16]}Z"
    assert f"note: compared at {until}, the end of the last reported run; see --now" in made.stderr
    assert f"1 of 1 runs due by {until} done" in made.stderr and "to come: 2;" in made.stderr
    early = run(*asked, "--now", first["start_utc"])
    assert early.exit_code == 2
    assert f"ran.csv: row 2, start_utc = '{first['start_utc']}': it ends at {until}, after now" in (
        early.stderr
    )
    assert run(*asked, "--now", "2028-07-04T00:00:00Z").exit_code == 2


def test_compare_prints_the_table_and_draws_it(run, planned, tmp_path):
    shutil.copytree(planned[0] / "plan", tmp_path / "plan")
    slots = pd.read_csv(tmp_path / "plan" / "timeline.csv")
    first = slots[slots["activity"] == "sweep"].iloc[0]
    (tmp_path / "ran.csv").write_text(
        "slot,activity,start_utc,end_utc,outcome,reason\n"
        f"{first['slot']},sweep,{first['start_utc']},,failed,interlock\n"
    )
    asked = ("compare", "small.toml", "plan", "ran.csv", "--figure", "compare.png")
    made = run(*asked, "--now", "2028-07-06T00:00:00Z")
    assert made.exit_code == 0
    header, row = made.stdout.splitlines()
    told = dict(zip(header.split(","), row.split(",")))
    assert (told["planned"], told["failed"], told["not_reported"]) == ("3", "1", "2")
    assert told["losses"] == "2 x not reported; 1 x failed: interlock"
    assert "0 of 3 runs due by 2028-07-05T12:00Z done" in made.stderr
    assert (tmp_path / "compare.png").stat().st_size > 0
    (tmp_path / "ran.csv").write_text("activity,start_utc\nswep,2028-07-05T01:00:00Z\n")
    refused = run("compare", "small.toml", "plan/timeline.csv", "ran.csv")
    assert refused.exit_code == 2 and "did you mean 'sweep'?" in refused.stderr
