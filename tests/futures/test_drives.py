"""Futures in which a drive overruns or fails: never a run at a stop without being there."""

import numpy as np
import pytest
from tools.replayed import environment, slots
from tools.small import platform, scenario_table

from obsplan.futures import walk
from obsplan.futures.contingencies import contingencies_table
from obsplan.futures.execute import make_futures
from obsplan.inputs.read_scenario import scenario_from

ROWS = [
    ("drive lander to R1", 120),
    ("LIBS at R1", 180),
    ("drive R1 to R2", 240),
    ("LIBS at R2", 315),
    ("hum", 390),
]


def scene(*uncertain, after=None, **more):
    """R1 and R2 are 30 minutes of driving from each other."""
    how = {"speed_by_slope": [[10, 0.5]], "power_w": 10.0} | more
    rover = platform("rover", kind="rover", drive=how)
    activities = (
        {"name": "LIBS", "platform": "rover", "at": "stops", "duration_min": 45}
        | ({"after": [{"activity": after}]} if after else {}),
        {"name": "hum", "platform": "rover"},
    )
    table = scenario_table(*activities, platforms=[rover], hours=11.0)
    table["stop"] = [
        {"name": "R1", "platform": "rover", "east_m": 15.0, "north_m": 0.0},
        {"name": "R2", "platform": "rover", "east_m": 15.0, "north_m": 15.0},
    ]
    table["uncertainty"] = list(uncertain)
    table["futures"] = {"slip_min": 60}
    return scenario_from(table)


def walked(asked, *rows, samples=1):
    futures = make_futures(environment(asked), slots(*(rows or ROWS)), samples=samples)
    return futures.outcome.code, futures.outcome.start_min


def longer(factor, of="rover drive"):
    return {"what": "run length", "of": of, "factor": [factor - 1e-3, factor, factor + 1e-3]}


def test_with_nothing_uncertain_drives_and_runs_are_made_as_planned():
    code, start_min = walked(scene())
    assert (code == walk.MADE).all()
    assert start_min[0].tolist() == [row[1] for row in ROWS]


def test_a_drive_that_overruns_delays_what_comes_after_it():
    """Drives take 70 min instead of 30: to R1 until 190, to R2 from 240 until 310 or later."""
    code, start_min = walked(scene(longer(7 / 3)))
    assert (code == walk.MADE).all()
    assert start_min[0].tolist()[:3] == [120, 190, 240]
    assert start_min[0, 3] == 315


def test_a_drive_that_overruns_too_long_loses_the_runs_at_its_stop_but_not_the_others():
    """Drives take 150 min: LIBS at R1 waits to 240 in vain; the next drive starts at 270."""
    code, start_min = walked(scene(longer(5.0)))
    assert code[0].tolist() == [walk.MADE, walk.LATE, walk.MADE, walk.LATE, walk.MADE]
    assert start_min[0, 2] == 270


def test_a_drive_that_fails_loses_every_run_that_needs_it():
    fails = {"what": "run fails", "of": "rover drive", "chance": 1.0}
    code, _ = walked(scene(fails))
    assert code[0].tolist() == [walk.FAILED, walk.ORDER, walk.ORDER, walk.ORDER, walk.MADE]


def test_a_drive_that_fails_is_made_again_once_after_a_look():
    """It fails until 150; with 20 min to decide it begins again at 170, within its slip."""
    fails = {"what": "run fails", "of": "rover drive", "chance": 0.5}
    code, start_min = walked(scene(fails, decide_min=20), samples=60)
    first, again = start_min[:, 0] == 120, start_min[:, 0] == 170
    assert (first | again).all()
    assert (code[first, 0] == walk.MADE).all()  # else it would have begun again
    assert set(code[again, 0]) == {walk.MADE, walk.FAILED}
    # LIBS waits for the second drive too, which is over at 200 and decided on at 220.
    assert (start_min[again & (code[:, 0] == walk.MADE), 1] == 220).all()
    too_late = walked(scene(fails, decide_min=31), samples=60)[1]
    assert (too_late[:, 0] == 120).all()


def test_a_drive_waits_for_contact():
    """Contact comes at 160 instead of before 120; the run at the stop needs none."""
    asked = scene(contact="whole")
    open_ = np.arange(660) >= 160
    futures = make_futures(environment(asked, in_contact=open_), slots(*ROWS), samples=1)
    assert futures.outcome.start_min[0].tolist()[:2] == [160, 190]
    assert (futures.outcome.code[0] == walk.MADE).all()


def test_a_drive_waits_for_a_late_run_at_the_stop_and_no_longer_than_that_waits():
    """The hum lasts to 300 instead of 180; LIBS after it is due from 195 and given up at 255."""
    rows = [("hum", 120), ROWS[0], ("LIBS at R1", 195), ("drive R1 to R2", 240)]
    asked = scene(longer(3.0, of="hum"), after="hum")
    code, start_min = walked(asked, *rows)
    assert code[0].tolist() == [walk.MADE, walk.MADE, walk.ORDER, walk.MADE]
    assert start_min[0].tolist() == [120, 120, -1, 255]
    sooner = scene(longer(2.0, of="hum"), after="hum")  # to 240
    code, start_min = walked(sooner, *rows)
    assert (code == walk.MADE).all()
    assert start_min[0].tolist() == [120, 120, 240, 285]


@pytest.mark.parametrize("seed", range(2))
def test_no_future_has_a_run_at_a_stop_without_the_drive_there(seed):
    """Drives and runs last from as long as planned to six times as long, and some drives fail."""
    spread = {"what": "run length", "of": "rover drive", "factor": [1.0, 1.5, 6.0]}
    fails = {"what": "run fails", "of": "rover drive", "chance": 0.2}
    work = {"what": "run length", "of": "LIBS", "factor": [1.0, 2.0, 5.0]}
    futures = make_futures(
        environment(scene(spread, fails, work)), slots(*ROWS), samples=15, seed=seed
    )
    code, start_min = futures.outcome.code, futures.outcome.start_min
    names = [run.activity.name for run in futures.runs]
    to_r1, at_r1, to_r2, at_r2 = (names.index(row[0]) for row in ROWS[:4])
    began = start_min >= 0
    for work, there, away in ((at_r1, to_r1, to_r2), (at_r2, to_r2, None)):
        assert (code[began[:, work], there] == walk.MADE).all()
        if away is not None:
            both = began[:, work] & began[:, away]
            assert (start_min[both, work] < start_min[both, away]).all()
    assert 0 < began[:, at_r2].sum() < 15
    assert (code[:, to_r2] == walk.ORDER).any()


def test_what_is_lost_is_told_for_a_rover_that_drives():
    """Without its wheels from the start no run at a stop is made, also after a replan."""
    asked = scene()
    rows = slots(*ROWS).assign(state="tentative", reason="")
    table = contingencies_table(environment(asked), rows, jobs=1).set_index("lost")
    wheels, laser = (
        table.loc["rover drive"],
        table.loc[asked.activity_named("LIBS at R1").instrument],
    )
    assert wheels["cost"] > 0 and wheels["replanned_value"] >= wheels["value"]
    assert wheels["cost"] == laser["cost"]
