"""The replay finds every broken rule, with amounts worked out by hand, and no others."""

import subprocess
import sys
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from pandas.testing import assert_frame_equal
from tools.replayed import START, environment, platform, scenario, slots

from obsplan.checking.check import check_timeline, resources_table
from obsplan.common.csv_file import write_csv
from obsplan.common.errors import TableError
from obsplan.inputs.timeline_columns import TIMELINE_COLUMNS
from obsplan.inputs.timeline_csv import read_timeline
from obsplan.planning.plan import make_plan


def test_no_slots_hold():
    scene = scenario({"name": "camera"})
    verdict = check_timeline(environment(scene), pd.DataFrame())
    assert verdict.is_valid
    assert verdict.summary == f"no violations; {len(verdict.rules)} rules checked"


def test_written_timeline_reads_back_and_holds(tmp_path):
    """All columns of a plan, rows of both kinds of sending among them."""
    scene = scenario(
        {"name": "camera", "data_mbit": 20.0, "power_w": 40.0, "count": 3, "value": 5.0},
        {"name": "radar", "platform": "rover", "power_w": 25.0, "data_mbit": 12.0, "count": 4},
        platforms=[
            platform(store={"end_limit_mbit": 0.0}),
            platform(
                "rover",
                kind="rover",
                radio={"to": "lander", "rate_kbps": 8.0},
                store={"end_limit_mbit": 0.0},
            ),
        ],
    )
    world = environment(scene)
    timeline = make_plan(world).timeline
    assert tuple(timeline.columns) == TIMELINE_COLUMNS
    assert {"camera", "radar", *scene.sending_names} == set(timeline["activity"])
    write_csv(timeline, tmp_path / "timeline.csv")
    read = read_timeline(tmp_path / "timeline.csv", scene)
    written, back = (check_timeline(world, table) for table in (timeline, read))
    assert back.is_valid, back.violations["message"].tolist()
    for name, table in written.resources.items():
        assert_frame_equal(back.resources[name], table)
    # The rows of sending are what lets the data leave in time.
    unsent = read[~read["activity"].isin(["lander downlink"])]
    assert set(check_timeline(world, unsent).violations["rule"]) == {"storage", "end storage"}


def test_margins_are_the_tightest_spots():
    scene = scenario(
        {"name": "drive", "power_w": 60.0, "contact": "whole", "data_mbit": 30.0},
        {"name": "talk", "contact": "start"},
    )
    margins = check_timeline(
        environment(scene, lander_rate_kbps=0.0), slots(("drive", 390), ("talk", 435))
    ).margins
    rows = {row["margin"]: row for row in margins.to_dict("records")}
    minute = {k: (row["time_utc"] - START) / pd.Timedelta(minutes=1) for k, row in rows.items()}
    amount = {k: (row["where"], row["amount"], row["unit"]) for k, row in rows.items()}
    assert amount == {
        "state of charge above reserve": ("lander", pytest.approx(540.0), "Wh"),
        "bus power headroom": ("lander", 40.0, "W"),
        "free storage": ("lander", pytest.approx(20.0), "Mbit"),
        "contact left after slot": ("s1", 30.0, "min"),
    }
    assert minute == {
        "state of charge above reserve": 450,
        "bus power headroom": 390,
        "free storage": 450,
        "contact left after slot": 450,
    }


def thin_of(scene, *rows, **columns) -> dict[str, float]:
    """The margins that are used up or nearly, and their amounts."""
    margins = check_timeline(environment(scene, **columns), slots(*rows)).margins
    return margins[margins["thin"]].set_index("margin")["amount"].to_dict()


@pytest.mark.parametrize(("start", "thin"), [(0.815, True), (0.817, False)])
def test_energy_within_two_percent_of_a_limit_is_as_good_as_used_up(start, thin):
    # 800 Wh are usable above the reserve: 2 % of them are 16 Wh.
    scene = scenario(platforms=[platform(battery={"start": start, "end": 0.8})])
    expected = {"charge above the required end": pytest.approx(1000 * start - 800)}
    assert thin_of(scene) == (expected if thin else {})
    scene = scenario(platforms=[platform(battery={"start": start, "reserve": 0.8, "end": 0.8})])
    # 200 Wh are usable then, and 2 % of them are 4 Wh.
    assert not thin_of(scene)


def test_storage_and_contact_that_are_nearly_used_up_are_thin():
    scene = scenario({"name": "talk", "contact": "whole", "data_mbit": 49.5})
    in_contact = np.arange(1440) < 128
    given = {"lander_rate_kbps": 0.0, "lander_in_contact": in_contact}
    # In contact until 128, and the run ends at 120; 0.5 of 50 Mbit are free.
    assert thin_of(scene, ("talk", 60), **given) == {
        "free storage": pytest.approx(0.5),
        "contact left after slot": 8.0,
    }
    later = given | {"lander_in_contact": np.arange(1440) < 130}
    assert "contact left after slot" not in thin_of(scene, ("talk", 60), **later)


