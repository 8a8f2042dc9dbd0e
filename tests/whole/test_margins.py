"""Margins of the scenario: the plan keeps them, and a check tells one that is used."""

from dataclasses import replace
from datetime import timedelta

import pandas as pd
import pytest
from click.testing import CliRunner
from tools.replayed import slots
from tools.small import SMALL, START, platform, scenario, world

from obsplan.analysis.gain_from_margins import gain_from_margins
from obsplan.checking.check import check_timeline
from obsplan.cli.main import main
from obsplan.common.errors import Infeasible
from obsplan.environment.model import Reading
from obsplan.inputs.read_scenario import read_scenario
from obsplan.operations.replan import make_replan
from obsplan.planning.plan import make_plan
from obsplan.planning.reasons.audit import findings
from obsplan.planning.reasons.finding import Severity

# Two runs of 60 W, 60 Wh and 30 Mbit, an hour each.
RUNS = {"name": "look", "power_w": 60.0, "data_mbit": 30.0, "count": 2, "value": 1.0}


def day(margins, run=RUNS, hours=4, **changes):
    """A lander without Sun: 600 Wh above the reserve, a bus of 100 W, 50 Mbit, 72 Mbit an hour."""
    return world(scenario(run, platforms=[platform(margins=margins, **changes)], hours=hours))


@pytest.mark.parametrize(
    ("margin", "changes", "rule", "amount", "words"),
    [
        ("power_share", {}, "bus power", 1.0, "more than its limit less its margin, 59 W at"),
        # Of 800 Wh go two times 60 Wh, and 8.3 for sending 60 Mbit.
        ("energy_share", {}, "state of charge", 8.333, "its reserve and margin, together 680 Wh"),
        ("store_share", {"store": {"capacity_mbit": 100.0}, "radio": {"rate_kbps": 1e-3}},
         "storage", 4.99, "above its capacity less its margin, 55 Mbit"),
        # Two hours of 30 Mbit, less 7.2 in each of three hours, instead of 72.
        ("link_share", {"store": {"capacity_mbit": 25.0}}, "storage", 13.4,
         "above its capacity of 25 Mbit with the margins kept"),
    ],
)  # fmt: skip
def test_a_margin_used_is_named_and_breaks_no_rule(margin, changes, rule, amount, words):
    share = {"power_share": 0.41, "energy_share": 0.6, "store_share": 0.45, "link_share": 0.9}
    rows = slots(("look", 60), ("look", 180))
    assert not check_timeline(day({}, **changes), rows).margins_used
    offered = day({margin: share[margin]}, **changes)
    verdict = check_timeline(offered, rows)
    assert verdict.is_valid and {used.rule for used in verdict.margins_used} == {rule}
    used = max(verdict.margins_used, key=lambda used: used.amount)
    assert used.amount == pytest.approx(amount, abs=0.01)
    assert words in used.problem and used.platform == "lander"
    many = len(verdict.margins_used)
    assert f"no violations; {many} margin{'s' if many > 1 else ''} used;" in verdict.summary
    kept = check_timeline(offered, rows, keep_margins=True)
    assert not kept.is_valid and not kept.margins_used


def test_a_plan_keeps_margins_and_says_what_each_costs():
    offered = day({"power_share": 0.1, "energy_share": 0.6, "link_share": 0.05})
    made = make_plan(offered)
    assert made.value == 1.0 and made.bound < 2.0
    assert made.verdict.is_valid and not check_timeline(offered, made.timeline).margins_used
    gains = gain_from_margins(made).set_index("margin")["gain"]
    assert gains.to_dict() == {"energy_share": 1.0, "power_share": 0.0, "link_share": 0.0}
    freer = make_plan(day({}))
    assert freer.value == 2.0 and gain_from_margins(freer).empty


def test_a_replan_keeps_margins_and_adds_nothing_where_one_is_used_already():
    """The battery is found at 650 Wh; 680 are to be kept, and the reserve is 200."""
    offered = day({"energy_share": 0.6})
    now = START + pd.Timedelta(hours=2)
    reading = {"lander": (Reading(120, 650.0),)}
    known = replace(offered, readings=reading)
    none = slots().assign(state="planned")
    made = make_replan(known, none, now.to_pydatetime(), freeze=timedelta(0))
    verdict = made.plan.verdict
    assert verdict.is_valid and {used.rule for used in verdict.margins_used} == {"state of charge"}
    assert verdict.margins_used[0].amount == pytest.approx(30.0)
    ahead = made.plan.timeline[made.plan.timeline["start_utc"] >= now]
    assert "look" not in set(ahead["activity"])
    full = replace(offered, readings={"lander": (Reading(120, 790.0),)})
    made = make_replan(full, none, now.to_pydatetime(), freeze=timedelta(0))
    assert (made.plan.timeline["activity"] == "look").sum() == 1 and made.plan.verdict.is_valid


@pytest.mark.parametrize(
    "margins", [{"energy_share": 0.8}, {"power_share": 0.5}, {"store_share": 0.5}]
)
def test_a_margin_that_leaves_nothing_is_named_before_planning(margins):
    """It starts with 800 Wh of 1000, 30 Mbit of 50, and runs of 60 W are required."""
    offered = day(margins, RUNS | {"must": 1}, store={"start_mbit": 30.0}, radio={"rate_kbps": 1.0})
    found = [f for f in findings(offered) if f.severity == Severity.INFEASIBLE]
    (key,) = margins
    way = f'set margins.{key} of platform "lander" to 0.'
    assert any(f.fix.startswith(way) for f in found), found
    with pytest.raises(Infeasible):
        make_plan(offered)


def test_a_platform_may_have_margins_of_its_own(tmp_path):
    text = SMALL.replace(
        "store = { cap", "margins = { energy_share = 0.3, link_share = 0.0 }\nstore = { cap", 1
    )
    path = tmp_path / "scenario.toml"
    path.write_text(text + "[margins]\nenergy_share = 0.1\nstore_share = 0.2\nlink_share = 0.05\n")
    assert read_scenario(path).platform[0].margins.kept == {"energy_share": 0.3, "store_share": 0.2}


def test_check_tells_a_margin_used_with_exit_code_0(tmp_path):
    scene, rows = tmp_path / "scenario.toml", tmp_path / "slots.csv"
    scene.write_text(SMALL + "[margins]\npower_share = 0.75\n")
    rows.write_text("activity,start_utc\nsweep,2028-07-05T02:00:00Z\n")
    done = CliRunner().invoke(main, ["check", str(scene), str(rows)])
    assert done.exit_code == 0, done.output
    assert "margin used, bus power: the bus of" in done.output
    assert "more than its limit less its margin, 25 W" in done.output
    assert "no violations; 1 margin used; " in done.output
