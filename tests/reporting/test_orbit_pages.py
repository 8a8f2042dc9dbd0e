"""What page, picture and goals.csv say of an orbiter: a day of the example before the Earth."""

from datetime import timedelta
from importlib import resources

import numpy as np
import pytest

from obsplan.analysis.goal_table import goal_table
from obsplan.environment.build import make_environment
from obsplan.inputs.read_scenario import read_scenario
from obsplan.operations.replan import make_replan
from obsplan.planning.plan import make_plan
from obsplan.planning.reasons.goal_reach import goal_reach
from obsplan.reporting import plan_directory
from obsplan.reporting.figures.goal_grids import goal_grids_figure
from obsplan.reporting.page.report import report_page


@pytest.fixture(scope="module")
def plan():
    """Twelve hours in which the Earth is half lit."""
    with resources.as_file(resources.files("obsplan.examples") / "earth_watch.toml") as path:
        scenario = read_scenario(path)
        begins = scenario.span.start_utc + timedelta(days=9)
        times = {"start_utc": begins, "end_utc": begins + timedelta(hours=12)}
        span = scenario.span.model_copy(update=times)
        goals = (scenario.goal[0].model_copy(update={"minimum": None, "minimum_value": None}),)
        return make_plan(
            make_environment(scenario.model_copy(update={"span": span, "goal": goals}))
        )


def test_bins_that_the_span_or_a_condition_rules_out_say_which(plan):
    table = goal_table(plan)
    far = table[(table["state"] == "out of reach") & (table["bin"] != "all bins")]
    new_earth = far[far["bin"].str.startswith("Earth phase 150 to 180")]
    assert len(new_earth) == 6
    never = "no permitted start of Earth scan: it never occurs in the span: Earth phase is "
    assert all(why.startswith(never) for why in new_earth["why"])
    phase_deg = plan.environment.sky_of("orbiter")["earth_phase_deg"]
    offered = {int(value // 30) for value in (phase_deg.min(), phase_deg.max())}
    counted = table[(table["counted"] > 0) & (table["bin"] != "all bins")]
    assert len(counted) and {int(b.split()[2]) // 30 for b in counted["bin"]} <= offered


def test_a_condition_that_no_start_of_a_bin_meets_is_named(plan):
    """The Earth is half lit, and so a right angle from the Sun."""
    scenario = plan.environment.scenario
    when = scenario.activity[0].when.model_copy(update={"sun_angle_deg": (120.0, 180.0)})
    narrow = scenario.with_part("activity", "Earth scan", when=when)
    table = goal_table(make_plan(make_environment(narrow)))
    needs = '"Earth scan" needs angle between Sun and Earth 120 to 180 deg (there it is '
    told = f"no permitted start of Earth scan: {needs}"
    assert any(why.startswith(told) for why in table["why"])


def test_the_page_has_a_section_on_platforms_in_orbit(plan):
    page = report_page(plan)
    assert 'id="orbit"' in page and "In orbit" in page
    section = page[page.index('id="orbit"') :]
    section = section[: section.index("</section>")]
    nights = plan.environment.occultations.query(
        "body == 'Sun' and behind == 'Moon' and hidden == 'any part'"
    )
    assert f"{len(nights)} times, " in section
    table = goal_table(plan)
    far = (table["state"] == "out of reach") & (table["bin"] != "all bins")
    assert section.count("out of reach") == (far & (table["counted"] == 0)).sum()
    reach = goal_reach(plan.environment)
    shut = reach[reach["permitted_h"] == 0]["bin"].str.split(",").str[0].unique()
    assert section.count("Out of reach, ") == len(shut) >= 5
    assert all(f"Out of reach, {words}" in section for words in shut)
    assert "Out of reach, Earth phase 150 to 180 deg: it never occurs in the span: " in section


def test_the_picture_has_every_run_and_permitted_start_within_the_bins(plan):
    (ax,) = goal_grids_figure(plan).axes
    runs = [line for line in ax.lines if line.get_marker() == "o"]
    scans = plan.timeline["activity"] == "Earth scan"
    assert len(runs) == scans.sum() > 3
    (starts,) = (line for line in ax.lines if line.get_marker() == "s")
    x, y = (np.asarray(values) for values in (starts.get_xdata(), starts.get_ydata()))
    assert (np.abs(x) <= 180).all() and (y >= 0).all() and (y <= 180).all() and len(x) > 50


def test_a_plan_and_a_replan_of_an_orbiter_alone_are_written(plan, tmp_path):
    """Without a site there is no ground, no skyline and no first light."""
    now_utc = plan.environment.scenario.span.start_utc + timedelta(hours=6)
    slots = plan.timeline.copy()
    over = (slots["end_utc"] <= now_utc) & (slots["instrument"] != "radio")
    slots.loc[over, "state"] = "done"
    replan = make_replan(plan.environment, slots, now_utc)
    assert replan.plan.verdict.is_valid
    assert 'id="orbit"' in report_page(replan)
    plan_directory.write_plan(plan, tmp_path / "plan")
    there = {path.name for path in (tmp_path / "plan").iterdir()}
    assert {"goal_grids.png", "plan.png", "report.html", "plan.ics"} <= there
