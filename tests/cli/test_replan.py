"""`obsplan replan` as a user runs it: files in, a directory out, whole or not at all."""

import json

import pandas as pd
import pytest
from click.testing import CliRunner
from icalendar import Calendar

from obsplan.cli.main import main

NOW = "2028-07-04T02:00:00Z"  # between two contacts of the short scenario


def run(*words) -> tuple[int, str]:
    told = CliRunner().invoke(main, [str(word) for word in words])
    return told.exit_code, told.output


@pytest.fixture(scope="module")
def planned(tmp_path_factory):
    """Two days of the short scenario, slots commanded half an hour ahead, and the plan of it."""
    here = tmp_path_factory.mktemp("short")
    run("start", here, "--minimal")
    text = (here / "scenario.toml").read_text()
    shorter = text.replace("end_utc = 2028-07-05T12", "end_utc = 2028-07-05T03")
    assert shorter != text
    (here / "scenario.toml").write_text(shorter + "\n[uplink]\nlead_min = 30\n")
    assert run("plan", here / "scenario.toml", "-o", here / "plan", "--quiet") == (0, "")
    return here


@pytest.fixture(scope="module")
def other(planned):
    """The same scenario under another title, with an activity renamed, and all renamed."""
    text = (planned / "scenario.toml").read_text()
    (planned / "titled.toml").write_text(text.replace("Quiet Flat: the", "Loud Flat: the"))
    (planned / "renamed.toml").write_text(
        text.replace('"mast release"', '"mast up"')
        .replace('"panorama"', '"wide view"')
        .replace('"ground reading"', '"soil reading"')
    )
    return planned


def deadlines_of(path) -> list[pd.Timestamp]:
    entries = Calendar.from_ical(path.read_bytes()).walk("VEVENT")
    live = [e for e in entries if str(e.get("status", "")) != "CANCELLED"]
    return sorted(
        pd.Timestamp(e["dtstart"].dt) for e in live if str(e["summary"]).startswith("deadline:")
    )


def test_the_calendar_of_a_replan_tells_the_deadlines_still_to_come(planned, tmp_path):
    before = deadlines_of(planned / "plan/plan.ics")
    now = pd.Timestamp(NOW)
    code, text = run(
        "replan", planned / "scenario.toml", planned / "plan", "--now", NOW, "-o", tmp_path / "new"
    )
    assert code == 0, text
    after = deadlines_of(tmp_path / "new/plan.ics")
    table = pd.read_csv(tmp_path / "new/command_loads.csv", parse_dates=["by_utc"])
    assert min(before) < now and after and min(after) >= now
    assert after == sorted(table["by_utc"])
    why = pd.read_csv(tmp_path / "new/timeline.csv")["why"]
    assert why.str.startswith("already commanded: ").any()


def test_check_names_the_slots_that_no_contact_can_command_any_more(planned, tmp_path):
    (tmp_path / "state.toml").write_text(f"at_utc = {NOW}\n")
    code, text = run(
        "check", planned / "scenario.toml", planned / "plan", "--state", tmp_path / "state.toml"
    )
    (note,) = [line for line in text.splitlines() if line.startswith("note: no contact after")]
    slots = pd.read_csv(planned / "plan/timeline.csv", parse_dates=["start_utc"])
    slots = slots[(slots["start_utc"] > NOW) & (slots["instrument"] != "radio")]
    soonest = slots.sort_values("start_utc")["slot"].iloc[0]
    assert code == 0 and f"must already be loaded: {soonest}" in note


def test_a_timeline_of_a_scenario_that_changed_is_said_to_be_and_planned_from(other, tmp_path):
    code, text = run(
        "replan", other / "titled.toml", other / "plan", "--now", NOW, "-o", tmp_path / "new"
    )
    facts = json.loads((other / "plan/summary.json").read_text())
    assert code == 0
    assert "was planned for another scenario, titled 'Quiet Flat" in text
    assert f"(input hash {facts['input_sha256_16']})" in text and "planned for this one" in text
    assert "0 dropped" in text and (tmp_path / "new/timeline.csv").exists()


def test_a_timeline_whose_activities_the_scenario_does_not_know_is_refused(other, tmp_path):
    code, text = run(
        "replan", other / "renamed.toml", other / "plan", "--now", NOW, "-o", tmp_path / "new"
    )
    assert code == 2 and not (tmp_path / "new").exists()
    origin, names = text.strip().splitlines()[-2:]
    assert "was planned for another scenario (input hash" in origin
    assert "name no activity of this scenario" in names
    assert "is the timeline from another scenario? known: mast up, wide view" in names


def test_a_second_replan_goes_on_from_what_was_reported_for_the_first(planned, tmp_path):
    first, second = tmp_path / "first", tmp_path / "second"
    slots = pd.read_csv(planned / "plan/timeline.csv")
    slot = slots[slots["activity"] == "ground reading"].iloc[0]
    (tmp_path / "state1.toml").write_text(
        'at_utc = 2028-07-03T20:00:00Z\n[[platform]]\nname = "lander"\narray_factor = 0.8\n'
        '[[instrument]]\nname = "camera"\nuntil_utc = 2028-07-04T03:00:00Z\n'
        f'[[slot]]\nslot = "{slot["slot"]}"\noutcome = "failed"\nreason = "no answer"\n'
    )
    scene = planned / "scenario.toml"
    asked = ("--now", "2028-07-03T20:30:00Z", "--state", tmp_path / "state1.toml")
    run("replan", scene, planned / "plan", *asked, "-o", first)
    reported = (first / "reported.toml").read_text()
    assert "array_factor = 0.8" in reported and "slot =" not in reported
    (tmp_path / "state2.toml").write_text(
        'at_utc = 2028-07-04T01:00:00Z\n[[platform]]\nname = "lander"\nstored_mbit = 7\n'
    )
    asked = ("--now", NOW, "--state", tmp_path / "state2.toml")
    _, text = run("replan", scene, first, *asked, "-o", second)
    assert f"note: {first / 'reported.toml'}: what was reported up to this plan is used" in text
    # The weaker arrays are those of the first report, the data those of the second.
    tables = [
        pd.read_csv(path / "resources.csv", index_col="time_utc", parse_dates=True)
        for path in (planned / "plan", second)
    ]
    before, after = (table[table.index > "2028-07-03T20:00Z"] for table in tables)
    assert after["generation_w"].to_numpy() == pytest.approx(0.8 * before["generation_w"])
    assert tables[1].loc["2028-07-04T01:00Z", "stored_mbit"] == 7
    row = pd.read_csv(second / "timeline.csv").set_index("slot").loc[slot["slot"]]
    assert (row["state"], row["reason"], row["value"]) == ("failed", "no answer", 0)
    # Check knows what the replan knew, without being told again.
    verdict = json.loads((second / "summary.json").read_text())["check"]
    _, text = run("check", scene, second)
    assert verdict in text.splitlines()
    code, text = run("check", scene, second, "--state", tmp_path / "state1.toml")
    assert code == 2 and "allowed is 2028-07-04T01:00Z or later" in text
    # So does compare, which counts as due what was over when telemetry was read.
    (tmp_path / "ran.csv").write_text("activity,start_utc\n")
    code, text = run("compare", scene, second, tmp_path / "ran.csv")
    assert code == 0
    said = "compared at 2028-07-04T01:00Z, when telemetry was read for this plan; see --now"
    assert f"note: {said}" in text
