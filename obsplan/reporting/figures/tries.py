"""The picture of plans made for less: what they are worth against how surely goals are reached."""

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from obsplan.reporting.figures import layout
from obsplan.reporting.figures.layout import INK, LINE_STYLES, SMALL_PT, Panel, styled

LEFT_IN, RIGHT_IN, TALL_IN = 0.9, 2.6, 3.6
# Goals that are drawn, the least sure first; more lines could not be told apart.
MOST_GOALS = 5
MARKS = ("s", "^", "D", "v", "P")
ALL_STYLE = {"color": INK, "linewidth": 2.0, "marker": "o", "markersize": 6}


@styled
def tries_figure(title: str, tries: pd.DataFrame, goals: pd.DataFrame) -> Figure:
    """The tries over their value if all goes as predicted: chances of minimum goals, one by one.

    `tries` and `goals` are `tries_table` and `try_goals_table`; `title` is that of the scenario.
    Numbers above are those of the tries in their order. Without minimum goals the mean value is
    drawn instead, as a share of the value as predicted.
    """
    order = tries["planned_value"].argsort(kind="stable").to_numpy()
    values = tries["planned_value"].to_numpy()[order]
    has_minimum = bool(tries["minimum_goals"].notna().any())
    chosen = int(tries["chosen"].to_numpy().argmax())
    words = "chance that goals reach their minimum" if has_minimum else "mean value in futures"
    footer = "; ".join(f"{k}: {name}" for k, name in enumerate(tries["made_for"], start=1))
    figure, (ax,) = layout.new_page(
        title,
        f"plans made for less than is predicted: {words}, all in the same futures\n"
        f"chosen: {chosen + 1}, made for {tries['made_for'].iloc[chosen]}",
        [Panel(TALL_IN, 1)],
        LEFT_IN,
        RIGHT_IN,
        footer=footer,
    )
    if has_minimum:
        lines = [*_goal_lines(goals, order), _all_line(tries, order)]
    else:
        share = (tries["mean_value"] / tries["planned_value"]).to_numpy()[order]
        lines = [("mean / as predicted", share, ALL_STYLE)]
    labels: list[layout.Label] = []
    for name, chances, style in lines:
        ax.plot(values, chances, zorder=3, clip_on=False, **style)
        labels.append((float(chances[-1]), name, style))
    _draw_axes(ax, tries, order, words, min(float(np.min(chances)) for _, chances, _ in lines))
    layout.label_lines(ax, labels)
    return figure


def _goal_lines(goals: pd.DataFrame, order: np.ndarray) -> list[tuple[str, np.ndarray, dict]]:
    """The weakest goals with a minimum: name, chances (tries,) in this order, style."""
    chances = goals.pivot_table(index="goal", columns="made_for", values="minimum", sort=False)
    weakest = chances.mean(axis=1).sort_values(kind="stable").index[:MOST_GOALS]
    return [
        (
            layout.shortened(name, 30),
            chances.loc[name].to_numpy()[order],
            LINE_STYLES[k % len(LINE_STYLES)] | {"marker": MARKS[k], "markersize": 4.5},
        )
        for k, name in enumerate(weakest)
    ]


def _all_line(tries: pd.DataFrame, order: np.ndarray) -> tuple[str, np.ndarray, dict]:
    return "all minimum goals together", tries["minimum_goals"].to_numpy()[order], ALL_STYLE


def _draw_axes(ax: Axes, tries: pd.DataFrame, order: np.ndarray, words: str, lowest: float) -> None:
    values, chosen = tries["planned_value"].to_numpy(), tries["chosen"].to_numpy()
    room = 0.05 * max(float(np.ptp(values)), 1.0)
    ax.set_xlim(values.min() - room, values.max() + room)
    ax.set_ylim(max(0.0, np.floor(10 * (lowest - 0.02)) / 10), 1.0)
    ax.grid(color=layout.RULE, linewidth=0.5, zorder=0)
    ax.set_xlabel("value of the plan if all goes as predicted (points)")
    ax.set_ylabel(words)
    for k in np.flatnonzero(chosen):
        ax.axvline(values[k], color=INK, linewidth=0.9, linestyle=(0, (2, 2)), zorder=1)
    low, near = -np.inf, 0.035 * (np.ptp(ax.get_xlim()) or 1.0)
    rows = 0
    for k in order:  # plans of nearly the same value have their numbers one above the other
        rows = rows + 1 if values[k] - low < near else 0
        low = values[k] if rows == 0 else low
        ax.annotate(
            str(k + 1),
            (values[k], 1.0),
            (0, 4 + 9 * rows),
            xycoords=("data", "axes fraction"),
            textcoords="offset points",
            ha="center",
            size=SMALL_PT,
            weight="bold" if chosen[k] else "normal",
            annotation_clip=False,
        )
