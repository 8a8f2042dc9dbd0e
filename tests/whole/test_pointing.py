"""A platform points at one thing at a time: in plan, check, replay, bound and mistakes alike."""

import numpy as np
import pytest
from tools.replayed import slots as timeline
from tools.small import platform, scenario, scenario_table, slots, world

from obsplan.checking.check import check_timeline
from obsplan.inputs.cross_checks import reference_errors
from obsplan.planning.plan import make_plan
from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.from_scenario import build_problem

LOOK = {"name": "look", "points": "earth"}
MAP = {"name": "map", "points": "ground"}


def turning(*activities, slew_min=20, antenna="fixed", hours=6, **part):
    """An environment with contact at all times; the platform turns in so many minutes."""
    pointing = {"slew_min": slew_min, "antenna": antenna}
    return world(
        scenario(*activities, platforms=[platform(pointing=pointing, **part)], hours=hours)
    )


def found(environment, *rows):
    return check_timeline(environment, slots(*rows), fixes=False).violations


def test_planner_and_check_keep_the_same_turns():
    offered = turning(LOOK, MAP)
    booking = Booking(build_problem(offered))
    booking.add(0, 8)
    for step in range(21):
        told = found(offered, ("look", 120), ("map", 15 * step))
        # Whole steps of 15 minutes, of which a turn of 20 takes two.
        assert bool(booking.open_starts(1)[step]) == (not len(told)) == (not 30 < 15 * step < 210)
        assert set(told["rule"]) <= {"pointing"}


def test_a_slot_moved_too_near_to_one_that_points_elsewhere_is_told_with_a_fix():
    offered = turning(LOOK, MAP)
    made = make_plan(offered)
    assert made.verdict.is_valid and len(made.timeline.query("instrument != 'radio'")) == 2
    (row,) = check_timeline(offered, slots(("look", 0), ("map", 75))).violations.itertuples()
    assert (row.rule, row.amount, row.unit, row.slots) == ("pointing", 5.0, "min", "s1 s2")
    assert row.message == (
        '"map" (slot s2) points at "ground" from 2028-07-01T01:15Z, 5 min too soon after "look" '
        '(slot s1), which points at "earth", but "lander" points at one thing at a time and turns '
        'for 20 min; fix: start "map" (slot s2) at 2028-07-01T01:30Z'
    )
    assert found(offered, ("look", 0), ("map", 90)).empty
    assert found(turning(LOOK, MAP | {"points": "earth"}), ("look", 0), ("map", 30)).empty


@pytest.mark.parametrize("antenna, away", [("fixed", range(100, 200)), ("steered", ())])
def test_nothing_is_sent_while_a_fixed_antenna_points_elsewhere_or_turns(antenna, away):
    dump = {"name": "dump", "data_mbit": 60.0, "duration_min": 120}
    offered = turning(MAP, dump, antenna=antenna, radio={"rate_kbps": 5.0})
    sent = check_timeline(offered, slots(("dump", 0), ("map", 120))).resources["lander"]
    silent = np.flatnonzero(sent["sent_mbit"].to_numpy()[:160] == 0)
    assert silent.tolist() == [minute for minute in away if minute < 160]


def test_a_slot_added_that_points_elsewhere_breaks_a_store_that_only_fits_if_data_leave():
    dump = {"name": "dump", "data_mbit": 40.0, "duration_min": 120}
    part = {"radio": {"rate_kbps": 5.0}, "store": {"capacity_mbit": 12.0}}
    offered = turning(MAP, dump, **part)
    assert found(offered, ("dump", 0)).empty
    told = found(offered, ("dump", 0), ("map", 60))
    assert set(told["rule"]) == {"storage"}
    steered = turning(MAP, dump, antenna="steered", **part)
    assert found(steered, ("dump", 0), ("map", 60)).empty


@pytest.mark.parametrize("contact", [{"contact": "whole"}, {"contact": "start"}])
def test_a_run_that_needs_contact_points_at_the_receiver(contact):
    command = {"name": "command"} | contact
    assert set(found(turning(command, MAP), ("command", 0), ("map", 60))["rule"]) == {"pointing"}
    steered = turning(command, MAP, antenna="steered")
    assert found(steered, ("command", 0), ("map", 60)).empty


def test_contact_through_a_relay_needs_the_relay_to_point_at_the_earth():
    """The lander's run in contact and the orbiter's look at the ground are of two platforms."""
    pointing = {"slew_min": 20}
    parts = [platform(radio={"to": "orbiter"}), platform("orbiter", pointing=pointing)]
    command = {"name": "command", "contact": "whole", "count": 2, "gap_min": 60}
    map_ = MAP | {"platform": "orbiter", "count": 2, "gap_min": 60}
    scene = scenario(command, map_, platforms=parts, hours=6)
    offered = world(scene)
    (row,) = check_timeline(offered, slots(("command", 0), ("map", 75))).violations.itertuples()
    assert (row.rule, row.amount, row.platform) == ("pointing", 5.0, "orbiter")
    assert found(offered, ("command", 0), ("map", 90)).empty
    made = make_plan(offered)
    # Two of the three turns of half an hour that four runs need in six hours.
    assert made.verdict.is_valid and made.value == 4.0
    free = scenario(command, map_ | {"points": "earth"}, platforms=parts, hours=6)
    assert found(world(free), ("command", 0), ("map", 30)).empty


