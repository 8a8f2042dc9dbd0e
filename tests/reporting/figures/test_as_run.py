"""The picture of a comparison shows every fate of a slot, and the sums of the table."""

import numpy as np
import pandas as pd
from matplotlib.collections import PolyCollection
from tools.small import START, scenario, slots, world

from obsplan.inputs.outcomes import OUTCOMES
from obsplan.reporting.figures.as_run import FAILED_MARK, SILENT_MARK, STYLES, compare_figure

SCENE = scenario(
    {
        "name": "oven",
        "power_w": 30.0,
        "data_mbit": 10.0,
        "count": 9,
        "coverage": {"over": "span_h", "edges": [0, 12, 24]},
    },
    {"name": "camera", "count": 9},
)


def drawn(*runs, now_h=24):
    planned = slots(("oven", 0), ("oven", 300), ("camera", 600))
    planned = planned.assign(end_utc=planned["start_utc"] + pd.Timedelta(hours=1))
    as_run = pd.DataFrame(
        runs, columns=["slot", "activity", "start_utc", "end_utc", "outcome", "reason"]
    )
    for column in ("start_utc", "end_utc"):
        as_run[column] = START + pd.to_timedelta(as_run[column].astype(float), unit="min")
    return compare_figure(world(SCENE), planned, as_run, START + pd.Timedelta(hours=now_h))


def words(figure) -> list[str]:
    texts = [t.get_text() for t in figure.texts]
    return texts + [t.get_text() for ax in figure.axes for t in ax.texts]


def test_sums_and_losses_are_written():
    figure = drawn(("s1", "oven", 0, 60, "done", ""), ("s2", "oven", 300, 300, "failed", "jammed"))
    said = words(figure)
    for text in (
        "1 of 2",
        "1.0 of 2.0",
        "30 of 60",
        "10 of 20",
        "0 of 1",
        "1 of 1",
        "oven: 1 x failed: jammed",
        "camera: 1 x not reported",
        "Losses:",
    ):
        assert text in said, text


def test_every_slot_and_every_run_is_drawn_where_it_was():
    figure = drawn(("s1", "oven", 0, 60, "done", ""), ("s2", "oven", 300, 330, "failed", ""))
    lanes = figure.axes[0]
    bars = [
        tuple(np.round(path.get_extents().intervalx, 6))
        for collection in lanes.collections
        if isinstance(collection, PolyCollection)
        for path in collection.get_paths()
    ]
    assert sorted(bars) == [(0, 1), (0, 1), (5, 5.5), (5, 6), (10, 11)]
    marks = {
        (line.get_marker(), *line.get_xydata()[0])
        for line in lanes.lines
        if line.get_marker() in (FAILED_MARK["marker"], SILENT_MARK["marker"])
        and len(line.get_xydata())
    }
    assert marks == {("X", 5.25, 0.2), ("o", 10.5, 1.2)}


def test_the_key_names_only_what_the_picture_holds():
    told = words(drawn(("s1", "oven", 0, 60, "done", "")))
    assert "done" in told and "failed" not in told and "not planned" not in told


def test_nothing_lost_is_said():
    figure = drawn(
        ("s1", "oven", 0, 60, "done", ""),
        ("s2", "oven", 300, 360, "done", ""),
        ("s3", "camera", 600, 660, "done", ""),
    )
    assert "No losses." in words(figure)


def test_every_outcome_has_its_look():
    assert tuple(STYLES) == OUTCOMES


def test_slots_to_come_have_no_mark_and_a_line_shows_now():
    figure = drawn(("s1", "oven", 0, 60, "done", ""), now_h=7)
    said, lanes = words(figure), figure.axes[0]
    marks = [line for line in lanes.lines if line.get_marker() == SILENT_MARK["marker"]]
    assert [line.get_xydata().tolist() for line in marks if len(line.get_xydata())] == [
        [[5.5, 0.2]]
    ]
    assert any(
        "1 of 2 runs due by 2028-07-01T07:00Z (bold line) done, 1 to come" in t for t in said
    )
    assert "camera: 1 x not reported" not in said and "0 of 0" in said
    assert [7, 7] in [list(line.get_xdata()) for line in lanes.lines]
