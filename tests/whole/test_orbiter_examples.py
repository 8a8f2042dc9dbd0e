"""The invented examples with an orbiter: alone before the Earth, and as a lander's way home."""

from functools import cache
from importlib import resources

import numpy as np
import pytest
from tools import example_orbit

from obsplan.environment.build import make_environment
from obsplan.inputs.read_scenario import read_scenario
from obsplan.planning.plan import make_plan


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
