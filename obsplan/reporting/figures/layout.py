"""Layout that all figures share: colours, page, time axes, bars and labels.

A page is A4 landscape or taller: a stack of panels over one time axis, UTC below and lunar local
time above. Instants are hours from the start of the span. Labels are beside what they name, outside
the data; nothing depends on hue alone.
"""

import functools
from collections.abc import Callable, Sequence
from typing import NamedTuple, ParamSpec, TypeVar

import matplotlib
import numpy as np
import pandas as pd
from matplotlib import patheffects
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.lines import Line2D
from matplotlib.patches import Rectangle
from matplotlib.textpath import TextPath

from obsplan.environment.model import Environment
from obsplan.inputs.scenario import Scenario
from obsplan.reporting.hours import Windows, minute_edges_h
from obsplan.reporting.place import place_text

# Few colours, told apart by lightness. tests/reporting/figures/test_tones.py converts each to
# what colour-blind eyes and a grey print show, and requires in all of them a minimum difference
# of CIE lightness between colours that touch in a figure; hatching and line styles repeat it.
PAPER = "#ffffff"
INK = "#1b2230"
NIGHT = "#c1c7d5"
ECLIPSE = "#a1a8bb"
WINDOW = "#e6e2d6"
GROUND = "#95887a"
SUN = "#b4690e"
EARTH = "#2a5f9e"
LIGHT = "#f6e3b4"
RULE = "#d9dbe0"
SLOT_COLOURS = ("#1b2f5b", "#1f6473", "#c97b4a", "#dab050")
# One hatching per platform, one colour per instrument on it.
HATCHES = ("", "/////", ".....", "\\\\\\\\\\", "xxxxx")
# One line style per platform or depth, strongest first.
LINE_STYLES = (
    {"color": SLOT_COLOURS[0], "linestyle": "-"},
    {"color": "#a85420", "linestyle": (0, (5, 1.5))},
    {"color": SLOT_COLOURS[1], "linestyle": (0, (1.2, 1.2))},
    {"color": "#7d8596", "linestyle": (0, (6, 1.5, 1.2, 1.5))},
)

WIDTH_IN, HEIGHT_IN = 11.69, 8.27  # A4 landscape
LEGEND_ROW_IN = 0.24
SMALL_PT, TEXT_PT, TITLE_PT = 7.2, 8.0, 12.5
RC_PARAMS = {
    "font.family": ["DejaVu Sans"],
    "font.size": TEXT_PT,
    "text.color": INK,
    "axes.edgecolor": "#6b7280",
    "axes.labelcolor": INK,
    "axes.labelsize": SMALL_PT,
    "axes.linewidth": 0.6,
    "axes.unicode_minus": True,
    "xtick.color": INK,
    "ytick.color": INK,
    "xtick.labelsize": SMALL_PT,
    "ytick.labelsize": SMALL_PT,
    "hatch.linewidth": 0.6,
    "lines.linewidth": 1.2,
    "lines.solid_capstyle": "butt",
    "svg.hashsalt": "obsplan",
    "text.parse_math": False,  # a title may hold dollar signs
}
RC_DEFAULTS = {k: v for k, v in matplotlib.rcParamsDefault.items() if not k.startswith("backend")}


class Panel(NamedTuple):
    """A panel's minimum height, and its share of the height that a short page has left."""

    height_in: float
    stretch: float = 1.0


Given = ParamSpec("Given")
Drawn = TypeVar("Drawn")


def styled(function: Callable[Given, Drawn]) -> Callable[Given, Drawn]:
    """Run `function` with this module's settings in place of the user's own."""

    @functools.wraps(function)
    def inner(*args: Given.args, **kwargs: Given.kwargs) -> Drawn:
        with matplotlib.rc_context({**RC_DEFAULTS, **RC_PARAMS}):
            return function(*args, **kwargs)

    return inner


# ------------------------------------------------------------------------------ page


def place_and_span(scenario: Scenario) -> str:
    """Site and span in one line."""
    span = scenario.span
    return (
        f"{place_text(scenario)}   ·   "
        f"{span.start_utc:%Y-%m-%d %H:%M} to {span.end_utc:%Y-%m-%d %H:%M} UTC"
    )


