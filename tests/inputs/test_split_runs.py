"""Runs in pieces: the scenario is read as one with more, shorter runs."""

import numpy as np
import pytest
from tools.small import platform, scenario, scenario_table, slots, world

from obsplan.checking.check import check_timeline
from obsplan.environment.levers import activity_lever
from obsplan.inputs.cross_checks import reference_errors
from obsplan.inputs.read_scenario import scenario_from
from obsplan.planning.plan import make_plan

FILM = {
    "name": "film",
    "duration_min": 200,
    "split_min": 60,
    "warm_up_min": 10,
    "warm_up_w": 30.0,
    "power_w": 6.0,
    "data_mbit": 60.0,
    "count": 2,
    "must": 1,
    "value": 9.0,
}


def film(**changes):
    silent = platform(store={"capacity_mbit": 500.0}, radio={"transmit_w": 0.0})
    return scenario(FILM | changes, platforms=[silent], hours=24)


def test_a_run_is_made_in_equal_pieces():
    (piece,) = film(first_runs_in_contact=1).activity
    assert (piece.duration_min, piece.warm_up_min, piece.data_mbit) == (67, 10, 20.0)
    assert (piece.count, piece.must, piece.first_runs_in_contact) == (6, 3, 3)
    assert piece.value == 3.0 and piece.repeat_worth == 1.0


@pytest.mark.parametrize("worth", [0.3, 0.8, 1.0])
def test_the_pieces_of_each_run_are_worth_as_much_as_the_run(worth):
    (piece,) = film(count=3, repeat_worth=worth).activity
    values = [piece.value * piece.repeat_worth**k for k in range(piece.count)]
    runs = np.array(values).reshape(3, 3).sum(axis=1)
    assert runs == pytest.approx([9.0, 9.0 * worth, 9.0 * worth**2])
    (lone,) = film(count=1, must=0, repeat_worth=0.0).activity
    assert lone.value == 3.0 and lone.repeat_worth == 1.0


@pytest.mark.parametrize("split", [101, 200])
def test_a_run_that_is_too_short_for_two_pieces_stays_whole(split):
    (whole,) = film(split_min=split).activity
    assert (whole.duration_min, whole.count, whole.value) == (200, 2, 9.0)


@pytest.mark.parametrize("split", range(1, 200))
def test_a_scenario_that_is_read_again_stays_as_it_is(split):
    scene = film(split_min=split, count=1)
    assert scenario_from(scene.model_dump(exclude_none=True)).activity == scene.activity
    assert scene.activity[0].duration_min >= split


def test_each_piece_warms_up_in_the_replay():
    offered = world(film())
    verdict = check_timeline(offered, slots(("film", 0), ("film", 120), ("film", 240)))
    assert verdict.is_valid and "must" in verdict.rules
    drawn_w = verdict.resources["lander"]["load_w"].to_numpy()
    for start in (0, 120, 240):
        assert (drawn_w[start : start + 10] == 30.0).all()
        assert (drawn_w[start + 10 : start + 77] == 6.0).all() and drawn_w[start + 77] == 0.0
    fewer = check_timeline(offered, slots(("film", 0), ("film", 120)))
    assert fewer.violations["rule"].tolist() == ["must"]


def test_pieces_fit_where_no_whole_run_does():
    """In each two hours of four there is contact."""
    contact = np.arange(24 * 60) % 240 < 120
    columns = {"in_contact": contact, "rate_kbps": np.where(contact, 20.0, 0.0)}
    whole = {key: value for key, value in FILM.items() if key not in ("split_min", "must")}
    tight = {"contact": "whole"}
    apart = make_plan(world(film(**tight), **columns))
    assert apart.value == 18.0 and (apart.timeline["activity"] == "film").sum() == 6
    assert make_plan(world(scenario(whole | tight, hours=24), **columns)).value == 0.0


def test_a_plan_is_that_of_the_scenario_written_out():
    written = {k: v for k, v in FILM.items() if k != "split_min"}
    written |= {"duration_min": 67, "data_mbit": 20.0, "count": 6, "must": 3, "value": 3.0}
    plans = [make_plan(world(s)) for s in (film(), film(**written, split_min=None))]
    assert plans[0].timeline.equals(plans[1].timeline) and plans[0].bound == plans[1].bound


def test_no_fix_names_a_count_of_pieces():
    (piece,) = film().activity
    lever = activity_lever(piece, "must", 0)
    assert lever.now == lever.most
    one_more = slots(*(("film", 120 * k) for k in range(7)))
    (row,) = check_timeline(world(film()), one_more).violations.itertuples()
    assert row.rule == "count" and "fix: drop" in row.message


MISTAKES = {
    "longer than the run; allowed is 1 to 200, the duration_min": {"split_min": 201},
    "makes more than 2000 pieces; allowed are longer pieces": {"split_min": 1, "count": 11},
    "with repeat_worth = 0 no further piece has a worth; leave one out": {"repeat_worth": 0},
}


@pytest.mark.parametrize("line", MISTAKES)
def test_what_cannot_be_split_is_named(line):
    raw = scenario_table(FILM | MISTAKES[line])
    assert reference_errors(raw) == [
        f'activity "film".split_min = {raw["activity"][0]["split_min"]}: {line}'
    ]


def test_nothing_comes_after_a_piece_and_no_goal_counts_one():
    goal = {"name": "much", "runs_of": ["film"], "runs_each": 2, "value": 5.0}
    raw = scenario_table(FILM, {"name": "look", "after": [{"activity": "film"}]}) | {"goal": [goal]}
    where = 'activity "film".split_min = 60: '
    assert reference_errors(raw) == [
        where + '"look" comes after it, and a piece is no whole run; leave one out',
        where + "a goal counts its runs, and a piece is no whole run; leave one out",
    ]
