"""Alternative plans differ clearly from a plan and from each other; one table compares them."""

import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from tools.page import made as half_a_day
from tools.small import SMALL, cases, scenario, world

from obsplan.analysis.alternatives import (
    ALTERNATIVE_COLUMNS,
    LEAST_SHARE,
    alternative_plans,
    alternatives_table,
    share_apart,
)
from obsplan.checking.check import check_timeline
from obsplan.cli.main import main
from obsplan.common.errors import Infeasible
from obsplan.planning.plan import make_plan
from obsplan.reporting.page.report import report_page

HEAD = 'id="alternatives"'


def made_day():
    """Two instruments with room to spare: eight looks and four digs of an hour in a day."""
    runs = [
        {"name": "look", "count": 8, "value": 2.0, "data_mbit": 5.0, "gap_min": 30},
        {"name": "dig", "count": 4, "value": 3.0},
    ]
    return make_plan(world(scenario(*runs, hours=24)))


@pytest.fixture(scope="module")
def made():
    return made_day()


def test_alternatives_differ_clearly_and_are_valid(made):
    found = alternative_plans(made, 2)
    assert len(found) == 2
    plans = [made, *found]
    for one in plans:
        assert check_timeline(one.environment, one.timeline, fixes=False).is_valid
        for other in plans:
            assert one is other or share_apart(one, other) >= LEAST_SHARE
    assert [plan.value for plan in found] == sorted((p.value for p in found), reverse=True)
    # There is room for all runs in each of them.
    assert all(plan.value == made.value for plan in found)


def test_the_table_compares_them_with_the_first(made):
    plans = [made, *alternative_plans(made, 1)]
    table = alternatives_table(plans)
    assert tuple(table.columns) == ALTERNATIVE_COLUMNS
    first, second = table.itertuples(index=False)
    assert (first.plan, first.loss_percent, first.differs_percent, first.what_differs) == (
        1,
        0.0,
        0.0,
        "",
    )
    assert second.runs == 12 and second.differs_percent >= 100 * LEAST_SHARE
    named = dict(part.rsplit(" ", 1) for part in second.what_differs.split("; "))
    apart = sum(map(int, named.values()))
    assert apart == round(second.differs_percent / 100 * 12) and set(named) <= {"look", "dig"}
    assert 0 <= second.tightest_percent <= 100 and second.median_latency_h >= 0


def test_the_page_compares_them():
    plan = half_a_day()
    plans = [plan, *alternative_plans(plan, 1, least=0.1)]
    assert len(plans) == 2
    parts = report_page(plan, plans[1:]).split("<section")
    (told,) = (part for part in parts if HEAD in part)
    (row,) = alternatives_table(plans).iloc[1:].itertuples(index=False)
    assert f"{row.value:.1f}" in told and f"{row.differs_percent:.0f} %" in told
    assert HEAD not in report_page(plan)


def test_where_only_one_plan_is_possible_there_is_no_alternative():
    scene = scenario({"name": "look", "duration_min": 240}, hours=4)
    made = make_plan(world(scene))
    assert made.value == 1.0 and alternative_plans(made, 2) == []


@settings(max_examples=10)
@given(cases(hours=(2, 5)))
def test_every_alternative_passes_the_check_and_is_worth_no_more_than_the_bound(case):
    try:
        made = make_plan(case)
    except Infeasible:
        return
    for other in alternative_plans(made, 1):
        verdict = check_timeline(case, other.timeline, fixes=False)
        assert verdict.is_valid and not verdict.margins_used
        assert other.value <= made.bound + 1e-6 and share_apart(other, made) >= LEAST_SHARE
        assert other.timeline["value"].sum() == pytest.approx(other.value)


def test_the_command_writes_alternatives_beside_the_plan(tmp_path):
    (tmp_path / "scenario.toml").write_text(SMALL)
    out = tmp_path / "plan"
    words = ["plan", str(tmp_path / "scenario.toml"), "-o", str(out), "--alternatives", "2"]
    done = CliRunner().invoke(main, words)
    assert done.exit_code == 0, done.output
    assert "plan 2: value " in done.output
    assert {"alternatives.csv", "alternatives.png", "timeline_2.csv"} <= {
        path.name for path in out.iterdir()
    }
    done = CliRunner().invoke(main, ["check", words[1], str(out / "timeline_2.csv")])
    assert done.exit_code == 0, done.output
