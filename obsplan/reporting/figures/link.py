"""The picture of the link: contacts, Earth elevation, rate and volume."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from obsplan.common import intervals
from obsplan.environment.model import Environment
from obsplan.inputs.hardware import Platform, Station
from obsplan.reporting.figures import layout
from obsplan.reporting.figures.events import darkness_legend, shade_darkness
from obsplan.reporting.figures.layout import INK, LINE_STYLES, PAPER, SMALL_PT, Panel, styled
from obsplan.reporting.figures.orbiter_sky import limb_panel
from obsplan.reporting.figures.resource_panels import LIMIT_STYLE
from obsplan.reporting.figures.sky import TERRAIN_LINE, draw_terrain
from obsplan.reporting.hours import contact_windows, darkness, hours_of, minute_edges_h, skyline_at

# ------------------------------------------------------------------------------ link


@styled
def link_figure(environment: Environment) -> Figure:
    """Contacts of every station, Earth elevation, rates and cumulative capacity."""
    scenario = environment.scenario
    stations = [s.name for s in scenario.station]
    senders = [p for p in scenario.platform if p.radio.to == "earth"]
    relayed = [p for p in scenario.platform if p.radio.to != "earth"]
    heard = senders + [p for p in scenario.platform if p.radio.range_limit_m is not None]
    # The site has one sky for all of its platforms, each in orbit one of its own.
    skies = [[p] for p in senders if p.flies]
    if landed := [p for p in senders if not p.flies]:
        skies.insert(0, landed)
    left_in, right_in = 1.55, 1.65
    dark = darkness(environment)
    figure, axes = layout.new_page(
        scenario.title,
        layout.place_and_span(scenario),
        [
            *(Panel(0.75, 1) for _ in stations),
            Panel(0.3 * len(heard) + 0.1, 0.1),
            *(Panel(0.9, 1) for _ in skies),
            Panel(max(0.8, 0.14 * len(senders)), 0.8),
            *([Panel(max(0.5, 0.27 * len(relayed)), 0.4)] if relayed else []),
            Panel(max(0.9, 0.27 * len(senders)), 1),
        ],
        left_in,
        right_in,
        legend=[
            ("contact (height: maximum Moon elevation)", IN_VIEW_STYLE),
            ("station used", layout.CONTACT_STYLE),
            ("in contact", LINK_STYLE),
            *darkness_legend(environment, *dark),
        ],
    )
    station_axes = axes[: len(stations)]
    together, *earths = axes[len(stations) : len(stations) + 1 + len(skies)]
    rate, *relay, volume = axes[len(stations) + 1 + len(skies) :]
    layout.draw_time_axes(environment, axes)
    shade_darkness(axes, *dark)
    for station, ax in zip(scenario.station, station_axes):
        _station_panel(ax, environment, station, senders)
    _gap_lanes(together, environment, heard)
    for earth, seen_from in zip(earths, skies):
        if seen_from[0].flies:
            name = seen_from[0].name
            limb_panel(earth, environment, name)
            layout.name_axis(earth, f"{layout.shortened(name, 16)}: Earth from\nMoon's limb (deg)")
        else:
            _earth_panel(earth, environment, seen_from)
    _rate_panels(rate, volume, environment, senders)
    for ax in relay:
        _relay_panel(ax, environment, relayed, len(senders))
    return figure


LINK_STYLE = {"facecolor": layout.SLOT_COLOURS[1], "edgecolor": PAPER, "linewidth": 0.3}
IN_VIEW_STYLE = {"facecolor": layout.WINDOW, "edgecolor": INK, "linewidth": 0.7}


def _station_panel(
    ax: Axes, environment: Environment, station: Station, senders: list[Platform]
) -> None:
    """Contacts as bars up to the Moon's maximum elevation, dark while the station is used."""
    contacts = contact_windows(environment, station=station.name)
    rows = environment.contacts[environment.contacts["station"] == station.name]
    serving = [environment.platforms[p.name]["station"] == station.name for p in senders]
    used_h = intervals.from_mask(np.any(serving, axis=0), minute_edges_h(environment))
    starts_h = hours_of(environment, rows["acquisition_utc"])
    elevations_deg = rows["max_station_elevation_deg"].to_numpy()
    in_per_h = ax.get_position().width * layout.WIDTH_IN / (len(environment.sky) / 60)
    words_in = layout.width_in("00.0 h") + 0.05
    long_in = ax.get_position().width * layout.WIDTH_IN
    middles_in = (contacts.mean(axis=1) * in_per_h).clip(words_in / 2, long_in - words_in / 2)
    pitch_in = np.diff(middles_in, prepend=-np.inf, append=np.inf)
    for k, (start_h, end_h) in enumerate(contacts):
        # Platforms that send at different times share one pass of the station.
        top_deg = elevations_deg[(starts_h >= start_h - 1e-6) & (starts_h < end_h)].max()
        ax.bar(start_h, top_deg, end_h - start_h, align="edge", zorder=3, **IN_VIEW_STYLE)
        now_h = intervals.intersect(used_h, contacts[k : k + 1])
        layout.draw_bars(ax, now_h, top_deg / 2, top_deg, zorder=3.5, **layout.CONTACT_STYLE)
        if words_in < min(pitch_in[k : k + 2]):
            words = f"{top_deg:.0f}°\n{end_h - start_h:.1f} h"
            ax.text(
                middles_in[k] / in_per_h,
                top_deg + 4,
                words,
                size=SMALL_PT,
                ha="center",
                va="bottom",
                linespacing=1.05,
                zorder=4,
            )
    ax.set_ylim(0, 142)
    ax.set_yticks([0, 45, 90])
    layout.name_axis(ax, f"{layout.shortened(station.name, 14)}\nMoon elevation\n(deg)")
    many = "contact" if len(contacts) == 1 else "contacts"
    total = f"{len(contacts)} {many}\n{np.ptp(contacts, axis=1).sum():.1f} h"
    used = f"{np.ptp(used_h, axis=1).sum():.1f} h used"
    labels: list[layout.Label] = [(75, f"{total}, {used}", layout.NO_LINE)]
    if station.skyline is None:
        ax.axhline(station.mask_deg, zorder=4, **LIMIT_STYLE)
        labels.append((station.mask_deg, f"mask {station.mask_deg:g} deg", LIMIT_STYLE))
    layout.label_lines(ax, labels)


