"""The picture of a comparison: planned slots above, runs below, sums at the right."""

from datetime import datetime

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.transforms import blended_transform_factory

from obsplan.common.instants import stamp
from obsplan.environment.model import Environment
from obsplan.operations.as_run import (
    NOT_REPORTED,
    compare_as_run,
    latest_report,
    matched,
)
from obsplan.reporting.figures import layout
from obsplan.reporting.figures.events import NOW_STYLE, darkness_legend, shade_darkness
from obsplan.reporting.figures.layout import INK, PAPER, SMALL_PT, Panel, styled
from obsplan.reporting.hours import darkness, hours_of

LANE_IN = 0.36
HEAD = 0.5  # lanes that the heads of the columns take
# Below the lanes come the labels of the time axis, then the losses in words.
AXIS_IN, LINE_IN = 0.5, 0.155
COLUMNS_IN = {"runs": 0.62, "hours": 0.92, "Wh": 0.95, "Mbit": 1.05, "bins": 0.5}
PLANNED_STYLE = {"facecolor": layout.WINDOW, "edgecolor": INK, "linewidth": 0.5}
STYLES = {
    "done": {
        "facecolor": layout.SLOT_COLOURS[0],
        "edgecolor": layout.SLOT_COLOURS[0],
        "linewidth": 0.5,
    },
    "shortened": {
        "facecolor": layout.SLOT_COLOURS[3],
        "edgecolor": INK,
        "hatch": "/////",
        "linewidth": 0.5,
    },
    "failed": {"facecolor": PAPER, "edgecolor": INK, "linewidth": 0.7},
}
FAILED_MARK = {
    "marker": "X",
    "markersize": 6.5,
    "color": INK,
    "markeredgecolor": PAPER,
    "markeredgewidth": 0.8,
    "linestyle": "none",
}
SILENT_MARK = {
    "marker": "o",
    "markersize": 4,
    "color": PAPER,
    "markeredgecolor": INK,
    "markeredgewidth": 0.8,
    "linestyle": "none",
}
EXTRA_MARK = {
    "marker": "^",
    "markersize": 5,
    "color": INK,
    "markeredgecolor": PAPER,
    "markeredgewidth": 0.5,
    "linestyle": "none",
}


@styled
def compare_figure(
    environment: Environment,
    slots: pd.DataFrame,
    as_run: pd.DataFrame,
    now_utc: datetime | None = None,
) -> Figure:
    """Planned slots and runs in lanes, sums of both at the right, losses in words below.

    The arguments are those of `compare_as_run`; a line marks `now_utc`.
    """
    scenario = environment.scenario
    now_utc = now_utc or latest_report(scenario, slots, as_run)
    both, dark = matched(scenario, slots, as_run, now_utc), darkness(environment)
    table = compare_as_run(environment, slots, as_run, now_utc)
    due = table["planned"] - table["to_come"]
    losses = [f"{row.activity}: {row.losses}" for row in table.itertuples() if row.losses]
    left_in = (
        max([layout.width_in(layout.shortened(n)) for n in table["activity"]], default=1) + 0.4
    )
    right_in = sum(COLUMNS_IN.values()) + 0.2
    figure, (lanes, labels, words) = layout.new_page(
        scenario.title,
        f"{table['done'].sum()} of {due.sum()} runs due by {stamp(now_utc)} (bold line) done, "
        f"{table['to_come'].sum()} to come   ·   at the right: as run of due; bins: coverage bins\n"
        f"{layout.place_and_span(scenario)}",
        [
            Panel(LANE_IN * (max(len(table), 1) + HEAD), 1),
            Panel(AXIS_IN, 0),
            Panel(LINE_IN * (len(losses) + 1), 0),
        ],
        left_in,
        right_in,
        legend=[*_key(both), *darkness_legend(environment, *dark)],
    )
    figure.delaxes(labels)  # the time axis of the lanes writes there
    layout.draw_time_axes(environment, [lanes])
    shade_darkness([lanes], *dark)
    lanes.axvline(hours_of(environment, [now_utc])[0], zorder=3.5, **NOW_STYLE)
    lanes.set_ylim(len(table) - 0.5, -0.5 - HEAD)
    lanes.set_yticks(range(len(table)), [layout.shortened(name) for name in table["activity"]])
    lanes.tick_params(axis="y", length=0)
    for k, name in enumerate(table["activity"]):
        lanes.axhline(k + 0.5, color=layout.RULE, linewidth=0.6, zorder=0.6)
        _lane(lanes, environment, k, both[both["activity"] == name])
    _sums(lanes, table)
    _losses(words, losses)
    return figure


