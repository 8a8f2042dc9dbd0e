"""Every example script runs on the short scenario, prints a table and makes a figure."""

import runpy
import sys
from contextlib import redirect_stdout
from functools import cache
from io import StringIO
from pathlib import Path
from unittest.mock import patch

import pytest
from matplotlib.figure import Figure

from obsplan.reporting.text.sentences import bound_line

EXAMPLES = Path(__file__).parents[2] / "examples"
# What each script must have said, beyond running to its end.
SAYS = {
    "look_at_the_sky": "sun_elevation_deg",
    "who_can_talk": "Heron Hill",
    "which_day": "landing_opens_utc",
    "which_instrument_when": "ground reading",
    "is_it_valid": "violations; ",
    "what_now": "old plan unchanged",
    "own_rule": "rules broken: own window, few a day;",
    "which_site": "Far Shelf",
}


@cache
def run(name: str, *arguments: str) -> tuple[dict, str]:
    """The names that a script leaves, and what it printed; each is run once."""
    printed = StringIO()
    with patch.object(sys, "argv", [f"{name}.py", *arguments]), redirect_stdout(printed):
        names = runpy.run_path(str(EXAMPLES / f"{name}.py"))
    return names, printed.getvalue()


def shorter(directory: Path) -> tuple[str]:
    """A day less of the short scenario, for a script that plans it twice."""
    text = (EXAMPLES / "minimal.toml").read_text()
    path = directory / "shorter.toml"
    path.write_text(text.replace("end_utc = 2028-07-05T12", "end_utc = 2028-07-04T12"))
    assert path.read_text() != text
    return (str(path),)


def test_every_script_but_the_long_one_is_run():
    scripts = {path.stem for path in EXAMPLES.glob("*.py")}
    assert scripts == {*SAYS, "draw_demo", "__init__"}


@pytest.mark.parametrize("name", SAYS)
def test_script_prints_a_table_and_makes_a_figure(name, tmp_path):
    names, printed = run(name, *(shorter(tmp_path) if name == "own_rule" else ()))
    assert SAYS[name] in printed
    assert isinstance(names["figure"], Figure) and names["figure"].axes


def test_script_takes_the_scenario_it_is_given(tmp_path):
    text = (EXAMPLES / "minimal.toml").read_text().replace("Quiet Flat", "Other Place")
    (tmp_path / "other.toml").write_text(text)
    names, _ = run("look_at_the_sky", str(tmp_path / "other.toml"))
    assert names["scenario"].site.name == "Other Place"


def test_the_survey_takes_the_sites_it_is_given(tmp_path):
    (tmp_path / "mine.csv").write_text(
        "name,latitude_deg,longitude_deg,height_m\nOne,10,20,0\nTwo,-30,40,0\n"
    )
    _, printed = run("which_site", str(tmp_path / "mine.csv"))
    assert "One" in printed and "Two" in printed and "Far Shelf" not in printed


def test_an_edited_timeline_is_found_broken():
    verdict = run("is_it_valid")[0]["verdict"]
    assert {"gap", "instrument"} <= set(verdict.violations["rule"])


def test_a_failed_run_is_seen_and_made_up_for():
    names, _ = run("what_now")
    made, told = names["made"], names["ran"]
    assert len(told) == 1 and made.plan.verdict.is_valid
    failed = made.plan.timeline.query("state == 'failed'")
    assert failed["slot"].tolist() == told["slot"].tolist()
    assert made.plan.value > made.old_value


def test_a_plan_made_anew_is_shown_in_a_notebook():
    names, _ = run("what_now")
    plan = names["made"].plan
    page = plan._repr_html_()
    assert bound_line(plan) in page and plan.verdict.summary in page
    assert "mast release" in page
