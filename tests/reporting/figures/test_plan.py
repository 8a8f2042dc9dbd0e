"""The picture of a plan: sums, marks and key say what the timeline holds, and what it lacks."""

import re
from dataclasses import replace

import numpy as np
import pandas as pd
from tools.pictures import day, hollow, night, picture, words

from obsplan.analysis.missing_runs import missing_places, missing_text, requested_runs
from obsplan.checking.check import check_timeline
from obsplan.common.caution import CAUTION
from obsplan.common.text import raised
from obsplan.planning.reasons.blocking import Constraint
from obsplan.planning.reasons.fix_wording import Answer
from obsplan.planning.reasons.reason_wording import Blocked
from obsplan.reporting.figures.plan import plan_figure
from obsplan.reporting.figures.resources import resources_figure

ENERGY_OF_ROVER = Answer(Blocked(Constraint.ENERGY, "rover"), None)
UNPLACED = ["activity", "requested", "placed", "reason", "would_fit_if"]


def test_plan_tells_value_bound_counts_and_caution():
    plan = day()
    scenario = plan.environment.scenario
    told = words(picture("plan", "day"))
    (line,) = [text for text in told if text.startswith("value ")]
    value, bound = f"{plan.value:.1f}", f"{raised(plan.bound)}"
    # 1 - 1/1.1 is 9.09 %, rounded up so that it stays true.
    assert line.startswith(f"value {value}, upper bound {bound}: within 9.1 % of the optimum")
    assert "no violations" in line
    for activity in scenario.activity:
        placed = (plan.timeline["activity"] == activity.name).sum()
        assert f"{placed} of {requested_runs(plan)[activity.name]}" in told
    (caution,) = [text for text in told if CAUTION in text.replace("\n", " ")]
    assert caution.startswith("Hazards: mechanism, laser, radioactive source. ")


def test_no_hazard_no_caution_and_no_bound_no_claim():
    told = " ".join(words(plan_figure(replace(night(), bound=np.inf))))
    assert "flight rules" not in told
    assert "value 0.0" in told and "optim" not in told and "bound" not in told


def test_a_proven_plan_is_called_optimal():
    plan = day()
    told = words(plan_figure(replace(plan, bound=plan.value * (1 + 1e-7))))
    assert any(line.startswith(f"value {plan.value:.1f}, proven optimal") for line in told)


def test_runs_that_failed_or_were_shortened_are_hatched_and_have_a_letter():
    plan = day()
    told = words(picture("plan", "day"))
    assert "F" not in told and "S" not in told and "failed run (F)" not in told
    timeline = plan.timeline.copy()
    first, second = timeline.index[timeline["activity"] == "passive log"][:2]
    timeline.loc[first, ["state", "end_utc"]] = "failed", timeline.loc[first, "start_utc"]
    timeline.loc[second, "state"] = "shortened"
    figure = plan_figure(replace(plan, timeline=timeline))
    told = words(figure)
    assert {"F", "S"} <= told
    assert "failed run (F)" in told and "shortened run (S)" in told
    hatches = {bars.get_hatch() for ax in figure.axes for bars in ax.collections}
    assert {"xxxxxx", "-------"} <= hatches


def test_broken_slots_are_marked():
    plan = day()
    around, scenario = plan.environment, plan.environment.scenario
    timeline = plan.timeline.copy()
    drives = timeline["activity"] == "drive"
    for column in ("start_utc", "end_utc"):
        timeline.loc[drives, column] += pd.Timedelta(hours=9)
    verdict = check_timeline(around, timeline)
    named = set(" ".join(verdict.violations["slots"]).split())
    assert named & set(timeline.loc[drives, "slot"])
    figure = plan_figure(replace(plan, timeline=timeline, verdict=verdict))
    crosses = [
        line.get_xdata() for ax in figure.axes for line in ax.lines if line.get_marker() == "X"
    ]
    senders = timeline["activity"].isin(scenario.sending_names)
    marked = timeline["slot"].isin(named) & ~senders
    assert sum(map(len, crosses)) == marked.sum()
    assert "violates a rule" in words(figure)
    assert "violates a rule" not in words(picture("plan", "day"))


