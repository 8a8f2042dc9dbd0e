"""A replan goes on from where the rover stands: after short drives, and as telemetry says."""

import tomllib
from datetime import timedelta

import pandas as pd
import pytest
from tools.places import PLACES

from obsplan.analysis.traverse import traverse_table
from obsplan.analysis.visits import left_out, visits
from obsplan.checking.check import check_timeline
from obsplan.common.errors import StateError
from obsplan.common.instants import stamp
from obsplan.environment.build import make_environment
from obsplan.inputs.earlier_states import with_times
from obsplan.inputs.placed import DriveActivity, PlacedActivity
from obsplan.inputs.read_scenario import scenario_from
from obsplan.inputs.read_state import read_state
from obsplan.inputs.reported_file import REPORTED, reported_beside, reported_text
from obsplan.inputs.telemetry_file import PlatformState, State
from obsplan.operations.replan import make_replan
from obsplan.operations.telemetry import with_telemetry
from obsplan.planning.plan import make_plan

SCENARIO = scenario_from(tomllib.loads(PLACES))
DRIVES = {drive.name: drive for drive in SCENARIO.drive}


@pytest.fixture(scope="module")
def plan():
    return make_plan(make_environment(SCENARIO), effort="low")


def legs(timeline):
    """The drives of a timeline, in order of time."""
    rows = timeline.sort_values("start_utc", kind="stable")
    return [DRIVES[name] for name in rows["activity"] if name in DRIVES]


def again(plan, now_utc, platforms=(), ran=None):
    """The plan made again at a time, with what telemetry says of platforms."""
    known = with_telemetry(plan.environment, State(at_utc=now_utc, platform=platforms))
    slots = plan.timeline[["slot", "activity", "start_utc", "end_utc", "state"]].copy()
    return make_replan(known, slots, now_utc, ran=ran, freeze=timedelta(0))


def after_drive(plan, number):
    """A time after the drive of that number, before anything else has begun."""
    return legs_with_times(plan.timeline).iloc[number]["end_utc"]


def legs_with_times(timeline):
    rows = timeline[timeline["activity"].isin(list(DRIVES))]
    return rows.sort_values("start_utc", kind="stable")


def places_of_runs(made, since_utc):
    """Where the rover is at each run at a stop from a time on, and where its drives lead."""
    known = made.plan.environment.scenario.activity_named
    rows = made.plan.timeline[made.plan.timeline["start_utc"] >= since_utc]
    rows = rows[~rows["instrument"].isin(["radio"])]
    return [
        a.leg.end if isinstance(a, DriveActivity) else a.stop
        for a in map(known, rows.sort_values("start_utc")["activity"])
        if isinstance(a, DriveActivity | PlacedActivity)
    ]


def test_a_rover_seen_elsewhere_goes_on_from_there(plan):
    now_utc = after_drive(plan, 0)
    first = legs(plan.timeline)[0].leg.end
    other = next(stop.name for stop in SCENARIO.stop if stop.name != first)
    made = again(plan, now_utc, [PlatformState(name="rover", at=other)])
    assert made.plan.verdict.is_valid, made.plan.verdict.violations["message"].tolist()
    ahead = made.plan.timeline[made.plan.timeline["start_utc"] >= now_utc]
    assert legs(ahead)[0].leg.start == other
    assert places_of_runs(made, now_utc)[0] in (other, legs(ahead)[0].leg.end)
    assert check_timeline(made.plan.environment, made.plan.timeline).is_valid


def test_no_drive_leads_to_a_stop_that_cannot_be_reached(plan):
    now_utc = after_drive(plan, 0)
    left = {drive.leg.end for drive in legs(plan.timeline)[1:]}
    closed = sorted(left)[0]
    made = again(plan, now_utc, [PlatformState(name="rover", unreachable=(closed,))])
    assert made.plan.verdict.is_valid
    assert closed not in places_of_runs(made, now_utc)
    why = {each.stop: each.reason for each in left_out(made.plan, "rover")}
    assert why[closed] == f"telemetry of {stamp(now_utc)} calls it unreachable"


def cut(slot, minutes, outcome):
    """What ran of a slot: so many minutes, with this outcome."""
    return pd.DataFrame(
        {
            "slot": [slot["slot"]],
            "activity": [slot["activity"]],
            "start_utc": [slot["start_utc"]],
            "end_utc": [slot["start_utc"] + timedelta(minutes=minutes)],
            "outcome": [outcome],
            "reason": [""],
        }
    )