def _key(both: pd.DataFrame) -> list[tuple[str, dict]]:
    """Legend of the marks that occur."""
    outcomes = set(both["outcome"])
    shown = [
        ("planned", PLANNED_STYLE, both["start_utc"].notna().any()),
        *(
            (outcome, style, outcome in outcomes)
            for outcome, style in (
                STYLES | {"failed": FAILED_MARK, "not reported": SILENT_MARK}
            ).items()
        ),
        ("not planned", EXTRA_MARK, both["start_utc"].isna().any()),
    ]
    return [(words, style) for words, style, is_ in shown if is_]


def _lane(ax: Axes, environment: Environment, k: int, own: pd.DataFrame) -> None:
    """Planned slots in the upper half of a lane, runs in the lower."""

    def hours(column: str, rows: pd.DataFrame) -> np.ndarray:
        return hours_of(environment, rows[column])

    planned, ran = own[own["start_utc"].notna()], own[own["ran_start_utc"].notna()]
    planned_h = np.stack([hours("start_utc", planned), hours("end_utc", planned)], axis=1)
    layout.draw_bars(ax, planned_h, k - 0.2, 0.28, zorder=3, **PLANNED_STYLE)
    silent_h = planned_h[(planned["outcome"] == NOT_REPORTED).to_numpy()]
    ax.plot(silent_h.mean(axis=1), np.full(len(silent_h), k + 0.2), zorder=5, **SILENT_MARK)
    for outcome, style in STYLES.items():
        rows = ran[ran["outcome"] == outcome]
        ran_h = np.stack([hours("ran_start_utc", rows), hours("ran_end_utc", rows)], axis=1)
        layout.draw_bars(ax, ran_h, k + 0.2, 0.28, zorder=4, **style)
        if outcome == "failed":
            ax.plot(ran_h.mean(axis=1), np.full(len(rows), k + 0.2), zorder=5, **FAILED_MARK)
    extra = ran[ran["start_utc"].isna()]
    ax.plot(hours("ran_start_utc", extra), np.full(len(extra), k + 0.42), zorder=5, **EXTRA_MARK)


def _sums(ax: Axes, table: pd.DataFrame) -> None:
    """Columns at the right: runs and amounts, as run of what was due."""
    figure, box = ax.figure, ax.get_position()
    shift = blended_transform_factory(figure.dpi_scale_trans, ax.transData)
    start_in = box.x1 * figure.get_figwidth() + 0.1
    ends_in = dict(zip(COLUMNS_IN, start_in + np.cumsum(list(COLUMNS_IN.values()))))

    def write(column: str, y: float, words: str, weight: str = "normal") -> None:
        ax.text(
            ends_in[column],
            y,
            words,
            size=SMALL_PT,
            ha="right",
            va="center",
            weight=weight,
            transform=shift,
        )

    for column in COLUMNS_IN:
        write(column, -0.5 - HEAD / 2, column)
    for k, row in enumerate(table.itertuples(index=False)):
        due = row.planned - row.to_come
        write("runs", k, f"{row.done} of {due}", "bold" if row.done < due else "normal")
        write("hours", k, f"{row.ran_min / 60:.1f} of {row.planned_min / 60:.1f}")
        write("Wh", k, f"{row.ran_wh:,.0f} of {row.planned_wh:,.0f}")
        write("Mbit", k, f"{row.ran_mbit:,.0f} of {row.planned_mbit:,.0f}")
        if row.bins is not pd.NA:
            write("bins", k, f"{row.filled_bins} of {row.planned_bins}")


def _losses(ax: Axes, losses: list[str]) -> None:
    """What was lost, and why, from the left edge of the page."""
    ax.axis("off")
    figure, box = ax.figure, ax.get_position()
    top_in = box.y1 * figure.get_figheight()
    lines = ["Losses:" if losses else "No losses.", *losses]
    for k, line in enumerate(lines):
        figure.text(
            0.16,
            top_in - LINE_IN * k,
            layout.cut_to_width(line, layout.WIDTH_IN - 0.32),
            size=SMALL_PT,
            va="top",
            weight="normal" if k else "bold",
            transform=figure.dpi_scale_trans,
        )
