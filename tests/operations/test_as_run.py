"""What ran of what was planned, with sums worked out by hand."""

from datetime import timedelta

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tools.small import START, scenario, slots, world

from obsplan.common.errors import TableError
from obsplan.inputs.outcomes import OUTCOMES
from obsplan.operations.as_run import COMPARISON_COLUMNS, compare_as_run, latest_report, matched
from obsplan.reporting.text.sentences import comparison_lines

SCENE = scenario(
    {
        "name": "oven",
        "duration_min": 50,
        "warm_up_min": 10,
        "warm_up_w": 6.0,
        "power_w": 30.0,
        "data_mbit": 10.0,
        "count": 9,
        "coverage": {"over": "span_h", "edges": [0, 6, 12, 24]},
    },
    {"name": "camera", "count": 9},
)


END = START.to_pydatetime() + timedelta(hours=24)


def planned(*rows):
    table = slots(*rows)
    return table.assign(end_utc=table["start_utc"] + pd.Timedelta(hours=1), state="planned")


def ran(*rows):
    """(slot, activity, minute of start, minute of end, outcome, reason)."""
    table = pd.DataFrame(
        rows, columns=["slot", "activity", "start_utc", "end_utc", "outcome", "reason"]
    )
    for column in ("start_utc", "end_utc"):
        table[column] = START + pd.to_timedelta(table[column].astype(float), unit="min")
    return table


def row_of(slots, as_run, activity="oven", now=END):
    table = compare_as_run(world(SCENE), slots, as_run, now)
    assert list(table.columns) == list(COMPARISON_COLUMNS)
    return table.set_index("activity").loc[activity]


def test_runs_minutes_energy_data_and_bins_are_those_of_the_scenario():
    row = row_of(
        planned(("oven", 0), ("oven", 420), ("oven", 900), ("oven", 1200)),
        ran(
            ("s1", "oven", 0, 60, "done", ""),
            ("s2", "oven", 425, 460, "shortened", "low charge"),
            ("s3", "oven", 900, 930, "failed", "jammed"),
            ("", "oven", 1380, 1440, "done", ""),
        ),
    )
    counts = ("planned", *OUTCOMES, "not_reported", "unplanned")
    assert [row[k] for k in counts] == [4, 1, 1, 1, 1, 1]
    assert (row["planned_min"], row["ran_min"]) == (240, 60 + 35 + 30 + 60)
    # A whole run takes 10 min x 6 W + 50 min x 30 W = 26 Wh.
    assert row["planned_wh"] == pytest.approx(4 * 26)
    assert row["ran_wh"] == pytest.approx(26 + (60 + 25 * 30) / 60 + (60 + 20 * 30) / 60 + 26)
    assert (row["planned_mbit"], row["ran_mbit"]) == (40, pytest.approx(10 + 5 + 10))
    assert (row["bins"], row["planned_bins"], row["filled_bins"]) == (3, 3, 3)
    assert row["losses"] == "1 x failed: jammed; 1 x not reported; 1 x shortened: low charge"


def test_a_run_that_failed_as_it_began_belongs_to_the_slot_it_begins_in():
    slots = planned(("oven", 0), ("oven", 60))
    both = matched(SCENE, slots, ran(("", "oven", 60, 60, "failed", "jammed")), END)
    assert both.set_index("slot")["outcome"].to_dict() == {"s1": "not reported", "s2": "failed"}


def test_a_run_that_shares_no_minute_with_a_slot_was_not_planned():
    both = matched(
        SCENE,
        planned(("oven", 60)),
        ran(("", "oven", 0, 60, "done", ""), ("", "oven", 120, 180, "done", "")),
        END,
    )
    assert both["outcome"].tolist() == ["not reported", "done", "done"]
    assert both["start_utc"].isna().tolist() == [False, True, True]


def test_failed_runs_fill_no_bin_and_activities_without_coverage_have_none():
    both = planned(("oven", 0)), ran(("s1", "oven", 0, 0, "failed", ""))
    assert row_of(*both)["filled_bins"] == 0
    assert row_of(*both, activity="camera")["bins"] is pd.NA


def test_a_run_without_an_id_goes_to_the_slot_it_overlaps_longest():
    table = matched(
        SCENE,
        planned(("camera", 0), ("camera", 60), ("camera", 600)),
        ran(
            ("", "camera", 20, 80, "done", ""),
            ("", "camera", 80, 140, "done", ""),
            ("", "camera", 800, 860, "done", ""),
        ),
        END,
    )
    assert list(table["slot"]) == ["s1", "s2", "s3", ""]
    assert list(table["outcome"]) == ["done", "done", "not reported", "done"]
    assert table["start_utc"].isna().tolist() == [False, False, False, True]


