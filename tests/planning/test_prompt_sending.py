"""Data wait no longer than they must, and no run is lost for it."""

import numpy as np
import pytest
from hypothesis import assume, given
from tools.small import cases, platform, scenario, world

from obsplan.planning.plan import make_plan
from obsplan.planning.problem.from_scenario import build_problem
from obsplan.planning.prompt_sending import sent_promptly, waiting_mbit_h
from obsplan.planning.replayed import Replayed, replay_of
from obsplan.planning.search.greedy import greedy_plan
from obsplan.planning.solver.transmit_windows import with_early_sending

# 20 W of sending carry 60 Mbit an hour; the battery holds 12 Wh above its reserve.
LINK = {
    "radio": {"transmit_w": 20.0, "rate_kbps": 1000.0 / 60},
    "battery": {"capacity_wh": 20.0, "reserve": 0.2, "start": 0.8},
    "store": {"capacity_mbit": 200.0, "start_mbit": 30.0},
}


def planned(*activities, generation_w=0.0):
    """Twelve hours with contact all the time."""
    scene = scenario(*activities, platforms=[platform(**LINK)], hours=12)
    return make_plan(world(scene, rate_kbps=1000.0 / 60, generation_w=generation_w))


def sent_mbit(plan):
    return plan.verdict.resources["lander"]["sent_mbit"].to_numpy()


def test_data_leave_at_once_where_nothing_needs_the_energy():
    plan = planned({"name": "look", "duration_min": 60})
    assert sent_mbit(plan)[:30].sum() == pytest.approx(30.0, abs=0.01)


def test_data_wait_where_a_run_needs_the_energy_and_no_longer():
    """The run takes 10 of 12 Wh in the first hour; the arrays yield 5 W from the third hour on."""
    dawn = np.where(np.arange(720) >= 180, 25.0, 0.0)
    when = {"sun_elevation_deg": [0.0, 5.3]}
    run = {"name": "look", "duration_min": 30, "power_w": 20.0, "when": when}
    plan = planned(run, generation_w=dawn)
    sent = sent_mbit(plan)
    assert plan.value == 1.0
    assert sent[:180].sum() <= 6.0 + 0.01  # 2 Wh at 20 W
    assert sent.sum() == pytest.approx(30.0, abs=0.01)
    assert np.flatnonzero(sent).max() < 180 + 31


def test_no_energy_is_kept_for_sending_before_there_are_data():
    """Of 12 Wh, sending 30 Mbit takes 10 once the run of 20 Mbit in the fifth hour is over."""
    link = LINK | {"store": {"capacity_mbit": 200.0}}
    when = {"sun_elevation_deg": [5 + 240 / 144, 5 + 300 / 144]}
    run = {"name": "look", "duration_min": 60, "data_mbit": 20.0, "when": when}
    scene = scenario(run, platforms=[platform(**link)], hours=12)
    booking = greedy_plan(build_problem(world(scene, rate_kbps=1000.0 / 60)))
    early = with_early_sending(booking)
    assert booking.runs == [[16]] and np.flatnonzero(early.may_send[0]).min() >= 16
    assert early.flow.sent_share[0].sum() * 15.0 == pytest.approx(20.0, abs=1e-6)


@given(case=cases(hours=(4, 6), activities=(2, 4)))
def test_the_same_runs_wait_no_longer_and_break_nothing(case):
    replay = replay_of(case)
    booking = greedy_plan(build_problem(case))
    plan = Replayed(booking, replay(booking))
    assume(plan.verdict.is_valid)
    prompt = sent_promptly(plan, replay)
    assert prompt.verdict.is_valid and prompt.booking.runs == booking.runs
    assert waiting_mbit_h(prompt.verdict) <= waiting_mbit_h(plan.verdict) + 2e-3


def test_waiting_is_data_times_latency():
    """Of 30 Mbit at a Mbit a minute, the k-th waits k minutes."""
    plan = planned({"name": "look", "duration_min": 60})
    assert waiting_mbit_h(plan.verdict) == pytest.approx(sum(range(1, 31)) / 60, abs=0.01)
