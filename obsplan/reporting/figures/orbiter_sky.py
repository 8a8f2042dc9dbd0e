"""The picture of an orbiter's sky: what is hidden, angles, the Earth below, contacts."""

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from obsplan.environment.model import Environment
from obsplan.reporting.figures import layout
from obsplan.reporting.figures.layout import LINE_STYLES, Panel, styled
from obsplan.reporting.hours import Windows, contact_windows, minute_edges_h, span_windows

PART_STYLE = {"facecolor": layout.WINDOW, "edgecolor": "#b9b2a0", "linewidth": 0.3}
WHOLE_STYLE = {"facecolor": "#5d6b82", "edgecolor": "#5d6b82", "linewidth": 0.2}
LIMB_STYLE = {"color": layout.INK, "linewidth": 0.8, "linestyle": (0, (4, 2))}
# The Earth and the Sun as lines and as marks: told apart by dash and shape, not by hue alone.
EARTH_LINE = {"color": layout.EARTH, "linewidth": 1.3}
SUN_LINE = {"color": layout.SUN, "linewidth": 1.3, "linestyle": (0, (5, 1.5))}
EARTH_MARKS = {"color": layout.EARTH, "marker": "s", "markersize": 3.0, "linestyle": ""}
SUN_MARKS = {"color": layout.SUN, "marker": "o", "markersize": 3.4, "linestyle": ""}


@styled
def orbiter_sky_figure(environment: Environment, names: Sequence[str] = ()) -> Figure:
    """What the platforms of these names see, or all in orbit: a stack of panels for each.

    When Earth and Sun are hidden and for how long each time, the phase of the Earth and its angle
    to the Sun, its angle to the Moon's limb, the place on Earth below, contacts with stations.
    """
    scenario = environment.scenario
    names = list(names) or list(environment.skies)
    stations = len(scenario.station)
    tall = [
        Panel(0.55, 0.2),
        Panel(0.9, 1),
        Panel(0.9, 1),
        Panel(0.9, 1),
        Panel(0.7, 0.8),
        Panel(0.24 * stations, 0.15),
    ]
    figure, axes = layout.new_page(
        scenario.title,
        f"{layout.place_and_span(scenario)}   ·   seen from {', '.join(names)}",
        tall * len(names),
        1.6,
        1.75,
        legend=[
            ("part of the disc hidden", PART_STYLE),
            ("whole disc hidden", WHOLE_STYLE),
            ("Earth contact", layout.CONTACT_STYLE),
        ],
    )
    layout.draw_time_axes(environment, axes)
    for k, name in enumerate(names):
        hidden, angles, limb, below, lasting, contacts = axes[k * len(tall) : (k + 1) * len(tall)]
        _hidden_lanes(hidden, environment, name)
        _angle_panel(angles, environment, name)
        limb_panel(limb, environment, name)
        layout.name_axis(limb, "Earth from the\nMoon's limb\n(deg)")
        _below_panel(below, environment, name)
        _duration_panel(lasting, environment, name)
        _contact_lanes(contacts, environment, name)
        if len(names) > 1:
            hidden.set_title(name, loc="left", size=layout.TEXT_PT, weight="bold", pad=2)
    return figure


def _windows(environment: Environment, name: str, body: str, hidden: str) -> Windows:
    """When Moon or Earth hide a body from a platform, merged, in hours."""
    rows = environment.occultations
    rows = rows[(rows["platform"] == name) & (rows["body"] == body) & (rows["hidden"] == hidden)]
    return span_windows(environment, rows["from_utc"], rows["until_utc"])


def _hidden_lanes(ax: Axes, environment: Environment, name: str) -> None:
    """When Earth and Sun are hidden, in part and wholly."""
    labels: list[layout.Label] = []
    for k, body in enumerate(("Earth", "Sun")):
        part = _windows(environment, name, body, "any part")
        whole = _windows(environment, name, body, "whole disc")
        layout.draw_bars(ax, part, k, 0.66, zorder=3, **PART_STYLE)
        layout.draw_bars(ax, whole, k, 0.66, zorder=4, **WHOLE_STYLE)
        share = 100 * np.ptp(whole, axis=1).sum() / (len(environment.sky) / 60)
        labels.append((k, f"hidden {len(whole)} times,\n{share:.1f} % of the span", layout.NO_LINE))
    ax.set_ylim(1.6, -0.6)
    ax.set_yticks([0, 1], ["Earth hidden", "Sun hidden"])
    ax.tick_params(axis="y", length=0)
    layout.label_lines(ax, labels)


