"""What several pictures show of the sky, and the picture of the sky itself."""

from collections.abc import Iterable
from datetime import datetime

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from obsplan.common import intervals
from obsplan.common.constants import ASTRONOMICAL_UNIT_KM, SOLAR_IRRADIANCE_W_M2
from obsplan.environment.model import Environment, wanted_depths_m
from obsplan.environment.site_skyline import site_profile
from obsplan.inputs.conditions import depth_column
from obsplan.inputs.scenario import Scenario
from obsplan.physics import sky
from obsplan.physics.skyline import skyline_elevation_deg
from obsplan.reporting.figures import layout as parts
from obsplan.reporting.figures.layout import INK, LINES, PAPER, SMALL_PT, Panel, Windows, styled

EVENT_ROW_IN = 0.15
COVERING = ("eclipse", "full cover")
TAIL_LOOK = {"facecolor": PAPER, "edgecolor": INK, "hatch": "---", "linewidth": 0.7}
NOW_LOOK = {"color": INK, "linewidth": 1.4}
TERRAIN_LINE = {"color": "#6d6257", "linewidth": 0.9}


def place_and_span(scenario: Scenario) -> str:
    """Site and span in one line."""
    site, span = scenario.site, scenario.span
    north, east = site.latitude_deg, (site.longitude_deg + 180) % 360 - 180
    return (
        f"{site.name}, {abs(north):g}° {'S' if north < 0 else 'N'} "
        f"{abs(east):g}° {'W' if east < 0 else 'E'}   ·   "
        f"{span.start_utc:%Y-%m-%d %H:%M} to {span.end_utc:%Y-%m-%d %H:%M} UTC"
    )


def contact_windows(environment: Environment, **of: str) -> Windows:
    """Contacts whose columns are as in `of`, say `station="..."`."""
    rows = environment.contacts
    for column, value in of.items():
        rows = rows[rows[column] == value]
    return parts.span_windows(environment, rows["acquisition_utc"], rows["loss_utc"])


def skyline_at(scenario: Scenario, azimuth_deg: np.ndarray) -> np.ndarray:
    """Elevation of the site's skyline in these directions."""
    return skyline_elevation_deg(site_profile(scenario), azimuth_deg)


def darkness(environment: Environment) -> tuple[Windows, Windows]:
    """Night (the Sun's centre down, none of its light left) and eclipse by the Earth."""
    table = {column: values.to_numpy() for column, values in environment.sky.items()}
    sun_range_km = ASTRONOMICAL_UNIT_KM * np.sqrt(SOLAR_IRRADIANCE_W_M2 / table["irradiance_w_m2"])
    separation_deg, sun_radius_deg, earth_radius_deg = sky.sun_against_earth_deg(
        (table["sun_elevation_deg"], table["sun_azimuth_deg"], sun_range_km),
        (table["earth_elevation_deg"], table["earth_azimuth_deg"], table["earth_range_km"]),
    )
    above_deg = table["sun_elevation_deg"] - skyline_at(
        environment.scenario, table["sun_azimuth_deg"]
    )
    eclipse = (separation_deg < sun_radius_deg + earth_radius_deg) & (above_deg > -sun_radius_deg)
    night = (table["sun_visible_fraction"] <= 0) & (above_deg < 0) & ~eclipse
    edges_h = parts.minute_edges_h(environment)
    return intervals.from_mask(night, edges_h), intervals.from_mask(eclipse, edges_h)


def dark_key(night: Windows, eclipse: Windows) -> list[tuple[str, dict]]:
    """What the bands mean, of those that there are."""
    shown = (
        ("night", parts.NIGHT_LOOK, night),
        ("eclipse by the Earth", parts.ECLIPSE_LOOK, eclipse),
    )
    return [(words, look) for words, look, windows in shown if len(windows)]


def shade(axes: Iterable[Axes], night: Windows, eclipse: Windows) -> None:
    """Night and eclipse as bands behind the data."""
    for ax in axes:
        for windows, look in ((night, parts.NIGHT_LOOK), (eclipse, parts.ECLIPSE_LOOK)):
            for start_h, end_h in windows:
                ax.axvspan(start_h, end_h, zorder=0.5, **look)


