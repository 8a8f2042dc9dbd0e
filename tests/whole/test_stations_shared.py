"""One station serves one spacecraft at a time, and the plan decides which."""

import numpy as np
import pytest
from tools.small import platform, scenario, slots, world

from obsplan.checking.check import check_timeline
from obsplan.planning.plan import make_plan

BOTH = [platform(name, radio={"rate_kbps": 5.0}) for name in ("lander", "rover")]
COMMAND = {"name": "command", "contact": "whole"}
STEER = {"name": "steer", "platform": "rover", "contact": "whole"}
DUMP = {"name": "dump", "platform": "rover", "data_mbit": 40.0}


def shared(*activities, hours=4, platforms=BOTH, **columns):
    """Two spacecraft that send to Earth by themselves, both through station alpha."""
    scene = scenario(*activities, platforms=platforms, hours=hours)
    return world(scene, **{"station": "alpha"} | columns)


def told(environment, *rows):
    return check_timeline(environment, slots(*rows), fixes=False)


def test_two_runs_in_contact_throughout_need_two_stations():
    offered = shared(COMMAND, STEER)
    (row,) = check_timeline(offered, slots(("command", 0), ("steer", 45))).violations.itertuples()
    assert (row.rule, row.amount, row.slots) == ("station", 15.0, "s1 s2")
    assert row.message == (
        '"command" (slot s1) and "steer" (slot s2) both need "alpha" for 15 min from '
        "2028-07-01T00:45Z, but a station serves one spacecraft at a time; "
        'fix: start "steer" (slot s2) at 2028-07-01T01:45Z'
    )
    assert told(offered, ("command", 0), ("steer", 60)).is_valid
    apart = shared(COMMAND, STEER, rover_station="beta")
    assert told(apart, ("command", 0), ("steer", 45)).is_valid


def test_a_plan_gives_the_station_to_one_after_the_other():
    one, two = ({**each, "count": 4} for each in (COMMAND, STEER))
    made = make_plan(shared(one, two))
    # The bound lets runs overlap at a station, and says so by its gap.
    assert made.verdict.is_valid and made.value == 4.0 <= made.bound
    apart = make_plan(shared(one, two, rover_station="beta"))
    assert apart.value == 8.0


def test_the_other_spacecraft_sends_nothing_to_the_station_meanwhile():
    offered = shared(COMMAND, DUMP)
    sent = told(offered, ("dump", 0), ("command", 60)).resources["rover"]["sent_mbit"].to_numpy()
    assert np.flatnonzero(sent == 0)[:60].tolist() == list(range(60, 120))
    apart = shared(COMMAND, DUMP, rover_station="beta")
    freely = told(apart, ("dump", 0), ("command", 60)).resources["rover"]["sent_mbit"]
    assert (freely.to_numpy()[:120] > 0).all()


def test_a_plan_brings_home_what_one_station_can_carry_of_two_spacecraft():
    """Both take 30 Mbit, and the station can receive 72 in four hours, one of them at a time."""
    both = [{"name": f"dump of {n}", "platform": n, "data_mbit": 30.0} for n in ("lander", "rover")]
    store = {"store": {"capacity_mbit": 50.0, "end_limit_mbit": 0.0}}
    made = make_plan(shared(*both, platforms=[part | store for part in BOTH]))
    assert made.verdict.is_valid and made.value == 2.0
    one, other = (made.verdict.resources[name]["sent_mbit"] for name in ("lander", "rover"))
    assert one.sum() == pytest.approx(30.0) and other.sum() == pytest.approx(30.0)
    assert not ((one > 0) & (other > 0)).any()
    # Twice as much is more than it can carry, and the bound knows.
    both = [each | {"data_mbit": 49.0} for each in both]
    made = make_plan(shared(*both, platforms=[part | store for part in BOTH]))
    assert made.value == 1.0 and made.bound == pytest.approx(1.0, abs=0.5)


def test_a_relayed_rover_shares_the_station_of_its_lander():
    parts = [BOTH[0], platform("rover", radio={"to": "lander", "rate_kbps": 5.0})]
    offered = shared(COMMAND, STEER, platforms=parts, rover_station="")
    assert told(offered, ("command", 0), ("steer", 0)).is_valid


@pytest.mark.parametrize("data_mbit, fits", [(40.0, True), (60.0, False)])
def test_plan_and_bound_count_what_a_station_can_carry_beside_contact_runs(data_mbit, fits):
    """Of two hours one goes to a required run: 18 Mbit leave in the other."""
    store = {"store": {"capacity_mbit": 70.0, "end_limit_mbit": 30.0}}
    parts = [BOTH[0], BOTH[1] | store]
    dump = DUMP | {"data_mbit": data_mbit}
    made = make_plan(shared(COMMAND | {"must": 1}, dump, hours=2, platforms=parts))
    assert made.verdict.is_valid
    assert made.value == (2.0 if fits else 1.0)
    assert made.bound == pytest.approx(made.value, rel=1e-4)
