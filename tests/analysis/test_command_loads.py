"""Commands grouped into loads, one for each contact."""

import numpy as np
import pandas as pd
from tools.small import START, platform, scenario_table, slots, world

from obsplan.analysis.command_deadlines import uplink_deadlines
from obsplan.analysis.command_loads import command_loads
from obsplan.inputs.read_scenario import scenario_from

ROWS = slots(("look", 120), ("look", 180), ("read", 200), ("look", 600), ("read", 900))


def offered():
    """A lander with a rover; contact from 60 to 100 and from 500 to 560."""
    table = scenario_table(
        {"name": "look", "count": 9},
        {"name": "read", "count": 9, "platform": "rover"},
        platforms=[platform(), platform("rover", kind="rover", radio={"to": "lander"})],
        hours=20,
    )
    contact = np.zeros(1200, dtype=bool)
    contact[60:100] = contact[500:560] = True
    scene = scenario_from(table | {"uplink": {"lead_min": 30}})
    stations = np.where(contact, np.where(np.arange(1200) < 300, "alpha", "beta"), "")
    return world(scene, in_contact=contact, lander_station=stations, rover_station="")


def minutes(times) -> list[int]:
    return [round((time - START).total_seconds() / 60) for time in times]


def test_slots_of_a_contact_are_one_load_that_its_first_deadline_limits():
    loads = command_loads(offered(), ROWS)
    assert loads["load"].tolist() == [1, 2]
    assert loads["platform"].tolist() == ["lander", "lander"]
    assert loads["station"].tolist() == ["alpha", "beta"]
    assert minutes(loads["contact_opens_utc"]) == [60, 500]
    # The first command must be on board at 90; the light takes a second.
    assert minutes(loads["by_utc"]) == [90, 560]
    assert loads["slots"].tolist() == ["s1; s2; s3", "s4; s5"]
    assert loads["activities"].tolist() == ["look; read", "look; read"]
    assert loads["commands"].tolist() == [3, 2]
    assert minutes(loads["first_start_utc"]) == [120, 600]


def test_every_deadline_is_in_one_load_and_none_before_now_is():
    environment = offered()
    for minute in (0, 95, 600):
        now_utc = (START + pd.Timedelta(minutes=minute)).to_pydatetime()
        due = uplink_deadlines(environment, ROWS, now_utc)["slot"].tolist()
        loads = command_loads(environment, ROWS, now_utc)
        assert sorted("; ".join(loads["slots"]).split("; ")) == (sorted(due) or [""])
        assert (loads["by_utc"] >= now_utc).all()
