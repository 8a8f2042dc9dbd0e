"""A plan of the demo holds, and each of many hand edits is found out by its rule."""

import pandas as pd
import pytest

from obsplan.checking.check import check_timeline
from obsplan.checking.fixes import NONE_FOUND
from obsplan.planning.minute_repair import tightened_problem
from obsplan.planning.problem.from_scenario import build_problem
from obsplan.planning.problem.timeline_table import plan_slots


@pytest.fixture(scope="module")
def planned(demo):
    """A quick plan of the demo that holds by the minute, as slots."""
    _, booking = tightened_problem(demo, build_problem(demo))
    return plan_slots(demo.scenario, booking)


def at(text: str) -> pd.Timestamp:
    return pd.Timestamp(f"2028-07-{text}Z")


def moved(slots, activity, start, run=0):
    """Run number `run` of `activity` moved to `start`, as long as before."""
    slots = slots.copy()
    row = slots.index[slots["activity"] == activity][run]
    length = slots.at[row, "end_utc"] - slots.at[row, "start_utc"]
    slots.loc[row, ["start_utc", "end_utc"]] = [start, start + length]
    return slots


def added(slots, activity, *starts):
    """`slots` with more runs of `activity`, ends as the scenario asks."""
    rows = [
        {"slot": f"x{k}", "activity": activity, "start_utc": start, "end_utc": pd.NaT}
        for k, start in enumerate(starts)
    ]
    return pd.concat([slots, pd.DataFrame(rows)], ignore_index=True).astype(slots.dtypes)


def dropped(slots, activity):
    return slots[slots["activity"] != activity]


def first_start(slots, activity):
    return slots.loc[slots["activity"] == activity, "start_utc"].min()


def longer(slots):
    slots = slots.copy()
    row = slots.index[slots["activity"] == "heater run"][0]
    slots.loc[row, "end_utc"] += pd.Timedelta(minutes=15)
    return slots


MINUTE = pd.Timedelta(minutes=1)
EDITS = {
    "span": lambda s: moved(s, "passive log", at("13T05:45")),
    "grid": lambda s: moved(s, "passive log", first_start(s, "passive log") + 7 * MINUTE),
    "duration": longer,
    "Sun elevation": lambda s: moved(s, "low-Sun sweep", at("07T12:00")),
    "surface temperature": lambda s: moved(s, "apxs integration", at("06T12:00")),
    "local time": lambda s: moved(s, "drive", at("12T21:00")),
    "contact": lambda s: moved(s, "drive", at("05T04:00")),
    "instrument": lambda s: added(s, "passive log", first_start(s, "heater run") + 60 * MINUTE),
    "platform": lambda s: added(s, "libs raster", first_start(s, "apxs integration")),
    "repeat": lambda s: added(s, "seismic block", first_start(s, "seismic block") + 60 * MINUTE),
    "gap": lambda s: added(s, "plasma sweep", first_start(s, "plasma sweep") + 75 * MINUTE),
    "quiet": lambda s: added(s, "drive", first_start(s, "seismic block") + 60 * MINUTE),
    "order": lambda s: added(s, "heater run", at("02T09:00")),
    "count": lambda s: added(s, "probe insertion", at("08T03:00")),
    "must": lambda s: dropped(s, "probe insertion"),
    "bus power": lambda s: added(s, "libs raster", first_start(s, "drive")),
    "state of charge": lambda s: added(s, "drive", *(at(f"06T{h}:00") for h in (17, 18, 19))),
    "storage": lambda s: dropped(s, "lander downlink"),
    "end storage": lambda s: dropped(s, "rover relay"),
    "end charge": lambda s: added(s, "probe insertion", *(at(f"12T{h}:00") for h in (17, 20, 23))),
}


def test_the_plan_itself_holds(demo, planned):
    verdict = check_timeline(demo, planned)
    assert verdict.is_valid, verdict.violations["message"].tolist()


@pytest.mark.parametrize("rule", sorted(EDITS))
def test_an_edit_is_found_by_its_rule(demo, planned, rule):
    verdict = check_timeline(demo, EDITS[rule](planned), fixes=False)
    assert rule in set(verdict.violations["rule"])


def test_an_edit_that_hits_others_is_told_how_to_mend_each_of_them(demo, planned):
    verdict = check_timeline(demo, EDITS["repeat"](planned))
    assert len(verdict.found) > 1
    assert all(violation.fix not in ("", NONE_FOUND) for violation in verdict.found)
