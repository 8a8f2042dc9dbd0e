"""The picture of goals over two quantities: bins, runs in them, and where starts are permitted."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from obsplan.analysis.goal_columns import ALL_BINS
from obsplan.analysis.goal_table import goal_table
from obsplan.checking.condition_rules import in_turn
from obsplan.checking.goal_runs import goal_runs
from obsplan.environment.model import Environment
from obsplan.inputs.conditions import QUANTITIES
from obsplan.inputs.goal import STOP, Goal
from obsplan.planning.plan import Plan
from obsplan.planning.problem.start_windows import start_mask
from obsplan.reporting.figures import layout
from obsplan.reporting.figures.layout import INK, PAPER, Panel, styled

MOST_GRIDS, GRID_IN, LEFT_IN, RIGHT_IN = 4, 3.0, 2.2, 2.2
# How much of a bin is there: the more, the darker.
FULL, PART = "#b9c3da", "#e3e8f1"
CLOSED = {"facecolor": PAPER, "edgecolor": "#8b93a3", "hatch": "////", "linewidth": 0.0}
OFFERED = {"marker": "s", "color": "#6f7789", "markersize": 1.1, "linestyle": "none"}
RUN = {
    "marker": "o",
    "color": layout.SLOT_COLOURS[0],
    "markeredgecolor": PAPER,
    "markeredgewidth": 0.6,
    "markersize": 5.0,
    "linestyle": "none",
}
LOST = RUN | {"color": PAPER, "markeredgecolor": INK}


def grids_of(environment: Environment) -> list[Goal]:
    """The goals over two quantities, stops aside, that the picture shows."""
    goals = (g for g in environment.scenario.goal if len(g.over) == 2 and STOP not in g.over)
    return list(goals)[:MOST_GRIDS]


@styled
def goal_grids_figure(plan: Plan) -> Figure:
    """A grid for each goal over two quantities: its bins, how many of the requested runs count in
    each, the runs where they start, and all starts that are permitted.

    Bins without a permitted start are hatched.
    """
    scenario, goals = plan.environment.scenario, grids_of(plan.environment)
    figure, axes = layout.new_page(
        scenario.title,
        f"Goals over two quantities, at the start of each run\n{layout.place_and_span(scenario)}",
        [Panel(GRID_IN, 1) for _ in goals] or [Panel(GRID_IN, 1)],
        LEFT_IN,
        RIGHT_IN,
        legend=[
            ("run that counts", RUN),
            ("run that does not", LOST),
            ("permitted start", OFFERED | {"markersize": 3.0}),
            ("all requested", {"facecolor": FULL, "edgecolor": INK, "linewidth": 0.4}),
            ("some", {"facecolor": PART, "edgecolor": INK, "linewidth": 0.4}),
            ("out of reach: no permitted start", CLOSED | {"linewidth": 0.4}),
        ],
    )
    for ax, goal in zip(axes, goals):
        _draw_grid(ax, plan, goal, is_last=ax is axes[-1])
    return figure


def _draw_grid(ax: Axes, plan: Plan, goal: Goal, is_last: bool) -> None:
    down, along = goal.axes
    rows = goal_table(plan)
    bins = rows[(rows["goal"] == goal.name) & (rows["bin"] != ALL_BINS)].reset_index(drop=True)
    for place, row in bins.iterrows():
        y, x = divmod(int(place), len(along) - 1)
        share = row["counted"] / row["requested"]
        tone = FULL if share >= 1 else PART if share > 0 else PAPER
        closed = row["state"] == "out of reach" and not row["counted"]
        style = CLOSED if closed else {"facecolor": tone, "edgecolor": "none"}
        wide, tall = along[x + 1] - along[x], down[y + 1] - down[y]
        ax.add_patch(Rectangle((along[x], down[y]), wide, tall, zorder=1, **style))
        words = f"{row['counted']} of {row['requested']}"
        ax.text(
            along[x] + 0.03 * wide,
            down[y + 1] - 0.06 * tall,
            words,
            size=layout.SMALL_PT,
            va="top",
            zorder=5,
            path_effects=layout.halo(),
        )
    for edge in along:
        ax.axvline(edge, color=INK, linewidth=0.4, zorder=2)
    for edge in down:
        ax.axhline(edge, color=INK, linewidth=0.4, zorder=2)
    _draw_starts(ax, plan, goal)
    ax.set_xlim(along[0], along[-1])
    ax.set_ylim(down[0], down[-1])
    ax.set_xticks(along)
    ax.set_yticks(down)
    layout.name_axis(ax, f"{layout.shortened(goal.name)}\n{QUANTITIES[goal.over[0]].heading}")
    ax.set_xlabel(QUANTITIES[goal.over[1]].heading)
    whole = rows[(rows["goal"] == goal.name) & (rows["bin"] == ALL_BINS)].iloc[0]
    far = int((bins["state"] == "out of reach").sum())
    ax.text(
        1.02,
        0.5,
        f"{whole['counted']} of {whole['requested']} runs count\n"
        f"value {whole['value']:.1f} of {whole['of_value']:g}\n"
        f"{far} of {len(bins)} bins out of reach",
        transform=ax.transAxes,
        size=layout.SMALL_PT,
        va="center",
        linespacing=1.4,
    )
    if not is_last:
        ax.set_xlabel("")


def _draw_starts(ax: Axes, plan: Plan, goal: Goal) -> None:
    """All permitted starts of the goal's activities, and the runs of the plan."""
    environment = plan.environment
    scenario = environment.scenario
    for name in goal.runs_of:
        activity = scenario.activity_named(name)
        minutes = np.flatnonzero(start_mask(environment, activity)) * scenario.span.step_min
        y, x = _values(environment, goal, name, minutes)
        ax.plot(x, y, zorder=3, rasterized=True, **OFFERED)
    starts = dict(zip(plan.timeline["slot"], scenario.minutes_of(plan.timeline["start_utc"])))
    for run in goal_runs(environment, plan.timeline, plan.verdict.resources):
        if run.goal == goal.name:
            y, x = _values(environment, goal, run.activity, np.array([int(starts[run.slot])]))
            ax.plot(x, y, zorder=4, **(RUN if np.isfinite(run.counts_min) else LOST))


def _values(
    environment: Environment, goal: Goal, activity: str, minutes: np.ndarray
) -> list[np.ndarray]:
    """Both quantities of a goal (n,) at these minutes, in the turn of its bins."""
    scenario = environment.scenario
    sky_table = environment.sky_of(scenario.platform_of(scenario.activity_named(activity)))
    return [
        minutes / 60 if key == "span_h" else in_turn(key, edges, sky_table[key].to_numpy()[minutes])
        for key, edges in zip(goal.over, goal.axes)
    ]
