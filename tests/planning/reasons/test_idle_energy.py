"""A platform that cannot idle through the span is told where its energy goes."""

import numpy as np
import pytest
from tools.small import platform, scenario, world

from obsplan.common.errors import Infeasible
from obsplan.planning.plan import make_plan
from obsplan.planning.reasons.idle_energy import why_not_idle


def test_idle_load_and_heater_are_told_apart():
    """800 Wh aboard, 200 in reserve; 10 W and 20 W of heater take 720 Wh in a day."""
    lander = platform(idle_w=10.0, heater={"power_w": 20.0, "below_k": 250.0})
    scene = scenario({"name": "a"}, platforms=[lander])
    dark = np.where(np.arange(1440) < 720, 0.0, 1.0)
    sky = {"sun_visible_fraction": dark}
    environment = world(scene, sky, base_load_w=30.0, generation_w=0.0)
    told = why_not_idle(environment).splitlines()
    assert "120 Wh short of its reserve of 200 Wh at 2028-07-02T00:00Z" in told[0]
    assert told[1] == (
        '"lander" from 2028-07-01T00:00Z to 2028-07-02T00:00Z: idling takes 240.0 Wh and '
        "heating 480.0 Wh; its battery begins with 800.0 Wh and its arrays give 0.0 Wh; for "
        "12.0 h of that "
        "the Sun is below the skyline or behind the Earth"
    )
    assert told[2] == (
        'conflicting rules: idle load of 10 W on "lander"; heater of 20 W below 250 K on "lander"; '
        'battery reserve of 200 Wh on "lander"'
    )


@pytest.mark.parametrize(
    ("idle_w", "battery", "words"),
    [
        (100.0, {}, ['idle load of 100 W on "lander"']),
        (30.0, {}, ['idle load of 30 W on "lander"', 'battery reserve of 200 Wh on "lander"']),
        (20.0, {"end": 0.5}, ['idle load of 20 W on "lander"', 'end charge of 500 Wh on "lander"']),
    ],
)
def test_loads_and_limits_that_idling_cannot_meet_are_named(idle_w, battery, words):
    scene = scenario({"name": "a"}, platforms=[platform(idle_w=idle_w, battery=battery)])
    told = why_not_idle(world(scene, generation_w=0.0))
    rules = told.splitlines()[-1].removeprefix("conflicting rules: ").split("; ")
    assert rules == words and " -" not in told


def test_a_platform_that_idles_through_the_span_has_no_reason():
    assert why_not_idle(world(scenario({"name": "a"}))) == ""


def test_planning_refuses_a_platform_that_cannot_idle():
    scene = scenario({"name": "a"}, platforms=[platform(idle_w=100.0)])
    with pytest.raises(Infeasible, match="conflicting rules: idle load of 100 W"):
        make_plan(world(scene, generation_w=0.0))