def event_words(
    environment: Environment, now_utc: datetime | None = None
) -> list[tuple[float, str]]:
    """Events of the Sun, and now, as (hour, words); parts of an eclipse are told together."""
    hours = parts.hours_of(environment, environment.events["time_utc"])
    words: list[tuple[float, str]] = []
    eclipse: list[tuple[float, str, str]] = []
    for hour, row in zip(hours, environment.events.itertuples()):
        clock = f"{row.time_utc.round('min'):%H:%M}"
        if not row.event.startswith(COVERING):
            sun = "Sun's " if row.event.startswith("centre") else ""
            words.append((hour, f"{sun}{row.event} {clock}"))
            continue
        eclipse.append((hour, row.event, clock))
        if row.event == "eclipse ends":
            words.append(_eclipse_words(eclipse))
            eclipse = []
    if now_utc is not None:
        words.append((parts.hours_of(environment, [now_utc])[0], f"now, {now_utc:%H:%M}"))
    return sorted(words + ([_eclipse_words(eclipse)] if eclipse else []))


def _eclipse_words(parts: list[tuple[float, str, str]]) -> tuple[float, str]:
    clocks = {event: clock for _, event, clock in parts}

    def stretch(what: str) -> str:
        begins, ends = clocks.get(f"{what} begins"), clocks.get(f"{what} ends")
        from_to = f"from {begins} " if begins and not ends else f"{begins} " if begins else ""
        return f"{from_to}to {ends}" if ends else from_to.strip()

    full = stretch("full cover")
    words = f"eclipse {stretch('eclipse')}".strip() + (f", full {full}" if full else "")
    return (parts[0][0] + parts[-1][0]) / 2, words


def event_rows(
    environment: Environment, left_in: float, right_in: float, now_utc: datetime | None = None
) -> tuple[list[tuple[float, float, int, str]], Panel]:
    """Event words (hour, left end, row, words) in rows so that none covers another.

    Also the panel that holds them.
    """
    span_h = len(environment.sky) / 60
    in_per_h = (parts.WIDTH_IN - left_in - right_in) / span_h
    ends_in: list[float] = []
    placed = []
    for hour, words in event_words(environment, now_utc):
        long_in = parts.width_in(words) + 0.08
        start_in = min(max(hour * in_per_h - long_in / 2, 0), span_h * in_per_h - long_in)
        row = next((r for r, end in enumerate(ends_in) if end <= start_in), len(ends_in))
        ends_in[row : row + 1] = [start_in + long_in]
        placed.append((hour, start_in / in_per_h, row, words))
    return placed, Panel(EVENT_ROW_IN * (len(ends_in) + 0.35), 0)


def events_panel(ax: Axes, placed: list[tuple[float, float, int, str]]) -> None:
    """The words of events over their instants."""
    ax.set_ylim(0, max((row for _, _, row, _ in placed), default=-1) + 1.35)
    ax.set_yticks([])
    ax.spines["left"].set_visible(False)
    ax.spines["bottom"].set_visible(False)
    ax.tick_params(axis="x", length=0)
    for hour, left, row, words in placed:
        if row:
            ax.plot([hour, hour], [0, row + 0.12], color=INK, linewidth=0.6, zorder=1)
        ax.text(
            left,
            row + 0.5,
            words,
            size=SMALL_PT,
            va="center",
            zorder=2,
            bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 0.8},
        )


def mark_events(
    axes: Iterable[Axes], environment: Environment, now_utc: datetime | None = None
) -> None:
    """Hairlines that carry risings and settings down; eclipses have their bands, now a line."""
    events = environment.events[~environment.events["event"].str.startswith(COVERING)]
    for ax in axes:
        for hour in parts.hours_of(environment, events["time_utc"]):
            ax.axvline(hour, color=INK, linewidth=0.45, linestyle=(0, (1, 2)), zorder=2)
        for hour in [] if now_utc is None else parts.hours_of(environment, [now_utc]):
            ax.axvline(hour, zorder=3.5, **NOW_LOOK)


