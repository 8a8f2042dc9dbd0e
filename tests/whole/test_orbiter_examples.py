"""The invented examples with an orbiter: alone before the Earth, and as a lander's way home."""

from functools import cache
from importlib import resources

import numpy as np
import pytest
from tools import example_orbit

from obsplan.analysis.goal_table import goal_table
from obsplan.environment.build import make_environment
from obsplan.inputs.read_scenario import read_scenario
from obsplan.planning.plan import make_plan
from obsplan.planning.reasons.audit import audit


@cache
def plan(name):
    with resources.as_file(resources.files("obsplan.examples") / f"{name}.toml") as path:
        return make_plan(make_environment(read_scenario(path)))


def test_the_orbit_is_that_of_the_formula():
    given, made = (
        text.splitlines() for text in (example_orbit.FILE.read_text(), example_orbit.text())
    )
    assert len(given) == len(made) and given[:15] == made[:15]
    first = example_orbit.HEADER.count("\n")
    for row, other in zip(given[first:], made[first:]):
        assert row[:19] == other[:19]
        numbers = [np.array(each.split()[1:], dtype=float) for each in (row, other)]
        assert np.abs(numbers[0] - numbers[1]).max() <= 2e-6


def test_all_data_of_the_lander_beyond_the_limb_reach_the_earth():
    made = plan("far_side")
    assert made.verdict.is_valid and made.value == pytest.approx(made.bound, rel=0.01)
    books = made.verdict.resources
    assert made.environment.sky["earth_elevation_deg"].max() < -15
    taken = made.timeline.query("instrument != 'radio'")["data_mbit"].sum()
    left = sum(table["stored_mbit"].iloc[-1] for table in books.values())
    assert books["orbiter"]["sent_mbit"].sum() == pytest.approx(taken - left) and left <= 2
    assert books["lander"]["sent_mbit"].sum() > 1000
    (release,) = made.timeline.query("activity == 'antenna release'").itertuples()
    # Commands reach it end to end, so not before the first pass in which the orbiter has contact.
    contact = made.environment.in_contact("lander")
    start = int(made.environment.scenario.minutes_of(release.start_utc))
    assert contact[start : start + 10].all() and contact[: start - 30].any()


def test_what_no_start_of_the_month_reaches_is_told_before_planning():
    """The Sun may be no nearer to the Earth than 30 deg, so its phase no more than 150 deg."""
    with resources.as_file(resources.files("obsplan.examples") / "earth_watch.toml") as path:
        found = audit(make_environment(read_scenario(path)))
    (told,) = found["finding"][found["where"] == 'goal "phases and rotation"']
    assert told.startswith(
        "no permitted start reaches 6 of its 36 bins: Earth phase 150 to 180 deg"
    )


@pytest.mark.long
def test_every_phase_and_side_of_the_earth_in_reach_is_watched_three_times():
    made = plan("earth_watch")
    assert made.verdict.is_valid
    table = goal_table(made)
    bins = table[table["bin"] != "all bins"]
    far = bins["bin"].str.startswith("Earth phase 150 to 180")
    assert (bins["counted"][~far] == 3).all() and (~far).sum() == 30
    assert (bins["counted"][far] == 0).all() and (bins["state"][far] == "out of reach").all()
    assert bins["why"][far].str.contains("angle between Sun and Earth 30 to 180 deg").all()
