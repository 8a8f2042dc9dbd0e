"""The panel of goals: how much of each is reached as time goes on."""

import numpy as np
from matplotlib.axes import Axes

from obsplan.analysis.goal_table import Counters, counters, goal_course
from obsplan.planning.plan import Plan
from obsplan.reporting.figures import layout
from obsplan.reporting.figures.layout import INK, Panel

GOAL_IN, MOST_GOALS = 0.2, 12
AREA_STYLE = {"facecolor": layout.SLOT_COLOURS[1], "edgecolor": INK, "linewidth": 0.6}
MINIMUM_MARK = {
    "marker": "D",
    "color": layout.PAPER,
    "markeredgecolor": INK,
    "markersize": 4.5,
    "linestyle": "none",
}


def goal_panels(plan: Plan) -> list[Panel]:
    """The room for the panel; none without goals."""
    shown = min(len(plan.environment.scenario.goal), MOST_GOALS)
    return [Panel(max(0.5, GOAL_IN * shown), 0.6)] if shown else []


def goal_panel(ax: Axes, plan: Plan) -> None:
    """A row for each goal that fills up as its value is reached; a mark where its minimum is."""
    course, found = goal_course(plan), counters(plan)[:MOST_GOALS]
    hours = np.arange(len(course)) / 60
    ax.set_ylim(len(found), 0)
    ax.set_yticks([])
    for row, each in enumerate(found):
        foot, share = row + 0.92, course[each.goal.name].to_numpy()
        ax.axhline(foot, color=layout.RULE, linewidth=0.6, zorder=1)
        ax.fill_between(hours, foot, foot - 0.84 * share, step="post", zorder=2, **AREA_STYLE)
        if each.minimum_min < np.inf:
            ax.plot([each.minimum_min / 60], [foot - 0.42], zorder=4, **MINIMUM_MARK)
        _write(ax, row, each)
    left = len(plan.environment.scenario.goal) - len(found)
    more = f",\n{left} more in goals.csv" if left else ""
    layout.name_axis(ax, f"goals reached{more}\n(share of value)")


def _write(ax: Axes, row: int, each: Counters) -> None:
    """The goal's name in its row, and at the right what is reached of it."""
    goal, reached = each.goal, each.value_at(np.inf)
    counted = each.counted_by(np.inf)
    ax.text(
        0.004,
        row + 0.5,
        layout.shortened(goal.name, 44),
        transform=ax.get_yaxis_transform(),
        size=layout.SMALL_PT,
        va="center",
        zorder=5,
        path_effects=layout.halo(),
    )
    ax.text(
        1.008,
        row + 0.5,
        f"{counted} of {goal.runs}   {reached:.1f} of {goal.value:g}",
        transform=ax.get_yaxis_transform(),
        size=layout.SMALL_PT,
        va="center",
    )