@pytest.mark.parametrize("outcome", ["failed", "shortened"])
def test_after_a_drive_that_did_not_get_there_the_rover_goes_elsewhere(plan, outcome):
    """Its stop cannot be reached any more: the rover takes another way, back from the leg first."""
    lost = legs_with_times(plan.timeline).iloc[0]
    closed = DRIVES[lost["activity"]].leg.end
    told = [PlatformState(name="rover", unreachable=(closed,))]
    made = again(plan, lost["end_utc"], told, ran=cut(lost, 20, outcome))
    assert made.plan.verdict.is_valid, made.plan.verdict.violations["message"].tolist()
    ahead = legs(made.plan.timeline[made.plan.timeline["start_utc"] >= lost["end_utc"]])
    assert ahead[0].leg.start == ("lander" if outcome == "failed" else closed)
    others = {stop.name for stop in SCENARIO.stop} - {closed}
    assert {drive.leg.end for drive in ahead} - {"lander"} == others
    # Nobody misses drives that are not made.
    assert not set(made.plan.unplaced["activity"]) & set(DRIVES)
    # What was driven stays in the table of drives, whatever is closed since.
    table = traverse_table(made.plan.environment.scenario, made.plan.timeline)
    assert table["slot"].tolist()[0] == lost["slot"]
    assert len(table) == len(ahead) + 1


def test_after_a_short_drive_a_rover_seen_at_a_stop_goes_on_from_there(plan):
    lost = legs_with_times(plan.timeline).iloc[0]
    end = DRIVES[lost["activity"]].leg.end
    other = next(stop.name for stop in SCENARIO.stop if stop.name != end)
    told = [PlatformState(name="rover", at=other)]
    made = again(plan, lost["end_utc"], told, ran=cut(lost, 20, "shortened"))
    assert made.plan.verdict.is_valid, made.plan.verdict.violations["message"].tolist()
    went = visits(made.plan, "rover")
    assert [v.stop for v in went[:2]] == ["lander", other]
    assert went[0].leaves_utc == lost["start_utc"]
    assert went[1].arrives_utc == lost["end_utc"] and went[1].leg is None
    assert {v.stop for v in went if v.runs} == {stop.name for stop in SCENARIO.stop}
    assert left_out(made.plan, "rover") == []


@pytest.mark.parametrize(("drive", "place"), [(0, "lander"), (1, "R1")])
def test_a_rover_seen_back_where_it_was_drives_there_again(plan, drive, place):
    """It was there, has left, and is there once more: for what is missing, and to go on."""
    now_utc = after_drive(plan, drive)
    made = again(plan, now_utc, [PlatformState(name="rover", at=place)])
    assert made.plan.verdict.is_valid, made.plan.verdict.violations["message"].tolist()
    ahead = legs(made.plan.timeline[made.plan.timeline["start_utc"] >= now_utc])
    assert ahead[0].leg.start == place
    assert left_out(made.plan, "rover") == []
    assert {v.stop for v in visits(made.plan, "rover") if v.runs} == {s.name for s in SCENARIO.stop}


def test_a_rover_that_has_no_way_left_stays_between_two_stops():
    """The stop ahead is closed, and no drive leads back to the lander, as it may not park there."""
    text = PLACES.replace("[platform.drive]", 'parking = { stop = ["R2"] }\n[platform.drive]')
    plan = make_plan(make_environment(scenario_from(tomllib.loads(text))), effort="low")
    lost = legs_with_times(plan.timeline).iloc[0]
    told = [PlatformState(name="rover", unreachable=(DRIVES[lost["activity"]].leg.end,))]
    made = again(plan, lost["end_utc"], told, ran=cut(lost, 20, "shortened"))
    assert places_of_runs(made, lost["end_utc"]) == []
    assert [v.rule for v in made.plan.verdict.found] == ["parking"]
    assert "sweep" in set(made.plan.timeline["activity"])


def with_scout(text):
    """The scenario with a second rover, a stop and work there."""
    rover = text.split("[[platform]]")[2].split("[[instrument]]")[0]
    scout = rover.replace('name = "rover"', 'name = "scout"').replace('"laser"', '"peek"')
    return f"""{text}
[[platform]]{scout}
[[instrument]]
name = "camera"
platform = "scout"
[[activity]]
name = "peek"
instrument = "camera"
duration_min = 30
at = "stops"
[[stop]]
name = "S1"
platform = "scout"
east_m = 12.0
north_m = 22.0
"""


