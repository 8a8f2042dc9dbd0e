"""Panels of a plan's resources: battery, bus, store and units of every platform."""

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes

from obsplan.inputs.hardware import Platform
from obsplan.inputs.thermal import Unit
from obsplan.planning.plan import Plan
from obsplan.reporting.figures import layout
from obsplan.reporting.figures.layout import INK, LINE_STYLES, PAPER

LIMIT_STYLE = {"color": INK, "linewidth": 0.9, "linestyle": (0, (4, 2))}
OPERATING_STYLE = {"color": INK, "linewidth": 0.7}
SWITCH_ON_STYLE = {"color": INK, "linewidth": 0.9, "linestyle": (0, (1, 1.5))}
CHARGES_STYLE = {"color": INK, "linewidth": 0.9, "linestyle": (0, (5, 1.5, 1, 1.5))}
# Height of a label; a limit farther than this from all temperatures is named but not drawn.
LABEL_IN, REACH_K = 0.14, 100.0
MARGIN_STYLE = {"color": INK, "linewidth": 0.7, "linestyle": (0, (1, 2))}
RESERVE_STYLE = {
    "facecolor": layout.RULE,
    "edgecolor": PAPER,
    "hatch": "////",
    "linewidth": 0,
    "zorder": 0.7,
}


def charge_panel(ax: Axes, plan: Plan, platforms: Sequence[Platform]) -> None:
    """State of charge of these batteries over their reserve; any shortfall is filled."""
    labels: list[layout.Label] = []
    ax.set_ylim(0, 108)
    ax.set_yticks([0, 50, 100])
    lowest = min(p.battery.reserve for p in platforms)
    ax.axhspan(0, 100 * lowest, **RESERVE_STYLE)
    for k, platform in enumerate(platforms):
        table, battery = plan.verdict.resources[platform.name], platform.battery
        charge = 100 * table["state_of_charge"].to_numpy()
        hours = np.arange(len(charge)) / 60
        style, reserve = LINE_STYLES[k % len(LINE_STYLES)], 100 * battery.reserve
        thin = style | {"linewidth": 0.7}
        ax.fill_between(
            hours,
            charge,
            reserve,
            where=charge < reserve - 1e-6,
            facecolor=INK,
            edgecolor=PAPER,
            hatch="////",
            linewidth=0,
            zorder=4,
        )
        ax.plot(hours, charge, zorder=3, path_effects=layout.halo(2.0), **style)
        ax.axhline(reserve, zorder=2, **thin)
        name = layout.shortened(platform.name, 12)
        if share := platform.margins.energy_share:
            kept = reserve + share * (100 - reserve)
            ax.axhline(kept, zorder=2, **MARGIN_STYLE)
            labels.append((kept, f"{name} margin {kept:.3g} %", MARGIN_STYLE))
        end = "" if battery.end is None else f"\nat end at least {100 * battery.end:g} %"
        labels += [
            (charge[-1], f"{name} {charge[-1]:.0f} % at end", style),
            (reserve, f"{name} reserve {reserve:g} %{end}", thin),
        ]
    layout.name_axis(ax, "state of charge\n(% of capacity)")
    layout.label_lines(ax, labels)