def new_page(
    title: str,
    subtitle: str,
    panels: list[Panel],
    left_in: float,
    right_in: float = 1.3,
    legend: Sequence[tuple[str, dict]] = (),
    footer: str = "",
) -> tuple[Figure, list[Axes]]:
    """A figure with a title, a stack of panels, and a legend and a footer below them."""
    top_in, gap_in = 0.7 + 0.16 * (subtitle.count("\n") + 1), 0.1
    footer = wrapped(footer, WIDTH_IN - 0.32) if footer else ""
    footer_in = 0.2 + 0.13 * footer.count("\n") if footer else 0.0
    rows = _legend_rows(legend)
    bottom_in = 0.5 + LEGEND_ROW_IN * len(rows) + footer_in
    taken_in = top_in + bottom_in + sum(p.height_in for p in panels) + gap_in * (len(panels) - 1)
    height_in = max(HEIGHT_IN, taken_in)
    room_in = (height_in - taken_in) / max(sum(p.stretch for p in panels), 1e-9)
    figure = Figure(figsize=(WIDTH_IN, height_in), facecolor=PAPER)
    axes, y_in = [], height_in - top_in
    for panel in panels:
        tall_in = panel.height_in + room_in * panel.stretch
        y_in -= tall_in
        box = (left_in, y_in, WIDTH_IN - left_in - right_in, tall_in)
        scale = (WIDTH_IN, height_in, WIDTH_IN, height_in)
        axes.append(figure.add_axes([b / s for b, s in zip(box, scale)]))
        y_in -= gap_in
    edge = 0.16 / WIDTH_IN
    title = cut_to_width(title, WIDTH_IN - 0.32, TITLE_PT, "bold")
    subtitle = cut_to_width(subtitle, WIDTH_IN - 0.32, TEXT_PT + 0.5)
    figure.text(edge, 1 - 0.14 / height_in, title, size=TITLE_PT, weight="bold", va="top")
    figure.text(edge, 1 - 0.40 / height_in, subtitle, size=TEXT_PT + 0.5, va="top", linespacing=1.3)
    for k, row in enumerate(reversed(rows)):
        _draw_legend(figure, row, y_in=0.1 + footer_in + LEGEND_ROW_IN * k)
    if footer:
        figure.text(edge, 0.1 / height_in, footer, size=SMALL_PT, va="bottom", style="italic")
    return figure, axes


def _legend_rows(items: Sequence[tuple[str, dict]]) -> list[list[tuple[str, dict]]]:
    """The items of a legend in as many rows as they need."""
    rows: list[list[tuple[str, dict]]] = []
    end_in = np.inf
    for item in items:
        long_in = 0.32 + width_in(item[0]) + 0.18
        if end_in + long_in > WIDTH_IN:
            rows.append([])
            end_in = 0.16
        rows[-1].append(item)
        end_in += long_in
    return rows


def _draw_legend(figure: Figure, items: list[tuple[str, dict]], y_in: float) -> None:
    """Samples with their meaning, in a row."""
    x_in = 0.16
    for words, style in items:
        if "marker" in style:
            figure.add_artist(
                Line2D([x_in + 0.13], [y_in + 0.06], transform=figure.dpi_scale_trans, **style)
            )
        else:
            figure.add_artist(
                Rectangle((x_in, y_in), 0.26, 0.12, transform=figure.dpi_scale_trans, **style)
            )
        figure.text(
            x_in + 0.32,
            y_in + 0.06,
            words,
            size=SMALL_PT,
            va="center",
            transform=figure.dpi_scale_trans,
        )
        x_in += 0.32 + width_in(words) + 0.18


@functools.cache
def width_in(text: str, size_pt: float = SMALL_PT, weight: str = "normal") -> float:
    """Width of a line of text on the page."""
    if not text.strip():
        return 0.0
    font = FontProperties(family=RC_PARAMS["font.family"], weight=weight)
    path = TextPath((0, 0), text, size=size_pt, prop=font)
    return np.ptp(path.vertices[:, 0]) / 72


def cut_to_width(
    text: str, room_in: float, size_pt: float = SMALL_PT, weight: str = "normal"
) -> str:
    """The text with every line cut to `room_in`, with an ellipsis."""
    lines = []
    for line in text.split("\n"):
        kept = line
        while len(kept) > 2 and width_in(kept, size_pt, weight) > room_in:
            kept = kept.removesuffix("…")[:-1].rstrip() + "…"
        lines.append(kept)
    return "\n".join(lines)


def wrapped(text: str, room_in: float, size_pt: float = SMALL_PT) -> str:
    """The text broken between words into lines of at most `room_in`."""
    lines = [""]
    for word in text.split():
        longer = f"{lines[-1]} {word}".lstrip()
        if width_in(longer, size_pt) <= room_in or not lines[-1]:
            lines[-1] = longer
        else:
            lines.append(word)
    return "\n".join(lines)