def test_what_pointing_costs_is_in_plan_and_bound():
    """In six hours there is room for three runs of an hour each, with turns of half an hour."""
    one, two = ({**each, "count": 3, "value": 1.0, "gap_min": 60} for each in (LOOK, MAP))
    free = make_plan(turning(one, two, slew_min=0))
    bound = make_plan(turning(one, two, slew_min=30))
    assert (free.value, bound.value) == (6.0, 4.0)
    assert bound.bound == pytest.approx(4.0, rel=1e-4) and bound.verdict.is_valid
    assert set(bound.unplaced["activity"]) <= {"look", "map"} and len(bound.unplaced)


def test_required_runs_that_leave_no_time_to_turn_are_a_conflict():
    both = [each | {"must": 1} for each in (LOOK, MAP)]
    with pytest.raises(Exception, match='"lander" points at one thing at a time'):
        make_plan(turning(*both, hours=2.25))
    assert make_plan(turning(*both, hours=2.5)).verdict.is_valid


MISTAKES = {
    'activity "map".points = "ground": platform "lander" has no [platform.pointing]': (MAP, None),
    'activity "map".points = "ground": a run that needs contact points at "earth", as the antenna '
    'of "lander" is fixed; allowed is "earth", or pointing.antenna = "steered"': (
        MAP | {"contact": "whole"},
        {"slew_min": 5},
    ),
}


@pytest.mark.parametrize("line", MISTAKES)
def test_each_mistake_is_named(line):
    activity, pointing = MISTAKES[line]
    part = platform() | ({"pointing": pointing} if pointing else {})
    assert reference_errors(scenario_table(activity, platforms=[part])) == [line]


def test_a_slot_off_the_grid_turns_to_the_minute():
    offered = turning(LOOK, MAP)
    rows = timeline(("look", 0, 60), ("map", 79, 139))
    told = check_timeline(offered, rows, fixes=False).violations
    assert told.query("rule == 'pointing'")["amount"].tolist() == [1.0]


def with_fixed_arrays(*activities, **columns):
    """A platform that generates 20 W while it points at the Sun, and idles with 10 W."""
    pointing = {"slew_min": 20, "antenna": "steered", "arrays": "fixed"}
    battery = {"capacity_wh": 20.0, "reserve": 0.2, "start": 0.8}
    part = platform(
        kind="orbiter",
        orbit={"file": "orbit.oem"},
        idle_w=10.0,
        pointing=pointing,
        battery=battery,
    )
    scene = scenario(*activities, platforms=[part], hours=6, step_min=5)
    return world(scene, generation_w=20.0, **columns)


def test_fixed_arrays_yield_nothing_while_a_run_points_elsewhere_or_turns():
    offered = with_fixed_arrays(MAP, LOOK | {"points": "sun"}, {"name": "free"})
    rows = slots(("map", 120), ("look", 240), ("free", 300))
    books = check_timeline(offered, rows, fixes=False).resources["lander"]
    dark = np.flatnonzero(books["generation_w"].to_numpy() == 0)
    assert dark.tolist() == list(range(100, 200))


def test_a_slot_added_that_turns_the_arrays_away_too_often_breaks_the_reserve():
    """A run with its turns takes 10 W for 100 min of the 16 Wh, or 17.5 Wh with losses of none."""
    offered = with_fixed_arrays(MAP | {"count": 2, "duration_min": 40})
    assert found(offered, ("map", 60)).empty
    told = found(offered, ("map", 60), ("map", 100))
    assert set(told["rule"]) == {"state of charge"}
    made = make_plan(offered)
    assert made.verdict.is_valid and made.value == 2.0
    (first, second) = made.timeline.query("activity == 'map'")["start_utc"]
    assert (second - first).total_seconds() / 60 >= 80


ARRAYS = {
    'platform "lander".pointing.arrays = "fixed": only for an orbiter; how arrays on the ground '
    "face is a key of each": ("lander", "steered"),
    'platform "lander".pointing.arrays = "fixed": needs antenna = "steered", as it cannot point at '
    "Sun and Earth at once": ("orbiter", "fixed"),
}


@pytest.mark.parametrize("line", ARRAYS)
def test_arrays_that_cannot_be_fixed_are_named(line):
    kind, antenna = ARRAYS[line]
    pointing = {"slew_min": 5, "antenna": antenna, "arrays": "fixed"}
    orbit = {"orbit": {"file": "orbit.oem"}} if kind == "orbiter" else {}
    part = platform(kind=kind, pointing=pointing, **orbit)
    table = scenario_table({"name": "look"}, platforms=[part], step_min=5)
    assert line in reference_errors(table)