def test_an_id_of_another_activity_is_refused():
    with pytest.raises(TableError, match="activity = 'oven': slot s1 is 'camera' in the timeline"):
        matched(SCENE, planned(("camera", 0)), ran(("s1", "oven", 0, 60, "done", "")), END)


def test_nothing_planned_and_nothing_run_is_no_loss():
    table = compare_as_run(world(SCENE), planned(), ran())
    assert table["planned"].sum() == 0 and (table["losses"] == "").all()
    assert comparison_lines(table, END)[0].startswith("0 of 0 runs due by 2028-07-02T00:00Z done")


@given(
    outcomes=st.lists(st.sampled_from([*OUTCOMES, None]), max_size=12),
    extra=st.integers(0, 3),
)
@settings(max_examples=30)
def test_every_planned_slot_has_one_fate_and_a_plan_run_as_planned_loses_nothing(outcomes, extra):
    rows = planned(*(("oven", 60 * k) for k in range(len(outcomes))))
    told = [
        (f"s{k + 1}", "oven", 60 * k, 60 * k + (30 if outcome == "shortened" else 60), outcome, "")
        for k, outcome in enumerate(outcomes)
        if outcome
    ]
    told += [("", "oven", 1320 + 15 * k, 1335 + 15 * k, "done", "") for k in range(extra)]
    row = row_of(rows, ran(*told))
    assert row["planned"] == row[list(OUTCOMES)].sum() + row["not_reported"] == len(outcomes)
    assert row["unplanned"] == extra
    as_planned = row_of(
        rows,
        ran(
            *((f"s{k + 1}", "oven", 60 * k, 60 * k + 60, "done", "") for k in range(len(outcomes)))
        ),
    )
    assert as_planned["losses"] == ""
    for quantity in ("min", "wh", "mbit", "bins"):
        name = "filled_bins" if quantity == "bins" else f"ran_{quantity}"
        assert as_planned[name] == as_planned[f"planned_{quantity}"]


def test_slots_that_end_after_now_are_to_come_and_no_loss():
    slots = planned(("oven", 0), ("oven", 420), ("oven", 480), ("oven", 1200))
    told = ran(("s1", "oven", 0, 60, "done", ""))
    row = row_of(slots, told, now=START + pd.Timedelta(minutes=500))
    assert [row[k] for k in ("planned", "done", "not_reported", "to_come")] == [4, 1, 1, 2]
    assert row["losses"] == "1 x not reported"
    # Planned sums are those of the slots due: the two that are over.
    assert (row["planned_min"], row["planned_wh"], row["planned_mbit"]) == (120, 52, 20)
    assert (row["planned_bins"], row["filled_bins"]) == (2, 1)


def test_without_a_time_the_comparison_is_at_the_end_of_the_last_report():
    slots = planned(("oven", 0), ("oven", 120), ("oven", 600))
    told = ran(("s2", "oven", 120, 170, "shortened", "dust"))
    assert latest_report(SCENE, slots, told) == START + pd.Timedelta(minutes=170)
    row = row_of(slots, told, now=None)
    assert (row["not_reported"], row["to_come"]) == (1, 1)
    assert latest_report(SCENE, slots, ran()) == START


def test_what_the_plan_says_has_run_need_not_be_reported_again():
    slots = planned(("oven", 0), ("oven", 120), ("oven", 240), ("oven", 360))
    slots["state"] = ["failed", "done", "planned", "planned"]
    slots["reason"] = ["jammed", "", "", ""]
    row = row_of(slots, ran(("s3", "oven", 240, 300, "done", "")))
    assert [row[k] for k in (*OUTCOMES, "not_reported")] == [2, 0, 1, 1]
    assert row["losses"] == "1 x failed: jammed; 1 x not reported"


def test_a_run_that_the_plan_knows_and_the_list_names_without_a_slot_counts_once():
    slots = planned(("oven", 0), ("oven", 120)).assign(slot=["unplanned1", "unplanned2"])
    slots["state"] = ["done", "failed"]
    slots.loc[1, "end_utc"] = slots.loc[1, "start_utc"]
    told = ran(("", "oven", 0, 60, "done", ""), ("", "oven", 120, 120, "failed", "jammed"))
    row = row_of(slots, told)
    assert [row[k] for k in (*OUTCOMES, "unplanned")] == [1, 0, 1, 0]