def test_every_missing_run_has_a_hollow_mark_and_its_reason():
    plan = day()
    _around, scenario = plan.environment, plan.environment.scenario
    rows = [
        (a.name, a.count, int((plan.timeline["activity"] == a.name).sum()), 'energy of "rover"', "")
        for a in scenario.activity
    ]
    unplaced = pd.DataFrame(rows, columns=UNPLACED).query("placed < requested")
    answers = dict.fromkeys(unplaced["activity"], ENERGY_OF_ROVER)
    figure = plan_figure(replace(plan, unplaced=unplaced, answers=answers))
    told = words(figure)
    homes = {a.name: scenario.platform_of(a) for a in scenario.activity}
    places = missing_places(replace(plan, unplaced=unplaced))
    for row in unplaced.itertuples():
        whose = "" if homes[row.activity] == "rover" else " of rover"
        many = missing_text(row.requested - row.placed, len(places[row.activity]))
        assert f"{many}: energy{whose}" in told
    assert len(hollow(figure)) == sum(map(len, places.values())) > 0
    assert any(text.startswith("requested, not scheduled") for text in told)


def test_marks_and_the_rest_that_finds_no_room_add_up_to_what_is_missing():
    plan = day()
    around, scenario = plan.environment, plan.environment.scenario
    rows = [(a.name, a.count, 0, 'energy of "rover"', "") for a in scenario.activity]
    unplaced = pd.DataFrame(rows, columns=UNPLACED)
    now_utc = around.sky.index[0] + pd.Timedelta(hours=40)
    empty = plan.timeline.iloc[:0]
    answers = dict.fromkeys(unplaced["activity"], ENERGY_OF_ROVER)
    figure = plan_figure(
        replace(plan, timeline=empty, unplaced=unplaced, now_utc=now_utc, answers=answers)
    )
    told = [text.get_text() for ax in figure.axes for text in ax.texts]
    whys = [re.match(r"(\d+)(?: \+ (\d+))?: energy", text) for text in told]
    marks, rests = zip(*[(int(w[1]), int(w[2] or 0)) for w in whys if w])
    # Where windows hold nothing any more, all that is missing is the rest.
    assert sum(rests) > 0 and sum(marks) + sum(rests) == sum(a.count for a in scenario.activity)
    assert sum(marks) == len(hollow(figure))
    assert "requested, not scheduled (+ n: no room for n more)" in words(figure)


def test_a_line_stands_at_now_and_hollow_marks_after_it():
    plan = day()
    around, scenario = plan.environment, plan.environment.scenario
    hour = 30.5
    now_utc = around.sky.index[0] + pd.Timedelta(hours=hour)
    empty = replace(plan, timeline=plan.timeline.iloc[:0], now_utc=now_utc)
    drawn = plan_figure(empty)
    hollow_h = [path.vertices[:, 0].min() for path in hollow(drawn)]
    assert hollow_h and min(hollow_h) >= hour
    resources = resources_figure(empty)
    for figure, panels in (
        (drawn, 3 + 2 + len(scenario.platform)),
        (resources, sum(4 + bool(p.unit) for p in scenario.platform)),
    ):
        assert f"now, {now_utc:%H:%M}" in words(figure)
        lines = [
            line
            for ax in figure.axes
            for line in ax.lines
            if line.get_linewidth() == 1.4 and set(line.get_xdata()) == {hour}
        ]
        assert len(lines) == panels


def test_the_key_names_only_what_the_picture_holds():
    dark, bright = words(picture("plan", "night")), words(picture("plan", "day"))
    assert "night" in dark and "eclipse" not in dark
    assert "eclipse" in bright and "night" not in bright
    assert "required run" in bright and "required run" not in dark
    assert not any(text.startswith("requested, not scheduled") for text in dark)


def test_as_many_runs_are_marked_as_are_required():
    plan = day()
    scenario = plan.environment.scenario
    marked = sum(
        len(line.get_xdata())
        for ax in picture("plan", "day").axes
        for line in ax.lines
        if line.get_marker() == "v"
    )
    placed = plan.timeline["activity"].value_counts()
    assert marked == sum(min(a.must, placed.get(a.name, 0)) for a in scenario.activity) > 0
