"""Stops that no drive reaches in the span are found before any plan."""

import pytest
from tools.places import PLACES, with_drive

from obsplan.environment.build import make_environment
from obsplan.inputs.read_scenario import read_scenario
from obsplan.planning.reasons.audit import findings
from obsplan.planning.reasons.finding import Severity

PARK = "store = { capacity_mbit = 300.0 }\n"


def lines_of(tmp_path, text, about=("stop", "parking", "instrument", "laser")):
    (tmp_path / "s.toml").write_text(text)
    (tmp_path / "dark.csv").write_text("azimuth_deg,elevation_deg\n0,70\n")
    found = findings(make_environment(read_scenario(tmp_path / "s.toml")))
    return {f.line: f.severity for f in found if any(word in f.where for word in about)}


def test_nothing_is_said_of_stops_that_drives_reach(tmp_path):
    text = PLACES.replace("duration_min = 30\n", "duration_min = 40\n", 1)
    assert [*lines_of(tmp_path, text)] == [
        'activity "laser": 40 min are rounded up to a slot of 60 min; fix: a length of whole steps '
        "of 30 min"
    ]


@pytest.mark.parametrize(("must", "severity"), [(0, Severity.WARNING), (1, Severity.INFEASIBLE)])
def test_a_stop_in_the_dark_cannot_be_reached_by_drives_in_light(tmp_path, must, severity):
    text = with_drive(when="{ sun_visible_fraction = [0.5, 1] }")
    text = text.replace('"R2"\nplatform', '"R2"\nskyline = "dark.csv"\nplatform', 1)
    text = text.replace('at = "stops"', f'at = "stops"\nmust = {must}', 1)
    assert lines_of(tmp_path, text, ("stop",)) == {
        'stop "R2": no drive to it can start in the span: no slot in the span has visible fraction '
        "of the Sun 0.5 to 1": severity
    }


def test_parking_in_the_dark_is_infeasible(tmp_path):
    text = with_drive(when="{ sun_visible_fraction = [0.5, 1] }")
    text = text.replace('"R2"\nplatform', '"R2"\nskyline = "dark.csv"\nplatform', 1)
    text = text.replace(PARK, PARK + 'parking = { stop = ["R2"] }\n')
    found = lines_of(tmp_path, text, ("parking",))
    assert found == {
        'platform "rover".parking: no drives lead to R2 in the span; fix: name another stop to '
        "park at": Severity.INFEASIBLE
    }


def test_a_stop_beyond_a_way_that_keeps_from_the_sun_is_reached_over_another(tmp_path):
    # Straight there the rover would drive towards the noon Sun; over R1 it need not.
    lines = lines_of(tmp_path, with_drive(not_towards_sun_deg="45"), ("stop",))
    assert not lines
