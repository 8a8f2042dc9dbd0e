"""A quick plan that the replay by the minute bears, or what there is when time is up."""

from threading import Event

import numpy as np
import pytest
from small import platform, scenario, world

from obsplan.mend import bearable, replayed
from obsplan.problem import problem


def lean():
    """A quarter of an hour brings what a run takes, but in its last 5 minutes; room for two."""
    part = platform(battery={"capacity_wh": 100.0, "reserve": 0.2, "start": 0.27})
    scene = scenario({"name": "heater", "power_w": 40.0, "count": 2}, platforms=[part], hours=3)
    return scene, world(scene, generation_w=np.where(np.arange(180) % 15 < 10, 0.0, 120.0))


def test_more_is_kept_in_reserve_until_the_replay_agrees():
    scene, around = lean()
    question = problem(scene, around)
    spared, booking = bearable(scene, around, question)
    assert booking is not None and replayed(scene, around)(booking).holds
    assert spared.nodes[0].reserve_wh >= question.nodes[0].reserve_wh


def test_when_time_is_up_the_first_is_taken_as_it_is():
    scene, around = lean()
    question, up, made = problem(scene, around), Event(), []
    up.set()

    def never(booking):
        made.append(booking)
        return replayed(scene, around)(booking)

    spared, booking = bearable(scene, around, question, judge=never, stop=up)
    assert spared is question and made == [booking]


def test_question_without_a_place_for_required_runs_has_no_quick_plan():
    scene = scenario({"name": "a", "must": 1, "power_w": 500.0}, hours=2)
    around = world(scene)
    with pytest.raises(LookupError, match='"a"'):
        bearable(scene, around, problem(scene, around))
