"""What a plan gains from more of a resource agrees with what its missing runs are said to lack."""

import pandas as pd
import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from tools.small import SMALL, START, cases, platform, scenario, world

from obsplan.analysis.gain_from_more import (
    GAIN_COLUMNS,
    _named,
    booked_in_steps,
    gain_from_more,
    nothing_to_gain,
)
from obsplan.cli.main import main
from obsplan.common.errors import Infeasible
from obsplan.operations.replan import make_replan
from obsplan.planning.plan import make_plan
from obsplan.planning.problem.booking import Booking
from obsplan.planning.reasons.marginal_worth import marginal_worth
from obsplan.reporting import plan_directory


def test_a_store_too_small_for_a_run_has_no_price_but_a_gain():
    """120 Mbit in an hour, of which 72 can be sent; the store holds 40 of the other 48."""
    small = platform(store={"capacity_mbit": 40.0})
    scene = scenario({"name": "a", "data_mbit": 120.0, "value": 5.0}, platforms=[small])
    environment = world(scene)
    made = make_plan(environment)
    assert made.value == 0 and made.unplaced["would_fit_if"][0].startswith(
        'the storage of "lander" held 8 Mbit more'
    )
    prices = marginal_worth(environment).set_index("what")["worth"]
    assert not prices["storage"] > 0
    table = gain_from_more(made)
    assert list(table.columns) == list(GAIN_COLUMNS)
    row = table.set_index("what").loc["storage"]
    assert (row["more"], row["gain"]) == (8.0, 5.0)


def test_a_bound_that_counts_all_runs_leaves_the_price_to_another_search():
    """30 Wh to spend in the first hour, for two runs of 20; 30 more come in the second.

    The relaxation asks for the charge after two hours, so it counts both runs.
    """
    cell = platform(battery={"capacity_wh": 50.0, "start": 0.8})
    when = {"sun_elevation_deg": [5, 5.42]}
    runs = [{"name": k, "power_w": 20.0, "value": 3.0, "when": when} for k in "ab"]
    scene = scenario(*runs, platforms=[cell], hours=12)
    sun = [0.0] * 60 + [30.0] * 60 + [0.0] * 600
    environment = world(scene, generation_w=sun)
    made = make_plan(environment)
    assert marginal_worth(environment)["worth"].isna().all()
    gains = gain_from_more(made).set_index("what")["gain"]
    assert made.value == 3.0 and not nothing_to_gain(made)
    assert gains["battery"] == 3.0


def test_resources_are_chosen_and_a_complete_plan_has_nothing_to_gain():
    made = make_plan(world(scenario({"name": "a", "count": 2}, hours=6)))
    assert nothing_to_gain(made)
    table = gain_from_more(made, [("lander", "battery")])
    assert table[["platform", "what", "more", "gain"]].values.tolist() == [
        ["lander", "battery", 100.0, 0.0]
    ]


def test_a_replan_is_refused():
    scene = scenario({"name": "a", "count": 2}, hours=6)
    made = make_plan(world(scene))
    now_utc = (START + pd.Timedelta(hours=1)).to_pydatetime()
    again = make_replan(world(scene), made.timeline, now_utc)
    with pytest.raises(ValueError, match="replan"):
        gain_from_more(again.plan)


def check_gains_agree_with_reasons(environment) -> int:
    """How many amounts reasons name; each is enough for a gain, unless the run has no value."""
    try:
        made = make_plan(environment)
    except Infeasible:
        return 0
    booking: Booking = booked_in_steps(made)
    named = list(_named(made, booking.problem))
    if not named:
        return 0
    table = gain_from_more(made).set_index(["platform", "what"])
    for row in named:
        told = table.loc[row.platform, row.what]
        worth = booking.next_value(row.task)[row.start]
        assert told["more"] <= row.amount
        if told["more"] == row.amount:
            assert told["gain"] >= worth - 1e-9, row
    return len(named)


@settings(max_examples=25)
@given(cases(hours=(2, 4)))
def test_a_plan_gains_by_the_amounts_that_its_reasons_name(case):
    check_gains_agree_with_reasons(case)


@pytest.mark.long
@settings(max_examples=1000)
@given(cases(hours=(2, 6)))
def test_plans_of_a_thousand_gain_by_the_amounts_that_their_reasons_name(case):
    check_gains_agree_with_reasons(case)


def test_the_command_tells_the_gain_of_what_has_no_price(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(plan_directory, "write_plan", lambda *_, **more: None)  # takes long
    text = SMALL.replace("capacity_mbit = 1000.0", "capacity_mbit = 3.0")
    text = text.replace("data_mbit = 5.0", "data_mbit = 260.0")
    (tmp_path / "small.toml").write_text(text)
    made = CliRunner().invoke(main, ["plan", "small.toml", "-o", "p", "--worth"])
    assert made.exit_code == 0, made.output
    told = made.stdout[made.stdout.index("what this plan gains") :].splitlines()
    assert any(line.startswith("lander    Mbit of storage ") and "+" in line for line in told)
