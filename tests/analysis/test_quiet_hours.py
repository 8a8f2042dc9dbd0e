"""Quiet hours: by hour of local time, what is disturbed, by what, and what quiet runs take."""

import pandas as pd
import pytest
from tools.plans import plan_of
from tools.small import scenario, slots, world

from obsplan.analysis.quiet_hours import has_quiet, quiet_hours

LISTEN = {"name": "listen", "duration_min": 60, "count": 9, "quiet": True}
DRIVE = {"name": "drive", "duration_min": 30, "count": 9, "disturbs": True}
DIG = {"name": "dig", "duration_min": 30, "count": 9, "disturbs": True}


def hours_of(*rows, hours=4.0):
    environment = world(scenario(LISTEN, DRIVE, DIG, hours=hours))
    table = slots(*rows)
    scene = environment.scenario
    lasts = [scene.slot_min(scene.activity_named(name)) for name, _ in rows]
    ends = table["start_utc"] + pd.to_timedelta(lasts, unit="min")
    return quiet_hours(plan_of(environment, table.assign(end_utc=ends)))


def test_hours_of_local_time_add_up_to_the_span_and_name_what_disturbs():
    """Local time begins at 20 h and goes on with the clock, past midnight."""
    found = hours_of(("listen", 0), ("drive", 90), ("dig", 110), ("drive", 230), hours=5.0)
    assert list(found["local_time_from_h"]) == [0.0, 20.0, 21.0, 22.0, 23.0]
    assert found["hours_h"].sum() == pytest.approx(5.0)
    assert list(found["taken_h"]) == [0.0, 1.0, 0.0, 0.0, 0.0]
    # At 21 h: drive 90 to 120 min, dig 110 to 140, which overlap; the drive at 23:50 goes on.
    assert found["disturbed_h"].tolist() == pytest.approx([20 / 60, 0, 0.5, 20 / 60, 10 / 60])
    assert found["by"].tolist() == [
        "drive 0.3 h",
        "",
        "drive 0.5 h; dig 0.2 h",
        "dig 0.3 h",
        "drive 0.2 h",
    ]
    assert (found["quiet_h"] + found["disturbed_h"]).tolist() == pytest.approx(
        found["hours_h"].tolist()
    )


def test_only_scenarios_with_quiet_activities_have_the_table():
    assert has_quiet(scenario(LISTEN)) and not has_quiet(scenario(DRIVE))
