"""The picture of the sky: Sun and Earth over the skyline, ground temperature, contacts."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from obsplan.common import intervals
from obsplan.environment.model import Environment, wanted_depths_m
from obsplan.inputs.conditions import depth_column
from obsplan.reporting.figures import layout
from obsplan.reporting.figures.events import (
    darkness_legend,
    draw_events,
    mark_events,
    place_events,
    shade_darkness,
)
from obsplan.reporting.figures.layout import INK, LINE_STYLES, PAPER, Panel, styled
from obsplan.reporting.hours import (
    contact_windows,
    darkness,
    minute_edges_h,
    skyline_at,
)

TAIL_STYLE = {"facecolor": PAPER, "edgecolor": INK, "hatch": "---", "linewidth": 0.7}
TERRAIN_LINE = {"color": "#6d6257", "linewidth": 0.9}


def draw_terrain(ax: Axes, hours: np.ndarray, skyline_deg: np.ndarray, low_deg: float) -> None:
    """The skyline below a body as filled ground, down to `low_deg`."""
    # 2000 points draw as smooth a filled outline as a page can show.
    thin = slice(None, None, -(-len(hours) // 2000))
    ax.fill_between(
        hours[thin], low_deg, skyline_deg[thin], color=layout.GROUND, linewidth=0, zorder=1
    )
    ax.plot(hours, skyline_deg, zorder=2, **TERRAIN_LINE)


def sun_panel(ax: Axes, environment: Environment, earth: bool) -> None:
    """The Sun above the skyline at its azimuth and, if `earth`, the Earth above its own."""
    table, hours = environment.sky, minute_edges_h(environment)[:-1]
    sun_deg = table["sun_elevation_deg"].to_numpy()
    below_sun_deg = skyline_at(environment, table["sun_azimuth_deg"].to_numpy())
    sun_style = {"color": layout.SUN, "linewidth": 1.8}
    hides = "skyline at the\nSun's azimuth" if environment.scenario.site else "Moon's limb"
    labels = [
        (sun_deg[-1], "Sun", sun_style),
        (below_sun_deg[-1], hides, TERRAIN_LINE),
    ]
    low, high = min(sun_deg.min(), below_sun_deg.min(), 0), max(sun_deg.max(), below_sun_deg.max())
    ax.plot(hours, sun_deg, zorder=4, path_effects=layout.halo(2.6), **sun_style)
    if earth:
        earth_deg = table["earth_elevation_deg"].to_numpy()
        below_earth_deg = skyline_at(environment, table["earth_azimuth_deg"].to_numpy())
        earth_style = {"color": layout.EARTH, "linewidth": 1.4, "linestyle": (0, (6, 2))}
        below_style = {"color": layout.EARTH, "linewidth": 0.9, "linestyle": (0, (1, 1.5))}
        ax.plot(hours, earth_deg, zorder=3, path_effects=layout.halo(2.2), **earth_style)
        ax.plot(hours, below_earth_deg, zorder=2.5, **below_style)
        labels += [
            (earth_deg[-1], "Earth", earth_style),
            (below_earth_deg[-1], "skyline at the\nEarth's azimuth", below_style),
        ]
        low = min(low, earth_deg.min(), below_earth_deg.min())
        high = max(high, earth_deg.max(), below_earth_deg.max())
    room_deg = 0.07 * (high - low) + 0.5
    draw_terrain(ax, hours, below_sun_deg, low - room_deg)
    ax.set_ylim(low - room_deg, high + room_deg)
    layout.label_lines(ax, labels)


@styled
def sky_figure(environment: Environment) -> Figure:
    """Sun and Earth over the skyline, visible fraction, ground temperature, contacts."""
    scenario = environment.scenario
    left_in, right_in = 1.42, 1.5
    dark = darkness(environment)
    placed, events_room = place_events(environment, left_in, right_in, almanac=True)
    figure, axes = layout.new_page(
        scenario.title,
        layout.place_and_span(scenario),
        [
            events_room,
            Panel(2.1, 2.4),
            Panel(0.8, 0.6),
            Panel(1.7, 2),
            Panel(0.2, 0),
            Panel(0.22 * len(scenario.station), 0.15),
        ],
        left_in,
        right_in,
        legend=[
            *darkness_legend(environment, *dark),
            ("terrain", {"facecolor": layout.GROUND}),
            ("Earth contact", layout.CONTACT_STYLE),
        ],
    )
    events, elevation, fraction, ground, tail, contacts = axes
    layout.draw_time_axes(environment, axes)
    shade_darkness(axes[1:], *dark)
    mark_events(axes[1:], environment)
    draw_events(events, placed)
    sun_panel(elevation, environment, earth=True)
    layout.name_axis(elevation, "elevation\n(deg)")
    _fraction_panel(fraction, environment)
    _ground_panel(ground, environment)
    _tail_lane(tail, environment)
    _contact_lanes(contacts, environment)
    return figure


def _fraction_panel(ax: Axes, environment: Environment) -> None:
    """The visible fraction of the Sun's disc."""
    hours = minute_edges_h(environment)[:-1]
    visible = environment.sky["sun_visible_fraction"].to_numpy()
    thin = slice(None, None, -(-len(hours) // 2000))
    ax.fill_between(hours[thin], visible[thin], color=layout.LIGHT, linewidth=0, zorder=1)
    ax.plot(hours, visible, zorder=3, color=layout.SUN, linewidth=1.4)
    ax.set_ylim(0, 1.08)
    ax.set_yticks([0, 0.5, 1])
    layout.name_axis(ax, "visible fraction\nof the Sun's disc\n(0 to 1)")
    light_h = np.count_nonzero(visible > 0) / 60
    sums = f"Sun visible {light_h:.1f} h\nhidden {len(visible) / 60 - light_h:.1f} h"
    shadow_h = np.count_nonzero(environment.sky["in_terrain_shadow"]) / 60
    if shadow_h:
        sums += f",\n{shadow_h:.1f} h by terrain"
    layout.label_lines(ax, [(0.5, sums, layout.NO_LINE)])


def _ground_panel(ax: Axes, environment: Environment) -> None:
    """Ground temperature at the surface and at depths."""
    scenario = environment.scenario
    hours = minute_edges_h(environment)[:-1]
    columns = {"surface": "surface_temperature_k"} | {
        f"{depth_m * 100:g} cm deep": depth_column(depth_m) for depth_m in wanted_depths_m(scenario)
    }
    labels = []
    for k, (words, column) in enumerate(columns.items()):
        values_k, style = environment.sky[column].to_numpy(), LINE_STYLES[k % len(LINE_STYLES)]
        ax.plot(hours, values_k, zorder=3, path_effects=layout.halo(2.2), **style)
        if column == "surface_temperature_k" and "surface_temperature_low_k" in environment.sky:
            _slope_band(ax, environment, hours)
            words = f"surface, band for\n±{scenario.landing_site.slope_uncertainty_deg:g}° of slope"
        digits = 0 if np.ptp(values_k) >= 2 else 1
        reach = f"{words}\n{values_k.min():.{digits}f} to {values_k.max():.{digits}f} K"
        labels.append((values_k[-1], reach, style))
    ax.margins(y=0.06)
    layout.name_axis(ax, "ground\ntemperature\n(K)")
    layout.label_lines(ax, labels)


def _slope_band(ax: Axes, environment: Environment, hours: np.ndarray) -> None:
    """Between the coldest and the warmest slope that the ground may have."""
    low_k, high_k = (environment.sky[f"surface_temperature_{end}_k"] for end in ("low", "high"))
    tone = {"color": LINE_STYLES[0]["color"], "alpha": 0.22}
    ax.fill_between(hours, low_k, high_k, linewidth=0, zorder=2, **tone)


def _tail_lane(ax: Axes, environment: Environment) -> None:
    """When the Moon is in the Earth's magnetotail."""
    inside = environment.sky["in_magnetotail"].to_numpy()
    windows = intervals.from_mask(inside, minute_edges_h(environment))
    layout.draw_bars(ax, windows, 0, 0.6, zorder=3, **TAIL_STYLE)
    ax.set_ylim(0.4, -0.4)
    ax.set_yticks([0], ["Earth's magnetotail"])
    ax.tick_params(axis="y", length=0)
    limit_deg = environment.scenario.landing_site.magnetotail_limit_deg
    reach = f"{inside.sum() / 60:.1f} h (±{limit_deg:g}°)"
    layout.label_lines(ax, [(0, reach if inside.any() else "outside", layout.NO_LINE)])


def _contact_lanes(ax: Axes, environment: Environment) -> None:
    """One lane per station, one bar per contact."""
    names = [s.name for s in environment.scenario.station]
    labels: list[layout.Label] = []
    for k, name in enumerate(names):
        contacts = contact_windows(environment, station=name)
        layout.draw_bars(ax, contacts, k, 0.6, zorder=3, **layout.CONTACT_STYLE)
        labels.append((k, f"{np.ptp(contacts, axis=1).sum():.1f} h", layout.NO_LINE))
    ax.set_ylim(len(names) - 0.4, -0.6)
    ax.set_yticks(range(len(names)), [layout.shortened(name, 18) for name in names])
    ax.tick_params(axis="y", length=0)
    layout.label_lines(ax, labels)
