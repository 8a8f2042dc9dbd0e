"""The picture of what a plan uses: charge, bus power, store and sending of every platform."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from obsplan.inputs.hardware import Platform
from obsplan.planning.plan import Plan
from obsplan.reporting.figures import layout
from obsplan.reporting.figures.events import (
    darkness_legend,
    draw_events,
    mark_events,
    place_events,
    shade_darkness,
)
from obsplan.reporting.figures.layout import LINE_STYLES, Panel, styled
from obsplan.reporting.figures.resource_panels import (
    LIMIT_STYLE,
    charge_panel,
    margin_line,
    power_panel,
    unit_height_in,
    unit_panel,
)
from obsplan.reporting.hours import darkness

LEFT_IN, RIGHT_IN = 1.75, 1.7
STORED_STYLE = {"color": LINE_STYLES[0]["color"], "linewidth": 1.2}
RATE_STYLE = {"color": layout.LINE_STYLES[1]["color"], "linewidth": 0.9, "linestyle": (0, (5, 1.5))}


@styled
def resources_figure(plan: Plan) -> Figure:
    """Four panels for every platform and one for each of its units, with all limits drawn.

    State of charge over the reserve, generation and load under the bus limit, stored data
    under the capacity, the rate sent against the rate of the link, and temperatures of units.
    """
    environment, verdict, now_utc = plan.environment, plan.verdict, plan.now_utc
    scenario = environment.scenario
    night, eclipse = darkness(environment)
    placed, room = place_events(environment, LEFT_IN, RIGHT_IN, now_utc)
    figure, axes = layout.new_page(
        scenario.title,
        f"{verdict.summary}\n{layout.place_and_span(scenario)}",
        [room, *(Panel(h, 1) for p in scenario.platform for h in _heights(p))],
        LEFT_IN,
        RIGHT_IN,
        legend=darkness_legend(environment, night, eclipse),
    )
    layout.draw_time_axes(environment, axes)
    events, *axes = axes
    shade_darkness(axes, night, eclipse)
    draw_events(events, placed)
    mark_events(axes, environment, now_utc)
    for platform in scenario.platform:
        charge, power, store, sending, *units = axes[: len(_heights(platform))]
        axes = axes[len(_heights(platform)) :]
        table = verdict.resources[platform.name]
        charge_panel(charge, plan, [platform])
        layout.name_axis(
            charge, f"{layout.shortened(platform.name, 18)}\nstate of charge\n(% of capacity)"
        )
        power_panel(power, plan, platform)
        _store_panel(store, platform, table["stored_mbit"].to_numpy())
        rate_kbps = environment.platforms[platform.name]["rate_kbps"].to_numpy()
        _sending_panel(sending, platform, table["sent_mbit"].to_numpy(), rate_kbps)
        for panel, unit in zip(units, platform.unit):
            unit_panel(panel, plan, platform, unit)
    return figure


def _heights(platform: Platform) -> tuple[float, ...]:
    """Heights of the panels of a platform."""
    usual = (0.5, 0.45, 0.4, 0.4) if platform.unit else (0.75, 0.65, 0.6, 0.6)
    return *usual, *map(unit_height_in, platform.unit)


def _store_panel(ax: Axes, platform: Platform, stored_mbit: np.ndarray) -> None:
    """Stored data under the capacity."""
    capacity_mbit, end_mbit = platform.store.capacity_mbit, platform.store.end_limit_mbit
    ax.plot(np.arange(len(stored_mbit)) / 60, stored_mbit, zorder=3, **STORED_STYLE)
    ax.axhline(capacity_mbit, zorder=2, **LIMIT_STYLE)
    ax.set_ylim(0, 1.12 * max(capacity_mbit, stored_mbit.max()))
    end = "" if end_mbit is None else f"\nat end at most {end_mbit:,g}"
    layout.name_axis(ax, f"{layout.shortened(platform.name, 18)} stored\n(Mbit)")
    labels: list[layout.Label] = [
        (stored_mbit[-1], f"maximum {stored_mbit.max():,.0f}{end}", STORED_STYLE),
        (capacity_mbit, f"capacity {capacity_mbit:,.0f}", LIMIT_STYLE),
    ]
    layout.label_lines(ax, labels + margin_line(ax, platform, "store_share", ""))


def _sending_panel(
    ax: Axes, platform: Platform, sent_mbit: np.ndarray, rate_kbps: np.ndarray
) -> None:
    """Mean rate sent in each quarter of an hour, against the rate of the link."""
    edges_h = np.arange(0, len(sent_mbit) + 15, 15) / 60
    sent_kbps = np.add.reduceat(sent_mbit, np.arange(0, len(sent_mbit), 15)) * 1000 / 900
    ax.fill_between(
        edges_h,
        np.append(sent_kbps, 0.0),
        step="post",
        color=layout.SLOT_COLOURS[0],
        linewidth=0,
        zorder=2,
    )
    layout.draw_steps(ax, np.arange(len(rate_kbps) + 1) / 60, rate_kbps, zorder=3, **RATE_STYLE)
    ax.set_ylim(0, 1.15 * max(rate_kbps.max(), sent_kbps.max(), 1e-9))
    layout.name_axis(ax, f"{layout.shortened(platform.name, 18)} sending\n(kbit/s)")
    sent_style = {"color": layout.SLOT_COLOURS[0], "linewidth": 4}
    receiver = "Earth" if platform.radio.to == "earth" else layout.shortened(platform.radio.to, 12)
    layout.label_lines(
        ax,
        [
            (0, f"sent, {sent_mbit.sum():,.0f} Mbit", sent_style),
            (rate_kbps.max(), f"link to {receiver}", RATE_STYLE),
        ],
    )
