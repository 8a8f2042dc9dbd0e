"""Pins: runs that must start at a certain time, in plan, check, replan and audit."""

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st
from tools.brute import accepted_worth
from tools.replayed import slots
from tools.small import SMALL, START, cases, scenario, world

from obsplan.checking.check import check_timeline
from obsplan.cli.main import main
from obsplan.common.errors import Infeasible
from obsplan.inputs.pin import Pin
from obsplan.operations.replan import make_replan
from obsplan.planning.plan import make_plan
from obsplan.planning.problem.booking import Booking
from obsplan.planning.problem.from_scenario import build_problem
from obsplan.planning.problem.pinned_runs import without_pins
from obsplan.planning.reasons.audit import findings
from obsplan.planning.reasons.finding import Severity


def pinned(scene, *pins):
    """The scenario with pins given as (activity, minute)."""
    made = tuple(Pin(activity=name, start_utc=scene.instant_at(at)) for name, at in pins)
    return scene.model_copy(update={"pin": made})


def starts(timeline, name):
    own = timeline.loc[timeline["activity"] == name, "start_utc"]
    return ((own - START) / pd.Timedelta(minutes=1)).astype(int).tolist()


LOOK = {"name": "look", "instrument": "eye", "count": 3, "gap_min": 30}
GAZE = {"name": "gaze", "instrument": "eye", "value": 5.0, "after": [{"activity": "step"}]}
STEP = {"name": "step", "count": 2, "value": 0.0}
EYE = {"name": "eye", "platform": "lander"}


def day(*pins, hours=8, **changes):
    scene = scenario(LOOK | changes, GAZE, STEP, instruments=[EYE], hours=hours)
    return world(pinned(scene, *pins))


def test_a_plan_is_made_around_pins_and_places_what_they_need():
    offered = day(("look", 90), ("gaze", 240))
    made = make_plan(offered)
    assert made.verdict.is_valid and "pin" in made.verdict.rules and made.value == 8.0
    assert 90 in starts(made.timeline, "look") and starts(made.timeline, "gaze") == [240]
    assert min(starts(made.timeline, "step")) <= 180
    assert made.unplaced["activity"].tolist() == ["step"]


