"""Planner and referee forgive rounding so that neither refuses what the other may accept."""

import numpy as np
from tools.small import platform, scenario, world

from obsplan.checking.check import check_timeline
from obsplan.checking.replay import POWER_SLACK_W
from obsplan.checking.resource_rules import DATA_SLACK_MBIT, ENERGY_SLACK_WH
from obsplan.common.text import PROVEN
from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.from_scenario import build_problem
from obsplan.planning.problem.timeline_table import plan_slots
from obsplan.planning.problem.tolerances import (
    BUS_TOLERANCE_W,
    MOST_TAKEN_OVER,
    REPLAY_SLACK,
    SAME_WH,
    TAKEN_OVER,
    TOLERANCE,
)
from obsplan.planning.search.exact import ROUNDING
from obsplan.planning.solver.matrix import LEAST_FIGURE
from obsplan.planning.solver.model_solution import SENDING


def test_the_relaxed_problem_gives_way_by_more_than_the_referee_forgives():
    assert max(POWER_SLACK_W, ENERGY_SLACK_WH, DATA_SLACK_MBIT) < REPLAY_SLACK


def test_the_referee_forgives_what_the_planner_does():
    assert ENERGY_SLACK_WH >= TOLERANCE and DATA_SLACK_MBIT >= TOLERANCE
    assert POWER_SLACK_W >= BUS_TOLERANCE_W


def test_walks_taken_over_many_times_in_a_row_stay_within_the_tolerance():
    assert MOST_TAKEN_OVER * TAKEN_OVER < TOLERANCE
    assert TAKEN_OVER < SAME_WH < TOLERANCE


def test_coefficients_that_the_solver_drops_are_no_more_than_the_tolerance():
    assert LEAST_FIGURE < TOLERANCE < SENDING


def test_a_plan_proven_optimal_has_a_bound_that_is_shown_as_met():
    assert PROVEN > ROUNDING


def test_no_run_is_planned_that_the_referee_refuses_for_the_last_digits_of_the_bus():
    """The load is 50 nW above the limit: rounding for neither."""
    part = platform(bus_limit_w=50.0 - 5e-8)
    table = world(scenario({"name": "a", "power_w": 50.0}, platforms=[part], hours=2))
    booking = Booking(build_problem(table))
    assert not booking.open_starts(0).any()
    booking.add(0, 0)
    booking.flow = booking.simulate()
    broken = check_timeline(table, plan_slots(table.scenario, booking)).violations
    assert np.isclose(broken["amount"], 5e-8, atol=1e-9).any() and not booking.fits_bus()