@pytest.mark.parametrize(("ends", "left"), [(1420, 0.0), (1300, 120 * 1.2)])
def test_link_is_used_up_if_the_last_data_leave_at_the_end(ends, left):
    # A run takes 2 Mbit a minute and 1.2 are sent: 48 remain, 24 of them 20 minutes later.
    scene = scenario(
        {"name": "dump", "data_mbit": 120.0},
        platforms=[platform(store={"capacity_mbit": 60.0, "end_limit_mbit": 24.0})],
    )
    place = environment(scene, lander_rate_kbps=20.0)
    margins = check_timeline(place, slots(("dump", ends - 60))).margins
    row = margins.set_index("margin").loc["link capacity left at the end"]
    # The rest of the store is sent within these 20 minutes too, and takes 24 Mbit.
    assert row["amount"] == pytest.approx(max(left - 24, 0.0), abs=1.2)
    assert row["room"] == pytest.approx(1440 * 1.2) and row["thin"] == (left == 0)


def test_resources_table_gathers_minutes_into_steps():
    scene = scenario(
        {"name": "camera", "power_w": 30.0, "warm_up_min": 5, "duration_min": 10, "data_mbit": 5.0},
        platforms=[platform(), platform("other")],
    )
    verdict = check_timeline(environment(scene, generation_w=3.0), slots(("camera", 120)))
    table = resources_table(scene, verdict)
    assert list(table.columns) == [
        "platform",
        "generation_w",
        "load_w",
        "state_of_charge",
        "spilled_wh",
        "stored_mbit",
        "sent_mbit",
    ]
    assert len(table) == 2 * 96
    assert table.index.name == "time_utc" and str(table.index.tz) == "UTC"
    assert table["platform"].iloc[:3].tolist() == ["lander", "other", "lander"]
    row = table[table["platform"] == "lander"].loc[START + pd.Timedelta(minutes=120)]
    # Ten minutes of 30 W, and of 10 W for the 5/12 in which 0.5 Mbit go, in a step of fifteen.
    assert row["load_w"] == pytest.approx((30.0 + 10.0 * 5 / 12) * 10 / 15)
    assert row["sent_mbit"] == pytest.approx(5.0)
    assert row["state_of_charge"] == pytest.approx(0.806)
    assert table["sent_mbit"].sum() == pytest.approx(5.0)


def test_summary_names_the_broken_rules():
    scene = scenario({"name": "camera", "must": 1})
    verdict = check_timeline(environment(scene), slots(("camera", 125, 155)))
    assert not verdict.is_valid
    assert verdict.summary == (
        f"2 violations; rules broken: grid, duration; {len(verdict.rules)} rules checked"
    )


@pytest.mark.parametrize(
    "table, complaint",
    [
        (pd.DataFrame({"activity": ["camera"]}), "start_utc is missing"),
        (pd.DataFrame({"activity": ["x"], "start_utc": [START]}), "no such activity: x"),
        (pd.DataFrame({"activity": ["camera"], "start_utc": [START.tz_localize(None)]}), "zone"),
        (pd.DataFrame({"activity": ["camera"] * 2, "start_utc": [START, pd.NaT]}), "needs a start"),
        (slots(("camera", 60, 60)), "must end after it starts"),
        # A planned run would hide behind one of the same id that is done.
        (slots(("camera", 60), ("camera", 90)).assign(slot="s1"), "slot s1 is there twice"),
    ],
)
def test_tables_that_are_no_slots_are_refused(table, complaint):
    scene = scenario({"name": "camera"})
    with pytest.raises(TableError, match=complaint):
        check_timeline(environment(scene), table)


def test_environment_of_another_span_or_with_gaps_is_refused():
    scene, short = scenario({"name": "camera"}), scenario({"name": "camera"}, hours=12)
    with pytest.raises(ValueError, match="every minute"):
        check_timeline(replace(environment(short), scenario=scene), slots())
    for column in ("generation_w", "base_load_w", "rate_kbps", "in_contact"):
        with pytest.raises(ValueError, match=f"{column} is not known"):
            check_timeline(environment(scene, **{column: np.nan}), slots())


def test_check_stands_apart_from_the_planner():
    code = (
        "import sys, obsplan.checking.check; "
        "print(*sorted(m for m in sys.modules if m.startswith('obsplan.')))"
    )
    loaded = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    ).stdout.split()
    assert "obsplan.checking.check" in loaded
    folders = {name.split(".")[1] for name in loaded}
    # A fix may be an array or a heater of another size, whose physics it needs.
    assert folders <= {"common", "ephemeris", "inputs", "physics", "environment", "checking"}


def test_a_transmit_window_beyond_the_span_is_named(tmp_path):
    scene = scenario({"name": "look"}, hours=6)
    path = tmp_path / "timeline.csv"
    path.write_text(
        "slot,activity,start_utc,end_utc\n"
        "r1,lander downlink,2028-07-01T01:00Z,2028-07-01T06:00Z\n"
        "r2,lander downlink,2028-07-01T02:00Z,2200-07-01T06:00Z\n"
        "r3,lander downlink,2028-06-30T23:00Z,2028-07-01T01:00Z\n"
    )
    verdict = check_timeline(environment(scene), read_timeline(path, scene))
    assert [(v.rule, v.slots) for v in verdict.found] == [("span", ("r3",)), ("span", ("r2",))]
    assert (
        "60 min beyond the span; fix: keep it between 2028-07-01T00:00Z and 2028-07-01T06:00Z"
        in (verdict.found[0].message)
    )
