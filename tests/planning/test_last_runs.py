"""At the end of a search, runs left out are tried at every permitted start."""

import numpy as np
from tools.small import platform, scenario, world

from obsplan.planning.last_runs import with_last_runs
from obsplan.planning.plan import PlanSearch
from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.from_scenario import build_problem
from obsplan.planning.replayed import Replayed, replay_of


def late_contact():
    """A day of 96 starts: the store has no room for a run's data but in its last hours.

    Contact comes late, and until then the 8 Mbit on board leave room for one of two runs.
    """
    part = platform(store={"capacity_mbit": 10.0, "start_mbit": 8.0})
    scene = scenario(
        {"name": "image", "duration_min": 15, "data_mbit": 6.0, "count": 3}, platforms=[part]
    )
    contact = np.arange(1440) >= 1200
    return world(scene, rate_kbps=np.where(contact, 20.0, 0.0), in_contact=contact)


def idle_plan(environment) -> Replayed:
    booking = Booking(build_problem(environment))
    return Replayed(booking, replay_of(environment)(booking))


def test_every_run_that_fits_somewhere_is_placed():
    environment = late_contact()
    plan = with_last_runs(idle_plan(environment), replay_of(environment))
    assert plan.verdict.is_valid
    assert len(plan.booking.runs[0]) == 3 and min(plan.booking.runs[0]) >= 1200 / 15 - 1


def test_a_search_ends_with_the_runs_that_it_did_not_look_for():
    environment = late_contact()
    search = PlanSearch(environment, report=lambda line: None)
    assert len(search.filled(idle_plan(environment)).booking.runs[0]) == 3


def test_runs_worth_nothing_are_not_placed():
    scene = scenario({"name": "a", "count": 3, "repeat_worth": 0.0}, hours=6)
    environment = world(scene)
    plan = with_last_runs(idle_plan(environment), replay_of(environment))
    assert len(plan.booking.runs[0]) == 1
