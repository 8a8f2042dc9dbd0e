"""The picture of alternative plans: a lane an activity, and in it a row for each plan."""

from collections.abc import Sequence

import numpy as np
from matplotlib.figure import Figure
from matplotlib.transforms import blended_transform_factory

from obsplan.analysis.alternatives import slots_apart
from obsplan.planning.plan import Plan
from obsplan.reporting.figures import layout
from obsplan.reporting.figures.events import darkness_legend, shade_darkness
from obsplan.reporting.figures.layout import INK, PAPER, SMALL_PT, Panel, styled
from obsplan.reporting.hours import darkness, hours_of
from obsplan.reporting.text.alternative_lines import alternative_lines

# Height of a row, and what a lane has besides its rows.
ROW_IN, BETWEEN = 0.13, 0.6
AXIS_IN, LINE_IN = 0.5, 0.155
SAME_STYLE = {"facecolor": layout.WINDOW, "edgecolor": INK, "linewidth": 0.5}
APART_STYLE = {"facecolor": layout.SLOT_COLOURS[0], "edgecolor": PAPER, "linewidth": 0.3}
LEFT_IN, RIGHT_IN = 1.9, 0.5


@styled
def alternatives_figure(plans: Sequence[Plan]) -> Figure:
    """All `plans` over one time axis; slots that the first does not have at their time are dark."""
    environment, many = plans[0].environment, len(plans)
    scenario, dark = environment.scenario, darkness(environment)
    activities, tall = scenario.activity, many + BETWEEN
    figure, (lanes, labels, words) = layout.new_page(
        scenario.title,
        f"{many} plans, from top to bottom in each lane\n{layout.place_and_span(scenario)}",
        [
            Panel(ROW_IN * tall * max(len(activities), 1), 1),
            Panel(AXIS_IN, 0),
            Panel(LINE_IN * (many + 1), 0),
        ],
        LEFT_IN,
        RIGHT_IN,
        legend=[
            ("as in plan 1, or plan 1 itself", SAME_STYLE),
            ("no slot of this activity then in plan 1", APART_STYLE),
            *darkness_legend(environment, *dark),
        ],
    )
    figure.delaxes(labels)  # the time axis of the lanes writes there
    layout.draw_time_axes(environment, [lanes])
    shade_darkness([lanes], *dark)
    lanes.set_ylim(tall * len(activities) - 0.5, -0.5 - BETWEEN / 2)
    middles = [tall * k + (many - 1) / 2 for k in range(len(activities))]
    lanes.set_yticks(middles, [layout.shortened(activity.name) for activity in activities])
    lanes.tick_params(axis="y", length=0)
    numbers = blended_transform_factory(lanes.transAxes, lanes.transData)
    for k, activity in enumerate(activities):
        lanes.axhline(tall * (k + 1) - 0.5 - BETWEEN / 2, color=layout.RULE, lw=0.6, zorder=0.6)
        for row, plan in enumerate(plans):
            y = tall * k + row
            lanes.text(1.006, y, str(row + 1), size=SMALL_PT - 1.5, va="center", transform=numbers)
            own = plan.timeline[plan.timeline["activity"] == activity.name]
            ends_h = [hours_of(environment, own[c]) for c in ("start_utc", "end_utc")]
            windows = np.stack(ends_h, axis=1)
            apart = slots_apart(plan, plans[0])
            is_apart = apart[apart.index == activity.name].to_numpy()
            layout.draw_bars(lanes, windows[~is_apart], y, 0.8, zorder=3, **SAME_STYLE)
            layout.draw_bars(lanes, windows[is_apart], y, 0.8, zorder=3, **APART_STYLE)
    _write_figures(figure, words, plans)
    return figure


def _write_figures(figure: Figure, words, plans: Sequence[Plan]) -> None:
    """A line for each plan below the lanes, from the left edge of the page."""
    words.axis("off")
    top_in = words.get_position().y1 * figure.get_figheight()
    for k, line in enumerate(alternative_lines(plans)):
        figure.text(
            0.16,
            top_in - LINE_IN * k,
            layout.cut_to_width(line, layout.WIDTH_IN - 0.32),
            size=SMALL_PT,
            va="top",
            transform=figure.dpi_scale_trans,
        )