def _angle_panel(ax: Axes, environment: Environment, name: str) -> None:
    """Phase angle at the Earth and the angle between Sun and Earth."""
    table, hours = environment.sky_of(name), minute_edges_h(environment)[:-1]
    labels: list[layout.Label] = []
    for column, words, style in (
        ("earth_phase_deg", "phase angle\nat the Earth", EARTH_LINE),
        ("sun_angle_deg", "Sun to Earth", SUN_LINE),
    ):
        values = table[column].to_numpy()
        ax.plot(hours, values, zorder=3, path_effects=layout.halo(), **style)
        reach = f"{values.min():.1f} to {values.max():.1f}°"
        labels.append((values[-1], f"{words}\n{reach}", style))
    _degrees(ax, 0, 180, 60)
    layout.name_axis(ax, "angle\n(deg)")
    layout.label_lines(ax, labels)


def limb_panel(ax: Axes, environment: Environment, name: str) -> None:
    """Angle from the Moon's limb to the Earth's centre, negative while that is hidden."""
    table, hours = environment.sky_of(name), minute_edges_h(environment)[:-1]
    values = table["earth_limb_angle_deg"].to_numpy()
    low, high = values.min() - 8, values.max() + 8
    ax.axhspan(low, min(0, high), color=layout.NIGHT, linewidth=0, zorder=0.5)
    ax.plot(hours, values, zorder=3, **EARTH_LINE)
    ax.axhline(0, zorder=4, **LIMB_STYLE)
    ax.set_ylim(low, high)
    layout.label_lines(
        ax, [(values[-1], "Earth's centre", EARTH_LINE), (0.0, "Moon's limb", LIMB_STYLE)]
    )


def _below_panel(ax: Axes, environment: Environment, name: str) -> None:
    """Longitude and latitude of the point of the Earth below."""
    table, hours = environment.sky_of(name), minute_edges_h(environment)[:-1]
    longitude_deg = table["earth_longitude_deg"].to_numpy()
    latitude_deg = table["earth_latitude_deg"].to_numpy()
    # No line across the page where the longitude starts again.
    jumps = np.flatnonzero(np.abs(np.diff(longitude_deg)) > 180) + 1
    ax.plot(np.insert(hours, jumps, np.nan), np.insert(longitude_deg, jumps, np.nan), **EARTH_LINE)
    style = LINE_STYLES[2]
    ax.plot(hours, latitude_deg, zorder=3, path_effects=layout.halo(), **style)
    _degrees(ax, -180, 180, 90)
    layout.name_axis(ax, "point of the\nEarth below\n(deg)")
    reach = f"{latitude_deg.min():.1f} to {latitude_deg.max():.1f}°"
    layout.label_lines(
        ax,
        [
            (longitude_deg[-1], "longitude, east positive", EARTH_LINE),
            (latitude_deg[-1], f"latitude {reach}", style),
        ],
    )


def _duration_panel(ax: Axes, environment: Environment, name: str) -> None:
    """How long the whole disc is hidden each time."""
    labels: list[layout.Label] = []
    most = 10.0
    for body, style in (("Earth", EARTH_MARKS), ("Sun", SUN_MARKS)):
        windows = _windows(environment, name, body, "whole disc")
        minutes = 60 * np.ptp(windows, axis=1)
        ax.plot(windows.mean(axis=1), minutes, zorder=3, **style)
        most = max(most, minutes.max(initial=0.0))
        words = f"up to {minutes.max():.1f} min" if len(minutes) else "never"
        place = minutes[-1] if len(minutes) else 0.0
        mark = "■" if body == "Earth" else "●"
        labels.append((place, f"{mark} {body} {words}", layout.NO_LINE))
    ax.set_ylim(0, 1.15 * most)
    layout.name_axis(ax, "hidden each\ntime (min)")
    layout.label_lines(ax, labels)


def _contact_lanes(ax: Axes, environment: Environment, name: str) -> None:
    """One lane per station, one bar per contact."""
    stations = [s.name for s in environment.scenario.station]
    labels: list[layout.Label] = []
    for k, station in enumerate(stations):
        contacts = contact_windows(environment, station=station, platform=name)
        layout.draw_bars(ax, contacts, k, 0.6, zorder=3, **layout.CONTACT_STYLE)
        words = f"{len(contacts)} contacts, {np.ptp(contacts, axis=1).sum():.1f} h"
        labels.append((k, words, layout.NO_LINE))
    ax.set_ylim(len(stations) - 0.4, -0.6)
    ax.set_yticks(range(len(stations)), [layout.shortened(each, 18) for each in stations])
    ax.tick_params(axis="y", length=0)
    layout.label_lines(ax, labels)


def _degrees(ax: Axes, low: float, high: float, step: float) -> None:
    ax.set_ylim(low, high)
    ax.set_yticks(np.arange(low, high + 1, step))