def shortened(text: str, most: int = 26) -> str:
    """A name cut to at most `most` characters."""
    return text if len(text) <= most else text[: most - 1].rstrip() + "…"


# ------------------------------------------------------------------------- time axes


def draw_time_axes(environment: Environment, axes: list[Axes]) -> None:
    """One time axis for all panels: UTC days and hours below, lunar local time above."""
    span_h = len(environment.sky) / 60
    long_in = axes[0].get_position().width * WIDTH_IN
    ticks_h, labels, midnights_h = _utc_ticks(environment.sky.index[0], span_h, long_in / span_h)
    for ax in axes:
        ax.set_xlim(0, span_h)
        ax.set_xticks(ticks_h, [""] * len(ticks_h))
        ax.tick_params(axis="x", length=2, width=0.5)
        ax.tick_params(axis="y", length=2, width=0.5, pad=2)
        ax.set_axisbelow(True)
        ax.spines["top"].set_visible(False)
        ax.spines["right"].set_visible(False)
        for midnight_h in midnights_h:
            ax.axvline(midnight_h, color=RULE, linewidth=0.6, zorder=0.6)
    below, above = axes[-1], axes[0]
    below.set_xticks(ticks_h, labels)
    below.tick_params(axis="x", length=3)
    below.set_xlabel("UTC", ha="right", va="center")
    below.xaxis.set_label_coords(*_inches(below, -0.24, -0.12, 0))
    if environment.scenario.site is None:
        return  # each orbit goes through all local times
    local = above.secondary_xaxis("top")
    local.set_xticks(*_local_ticks(environment, long_in))
    local.tick_params(axis="x", length=3, width=0.6, pad=2)
    local.set_xlabel("local time (h)", ha="right", va="center")
    local.xaxis.set_label_coords(*_inches(above, -0.18, 0.10, 1))


def _inches(ax: Axes, x_in: float, y_in: float, corner: float) -> tuple[float, float]:
    """A point at this distance from the left corner of the axes, in axes coordinates."""
    box, figure = ax.get_position(), ax.figure
    tall_in = box.height * figure.get_figheight()
    return x_in / (box.width * figure.get_figwidth()), corner + y_in / tall_in


def _utc_ticks(start: pd.Timestamp, span_h: float, in_per_h: float):
    """Ticks, their labels, and the midnights that get a grid line."""
    steps_h = (0.25, 0.5, 1, 2, 3, 6, 12, 24, 48, 120, 240, 720)
    step_h = next(s for s in steps_h if s * in_per_h >= (0.19 if s >= 1 else 0.36) or s == 720)
    midnight = start.normalize()
    before_h = (start - midnight) / pd.Timedelta(hours=1)

    def multiples(of_h: float) -> np.ndarray:
        return np.arange(np.ceil(before_h / of_h) * of_h, before_h + span_h + 1e-9, of_h)

    ticks_h, midnights_h = multiples(step_h), multiples(max(24, step_h))
    # A span that starts well before its first midnight labels its first day at once.
    early = not len(midnights_h) or (midnights_h[0] - before_h) * in_per_h > 0.7
    labels: list[str] = []
    dated_h = -np.inf
    for tick_h in ticks_h:
        instant = midnight + pd.Timedelta(hours=float(tick_h))
        lines = [] if step_h >= 24 else [f"{instant:%H}" if step_h >= 1 else f"{instant:%H:%M}"]
        opens = tick_h % 24 == 0 or (early and not labels)
        if opens and (tick_h - dated_h) * in_per_h > 0.5:
            lines += [f"{instant.day} {instant:%b}"]
            new_year = np.isinf(dated_h) or (instant.month, instant.day) == (1, 1)
            lines += [str(instant.year)] if new_year else []
            dated_h = tick_h
        # The same number of lines in every label, so that all are level.
        labels.append("\n".join(lines + [""] * (3 - len(lines))))
    return ticks_h - before_h, labels, midnights_h - before_h


def _local_ticks(environment: Environment, long_in: float):
    local_h = np.unwrap(environment.sky["local_time_h"].to_numpy(), period=24)
    length_h = max(local_h[-1] - local_h[0], 1e-9)
    steps = (0.01, 0.02, 0.05, 0.1, 0.25, 0.5, 1, 2, 3, 6, 12, 24, 48, 120)
    step_h = next((s for s in steps if s / length_h * long_in >= 0.45), 120)
    marks_h = np.arange(np.ceil(local_h[0] / step_h), np.floor(local_h[-1] / step_h) + 1) * step_h
    at_h = np.interp(marks_h, local_h, minute_edges_h(environment)[:-1])
    return at_h, [f"{mark % 24:.2f}".rstrip("0").rstrip(".") for mark in np.round(marks_h, 6)]


