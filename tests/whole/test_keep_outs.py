"""Times in which an activity, an instrument or a platform may not run."""

import pandas as pd
import pytest
from click.testing import CliRunner
from tools.small import SMALL, START, scenario, slots, world

from obsplan.checking.check import check_timeline
from obsplan.cli.main import main
from obsplan.cli.options import with_keep_outs
from obsplan.inputs.keep_out import KeepOut
from obsplan.planning.plan import make_plan
from obsplan.planning.problem.start_windows import start_mask

TIMES = "2028-07-05T02:10:00Z", "2028-07-05T06:40:00Z"


def kept_out(since_min, until_min, **who):
    """Two activities of one instrument in a span of six hours, one kept out of a time."""
    scene = scenario(
        {"name": "look", "instrument": "eye", "count": 9},
        {"name": "gaze", "instrument": "eye"},
        instruments=[{"name": "eye", "platform": "lander"}],
        hours=6,
    )
    times = (START.to_pydatetime() + pd.Timedelta(minutes=m) for m in (since_min, until_min))
    keep_out = KeepOut(**who, **dict(zip(("from_utc", "until_utc"), times)))
    return world(scene.model_copy(update={"keep_out": (keep_out,)}))


@pytest.mark.parametrize(
    "who, kept",
    [("activity", ["look"]), ("instrument", ["look", "gaze"]), ("platform", ["look", "gaze"])],
)
def test_planner_and_check_keep_out_the_same_slots(who, kept):
    name = {"activity": "look", "instrument": "eye", "platform": "lander"}[who]
    offered = kept_out(100, 140, **{who: name})
    for activity in offered.scenario.activity:
        mask = start_mask(offered, activity)
        for step, permitted in enumerate(mask[:21]):
            row = (activity.name, 15 * step)
            found = check_timeline(offered, slots(row), fixes=False).violations
            barred = "keep-out" in set(found["rule"])
            # A slot of an hour touches the minutes from 100 to 140.
            assert barred == (activity.name in kept and 40 < 15 * step < 140)
            assert permitted == (not barred)


def test_one_minute_in_a_keep_out_is_one_too_many():
    one = kept_out(59, 60, activity="look")
    (row,) = check_timeline(one, slots(("look", 0))).violations.itertuples(index=False)
    assert (row.rule, row.amount, row.unit) == ("keep-out", 1.0, "min")
    assert "is in the keep-out from 2028-07-01T00:59Z to 2028-07-01T01:00Z for 1 min" in row.message
    assert check_timeline(one, slots(("look", 60))).is_valid


def test_a_run_left_out_for_a_keep_out_is_told_so():
    offered = kept_out(0, 300, platform="lander")
    made = make_plan(offered)
    assert made.value == 1.0
    row = made.unplaced.iloc[0]
    assert "keep-out" in row["reason"] and "keep-out did not cover" in row["would_fit_if"]


def run(folder, *words):
    (folder / "small.toml").write_text(SMALL)
    return CliRunner().invoke(main, [words[0], str(folder / "small.toml"), *words[1:]])


@pytest.mark.parametrize("kind, name", [("activity", "look"), ("instrument", "eye")])
def test_a_name_given_for_a_quick_try_may_be_of_several_kinds(kind, name):
    scene = with_keep_outs(kept_out(0, 60, activity="gaze").scenario, [(name, *TIMES)])
    assert len(scene.keep_out) == 2 and getattr(scene.keep_out[1], kind) == name


def test_a_quick_try_keeps_plan_and_replan_out_of_a_time(tmp_path):
    out, name = tmp_path / "plan", "lander"
    done = run(tmp_path, "plan", "-o", str(out), "--keep-out", name, *TIMES)
    assert done.exit_code == 0, done.output
    rows = pd.read_csv(out / "timeline.csv", parse_dates=["start_utc", "end_utc"])
    own = rows[rows["activity"] == "sweep"]
    assert len(own)
    assert ((own["end_utc"] <= TIMES[0]) | (own["start_utc"] >= TIMES[1])).all()
    words = ["--now", "2028-07-05T00:00:00Z", "--freeze", "0h", "-o", str(tmp_path / "again")]
    rest = TIMES[1], "2028-07-05T12:00:00Z"
    done = run(tmp_path, "replan", str(out), *words, "--keep-out", name, *rest)
    assert done.exit_code == 0, done.output
    rows = pd.read_csv(tmp_path / "again" / "timeline.csv", parse_dates=["start_utc", "end_utc"])
    own = rows[(rows["activity"] == "sweep") & (rows["state"] != "locked")]
    assert len(own) and (own["end_utc"] <= rest[0]).all()


@pytest.mark.parametrize(
    "given, line",
    [
        (("sweap", *TIMES), "no such activity, instrument or platform; did you mean 'sweep'?"),
        (("sweep", *TIMES[::-1]), "2028-07-05T02:10:00Z must be after 2028-07-05T06:40:00Z"),
        (("sweep", TIMES[0], "2028-07-05T06:40:30Z"), "the times must be whole minutes"),
        (("sweep", "noon", TIMES[1]), "--keep-out 'noon': not a time"),
    ],
)
def test_a_keep_out_that_means_nothing_is_named(tmp_path, given, line):
    done = run(tmp_path, "plan", "-o", str(tmp_path / "plan"), "--keep-out", *given)
    assert done.exit_code == 2 and line in done.output
    assert not (tmp_path / "plan").exists()
