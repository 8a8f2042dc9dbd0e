"""Small plans given run by run, and why no more runs fit."""

import pandas as pd

from obsplan.environment.model import Environment
from obsplan.inputs.scenario import Scenario
from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.from_scenario import build_problem
from obsplan.planning.problem.timeline_table import timeline_table
from obsplan.planning.reasons.unplaced import explain, unplaced_table
from tools.small import platform, world


def booked(scene: Scenario, environment: Environment, *runs: tuple[str, int]) -> Booking:
    """A plan with runs given as (activity, step of start)."""
    booking = Booking(build_problem(environment))
    names = [a.name for a in scene.activity]
    for name, start in runs:
        booking.add(names.index(name), start)
    booking.flow = booking.simulate()
    assert booking.flow.short is None
    return booking


def explained(environment: Environment, booking: Booking) -> pd.DataFrame:
    answers = explain(environment, booking, timeline_table(environment, booking))
    return unplaced_table(booking, answers)


def why(scene: Scenario, *runs: tuple[str, int], **columns) -> tuple[str, str]:
    """Reason and change for the only activity that wants more runs."""
    environment = world(scene, **columns)
    table = explained(environment, booked(scene, environment, *runs))
    assert len(table) == 1
    return table["reason"][0], table["would_fit_if"][0]


def small_battery(**changes) -> dict:
    """80 Wh on board, 20 of them in reserve, nothing comes in and nothing is lost."""
    return platform(battery={"capacity_wh": 100.0} | changes)
