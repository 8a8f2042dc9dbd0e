"""A map of surveyed sites, coloured by a column of the survey table."""

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.colors import Normalize
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, MultipleLocator

from obsplan.common.errors import ObsplanError
from obsplan.reporting.figures import layout
from obsplan.reporting.figures.layout import INK, PAPER, SMALL_PT, WIDTH_IN, Panel, styled
from obsplan.survey.day_columns import DAY_COLUMNS, WORD_COLUMNS
from obsplan.survey.tolerances import least_difference

# Lightness rises evenly, so that it reads in grey and to colour-blind eyes.
COLOUR_MAP = "cividis"
# The least differences that matter between the darkest and the lightest colour, at least.
TONES = 10
NO_FIGURE = {"marker": "x", "color": "#8a909c", "linewidths": 0.8}
UNITS = ("h", "deg", "km", "min", "mbit", "wh", "k")
WORDS = {
    "value": "value of the plan",
    "energy_share": "energy / requested",
    "link_share": "downlink capacity / requested",
}
NAMED_SITES = 12


def mapped_columns() -> list[str]:
    """Columns of a survey that a map can show: its numbers."""
    return [c for c in DAY_COLUMNS if not c.endswith("_utc") and c not in WORD_COLUMNS]


def require_column(column: str, planned: bool = True) -> None:
    """Raise ObsplanError if a map cannot show `column`; some columns need a `planned` survey."""
    if column not in mapped_columns():
        raise ObsplanError(
            f"--colour {column}: no such column of numbers; known: {', '.join(mapped_columns())}"
        )
    if column in ("value", "bound") and not planned:
        raise ObsplanError(f"--colour {column}: only a survey with --plan has it")


@styled
def survey_map(title: str, table: pd.DataFrame, column: str = "useful_light_h") -> Figure:
    """Sites by longitude and latitude, coloured by `column` on each site's best lunar day.

    The best has rank 1. Sites without a landing, or without a value in `column`, are
    crosses, those without coordinates are missing. `table` is that of `survey_sites`. Raises
    ObsplanError for another column.
    """
    require_column(column)
    best = table.dropna(subset=["latitude_deg", "longitude_deg"])
    best = best.assign(place=best["rank"].astype(float).fillna(np.inf))
    best = best.sort_values("place", kind="stable").drop_duplicates("name")
    shown = best["rank"].notna() & best[column].notna()
    none = best[~shown]
    lands = int(best["landing_opens_utc"].notna().sum())
    figure, [ax] = layout.new_page(
        f"{title}: {len(best)} sites",
        f"{_label(column)} on the best lunar day of each site; "
        f"{lands} of {len(best)} sites allow a landing",
        [Panel(5.5, 1)],
        0.85,
        1.7,
        legend=[
            (
                "site without a landing, or without a value",
                {"marker": "x", "color": NO_FIGURE["color"], "linestyle": ""},
            )
        ],
    )
    longitude = np.mod(best["longitude_deg"] + 180.0, 360.0) - 180.0
    ax.scatter(longitude[~shown], none["latitude_deg"], s=18, zorder=3, **NO_FIGURE)
    size = float(np.clip(9000 / max(len(best), 1), 10, 90))
    values = best.loc[shown, column].astype(float)
    if shown.any():
        dots = ax.scatter(
            longitude[shown],
            best.loc[shown, "latitude_deg"],
            c=values,
            s=size,
            cmap=COLOUR_MAP,
            norm=Normalize(*_colour_ends(column, values)),
            edgecolors=INK,
            linewidths=0.4,
            zorder=4,
        )
        box = ax.get_position()
        side = figure.add_axes([box.x1 + 0.25 / WIDTH_IN, box.y0, 0.16 / WIDTH_IN, box.height])
        figure.colorbar(dots, cax=side, label=_label(column))
    _axes(ax, longitude, best["latitude_deg"])
    leading = best["place"] == best["place"].min()
    named = leading | (len(best) <= NAMED_SITES)
    if named.sum() <= NAMED_SITES:
        for name, x, y in zip(best["name"][named], longitude[named], best["latitude_deg"][named]):
            _name_site(ax, name, x, y)
    return figure


def _colour_ends(column: str, values: pd.Series) -> tuple[float, float]:
    """What the darkest and the lightest colour stand for.

    They are so far apart that a difference that does not matter is hardly seen.
    """
    low, high = float(values.min()), float(values.max())
    least = TONES * least_difference(column, max(abs(low), abs(high)))
    room = max(least - (high - low), 0.0) / 2
    if low >= 0:  # of what is never negative
        room = min(room, low)
    return low - room, max(high + room, low - room + least)


def _name_site(ax: Axes, name: str, x: float, y: float) -> None:
    """A site's name beside its mark, towards the middle of the map, where there is room."""
    left, high = x > np.mean(ax.get_xlim()), y > 85.0
    ax.annotate(
        layout.shortened(name, 20),
        (x, y),
        (-6 if left else 6, -5 if high else 5),
        textcoords="offset points",
        ha="right" if left else "left",
        va="top" if high else "baseline",
        size=SMALL_PT,
        zorder=5,
        path_effects=layout.halo(),
    )


def _axes(ax: Axes, longitude: pd.Series, latitude: pd.Series) -> None:
    """Degrees east and north, with room around the sites, never beyond the sphere."""
    for values, limit, set_ends in ((longitude, 180.0, ax.set_xlim), (latitude, 90.0, ax.set_ylim)):
        room = 0.06 * max(float(np.ptp(values)), 2.0)
        set_ends(max(values.min() - room, -limit - 3), min(values.max() + room, limit + 3))
    both = ((ax.xaxis, ax.get_xlim(), ("E", "W")), (ax.yaxis, ax.get_ylim(), ("N", "S")))
    for axis, ends, (more, less) in both:
        steps = [0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30]
        span = ends[1] - ends[0]
        axis.set_major_locator(MultipleLocator(next((s for s in steps if span / s <= 10), 45)))
        axis.set_major_formatter(FuncFormatter(_degrees(more, less)))
    ax.grid(color=layout.RULE, linewidth=0.5, zorder=0)
    ax.set_facecolor(PAPER)
    ax.set_xlabel("longitude (deg, east positive)")
    ax.set_ylabel("latitude (deg, north positive)")


def _degrees(more: str, less: str):
    """A tick's label: degrees and the side."""
    return lambda value, _: f"{abs(value):g}°{more if value > 0 else less if value < 0 else ''}"


def _label(column: str) -> str:
    if column in WORDS:
        return WORDS[column]
    *words, unit = column.split("_")
    return f"{' '.join(words)} ({unit})" if unit in UNITS else column.replace("_", " ")
