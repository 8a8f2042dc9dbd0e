"""Goals in lines, on the page and in the figure: the same words and numbers as in goals.csv."""

from dataclasses import replace

import pytest
from tools.page import Page

from obsplan.analysis.goal_table import goal_table
from obsplan.reporting.figures.goal_panel import MOST_GOALS
from obsplan.reporting.figures.plan import plan_figure
from obsplan.reporting.page.report import report_page
from obsplan.reporting.text.goal_lines import check_lines, goal_lines


def words_in(figure) -> list[str]:
    texts = [text.get_text() for ax in figure.axes for text in ax.texts]
    return texts + [ax.get_ylabel() for ax in figure.axes]


def without_goals(made):
    scene = made.environment.scenario.model_copy(update={"goal": ()})
    return replace(made, environment=replace(made.environment, scenario=scene))


def test_the_terminal_tells_runs_value_and_times_of_each_goal(made):
    head, line = goal_lines(made)
    whole = goal_table(made).iloc[0]
    assert head.startswith("goal ") and line.startswith("shots ")
    assert f"{whole['counted']} of 2" in line and "of 3" in line
    assert f"{whole['minimum_utc']:%Y-%m-%dT%H:%MZ}" in line
    assert goal_lines(without_goals(made)) == []


def test_a_goal_without_a_minimum_says_that_none_is_asked(made):
    goal = made.environment.scenario.goal[0].model_copy(update={"minimum": None})
    scene = made.environment.scenario.model_copy(update={"goal": (goal,)})
    line = goal_lines(replace(made, environment=replace(made.environment, scenario=scene)))[1]
    assert "none asked" in line


def test_the_page_opens_with_goals(made):
    text = report_page(made)
    page = Page(text)
    assert text.index('id="goals"') < text.index('id="picture"')
    section = page.section("goals")
    assert "shots" in section and "of 2" in section
    assert "minimum goals reached" in text
    assert 'id="goals"' not in report_page(without_goals(made))


@pytest.mark.parametrize("many", [1, MOST_GOALS + 2])
def test_the_figure_has_a_row_for_each_goal_and_says_how_many_it_leaves_out(made, many):
    one = made.environment.scenario.goal[0]
    goals = tuple(one.model_copy(update={"name": f"shots {k}"}) for k in range(many))
    scene = made.environment.scenario.model_copy(update={"goal": goals})
    words = words_in(
        plan_figure(replace(made, environment=replace(made.environment, scenario=scene)))
    )
    shown = min(many, MOST_GOALS)
    assert sum(word.startswith("shots ") for word in words) == shown
    left = f",\n{many - shown} more in goals.csv" if many > shown else ""
    assert f"goals reached{left}\n(share of value)" in words


def test_without_goals_the_figure_has_no_panel_for_them(made):
    with_them, without = (len(plan_figure(p).axes) for p in (made, without_goals(made)))
    assert with_them == without + 1


def test_a_check_says_what_counts_and_which_minimum_is_missed(made):
    environment, resources = made.environment, made.verdict.resources
    (line,) = check_lines(environment, made.timeline, resources)
    whole = goal_table(made).iloc[0]
    assert line == (
        f"goal shots: 2 of 2 runs count, value 3.0 of 3; minimum from "
        f"{whole['minimum_utc']:%Y-%m-%dT%H:%MZ}"
    )
    none = made.timeline[made.timeline["activity"] != "shot"]
    assert check_lines(environment, none, resources) == [
        "goal shots: 0 of 2 runs count, value 0.0 of 3; minimum missed: 0 of 1 bins have a run"
    ]