def terrain(ax: Axes, hours: np.ndarray, skyline_deg: np.ndarray, low_deg: float) -> None:
    """The skyline below a body as filled ground, down to `low_deg`."""
    # 2000 points draw as smooth a filled outline as a page can show.
    thin = slice(None, None, -(-len(hours) // 2000))
    ax.fill_between(
        hours[thin], low_deg, skyline_deg[thin], color=parts.GROUND, linewidth=0, zorder=1
    )
    ax.plot(hours, skyline_deg, zorder=2, **TERRAIN_LINE)


def sun_panel(ax: Axes, environment: Environment, earth: bool) -> None:
    """The Sun over the skyline below it and, if wanted, the Earth over its own."""
    scenario = environment.scenario
    table, hours = environment.sky, parts.minute_edges_h(environment)[:-1]
    sun_deg = table["sun_elevation_deg"].to_numpy()
    below_sun_deg = skyline_at(scenario, table["sun_azimuth_deg"].to_numpy())
    sun_look = {"color": parts.SUN, "linewidth": 1.8}
    labels = [
        (sun_deg[-1], "Sun", sun_look),
        (below_sun_deg[-1], "skyline below Sun", TERRAIN_LINE),
    ]
    low, high = min(sun_deg.min(), below_sun_deg.min(), 0), max(sun_deg.max(), below_sun_deg.max())
    ax.plot(hours, sun_deg, zorder=4, path_effects=parts.halo(2.6), **sun_look)
    if earth:
        earth_deg = table["earth_elevation_deg"].to_numpy()
        below_earth_deg = skyline_at(scenario, table["earth_azimuth_deg"].to_numpy())
        earth_look = {"color": parts.EARTH, "linewidth": 1.4, "linestyle": (0, (6, 2))}
        below_look = {"color": parts.EARTH, "linewidth": 0.9, "linestyle": (0, (1, 1.5))}
        ax.plot(hours, earth_deg, zorder=3, path_effects=parts.halo(2.2), **earth_look)
        ax.plot(hours, below_earth_deg, zorder=2.5, **below_look)
        labels += [
            (earth_deg[-1], "Earth", earth_look),
            (below_earth_deg[-1], "skyline below Earth", below_look),
        ]
        low = min(low, earth_deg.min(), below_earth_deg.min())
        high = max(high, earth_deg.max(), below_earth_deg.max())
    room_deg = 0.07 * (high - low) + 0.5
    terrain(ax, hours, below_sun_deg, low - room_deg)
    ax.set_ylim(low - room_deg, high + room_deg)
    parts.beside(ax, labels)


@styled
def sky_figure(environment: Environment) -> Figure:
    """Sun and Earth over the skyline, visible fraction, ground temperature, contacts."""
    scenario = environment.scenario
    left_in, right_in = 1.42, 1.5
    dark = darkness(environment)
    placed, events_room = event_rows(environment, left_in, right_in)
    figure, axes = parts.page(
        scenario.title,
        place_and_span(scenario),
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
        key=[
            *dark_key(*dark),
            ("ground below the skyline", {"facecolor": parts.GROUND}),
            ("Earth contact", parts.CONTACT_LOOK),
        ],
    )
    events, elevation, fraction, ground, tail, contacts = axes
    parts.time_axes(environment, axes)
    shade(axes[1:], *dark)
    mark_events(axes[1:], environment)
    events_panel(events, placed)
    sun_panel(elevation, environment, earth=True)
    parts.name_axis(elevation, "elevation\n(deg)")
    _fraction_panel(fraction, environment)
    _ground_panel(ground, environment)
    _tail_lane(tail, environment)
    _contact_lanes(contacts, environment)
    return figure


def _fraction_panel(ax: Axes, environment: Environment) -> None:
    """How much of the Sun's disc is to be seen."""
    hours = parts.minute_edges_h(environment)[:-1]
    visible = environment.sky["sun_visible_fraction"].to_numpy()
    thin = slice(None, None, -(-len(hours) // 2000))
    ax.fill_between(hours[thin], visible[thin], color=parts.LIGHT, linewidth=0, zorder=1)
    ax.plot(hours, visible, zorder=3, color=parts.SUN, linewidth=1.4)
    ax.set_ylim(0, 1.08)
    ax.set_yticks([0, 0.5, 1])
    parts.name_axis(ax, "visible fraction\nof the Sun's disc\n(0 to 1)")
    light_h = np.count_nonzero(visible > 0) / 60
    sums = f"some light {light_h:.1f} h\nno light {len(visible) / 60 - light_h:.1f} h"
    parts.beside(ax, [(0.5, sums, parts.NO_LINE)])


def _ground_panel(ax: Axes, environment: Environment) -> None:
    """Ground temperature at the surface and at depths."""
    scenario = environment.scenario
    hours = parts.minute_edges_h(environment)[:-1]
    columns = {"surface": "surface_temperature_k"} | {
        f"{depth_m * 100:g} cm deep": depth_column(depth_m) for depth_m in wanted_depths_m(scenario)
    }
    labels = []
    for k, (words, column) in enumerate(columns.items()):
        values_k, look = environment.sky[column].to_numpy(), LINES[k % len(LINES)]
        ax.plot(hours, values_k, zorder=3, path_effects=parts.halo(2.2), **look)
        if column == "surface_temperature_k" and "surface_temperature_low_k" in environment.sky:
            _slope_band(ax, environment, hours)
            words = f"surface, band for\n±{scenario.site.slope_uncertainty_deg:g}° of slope"
        digits = 0 if np.ptp(values_k) >= 2 else 1
        reach = f"{words}\n{values_k.min():.{digits}f} to {values_k.max():.{digits}f} K"
        labels.append((values_k[-1], reach, look))
    ax.margins(y=0.06)
    parts.name_axis(ax, "ground\ntemperature\n(K)")
    parts.beside(ax, labels)


def _slope_band(ax: Axes, environment: Environment, hours: np.ndarray) -> None:
    """Between the coldest and the warmest slope that the ground may have."""
    low_k, high_k = (environment.sky[f"surface_temperature_{end}_k"] for end in ("low", "high"))
    tone = {"color": LINES[0]["color"], "alpha": 0.22}
    ax.fill_between(hours, low_k, high_k, linewidth=0, zorder=2, **tone)


def _tail_lane(ax: Axes, environment: Environment) -> None:
    """When the Moon is in the Earth's magnetotail."""
    inside = environment.sky["in_magnetotail"].to_numpy()
    windows = intervals.from_mask(inside, parts.minute_edges_h(environment))
    parts.bars(ax, windows, 0, 0.6, zorder=3, **TAIL_LOOK)
    ax.set_ylim(0.4, -0.4)
    ax.set_yticks([0], ["Earth's magnetotail"])
    ax.tick_params(axis="y", length=0)
    reach = f"{inside.sum() / 60:.1f} h (±{environment.scenario.site.magnetotail_limit_deg:g}°)"
    parts.beside(ax, [(0, reach if inside.any() else "outside", parts.NO_LINE)])


def _contact_lanes(ax: Axes, environment: Environment) -> None:
    """One lane a station, a bar a contact."""
    names = [s.name for s in environment.scenario.station]
    labels = []
    for k, name in enumerate(names):
        contacts = contact_windows(environment, station=name)
        parts.bars(ax, contacts, k, 0.6, zorder=3, **parts.CONTACT_LOOK)
        labels.append((k, f"{np.ptp(contacts, axis=1).sum():.1f} h", parts.NO_LINE))
    ax.set_ylim(len(names) - 0.4, -0.6)
    ax.set_yticks(range(len(names)), [parts.shortened(name, 18) for name in names])
    ax.tick_params(axis="y", length=0)
    parts.beside(ax, labels)
