"""A notebook shows a plan as picture, verdict and tables; nothing is drawn before."""

import re
from base64 import b64decode
from dataclasses import replace
from html.parser import HTMLParser

import pytest
from tools.small import scenario_table

import obsplan
from obsplan.reporting.figures.plan import plan_figure
from obsplan.reporting.figures.save import save_figure


@pytest.fixture(scope="module")
def made():
    table = scenario_table(
        {"name": "sweep", "count": 2},
        {"name": "night & <fog>", "when": {"sun_elevation_deg": [-90, -80]}},
        hours=4,
    )
    table["platform"][0]["array"] = [{"area_m2": 0.5, "efficiency": 0.3}]
    table["title"] = "small <script>"
    scene = obsplan.scenario_from(table)
    offered = obsplan.make_environment(scene)
    return obsplan.make_plan(offered, effort="low")


class Page(HTMLParser):
    """Tags that are still open, and every one that was."""

    def __init__(self, text: str):
        super().__init__()
        self.open, self.seen = [], []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.seen.append(tag)
        if tag != "img":
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag


def test_a_plan_shows_itself(made):
    assert made._repr_html_() == obsplan.plan_html(made)


def test_the_page_is_well_formed_and_holds_picture_verdict_and_tables(made):
    page = made._repr_html_()
    read = Page(page)
    assert not read.open
    assert read.seen.count("table") == 3 and read.seen.count("img") == 1
    assert "script" not in read.seen and "small &lt;script&gt;" in page and ">s001<" in page
    assert "night &amp; &lt;fog&gt;" in page
    assert "value 2.0, proven optimal" in page
    assert "no violations; " in page and "smallest margin: " in page
    assert re.search(r"<td>sweep</td>\s*<td>2</td>\s*<td>2</td>\s*<td>2.0</td>", page)
    assert "no slot in the span has" in page  # why the other one is missing


def test_the_picture_is_that_of_the_plan_figure(made, tmp_path):
    page = made._repr_html_()
    picture = b64decode(re.search(r"base64,([^\"]+)", page)[1])
    save_figure(plan_figure(made), tmp_path / "plan.png")
    assert picture == (tmp_path / "plan.png").read_bytes()


def test_nothing_is_drawn_before_it_is_shown(made, monkeypatch):
    def refuse(*_):
        raise AssertionError("drawn")

    monkeypatch.setattr("obsplan.reporting.figures.plan.plan_figure", refuse)
    kept = replace(made)
    assert "Plan(" in repr(kept) and "Environment(" not in repr(kept)
    with pytest.raises(AssertionError, match="drawn"):
        kept._repr_html_()


def test_a_plan_with_everything_in_has_no_table_of_what_is_missing(made):
    whole = replace(made, unplaced=made.unplaced.iloc[:0])
    assert Page(whole._repr_html_()).seen.count("table") == 2
