"""The picture of what a plan uses: charge, bus power, store and sending of every platform."""

from datetime import datetime

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from obsplan.checking.check import Verdict
from obsplan.environment.model import Environment
from obsplan.inputs.hardware import Platform
from obsplan.reporting.figures import layout as parts
from obsplan.reporting.figures.layout import LINES, Panel, styled
from obsplan.reporting.figures.resource_panels import LIMIT_LOOK, charge_panel, power_panel
from obsplan.reporting.figures.sky import (
    dark_key,
    darkness,
    event_rows,
    events_panel,
    mark_events,
    place_and_span,
    shade,
)

LEFT_IN, RIGHT_IN = 1.75, 1.7
STORED_LOOK = {"color": LINES[0]["color"], "linewidth": 1.2}
RATE_LOOK = {"color": parts.LINES[1]["color"], "linewidth": 0.9, "linestyle": (0, (5, 1.5))}


@styled
def resources_figure(
    environment: Environment, verdict: Verdict, now_utc: datetime | None = None
) -> Figure:
    """Four panels for every platform, each with its limit drawn.

    State of charge over the reserve, generation and load under the bus limit, stored data
    under the capacity, and what is sent against the rate of the link; a line at `now_utc`.
    """
    scenario = environment.scenario
    night, eclipse = darkness(environment)
    placed, room = event_rows(environment, LEFT_IN, RIGHT_IN, now_utc)
    figure, axes = parts.page(
        scenario.title,
        f"{verdict.summary}\n{place_and_span(scenario)}",
        [room, *(Panel(h, 1) for _ in scenario.platform for h in (0.75, 0.65, 0.6, 0.6))],
        LEFT_IN,
        RIGHT_IN,
        key=dark_key(night, eclipse),
    )
    parts.time_axes(environment, axes)
    events, *axes = axes
    shade(axes, night, eclipse)
    events_panel(events, placed)
    mark_events(axes, environment, now_utc)
    for k, platform in enumerate(scenario.platform):
        charge, power, store, sending = axes[4 * k : 4 * k + 4]
        table = verdict.resources[platform.name]
        charge_panel(charge, [platform], verdict)
        parts.name_axis(
            charge, f"{parts.shortened(platform.name, 18)}\nstate of charge\n(% of capacity)"
        )
        power_panel(power, platform, table)
        _store_panel(store, platform, table["stored_mbit"].to_numpy())
        rate_kbps = environment.platforms[platform.name]["rate_kbps"].to_numpy()
        _sending_panel(sending, platform, table["sent_mbit"].to_numpy(), rate_kbps)
    return figure


def _store_panel(ax: Axes, platform: Platform, stored_mbit: np.ndarray) -> None:
    """Stored data under the capacity."""
    capacity_mbit, end_mbit = platform.store.capacity_mbit, platform.store.end_limit_mbit
    ax.plot(np.arange(len(stored_mbit)) / 60, stored_mbit, zorder=3, **STORED_LOOK)
    ax.axhline(capacity_mbit, zorder=2, **LIMIT_LOOK)
    ax.set_ylim(0, 1.12 * max(capacity_mbit, stored_mbit.max()))
    end = "" if end_mbit is None else f"\nat end at most {end_mbit:,g}"
    parts.name_axis(ax, f"{parts.shortened(platform.name, 18)} stored\n(Mbit)")
    parts.beside(
        ax,
        [
            (stored_mbit[-1], f"fullest {stored_mbit.max():,.0f}{end}", STORED_LOOK),
            (capacity_mbit, f"capacity {capacity_mbit:,.0f}", LIMIT_LOOK),
        ],
    )


def _sending_panel(
    ax: Axes, platform: Platform, sent_mbit: np.ndarray, rate_kbps: np.ndarray
) -> None:
    """Mean rate sent in each quarter of an hour, against the rate of the link."""
    edges_h = np.arange(0, len(sent_mbit) + 15, 15) / 60
    sent_kbps = np.add.reduceat(sent_mbit, np.arange(0, len(sent_mbit), 15)) * 1000 / 900
    ax.fill_between(
        edges_h, np.append(sent_kbps, 0.0), step="post", color=parts.SLOTS[0], linewidth=0, zorder=2
    )
    parts.steps(ax, np.arange(len(rate_kbps) + 1) / 60, rate_kbps, zorder=3, **RATE_LOOK)
    ax.set_ylim(0, 1.15 * max(rate_kbps.max(), sent_kbps.max(), 1e-9))
    parts.name_axis(ax, f"{parts.shortened(platform.name, 18)} sending\n(kbit/s)")
    sent_look = {"color": parts.SLOTS[0], "linewidth": 4}
    receiver = "Earth" if platform.radio.to == "earth" else parts.shortened(platform.radio.to, 12)
    parts.beside(
        ax,
        [
            (0, f"sent, {sent_mbit.sum():,.0f} Mbit", sent_look),
            (rate_kbps.max(), f"link to {receiver}", RATE_LOOK),
        ],
    )
