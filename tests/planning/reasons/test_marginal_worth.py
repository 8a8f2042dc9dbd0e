"""What a little more is worth, on questions whose answer is known by hand."""

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from tools.small import SMALL, cases, platform, scenario, world

from obsplan.analysis.gain_from_more import GAIN_COLUMNS
from obsplan.cli.main import main
from obsplan.planning.problem.from_scenario import build_problem
from obsplan.planning.reasons.marginal_worth import WORTH_COLUMNS, marginal_worth
from obsplan.planning.solver.dual_bound import upper_bound
from obsplan.reporting import plan_directory
from obsplan.reporting.text.terminal import worth_lines

# The relaxation is solved to 1e-8 of values below 100, and so are differences of two.
CLOSE = 2e-5


def worth(*activities, parts=None, **columns) -> pd.DataFrame:
    scene = scenario(*activities, **(parts or {}))
    table = marginal_worth(world(scene, **columns))
    assert list(table.columns) == list(WORTH_COLUMNS)
    return table.set_index("what")


def test_energy_is_a_knapsack():
    """600 Wh for 60 W an hour: ten runs of two, then of one; each further Wh a part of one.

    What is worth more goes first, so one more Wh goes to what is worth one for 60 Wh.
    """
    table = worth(
        {"name": "good", "power_w": 60.0, "count": 4, "value": 2.0},
        {"name": "fair", "power_w": 60.0, "count": 20, "value": 1.0},
    )
    row = table.loc["battery"]
    assert row["worth"] == pytest.approx(1 / 60, abs=CLOSE)
    assert row["confirmed"] == pytest.approx(1 / 60, abs=CLOSE)
    assert "array" not in table.index  # there is no sunlight to have more of
    assert table.loc[["storage", "contact"], "worth"].tolist() == [0, 0]
    assert table.loc[["storage", "contact"], "confirmed"].isna().all()


def test_a_watt_of_array_is_worth_its_hours():
    """20 W through 24 h and 600 Wh of battery: 18 runs of 60 Wh; a W more is 24 Wh more."""
    table = worth({"name": "a", "power_w": 60.0, "count": 24}, generation_w=20.0)
    assert table.loc["array", "worth"] == pytest.approx(24 / 60, abs=CLOSE)
    assert table.loc["array", "confirmed"] == pytest.approx(24 / 60, abs=CLOSE)
    assert table.loc["battery", "worth"] == pytest.approx(1 / 60, abs=CLOSE)


def test_the_array_is_worth_more_where_the_battery_loses():
    """All runs are fed from a battery that gives back half; sunlight comes in the first half."""
    lossy = platform(battery={"discharge_efficiency": 0.5, "start": 0.2})
    sun = np.where(np.arange(1440) < 720, 20.0, 0.0)
    late = {"name": "a", "power_w": 60.0, "count": 12, "when": {"sun_elevation_deg": [10, 90]}}
    table = worth(late, parts={"platforms": [lossy]}, generation_w=sun)
    assert table.loc["array", "worth"] == pytest.approx(12 * 0.5 / 60, abs=CLOSE)


def test_data_are_worth_their_share_of_a_run():
    """1 kbps through 24 h and a store of 50 Mbit; a run of 30 Mbit is worth one."""
    table = worth({"name": "a", "data_mbit": 30.0, "count": 12}, rate_kbps=1.0)
    assert table.loc["contact", "worth"] == pytest.approx(3.6 / 30, abs=CLOSE)
    assert table.loc["storage", "worth"] == pytest.approx(1 / 30, abs=CLOSE)
    assert table.loc["battery", "worth"] == 0


def test_a_bound_that_counts_all_runs_gives_no_price():
    table = worth({"name": "a", "count": 3, "power_w": 5.0}, generation_w=5.0)
    assert set(table.index) == {"battery", "array", "contact", "storage"}
    assert table["worth"].isna().all() and table["confirmed"].isna().all()


def test_what_may_be_left_on_board_at_the_end_has_a_price():
    """2 Mbit may stay of what runs of 30 Mbit yield, and nothing is sent."""
    full = platform(store={"end_limit_mbit": 2.0})
    activity = {"name": "a", "data_mbit": 30.0, "count": 12}
    table = worth(activity, parts={"platforms": [full]}, rate_kbps=0.0)
    assert table.loc["storage at the end", "worth"] == pytest.approx(1 / 30, abs=CLOSE)


@settings(max_examples=12)
@given(cases(hours=(2, 4), lossless=True))
def test_a_whole_unit_more_brings_no_more_than_the_margin_says(case):
    """Without losses every change is one of limits alone, in which the best is concave."""
    environment = case
    table = marginal_worth(environment)
    if table["worth"].isna().all():
        return
    bound = upper_bound(build_problem(environment, relaxed=True))
    told = table[table["confirmed"].notna()]
    assert (told["confirmed"] <= told["worth"] + 1e-5 * max(1.0, bound)).all()
    assert table["worth"].is_monotonic_decreasing and (table["worth"] >= 0).all()


# --- on the terminal


PRICES = [("rover", "array", "W", 29.85, 27.14), ("lander", "storage", "Mbit", 0.0, np.nan)]
GAINS = [("lander", "storage", "Mbit", 10.0, 7.5), ("rover", "battery", "Wh", 2.5, 0.0)]


def test_the_table_in_words():
    prices = pd.DataFrame(PRICES, columns=list(WORTH_COLUMNS))
    gains = pd.DataFrame(GAINS, columns=list(GAIN_COLUMNS))
    lines = worth_lines(prices, gains)
    assert "a plan below it may gain more or less" in lines[0]
    assert lines[2].split() == ["rover", "W", "of", "array", "29.850", "27.140"]
    assert lines[3].split() == ["lander", "Mbit", "of", "storage", "0.000"]
    assert "what this plan gains" in lines[4]
    assert lines[6].split() == ["lander", "Mbit", "of", "storage", "10", "+7.5"]
    assert lines[7].endswith("2.5  no better plan found")


def test_a_bound_without_prices_is_told_in_words():
    prices = pd.DataFrame(PRICES, columns=list(WORTH_COLUMNS)).assign(worth=np.nan)
    lines = worth_lines(prices, None)
    assert "counts every requested run" in lines[0] and "nothing is left to gain" in lines[1]
    assert len(lines) == 2


def test_the_command_prints_it_after_the_plan(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(plan_directory, "write_plan", lambda *_, **more: None)  # figures take long
    (tmp_path / "small.toml").write_text(SMALL)
    made = CliRunner().invoke(main, ["plan", "small.toml", "-o", "p", "--worth"])
    assert made.exit_code == 0
    assert made.stdout.index("written to p") < made.stdout.index("nothing is left to gain")
    for other in ("--quiet", "--json", "--dry-run"):
        refused = CliRunner().invoke(main, ["plan", "small.toml", "-o", "q", "--worth", other])
        assert refused.exit_code == 2 and "--worth" in refused.stderr
    assert not (tmp_path / "q").exists()
