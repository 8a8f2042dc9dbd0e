"""Routes found together with the plan: short spans, and places to park."""

from threading import Event

import pytest
from tools.places import PLACES

from obsplan.environment.build import make_environment
from obsplan.inputs.placed import DriveActivity
from obsplan.inputs.read_scenario import read_scenario
from obsplan.planning.routed import routed

PARK = "store = { capacity_mbit = 300.0 }\n"


@pytest.mark.parametrize(
    ("end", "visited"), [("06T02:00", 3), ("05T19:00", 2), ("05T14:00", 1), ("05T08:00", 0)]
)
def test_a_shorter_span_leaves_stops_out_and_the_rover_still_parks(tmp_path, end, visited):
    text = PLACES.replace("2028-07-06T12:00", f"2028-07-{end}")
    # What people decide before the rover leaves a stop takes longer than first routes count on.
    text = text.replace('"laser" }]', '"laser", received = true, decide_min = 150 }]')
    text = text.replace(PARK, PARK + 'parking = { stop = ["lander"] }\n')
    (tmp_path / "s.toml").write_text(text)
    environment = make_environment(read_scenario(tmp_path / "s.toml"))
    found = routed(environment, "low", Event(), lambda line: None)
    assert found.first is not None and not found.first.lacks_required_runs()
    drives = [a for a in found.environment.scenario.activity if isinstance(a, DriveActivity)]
    places = ["lander", *(drive.leg.end for drive in drives if drive.is_last)]
    assert places[-1] == "lander" and len(set(places)) - 1 == visited