def test_a_pinned_run_counts_once_among_the_first_in_contact():
    scene = scenario({"name": "look", "count": 3, "first_runs_in_contact": 2}, hours=8)
    offered = world(pinned(scene, ("look", 0)), in_contact=np.arange(480) < 120)
    booking = Booking(build_problem(offered))
    booking.add(1, 0)
    late = scene.steps // 2
    merged = without_pins(booking)
    assert not merged.needs_met(0)[late]
    merged.add(0, scene.steps // 8)
    assert merged.needs_met(0)[late]


def test_without_its_pin_the_plan_would_be_another():
    made = make_plan(day())
    assert 90 not in starts(made.timeline, "look") and starts(made.timeline, "gaze") != [240]


@settings(max_examples=20)
@given(case=cases(hours=(2, 3), activities=(1, 3)), data=st.data())
def test_plans_keep_their_pins_and_no_valid_timeline_beats_their_bound(case, data):
    scene = case.scenario
    steps = data.draw(st.lists(st.integers(0, scene.steps - 1), min_size=1, max_size=2))
    names = [data.draw(st.sampled_from(scene.activity)).name for _ in steps]
    pins = set(zip(names, (scene.span.step_min * step for step in steps)))
    if any(names.count(a.name) > a.count for a in scene.activity):
        return
    case = replace(case, scenario=pinned(scene, *sorted(pins)))
    try:
        made = make_plan(case)
    except Infeasible:
        assert accepted_worth(case, above=-1.0, tries=40) is None
        return
    assert all(at in starts(made.timeline, name) for name, at in pins)
    assert check_timeline(case, made.timeline).is_valid
    assert made.timeline["value"].sum() == pytest.approx(made.value)
    assert accepted_worth(case, above=made.bound + 1e-9, tries=40) is None


def test_a_check_names_a_missed_pin_and_moves_a_run_there():
    offered = day(("look", 90), hours=6)
    (missed,) = check_timeline(offered, slots(("look", 120))).found
    assert (missed.rule, missed.activity, missed.slots) == ("pin", "look", ("s1",))
    assert missed.fix == 'start "look" (slot s1) at 2028-07-01T01:30Z'
    assert check_timeline(offered, slots(("look", 90), ("look", 210))).is_valid


def test_a_replan_keeps_pins_that_are_ahead_and_forgets_those_that_are_over():
    offered = day(("look", 30), ("look", 300))
    rows = slots(("look", 45, 105), ("look", 180, 240)).assign(state="planned")
    now = (START + pd.Timedelta(hours=2)).to_pydatetime()
    made = make_replan(offered, rows, now, freeze=timedelta(0))
    assert made.plan.verdict.is_valid
    assert starts(made.plan.timeline, "look") == [45, 180, 300]
    assert "dropped" not in set(made.changes["change"]) and made.kept == 1
    again = make_replan(offered, made.plan.timeline, now, freeze=timedelta(hours=4))
    assert again.plan.verdict.is_valid and starts(again.plan.timeline, "look") == [45, 180, 300]


def test_a_replan_says_what_moves_for_a_pin_and_which_pin_is_over():
    rows = make_plan(day()).timeline
    at = next(k for k in range(300, 480, 30) if k not in starts(rows, "look"))
    offered = day(("look", at), ("gaze", 0))
    made = make_replan(
        offered, rows, START.to_pydatetime() + timedelta(minutes=60), freeze=timedelta(0)
    )
    to = made.changes.set_index("to_utc")
    assert to.loc[START + pd.Timedelta(minutes=at), "why"] == "it is pinned to this time"
    assert made.assumptions[0] == (
        'the pin of "gaze" at 2028-07-01T00:00Z lies before now, and no slot of it was then: it is '
        "left out"
    )


def test_a_pin_that_fixed_slots_rule_out_is_given_up_and_named():
    offered = day(("look", 150))
    rows = slots(("look", 120, 180)).assign(state="locked")
    now = (START + pd.Timedelta(hours=1)).to_pydatetime()
    made = make_replan(offered, rows, now, freeze=timedelta(0))
    assert [violation.rule for violation in made.plan.verdict.found] == ["pin"]
    assert 'not all required runs of "look" fit any more' in made.assumptions


@pytest.mark.parametrize(
    ("pins", "changes", "where", "words"),
    [
        ([("look", 465)], {}, '"look" at 2028-07-01T07:45Z', "its end inside the span"),
        ([("look", 60)], {"when": {"sun_elevation_deg": [6, 90]}}, "01:00Z",
         "does not have Sun elevation 6 to 90 deg; fix: pin it to 2028-07-01T02:30Z"),
        ([("look", 60), ("look", 135)], {}, "02:15Z", 'too near to the pin of "look"'),
        ([("look", 60), ("gaze", 105)], {}, "01:45Z", "one slot at a time on the instrument"),
        ([("gaze", 45)], {}, "00:45Z", '"step" can only run too late'),
        ([("gaze", 60), ("step", 60), ("step", 180)], {}, "01:00Z", 'runs of "step" are pinned'),
    ],
)  # fmt: skip
def test_a_pin_that_no_rule_allows_is_named_before_planning(pins, changes, where, words):
    offered = day(*pins, **changes)
    found = [f.line for f in findings(offered) if f.severity == Severity.INFEASIBLE]
    assert any(where in line and words in line for line in found), found
    with pytest.raises(Infeasible, match="pin of "):
        make_plan(offered)


def test_pins_that_cannot_hold_together_are_named_as_a_conflict():
    """Two runs of 60 W at a time on a bus of 100 W."""
    runs = [{"name": name, "power_w": 60.0} for name in "ab"]
    offered = world(pinned(scenario(*runs, hours=6), ("a", 60), ("b", 90)))
    with pytest.raises(Infeasible) as caught:
        make_plan(offered)
    (line,) = caught.value.args
    assert 'pin of "a" at 2028-07-01T01:00Z' in line and "bus limit" in line


@pytest.mark.parametrize(
    ("pin", "line"),
    [
        ("sweap@2028-07-05T02:00:00Z", "no such activity; did you mean 'sweep'?"),
        ("sweep", "write it like 'drive@2028-07-03T10:00:00Z'"),
        ("sweep@noon", "--pin 'noon': not a time"),
        ("sweep@2028-07-06T02:00:00Z", "outside the span; allowed is 2028-07-05T00:00:00Z to"),
        (
            "sweep@2028-07-05T02:10:00Z",
            "not on the time grid of 30 min; next to it are 2028-07-05T02:00Z and 2028-07-05T02:3",
        ),
    ],
)
def test_a_pin_that_means_nothing_is_named(tmp_path, pin, line):
    (tmp_path / "scenario.toml").write_text(SMALL)
    words = ["plan", str(tmp_path / "scenario.toml"), "-o", str(tmp_path / "plan"), "--pin", pin]
    done = CliRunner().invoke(main, words)
    assert done.exit_code == 2 and line in done.output
    assert not (tmp_path / "plan").exists()


def test_a_quick_try_pins_runs_in_plan_and_replan(tmp_path):
    scene, out = tmp_path / "scenario.toml", tmp_path / "plan"
    scene.write_text(SMALL + '[[pin]]\nactivity = "sweep"\nstart_utc = 2028-07-05T02:30:00Z\n')
    words = ["--pin", "sweep@2028-07-05T08:00:00Z"]
    done = CliRunner().invoke(main, ["plan", str(scene), "-o", str(out), *words])
    assert done.exit_code == 0, done.output
    rows = pd.read_csv(out / "timeline.csv")
    assert {"2028-07-05T02:30:00Z", "2028-07-05T08:00:00Z"} <= set(rows["start_utc"])
    words = ["--now", "2028-07-05T04:00:00Z", "--pin", "sweep@2028-07-05T09:00:00Z"]
    words += ["-o", str(tmp_path / "again"), "--freeze", "0h"]
    done = CliRunner().invoke(main, ["replan", str(scene), str(out), *words])
    assert done.exit_code == 0, done.output
    rows = pd.read_csv(tmp_path / "again" / "timeline.csv")
    assert "2028-07-05T09:00:00Z" in set(rows.loc[rows["activity"] == "sweep", "start_utc"])