def _gap_lanes(ax: Axes, environment: Environment, heard: list[Platform]) -> None:
    """When a platform has contact, directly or through a relay, and its longest gap."""
    span_h = len(environment.sky) / 60
    labels: list[layout.Label] = []
    for k, platform in enumerate(heard):
        in_contact = environment.in_contact(platform.name)
        open_h = intervals.from_mask(in_contact, minute_edges_h(environment))
        layout.draw_bars(ax, open_h, k, 0.5, zorder=3, **LINK_STYLE)
        words = f"in contact {100 * np.ptp(open_h, axis=1).sum() / span_h:.0f} %"
        style = layout.NO_LINE
        silent_h = intervals.subtract(np.array([[0.0, span_h]]), open_h)
        if len(silent_h):
            start_h, end_h = silent_h[np.argmax(silent_h[:, 1] - silent_h[:, 0])]
            style = {"color": INK, "linewidth": 1.1, "marker": "|", "markersize": 6}
            ax.plot([start_h, end_h], [k, k], zorder=4, **style)
            words = f"longest gap {end_h - start_h:.1f} h\n{words}"
        labels.append((k, words, style))
    ax.set_ylim(len(heard) - 0.5, -0.5)
    names = [f"{layout.shortened(p.name, 16)} contact" for p in heard]
    ax.set_yticks(range(len(heard)), names)
    ax.tick_params(axis="y", length=0)
    layout.label_lines(ax, labels)