def test_while_one_rover_has_no_way_left_another_drives():
    text = with_scout(PLACES).replace(
        "[platform.drive]", 'parking = { stop = ["R2"] }\n[platform.drive]', 1
    )
    plan = make_plan(make_environment(scenario_from(tomllib.loads(text))), effort="low")
    rows = plan.timeline[plan.timeline["instrument"] == "rover drive"]
    lost = rows.sort_values("start_utc").iloc[0]
    end = plan.environment.scenario.activity_named(lost["activity"]).leg.end
    ran = cut(lost, 20, "shortened")
    now_utc = ran["end_utc"].iloc[0]
    told = [PlatformState(name="rover", unreachable=(end,))]
    made = again(plan, now_utc, told, ran=ran)
    assert [v.rule for v in made.plan.verdict.found] == ["parking"]
    driven = made.plan.timeline[made.plan.timeline["instrument"].str.endswith(" drive")]
    assert "drive lander to S1" in set(driven["activity"])
    assert set(driven.loc[driven["start_utc"] > now_utc, "platform"]) <= {"scout"}


def test_the_odometer_is_told_beside_what_the_drives_make(plan):
    now_utc = after_drive(plan, 0)
    before = PlatformState(name="rover", odometer_m=0.0, at_utc=SCENARIO.span.start_utc)
    made = again(plan, now_utc, [PlatformState(name="rover", odometer_m=40.0), before])
    driven_m = legs(plan.timeline)[0].leg.part_m
    assert sum("odometer" in line for line in made.assumptions) == 1
    assert made.assumptions[-1] == (
        f'the odometer of "rover" says 40 m, its drives by then make {driven_m:.0f} m'
    )


def test_a_drive_that_ended_short_counts_on_the_odometer_with_what_it_drove(plan):
    lost = legs_with_times(plan.timeline).iloc[0]
    told = [PlatformState(name="rover", odometer_m=9.0)]
    made = again(plan, lost["end_utc"], told, ran=cut(lost, 20, "shortened"))
    # 20 min at 0.5 m a minute.
    assert made.assumptions[-1] == (
        'the odometer of "rover" says 9 m, its drives by then make 10 m'
    )


@pytest.mark.parametrize("outcome", ["failed", "shortened"])
def test_a_drive_that_did_not_get_there_is_made_again_before_work_at_its_stop(plan, outcome):
    lost = legs_with_times(plan.timeline).iloc[0]
    now_utc = lost["end_utc"]
    made = again(plan, now_utc, ran=cut(lost, 20, outcome))
    assert made.plan.verdict.is_valid, made.plan.verdict.violations["message"].tolist()
    ahead = legs(made.plan.timeline[made.plan.timeline["start_utc"] >= now_utc])
    if outcome == "shortened":
        # It stands on the leg, so that this leg it is, on or back.
        assert {ahead[0].leg.start, ahead[0].leg.end} == {
            DRIVES[lost["activity"]].leg.start,
            DRIVES[lost["activity"]].leg.end,
        }
    else:
        assert ahead[0].leg.start == "lander"
    assert places_of_runs(made, now_utc)[0] == ahead[0].leg.end


def test_what_was_told_of_a_rover_is_read_again_beside_the_plan(tmp_path):
    told = [PlatformState(name="rover", at="R1", odometer_m=31.5, unreachable=("R2", "R3"))]
    state = with_times(State(at_utc=SCENARIO.span.start_utc + timedelta(hours=2), platform=told))
    (tmp_path / REPORTED).write_text(reported_text(state))
    assert reported_beside(tmp_path / "timeline.csv", SCENARIO) == state


def test_an_odometer_that_goes_back_is_told(tmp_path):
    path, text = tmp_path / "state.toml", '[[platform]]\nname = "rover"\nodometer_m = '
    path.write_text(f"at_utc = 2028-07-05T06:00:00Z\n{text}40\n")
    first = read_state(path, SCENARIO)
    path.write_text(f"at_utc = 2028-07-05T09:00:00Z\n{text}0\n")
    with pytest.raises(StateError) as told:
        read_state(path, SCENARIO, earlier=first)
    assert 'platform "rover".odometer_m = 0 at 2028-07-05T09:00Z: less than 40' in str(told.value)
    path.write_text(f"at_utc = 2028-07-05T09:00:00Z\n{text}40\n")
    assert len(read_state(path, SCENARIO, earlier=first).platform) == 2


@pytest.mark.parametrize(
    ("key", "line"),
    [
        ('at = "R9"', 'platform "rover".at = "R9": no such stop; did you mean'),
        ('unreachable = ["R9"]', 'platform "rover".unreachable = "R9": no such stop'),
    ],
)
def test_places_that_a_rover_does_not_have_are_told(tmp_path, key, line):
    path = tmp_path / "state.toml"
    path.write_text(f'at_utc = 2028-07-05T06:00:00Z\n[[platform]]\nname = "rover"\n{key}\n')
    with pytest.raises(StateError) as told:
        read_state(path, SCENARIO)
    assert line in str(told.value)
