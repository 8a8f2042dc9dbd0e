"""Events of the Sun, night, eclipse and now, as all pictures over the span mark them."""

from collections.abc import Iterable
from datetime import datetime

from matplotlib.axes import Axes

from obsplan.environment.model import Environment
from obsplan.physics import lunar_eclipse
from obsplan.reporting.figures import layout
from obsplan.reporting.figures.layout import INK, PAPER, SMALL_PT, Panel
from obsplan.reporting.hours import Windows, hours_of, night_words

EVENT_ROW_IN = 0.15
COVERING = ("eclipse begins", "full cover begins", "full cover ends", "eclipse ends")
WHOLE_MOON = tuple(name for pair in lunar_eclipse.CONTACTS for name in pair)
# Events whose name needs its subject in a picture of the Sun and the Earth.
WITH_SUBJECT = {"centre rises": "Sun's centre rises", "centre sets": "Sun's centre sets"}
ECLIPSE_H = 12  # longer than any lunar eclipse, shorter than the time between two
NOW_STYLE = {"color": INK, "linewidth": 1.4}


def darkness_legend(
    environment: Environment, night: Windows, eclipse: Windows
) -> list[tuple[str, dict]]:
    """Legend of the night and eclipse bands that the span has."""
    shown = (
        (night_words(environment), layout.NIGHT_STYLE, night),
        ("eclipse by the Earth", layout.ECLIPSE_STYLE, eclipse),
    )
    return [(words, style) for words, style, windows in shown if len(windows)]


def shade_darkness(axes: Iterable[Axes], night: Windows, eclipse: Windows) -> None:
    """Night and eclipse as bands behind the data."""
    for ax in axes:
        for windows, style in ((night, layout.NIGHT_STYLE), (eclipse, layout.ECLIPSE_STYLE)):
            for start_h, end_h in windows:
                ax.axvspan(start_h, end_h, zorder=0.5, **style)


def event_labels(
    environment: Environment, now_utc: datetime | None = None
) -> list[tuple[float, str]]:
    """Events of the Sun, and now, as (hour, text); the phases of an eclipse share one text."""
    hours = hours_of(environment, environment.events["time_utc"])
    words: list[tuple[float, str]] = []
    eclipse: list[tuple[float, str, str]] = []
    for hour, row in zip(hours, environment.events.itertuples()):
        clock = f"{row.time_utc.round('min'):%H:%M}"
        if row.event in WHOLE_MOON:
            continue
        if row.event not in COVERING:
            words.append((hour, f"{WITH_SUBJECT.get(row.event, row.event)} {clock}"))
            continue
        eclipse.append((hour, row.event, clock))
        if row.event == "eclipse ends":
            words.append(_eclipse_words(eclipse))
            eclipse = []
    if now_utc is not None:
        words.append((hours_of(environment, [now_utc])[0], f"now, {now_utc:%H:%M}"))
    return sorted(words + ([_eclipse_words(eclipse)] if eclipse else []))


def _eclipse_words(phases: list[tuple[float, str, str]]) -> tuple[float, str]:
    clocks = {event: clock for _, event, clock in phases}

    def stretch(what: str) -> str:
        begins, ends = clocks.get(f"{what} begins"), clocks.get(f"{what} ends")
        from_to = f"from {begins} " if begins and not ends else f"{begins} " if begins else ""
        return f"{from_to}to {ends}" if ends else from_to.strip()

    full = stretch("full cover")
    words = f"eclipse {stretch('eclipse')}".strip() + (f", full {full}" if full else "")
    return (phases[0][0] + phases[-1][0]) / 2, words


def almanac_labels(environment: Environment) -> list[tuple[float, str]]:
    """The almanac's contacts of each eclipse with the whole Moon, as (hour, text)."""
    events = environment.events[environment.events["event"].isin(WHOLE_MOON)]
    hours = hours_of(environment, events["time_utc"])
    starts = [k for k in range(len(hours)) if k == 0 or hours[k] - hours[k - 1] > ECLIPSE_H]
    labels = []
    for first, end in zip(starts, [*starts[1:], len(hours)]):
        contacts = [
            f"{row.event.split()[0]} {row.time_utc.round('min'):%H:%M}"
            for row in events.iloc[first:end].itertuples()
        ]
        labels.append((hours[first:end].mean(), "whole Moon: " + ", ".join(contacts)))
    return labels


def place_events(
    environment: Environment,
    left_in: float,
    right_in: float,
    now_utc: datetime | None = None,
    almanac: bool = False,
) -> tuple[list[tuple[float, float, int, str]], Panel]:
    """Event texts as (hour, left end, row, text) in rows so that none covers another.

    Also the panel for them. With `almanac`, the contacts of the whole Moon are among them.
    """
    labels = event_labels(environment, now_utc)
    if almanac:
        labels = sorted(labels + almanac_labels(environment))
    span_h = len(environment.sky) / 60
    in_per_h = (layout.WIDTH_IN - left_in - right_in) / span_h
    ends_in: list[float] = []
    placed = []
    for hour, words in labels:
        long_in = layout.width_in(words) + 0.08
        start_in = min(max(hour * in_per_h - long_in / 2, 0), span_h * in_per_h - long_in)
        row = next((r for r, end in enumerate(ends_in) if end <= start_in), len(ends_in))
        ends_in[row : row + 1] = [start_in + long_in]
        placed.append((hour, start_in / in_per_h, row, words))
    return placed, Panel(EVENT_ROW_IN * (len(ends_in) + 0.35), 0)


def draw_events(ax: Axes, placed: list[tuple[float, float, int, str]]) -> None:
    """The texts of events above their instants."""
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
    """Thin lines at sunrise and sunset, a bold one at now; eclipses have their bands."""
    events = environment.events[~environment.events["event"].isin([*COVERING, *WHOLE_MOON])]
    for ax in axes:
        for hour in hours_of(environment, events["time_utc"]):
            ax.axvline(hour, color=INK, linewidth=0.45, linestyle=(0, (1, 2)), zorder=2)
        for hour in [] if now_utc is None else hours_of(environment, [now_utc]):
            ax.axvline(hour, zorder=3.5, **NOW_STYLE)