def _earth_panel(ax: Axes, environment: Environment, senders) -> None:
    """Elevation of the Earth at the site, against the skyline and the minimum elevations."""
    hours = minute_edges_h(environment)[:-1]
    earth_deg = environment.sky["earth_elevation_deg"].to_numpy()
    azimuth_deg = environment.sky["earth_azimuth_deg"].to_numpy()
    below_deg = skyline_at(environment, azimuth_deg)
    style = {"color": layout.EARTH, "linewidth": 1.6}
    low = min(0.0, earth_deg.min(), below_deg.min()) - 1
    high = max(earth_deg.max(), below_deg.max())
    draw_terrain(ax, hours, below_deg, low)
    ax.plot(hours, earth_deg, zorder=3, path_effects=layout.halo(), **style)
    labels = [(earth_deg[-1], "Earth", style), (below_deg[-1], "skyline", TERRAIN_LINE)]
    for least_deg in sorted({p.radio.minimum_elevation_deg for p in senders}):
        ax.axhline(least_deg, zorder=2, **LIMIT_STYLE)
        labels.append((least_deg, f"minimum {least_deg:g} deg", LIMIT_STYLE))
        high = max(high, least_deg)
    ax.set_ylim(low, high + 0.12 * (high - low))
    layout.name_axis(ax, "Earth elevation\nat the site\n(deg)")
    layout.label_lines(ax, labels)


def _rate_panels(rate: Axes, volume: Axes, environment: Environment, senders) -> None:
    """Rate in contact, and the data that continuous sending would deliver."""
    edges_h = minute_edges_h(environment)
    rate_labels, volume_labels = [], []
    for k, platform in enumerate(senders):
        style = LINE_STYLES[k % len(LINE_STYLES)]
        rate_kbps = environment.platforms[platform.name]["rate_kbps"].to_numpy()
        sum_mbit = np.concatenate([[0.0], np.cumsum(rate_kbps) * 60 / 1000])
        layout.draw_steps(rate, edges_h, rate_kbps, zorder=3, **style)
        volume.plot(edges_h, sum_mbit, zorder=3, **style)
        name = layout.shortened(platform.name, 16)
        rate_labels.append((rate_kbps[-1], name, style))
        volume_labels.append((sum_mbit[-1], f"{name}\n{sum_mbit[-1]:,.0f} Mbit", style))
    for ax in (rate, volume):
        ax.set_ylim(0, 1.12 * (ax.dataLim.y1 or 1.0))
    layout.name_axis(rate, "rate to Earth\n(kbit/s)")
    layout.name_axis(volume, "cumulative\ncapacity to Earth\n(Mbit)")
    layout.label_lines(rate, rate_labels)
    layout.label_lines(volume, volume_labels)


def _relay_panel(
    ax: Axes, environment: Environment, relayed: list[Platform], styles_taken: int
) -> None:
    """Rate from each platform to its relay, in range of it, with or without contact."""
    edges_h = minute_edges_h(environment)
    labels = []
    for k, platform in enumerate(relayed, start=styles_taken):
        style = LINE_STYLES[k % len(LINE_STYLES)]
        rate_kbps = environment.platforms[platform.name]["rate_kbps"].to_numpy()
        layout.draw_steps(ax, edges_h, rate_kbps, zorder=3, **style)
        names = [layout.shortened(name, 12) for name in (platform.name, platform.radio.to)]
        in_range = f"in range {100 * (rate_kbps > 0).mean():.0f} %"
        labels.append((rate_kbps[-1], f"{names[0]} to {names[1]}\n{in_range}", style))
    ax.set_ylim(0, 1.25 * (ax.dataLim.y1 or 1.0))
    layout.name_axis(ax, "rate to a relay\n(kbit/s)")
    layout.label_lines(ax, labels)