def power_panel(ax: Axes, plan: Plan, platform: Platform) -> None:
    """Generation as a filled curve, load as a line, the limit of the bus above both."""
    table = plan.verdict.resources[platform.name]
    edges_h = np.arange(len(table) + 1) / 60
    generation_w, load_w = table["generation_w"].to_numpy(), table["load_w"].to_numpy()
    generation_style = {"color": layout.SUN, "linewidth": 1.2}
    load_style = {"color": LINE_STYLES[0]["color"], "linewidth": 0.7}
    thin = slice(None, None, -(-len(table) // 2000))
    ax.fill_between(
        edges_h[:-1][thin], generation_w[thin], color=layout.LIGHT, linewidth=0, zorder=1
    )
    ax.plot(edges_h[:-1], generation_w, zorder=2, **generation_style)
    layout.draw_steps(ax, edges_h, load_w, zorder=3, **load_style)
    ax.axhline(platform.bus_limit_w, zorder=2, **LIMIT_STYLE)
    ax.set_ylim(0, 1.1 * max(platform.bus_limit_w, generation_w.max(), load_w.max()))
    layout.name_axis(ax, f"{layout.shortened(platform.name, 18)} power\n(W)")
    labels: list[layout.Label] = [
        (generation_w[-1], "generation", generation_style),
        (load_w[-1], "load", load_style),
        (platform.bus_limit_w, f"bus limit {platform.bus_limit_w:g} W", LIMIT_STYLE),
    ]
    layout.label_lines(ax, labels + margin_line(ax, platform, "power_share", "W"))


def margin_line(ax: Axes, platform: Platform, key: str, unit: str) -> list[layout.Label]:
    """A line at what the margin leaves of bus limit or capacity, and its label; none without."""
    share = platform.margins.kept.get(key)
    if not share:
        return []
    whole = platform.bus_limit_w if key == "power_share" else platform.store.capacity_mbit
    kept = (1 - share) * whole
    ax.axhline(kept, zorder=2, **MARGIN_STYLE)
    return [(kept, f"margin from {kept:,.0f}{unit and ' ' + unit}", MARGIN_STYLE)]


def unit_height_in(unit: Unit) -> float:
    """Height of the panel of a unit that has room for the label of every limit."""
    return max(0.45, LABEL_IN * (1 + len(_limits(unit))))


def unit_panel(ax: Axes, plan: Plan, platform: Platform, unit: Unit) -> None:
    """Temperature of a unit with all its limits; a table's cold and hot case as a band."""
    table = plan.verdict.resources[platform.name]
    hours = np.arange(len(table)) / 60
    lower_k, upper_k = (table[column].to_numpy() for column in unit.columns)
    style = LINE_STYLES[0]
    ax.fill_between(hours, lower_k, upper_k, color=layout.RULE, linewidth=0, zorder=1)
    for level_k in (lower_k, upper_k) if unit.table is not None else (lower_k,):
        ax.plot(hours, level_k, zorder=3, path_effects=layout.halo(2.0), **style)
    ends = f"{lower_k[-1]:.0f}" + ("" if unit.table is None else f" to {upper_k[-1]:.0f}")
    labels: list[layout.Label] = [(upper_k[-1], f"{ends} K at end", style)]
    low, high = lower_k.min(), upper_k.max()
    reached = [k for k, _, _ in _limits(unit) if low - REACH_K <= k <= high + REACH_K]
    low, high = min(low, *reached, high - 20), max(high, *reached, low + 20)
    room = 0.08 * (high - low)
    ax.set_ylim(low - room, high + room)
    for limit_k, words, limit_style in _limits(unit):
        if limit_k in reached:
            ax.axhline(limit_k, zorder=2, **limit_style)
        labels.append((limit_k, words, limit_style if limit_k in reached else layout.NO_LINE))
    name = layout.shortened(unit.name, 18)
    layout.name_axis(ax, f"{layout.shortened(platform.name, 18)}\n{name}\n(K)")
    layout.label_lines(ax, labels)


def _limits(unit: Unit) -> list[layout.Label]:
    """Every limit of a unit's temperature with its words and line style."""
    ranges = (
        ("operating", unit.operating_k, OPERATING_STYLE),
        ("switch-on", unit.switch_on_k, SWITCH_ON_STYLE),
        ("survival", unit.surviving_k, LIMIT_STYLE),
    )
    limits: list[layout.Label] = []
    for name, range_k, style in ranges:
        if range_k is not None:
            limits += [(range_k[0], f"{name} from {range_k[0]:g} K", style)]
            limits += [(range_k[1], f"{name} to {range_k[1]:g} K", style)]
    if (charges_k := unit.charges_above_k) is not None:
        limits.append((charges_k, f"charges above {charges_k:g} K", CHARGES_STYLE))
    return limits


def store_panel(ax: Axes, plan: Plan) -> None:
    """How full every store is; the capacity is drawn if any store comes near it."""
    labels: list[layout.Label] = []
    fullest = 0.0
    for k, platform in enumerate(plan.environment.scenario.platform):
        capacity_mbit, style = platform.store.capacity_mbit, LINE_STYLES[k % len(LINE_STYLES)]
        stored_mbit = plan.verdict.resources[platform.name]["stored_mbit"].to_numpy()
        filled = 100 / capacity_mbit * stored_mbit
        ax.plot(np.arange(len(filled)) / 60, filled, zorder=3, **style)
        name = f"{layout.shortened(platform.name, 12)}, maximum"
        most = f"{filled.max():.0f} % of {capacity_mbit:,.0f} Mbit"
        labels.append((filled.max(), f"{name}\n{most}", style))
        fullest = max(fullest, filled.max())
    high = 1.08 * max(100.0, fullest) if fullest > 30 else max(1.3 * fullest, 1.0)
    ax.set_ylim(0, high)
    if high > 100:
        ax.axhline(100, zorder=2, **LIMIT_STYLE)
        labels.append((100, "capacity", LIMIT_STYLE))
    layout.name_axis(ax, "data stored\n(% of capacity)")
    layout.label_lines(ax, labels)