NIGHT_STYLE = {"facecolor": NIGHT, "edgecolor": "#aab2c3", "hatch": "\\\\", "linewidth": 0}
ECLIPSE_STYLE = {"facecolor": ECLIPSE, "edgecolor": "#7f879d", "hatch": "...", "linewidth": 0}
WINDOW_STYLE = {"facecolor": WINDOW, "edgecolor": "#b9b2a0", "linewidth": 0.4}
MISSING_STYLE = {"facecolor": PAPER, "edgecolor": INK, "linewidth": 0.7}
# With an edge of its own colour, so that a contact of a few minutes stays visible.
CONTACT_STYLE = {"facecolor": "#5d6b82", "edgecolor": "#5d6b82", "linewidth": 0.4}
NO_LINE = {"color": "none", "linewidth": 0}


# ---------------------------------------------------------------------------- labels


def name_axis(ax: Axes, label: str) -> None:
    """Quantity and unit to the left of an axis, written horizontally."""
    ax.set_ylabel(label, rotation=0, ha="right", va="center", linespacing=1.25)
    ax.yaxis.set_label_coords(*_inches(ax, -0.5, 0, 0.5))


# Height in data, words, line style.
Label = tuple[float, str, dict]


def label_lines(ax: Axes, labels: list[Label]) -> None:
    """Labels at the right of the lines they name, each with a sample, none over another."""
    box, figure = ax.get_position(), ax.figure
    low, high = ax.get_ylim()
    tall_in = box.height * figure.get_figheight()
    line_in = [1.3 * SMALL_PT / 72 * (words.count("\n") + 1) for _, words, _ in labels]
    shares = [(y - low) / (high - low) for y, _, _ in labels]
    wish_in = [min(max(share, 0.0), 1.0) * tall_in for share in shares]
    order = sorted(range(len(labels)), key=lambda k: (wish_in[k], -k))
    at_in = dict.fromkeys(order, 0.0)
    floor_in = -np.inf
    for k in order:
        at_in[k] = max(wish_in[k], floor_in + line_in[k] / 2)
        floor_in = at_in[k] + line_in[k] / 2
    ceiling_in = max(tall_in, sum(line_in))
    for k in reversed(order):
        at_in[k] = min(at_in[k], ceiling_in - line_in[k] / 2)
        ceiling_in = at_in[k] - line_in[k] / 2
    x_in, foot_in = box.x1 * figure.get_figwidth(), box.y0 * figure.get_figheight()
    page_in = figure.dpi_scale_trans
    for k, (_, words, style) in enumerate(labels):
        y_in = foot_in + at_in[k]
        ends_in = [x_in + 0.07, x_in + 0.33]
        figure.add_artist(Line2D(ends_in, [y_in, y_in], transform=page_in, **style))
        words = cut_to_width(words, WIDTH_IN - x_in - 0.45)
        figure.text(
            x_in + 0.39,
            y_in,
            words,
            transform=page_in,
            size=SMALL_PT,
            va="center",
            linespacing=1.15,
        )


def slot_style(colour: int, hatch: int) -> dict:
    """The style of a slot: colour by instrument, hatching by platform."""
    return {
        "facecolor": SLOT_COLOURS[colour],
        "edgecolor": PAPER,
        "hatch": HATCHES[hatch % len(HATCHES)],
        "linewidth": 0.4,
    }


def draw_bars(ax: Axes, windows: Windows, middle: float, tall: float, **style) -> None:
    """Windows as bars around the height `middle`."""
    if len(windows):
        reach = [(start_h, end_h - start_h) for start_h, end_h in windows]
        ax.broken_barh(reach, (middle - tall / 2, tall), **style)


def draw_steps(ax: Axes, edges_h: np.ndarray, values: np.ndarray, **style) -> None:
    """Values (n,) that are constant between edges (n+1,), as a line of steps."""
    ax.plot(edges_h, np.append(values, values[-1:]), drawstyle="steps-post", **style)


def halo(width_pt: float = 2.4) -> list:
    """A light outline that keeps a line readable on a coloured background."""
    return [patheffects.withStroke(linewidth=width_pt, foreground=PAPER)]
