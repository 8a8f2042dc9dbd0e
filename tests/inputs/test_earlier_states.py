"""What telemetry said on earlier days stays known until a later day says something else."""

from datetime import timedelta

import pytest
from tools.small import START, platform, scenario

from obsplan.common.errors import StateError
from obsplan.inputs.earlier_states import with_earlier, with_times
from obsplan.inputs.read_state import read_state
from obsplan.inputs.reported_file import REPORTED, reported_beside, reported_text
from obsplan.inputs.telemetry_file import Fate, Outage, PlatformState, State, UnitState

BOX = {"name": "box", "heat_capacity_j_k": 4000.0, "start_k": 280.0, "ground_w_k": 0.2}
SCENE = scenario(
    {"name": "look"}, {"name": r"a\b{}"}, platforms=[platform(unit=[BOX]), platform("rover")]
)


def at(hours):
    return START.to_pydatetime() + timedelta(hours=hours)


FIRST = State(
    at_utc=at(2),
    platform=(
        PlatformState(name="lander", state_of_charge=0.7, array_factor=0.8),
        PlatformState(name="rover", stored_mbit=3.0),
    ),
    unit=(UnitState(name="box", temperature_k=270.5),),
    instrument=(
        Outage(name="look"),
        Outage(name=r"a\b{}", from_utc=at(1), until_utc=at(9)),
    ),
    station=(Outage(name="alpha", from_utc=at(5), until_utc=at(7)),),
    slot=(Fate(slot="s1", outcome="done"),),
)
SECOND = State(
    at_utc=at(6),
    platform=(PlatformState(name="lander", stored_mbit=1.0),),
    unit=(UnitState(name="box", temperature_k=265.0),),
    instrument=(Outage(name="look", until_utc=at(8)),),
    station=(Outage(name="alpha", from_utc=at(10)),),
    slot=(Fate(slot="s2", outcome="failed"),),
)


def test_readings_stay_each_with_its_time():
    both = with_earlier(FIRST, SECOND)
    assert both.at_utc == at(6)
    assert [(p.name, p.at_utc, p.array_factor, p.stored_mbit) for p in both.platform] == [
        ("lander", at(2), 0.8, None),
        ("lander", at(6), None, 1.0),
        ("rover", at(2), None, 3.0),
    ]


def test_an_outage_ends_when_a_later_report_says_something_else_of_the_part():
    both = with_earlier(FIRST, SECOND)
    assert [tuple(vars(outage).values()) for outage in both.instrument] == [
        ("look", at(2), at(6)),
        (r"a\b{}", at(1), at(9)),
        ("look", at(6), at(8)),
    ]
    # What was foreseen of the station and had begun stays until the report.
    assert [tuple(vars(outage).values()) for outage in both.station] == [
        ("alpha", at(5), at(6)),
        ("alpha", at(10), None),
    ]
    assert both.slot == SECOND.slot


def test_the_same_report_twice_changes_nothing():
    assert with_earlier(FIRST, FIRST) == with_times(FIRST)


def test_two_reports_of_one_time_are_one_and_the_later_wins():
    more = State(at_utc=at(2), platform=(PlatformState(name="lander", array_factor=0.9),))
    lander = with_earlier(FIRST, more).platform[0]
    assert (lander.state_of_charge, lander.array_factor) == (0.7, 0.9)


def test_what_is_written_beside_a_plan_is_read_for_the_next(tmp_path):
    both = with_earlier(FIRST, SECOND)
    assert reported_beside(tmp_path / "timeline.csv", SCENE) is None
    (tmp_path / REPORTED).write_text(reported_text(both))
    read = reported_beside(tmp_path / "timeline.csv", SCENE)
    assert read == both.model_copy(update={"slot": ()})
    assert reported_text(read) == reported_text(both)


def test_a_report_may_not_be_older_than_what_is_known(tmp_path):
    path = tmp_path / "state.toml"
    path.write_text("at_utc = 2028-07-01T01:59:00Z\n")
    with pytest.raises(StateError, match="allowed is 2028-07-01T02:00Z or later"):
        read_state(path, SCENE, earlier=FIRST)
    path.write_text("at_utc = 2028-07-01T02:00:00Z\n")
    assert read_state(path, SCENE, earlier=FIRST).platform == with_times(FIRST).platform


def test_readings_of_a_platform_must_differ_in_time_and_lie_in_the_past(tmp_path):
    path = tmp_path / "state.toml"
    path.write_text(
        "at_utc = 2028-07-01T02:00:00Z\n"
        '[[platform]]\nname = "lander"\n'
        '[[platform]]\nname = "lander"\nat_utc = 2028-07-01T02:00:00Z\n'
        '[[platform]]\nname = "rover"\nat_utc = 2028-07-01T04:00:00Z\n'
        '[[platform]]\nname = "rover"\nat_utc = 2028-07-01T01:00:00Z\n'
    )
    with pytest.raises(StateError) as caught:
        read_state(path, SCENE, at(3))
    assert [line.removeprefix(f"{path}: ") for line in str(caught.value).splitlines()] == [
        'platform "lander": appears 2 times for one time; only once is allowed',
        'platform "rover".at_utc = 2028-07-01T04:00Z: allowed is 2028-07-01T00:00Z to '
        "2028-07-01T03:00Z",
    ]
