"""The example of a working day: passes, teams, pins, decisions, dates and pieces at once."""

from importlib import resources

import pandas as pd
import pytest

from obsplan.analysis.data_latency import latency_table
from obsplan.analysis.decision_table import decision_table
from obsplan.environment.booked_passes import unbooked_passes
from obsplan.environment.build import make_environment
from obsplan.inputs.read_scenario import read_scenario
from obsplan.planning.plan import make_plan


@pytest.fixture(scope="module")
def plan():
    with resources.as_file(resources.files("obsplan.examples") / "working_day.toml") as path:
        return make_plan(make_environment(read_scenario(path)))


def starts(plan, name):
    return plan.timeline.loc[plan.timeline["activity"] == name, "start_utc"]


def test_every_run_is_scheduled_and_no_margin_used(plan):
    assert plan.verdict.is_valid and not plan.verdict.margins_used and plan.unplaced.empty
    asked = {"pin", "keep-out", "team hours", "team at once", "first runs in contact", "order"}
    assert asked | {"data latency", "uplink"} <= set(plan.verdict.rules)


def test_only_booked_passes_carry_data(plan):
    sent = plan.verdict.resources["lander"]["sent_mbit"]
    booked = plan.environment.platforms["lander"]
    assert sent[booked["station"] == ""].sum() == 0.0
    unbooked = unbooked_passes(plan.environment)
    assert set(unbooked["station"]) == {"Dunlin Fen"}
    late = pd.Timestamp("2028-07-04T07:00Z"), pd.Timestamp("2028-07-04T14:00Z")
    assert sent[late[0] : late[1]].sum() == 0.0


def test_the_drive_is_where_it_is_pinned_and_none_is_kept_out(plan):
    drives = starts(plan, "drive")
    assert pd.Timestamp("2028-07-04T07:00Z") in list(drives)
    kept = pd.Timestamp("2028-07-05T05:00Z"), pd.Timestamp("2028-07-05T08:00Z")
    assert not ((drives > kept[0]) & (drives < kept[1])).any()


def test_readings_are_decided_on_and_pictures_come_after_one_from_the_second_day_on(plan):
    table = decision_table(plan)
    assert len(table) == 4 and (table["spare_min"] >= 0).all()
    second = starts(plan, "horizon picture")
    second = second[second >= pd.Timestamp("2028-07-05T00:00Z")]
    assert len(second) and second.min() > starts(plan, "rock reading").min()


def test_the_film_is_made_in_pieces_and_data_come_down_in_time(plan):
    film = plan.timeline[plan.timeline["activity"] == "dust film"]
    assert len(film) == 6 and (film["duration_min"] == 90).all()
    latency = latency_table(plan).set_index("activity")
    assert latency.loc["drive", "longest_h"] <= latency.loc["drive", "received_by_h"] == 12.0
