"""The picture of many futures: how surely slots are received, bands of charge and stored data."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from obsplan.futures.execute import Futures
from obsplan.inputs.hardware import Platform
from obsplan.reporting.figures import layout
from obsplan.reporting.figures.events import darkness_legend, shade_darkness
from obsplan.reporting.figures.layout import INK, LINE_STYLES, Panel, styled
from obsplan.reporting.figures.resource_panels import LIMIT_STYLE
from obsplan.reporting.hours import darkness

# Least chance of each tone, darkest last; the tones differ in lightness.
CHANCE_TONES = (
    (0.0, "less than 0.5", "#ffffff"),
    (0.5, "0.5 to 0.8", "#cdd5e4"),
    (0.8, "0.8 to 0.95", "#93a4c4"),
    (0.95, "0.95 to 0.99", "#5a72a5"),
    (0.99, "0.99 or more", layout.SLOT_COLOURS[0]),
)
BAND, TAIL = "#93a4c4", "#cdd5e4"
LANE_IN, LEFT_IN, RIGHT_IN = 0.17, 1.9, 1.75
MIDDLE_STYLE = {"color": LINE_STYLES[0]["color"], "linewidth": 1.1}


@styled
def futures_figure(futures: Futures) -> Figure:
    """Slots shaded by the chance that they are made and received, in a lane an activity.

    Below, for each platform, bands of the state of charge and of the data stored over the futures,
    and the share of the futures in which a battery is below its reserve.
    """
    environment = futures.environment
    scenario, dark = environment.scenario, darkness(environment)
    activities = [a for a in scenario.activity if any(r.activity is a for r in futures.runs)]
    platforms = [scenario.platform_named(name) for name in futures.platforms]
    figure, axes = layout.new_page(
        scenario.title,
        f"{len(futures.value)} futures, seed {futures.seed}: value {futures.mean_value:.1f} on "
        f"average, {futures.worst_value:.1f} in the worst tenth, {futures.certain_value:.1f} if "
        f"all goes as predicted\n{layout.place_and_span(scenario)}",
        [
            Panel(LANE_IN * (len(activities) + 1), 1),
            *(Panel(0.6, 1) for _ in platforms),
            Panel(0.5, 0.5),
            *(Panel(0.5, 0.7) for _ in platforms),
        ],
        LEFT_IN,
        RIGHT_IN,
        legend=[
            *((f"received with chance {words}", _tone(tone)) for _, words, tone in CHANCE_TONES),
            ("half of the futures", {"facecolor": BAND}),
            ("nine in ten", {"facecolor": TAIL}),
            *darkness_legend(environment, *dark),
        ],
    )
    layout.draw_time_axes(environment, axes)
    shade_darkness(axes, *dark)
    many = len(platforms)
    _draw_slots(axes[0], futures, activities)
    for p, platform in enumerate(platforms):
        _draw_charge(axes[1 + p], futures, p, platform)
        _draw_store(axes[2 + many + p], futures, p, platform)
    _draw_below(axes[1 + many], futures, platforms)
    return figure


def _tone(tone: str) -> dict:
    return {"facecolor": tone, "edgecolor": INK, "linewidth": 0.4}


def _draw_slots(ax: Axes, futures: Futures, activities: list) -> None:
    """A lane for each activity, its slots as planned, in the tone of their chance."""
    # A lane is left for the name of the time axis above.
    ax.set_ylim(len(activities) - 0.5, -1.5)
    names = [layout.shortened(activity.name) for activity in activities]
    ax.set_yticks(range(len(activities)), names)
    ax.tick_params(axis="y", length=0)
    chance = futures.received.mean(axis=0)
    for k, run in enumerate(futures.runs):
        tone = next(tone for least, _, tone in reversed(CHANCE_TONES) if chance[k] >= least)
        window = np.array([[run.start_min, run.end_min]]) / 60
        layout.draw_bars(ax, window, activities.index(run.activity), 0.8, zorder=3, **_tone(tone))


def _bands(ax: Axes, hours: np.ndarray, levels: np.ndarray) -> np.ndarray:
    """Bands of levels (f, samples): nine in ten, half, and the middle, which is returned."""
    ends = np.quantile(levels, [0.05, 0.25, 0.5, 0.75, 0.95], axis=0)
    ax.fill_between(hours, ends[0], ends[4], color=TAIL, linewidth=0, zorder=2)
    ax.fill_between(hours, ends[1], ends[3], color=BAND, linewidth=0, zorder=2.1)
    ax.plot(hours, ends[2], zorder=3, **MIDDLE_STYLE)
    return ends[2]


def _sample_hours(futures: Futures) -> np.ndarray:
    samples = futures.outcome.lowest.shape[2]
    return (np.arange(samples) + 0.5) * futures.world.every / 60


def _draw_charge(ax: Axes, futures: Futures, p: int, platform: Platform) -> None:
    reserve = 100 * platform.battery.reserve
    middle = _bands(ax, _sample_hours(futures), 100 * futures.outcome.lowest[:, p])
    ax.axhline(reserve, zorder=4, **LIMIT_STYLE)
    ax.set_ylim(0, 108)
    ax.set_yticks([0, 50, 100])
    layout.name_axis(ax, f"{layout.shortened(platform.name, 18)}\nstate of charge\n(% of capacity)")
    layout.label_lines(
        ax,
        [
            (middle[-1], "median", MIDDLE_STYLE),
            (reserve, f"reserve {reserve:g} %", LIMIT_STYLE),
        ],
    )


def _draw_below(ax: Axes, futures: Futures, platforms: list[Platform]) -> None:
    """Share of the futures in which each battery is below its reserve at the time."""
    hours, labels, most = _sample_hours(futures), [], 0.0
    for p, platform in enumerate(platforms):
        below = futures.outcome.lowest[:, p] < platform.battery.reserve - 1e-9
        share, style = below.mean(axis=0), LINE_STYLES[p % len(LINE_STYLES)]
        ax.plot(hours, share, zorder=3, drawstyle="steps-mid", **style)
        ever = float((futures.outcome.below[:, p] > 0).mean())
        words = f"{layout.shortened(platform.name, 12)}, ever {ever:.2g}"
        labels.append((float(share[-1]), words, style))
        most = max(most, float(share.max()))
    ax.set_ylim(0, max(1.15 * most, 0.05))
    layout.name_axis(ax, "chance below\nthe reserve")
    layout.label_lines(ax, labels)


def _draw_store(ax: Axes, futures: Futures, p: int, platform: Platform) -> None:
    stored_mbit = futures.outcome.most_mbit[:, p]
    middle = _bands(ax, _sample_hours(futures), stored_mbit)
    capacity_mbit = platform.store.capacity_mbit
    labels: list[layout.Label] = [(middle[-1], f"median, {middle[-1]:,.0f} at end", MIDDLE_STYLE)]
    high = 1.1 * float(np.quantile(stored_mbit, 0.95, axis=0).max())
    if high > 0.6 * capacity_mbit:
        high = max(high, 1.1 * capacity_mbit)
        ax.axhline(capacity_mbit, zorder=4, **LIMIT_STYLE)
        labels.append((capacity_mbit, f"capacity {capacity_mbit:,.0f}", LIMIT_STYLE))
    ax.set_ylim(0, max(high, 1.0))
    layout.name_axis(ax, f"{layout.shortened(platform.name, 18)} stored\n(Mbit)")
    layout.label_lines(ax, labels)
