"""What decides between plans worth the same."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from tools.small import platform, scenario, world

from obsplan.analysis.data_latency import latency_table
from obsplan.planning.as_good import AsGood, as_good, preferred
from obsplan.planning.plan import make_plan
from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.from_scenario import build_problem
from obsplan.planning.replayed import Replayed, replay_of
from obsplan.reporting.text import terminal
from obsplan.reporting.text.sentences import as_good_line

FIGURES = AsGood(latency_h=2.0, margin=0.05, unevenness=0.2, switches=5, sending_wh=40.0)
# Of two plans the first is taken for what comes first, whatever the rest.
WORSE = {
    "latency_h": {"latency_h": 3.5, "margin": 0.4, "unevenness": 0.0, "switches": 0},
    "margin": {"margin": 0.03, "unevenness": 0.0, "switches": 0, "sending_wh": 0.0},
    "unevenness": {"latency_h": 1.5, "margin": 0.055, "unevenness": 0.3, "switches": 0},
    "switches": {"latency_h": 1.5, "unevenness": 0.19, "switches": 6, "sending_wh": 0.0},
    "sending_wh": {"latency_h": 1.5, "margin": 0.055, "unevenness": 0.19, "sending_wh": 41.0},
}


@pytest.mark.parametrize("first", WORSE)
def test_what_comes_first_decides(first):
    other = FIGURES._replace(**WORSE[first])
    assert FIGURES.is_preferred_to(other) and not other.is_preferred_to(FIGURES)


def test_wide_margins_are_as_good_as_wider_ones():
    wide, wider = FIGURES._replace(margin=0.2), FIGURES._replace(margin=0.9, switches=6)
    assert wide.is_preferred_to(wider)
    assert not FIGURES.is_preferred_to(FIGURES)


def offered():
    look = {"name": "look", "data_mbit": 12.0, "count": 4, "power_w": 10.0}
    contact = np.arange(720) >= 240
    return world(
        scenario(look, platforms=[platform(idle_w=2.0)], hours=12, step_min=30),
        in_contact=contact,
        rate_kbps=np.where(contact, 20.0, 0.0),
    )


def booked(environment, starts):
    booking = Booking(build_problem(environment))
    for start in starts:
        booking.add(0, start)
    booking.flow = booking.simulate()
    return Replayed(booking, replay_of(environment)(booking))


def test_the_figures_are_those_of_tables():
    """Runs at 8, 10, 14 and 18 of 23 starts, whose even places are 2, 8, 14 and 20."""
    environment = offered()
    made = as_good(booked(environment, [8, 10, 14, 18]))
    assert made.unevenness == pytest.approx((6 + 2 + 0 + 2) / 4 / 23)
    assert made.switches == 0
    # 48 Mbit at 1.2 a minute are 40 min of 10 W, whole minutes of each run's own 12 Mbit.
    assert made.sending_wh == pytest.approx(40 / 60 * 10, rel=1e-6)
    assert made.latency_h < 0.5 / 60


def test_of_two_plans_the_crammed_one_is_left():
    environment = offered()
    crammed, spread = (booked(environment, s) for s in ([8, 10, 12, 14], [8, 12, 16, 20]))
    assert preferred([crammed, spread]) is spread and preferred([spread, crammed]) is spread
    # Data that wait for hours are worse than runs close together.
    waiting = booked(environment, [0, 2, 14, 20])
    assert as_good(waiting).latency_h > 1.5 and preferred([waiting, crammed]) is crammed


def test_a_plan_tells_its_figures():
    plan = make_plan(offered())
    assert plan.as_good is not None and plan.as_good.unevenness == 0.0
    assert 0.0 < plan.as_good.latency_h < latency_table(plan)["longest_h"].max()
    line = as_good_line(plan)
    assert "short data latency (0.6 h on average), wide margins (66 % left" in line
    assert line in terminal.plan_lines(plan, Path("plan"))
    assert as_good_line(replace(plan, as_good=None)) == ""
