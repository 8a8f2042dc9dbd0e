"""The picture to choose a lunar day by: days down, time across, rank and reasons beside."""

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, MultipleLocator

from obsplan.common.constants import SYNODIC_MONTH_DAYS
from obsplan.inputs.scenario import Scenario
from obsplan.reporting.figures import layout
from obsplan.reporting.figures.layout import INK, PAPER, SMALL_PT, WIDTH_IN, Panel, styled
from obsplan.survey.landing_days import DayChoice
from obsplan.survey.ranking import TIE_BREAKS, Notes, in_parts, standing
from obsplan.survey.tolerances import TOLERANCES

LEFT_IN, RIGHT_IN, WORTH_IN, WORDS_IN = 2.42, 4.85, 0.85, 3.75
ROW_IN = 0.3
MOST_ROW_IN = 0.5
LIGHT_STYLE = {"facecolor": layout.LIGHT, "edgecolor": "none"}
LANDING_STYLE = {"facecolor": layout.SLOT_COLOURS[0], "edgecolor": PAPER, "linewidth": 0.4}
CONTACT_STYLE = {"facecolor": layout.EARTH, "edgecolor": "none"}
ECLIPSE_STYLE = {"facecolor": INK, "edgecolor": PAPER, "linewidth": 0.5}
HIDDEN_STYLE = {"facecolor": PAPER, "edgecolor": layout.GROUND, "hatch": "xxxxx", "linewidth": 0.4}
NIGHT_STYLE = {"facecolor": layout.NIGHT, "edgecolor": "none"}
BEST_STYLE = {"facecolor": "none", "edgecolor": INK, "linewidth": 1.3}
WORTH_STYLE = {"facecolor": layout.SLOT_COLOURS[1], "edgecolor": "none"}
BOUND_STYLE = {"facecolor": "none", "edgecolor": layout.SLOT_COLOURS[1], "linewidth": 0.8}
# Where each window is drawn in its row: middle and height, down from the row's line.
LANES = (
    ("light", 0.0, 0.78, LIGHT_STYLE),
    ("landing", -0.2, 0.34, LANDING_STYLE),
    ("eclipse", -0.02, 0.72, ECLIPSE_STYLE),
    ("contact", 0.28, 0.16, CONTACT_STYLE),
    ("earth hidden", 0.28, 0.2, HIDDEN_STYLE),
)


@styled
def days_figure(scenario: Scenario, choice: DayChoice) -> Figure:
    """Every lunar day: light, landing window, eclipses, contact, rank, worth and reasons."""
    # As plain numbers, where none compares as unequal.
    table = choice.table.reset_index(drop=True).astype({"rank": float})
    planned = table["value"].notna().any()
    figure, [ax] = layout.new_page(
        f"{scenario.title}: choice of the lunar day",
        f"{_verdict(table, planned)}\n{_landing_rule(scenario, planned)}",
        [Panel(ROW_IN * len(table) + 0.1, 1)],
        LEFT_IN,
        RIGHT_IN,
        legend=[
            ("daylight", LIGHT_STYLE),
            ("night", NIGHT_STYLE),
            ("landing window", LANDING_STYLE),
            ("eclipse by the Earth", ECLIPSE_STYLE),
            ("contact", CONTACT_STYLE),
            ("Earth below the skyline", HIDDEN_STYLE),
            ("rank 1", BEST_STYLE),
        ],
        footer=f"{MEANING} {_equality(planned)}",
    )
    _lower(figure, ax, MOST_ROW_IN * len(table) + 0.1)
    noon = _noons(choice.windows)
    _draw_days(ax, table, choice.windows, noon)
    _label_rows(ax, table)
    _draw_worth(figure, ax, table, choice.notes, planned)
    return figure


def _lower(figure: Figure, ax: Axes, most_in: float) -> None:
    """The page cut to what axes of at most this height need: few days do not fill it."""
    was_in, box = figure.get_figheight(), ax.get_position()
    spare_in = max(box.height * was_in - most_in, 0.0)
    scale = was_in / (was_in - spare_in)
    figure.set_figheight(was_in - spare_in)
    ax.set_position([box.x0, box.y0 * scale, box.width, box.height * scale - scale + 1.0])
    for text in figure.texts:
        if text.get_transform() is figure.dpi_scale_trans:
            continue  # the key, in inches from the foot
        edge = 1.0 if text.get_va() == "top" else 0.0
        text.set_y(edge + (text.get_position()[1] - edge) * scale)


def _verdict(table: pd.DataFrame, planned: bool) -> str:
    order = table.dropna(subset="rank").sort_values("rank", kind="stable")
    if order.empty:
        return "No lunar day in the range allows a landing; the reasons are at the right."
    row = order.iloc[0]
    worth = (
        f"plan value {row['value']:.1f} (upper bound {row['bound']:.1f})"
        if planned
        else f"{row['useful_light_h']:.1f} h of useful light"
    )
    if len(order) > 1:
        after = order.iloc[1]
        measure = "value" if planned else "useful_light_h"
        worth += f", next best: day {after['lunar_day']} with {after[measure]:.1f}"
        if equal := standing(after):
            worth += f" ({equal})"
    return (
        f"Best of {len(order)}: lunar day {row['lunar_day']}, landing window "
        f"{row['landing_opens_utc']:%Y-%m-%d %H:%M} to {row['landing_closes_utc']:%m-%d %H:%M} UTC "
        f"(open {row['landing_h']:.0f} h{in_parts(row)}), "
        f"last light {_stamp(row['last_light_utc'])}\n"
        f"{worth[0].upper()}{worth[1:]}; {row['notes']}"
    )


def _landing_rule(scenario: Scenario, planned: bool) -> str:
    low, high = scenario.landing.sun_elevation_deg
    stations = scenario.landing.stations
    many = "a station" if stations == 1 else f"{stations} stations"
    measure = "the value of the plan" if planned else "useful light"
    return (
        f"Ranked by {measure}. A landing requires the morning Sun at {low:g} to {high:g} deg, the "
        f"Earth above the skyline and {scenario.landing.earth_elevation_min_deg:g} deg, and {many} "
        "in contact.\n"
    )


MEANING = (
    "Useful light: daylight remaining less eclipses, times the smaller of energy and downlink "
    "capacity over requests, at most 1. Notes that say more or less compare with the median day."
)


def _equality(planned: bool) -> str:
    """When days are equal, and what decides then."""
    worth = "value" if planned else "useful_light_h"
    names = ", then ".join(TIE_BREAKS.values())
    return (
        f"Days within {100 * TOLERANCES[worth].share:g} % of the best "
        f"{'value' if planned else 'useful light'} are equal; then {names} decide; "
        "days equal in all share a rank (=)."
    )


def _stamp(instant) -> str:
    return "none" if pd.isna(instant) else f"{instant:%Y-%m-%d %H:%M}"


def _noons(windows: pd.DataFrame) -> dict[int, pd.Timestamp]:
    whole = windows[windows["window"] == "day"].set_index("lunar_day")
    return dict(whole["start_utc"] + (whole["end_utc"] - whole["start_utc"]) / 2)


def _draw_days(ax: Axes, table: pd.DataFrame, windows: pd.DataFrame, noon: dict) -> None:
    """Windows of each day in its row, in hours from local noon."""
    reach = []
    ax.set_facecolor(layout.NIGHT)
    for row, number in enumerate(table["lunar_day"]):
        own = windows[windows["lunar_day"] == number]
        for name, middle, tall, style in LANES:
            part = own[own["window"] == name]
            spans = np.stack(
                [
                    (part[c] - noon[number]) / pd.Timedelta(hours=1)
                    for c in ("start_utc", "end_utc")
                ],
                axis=1,
            )
            if name == "light":
                reach.append(spans)
            layout.draw_bars(ax, spans, row + middle, tall, zorder=3, **style)
        if table["rank"].iloc[row] == 1:
            ax.axhspan(row - 0.47, row + 0.47, zorder=5, **BEST_STYLE)
    spans = np.concatenate(reach)
    half_h = SYNODIC_MONTH_DAYS * 12
    ends = (spans.min(), spans.max()) if len(spans) else (-half_h, half_h)
    ax.set_xlim(ends[0] - 12, ends[1] + 12)
    ax.set_ylim(len(table) - 0.5, -0.5)
    ax.xaxis.set_major_locator(MultipleLocator(48))
    ax.xaxis.set_major_formatter(FuncFormatter(lambda hours, _: f"{hours / 24:+.0f}"))
    ax.grid(axis="x", color=PAPER, linewidth=0.4, zorder=4)
    ax.set_xlabel("Earth days from local noon (UTC of light and landing at the left)")
    above = ax.secondary_xaxis(
        "top", functions=(lambda h: 12 + 12 * h / half_h, lambda t: (t - 12) * half_h / 12)
    )
    above.xaxis.set_major_locator(MultipleLocator(1 if ends[1] - ends[0] < 1.4 * half_h else 2))
    above.set_xlabel("lunar local time (h)")


def _label_rows(ax: Axes, table: pd.DataFrame) -> None:
    """Number and landing window at the left."""
    ax.set_yticks([])
    for row, day in enumerate(table.itertuples(index=False)):
        lands = pd.notna(day.landing_opens_utc)
        light = f"light {_stamp(day.first_light_utc)}"
        landing = (
            f"land  {day.landing_opens_utc:%Y-%m-%d %H:%M} "
            f"({day.landing_h:.0f} h{in_parts(day) or ' open'})"
            if lands
            else "no landing"
        )
        weight = "bold" if day.rank == 1 else "normal"
        x_in = (LEFT_IN - 0.06) / (WIDTH_IN - LEFT_IN - RIGHT_IN)
        for shift_in, words, size, bold in (
            (0.0, f"{day.lunar_day}", 8.5, weight),
            (0.42, f"{light}\n{landing}", 6.3, "normal"),
        ):
            place = -x_in + (0.12 + shift_in) / (WIDTH_IN - LEFT_IN - RIGHT_IN)
            ax.text(
                place,
                row,
                words,
                transform=ax.get_yaxis_transform(),
                size=size,
                weight=bold,
                va="center",
                clip_on=False,
                linespacing=1.2,
            )
    ax.text(
        -x_in + 0.12 / (WIDTH_IN - LEFT_IN - RIGHT_IN),
        -0.75,
        "lunar day  (UTC)",
        transform=ax.get_yaxis_transform(),
        size=SMALL_PT,
        va="bottom",
    )


def _draw_worth(
    figure: Figure, ax: Axes, table: pd.DataFrame, notes: tuple[Notes, ...], planned: bool
) -> None:
    """Value or useful light of each day as a bar, its rank, and its notes."""
    box = ax.get_position()
    side = figure.add_axes(
        [box.x1 + 0.12 / WIDTH_IN, box.y0, (WORTH_IN - 0.12) / WIDTH_IN, box.height]
    )
    measure = "value" if planned else "useful_light_h"
    worth = table[measure].fillna(0.0).to_numpy()
    most = max(float(np.nanmax([*worth, *table["bound"].fillna(0.0)])), 1e-9)
    rows = np.arange(len(table))
    if planned:
        side.barh(rows, table["bound"].fillna(0.0), 0.62, **BOUND_STYLE)
    side.barh(rows, worth, 0.62, **WORTH_STYLE)
    side.set_ylim(*ax.get_ylim())
    side.set_xlim(0, 1.5 * most)
    side.set_yticks([])
    side.set_xticks([0, float(f"{most:.1g}") if most >= 1 else 0])
    for spine in ("top", "right"):
        side.spines[spine].set_visible(False)
    side.set_xlabel("value of the plan" if planned else "useful light (h)")
    words_at = 1.0 + 0.1 / (WORTH_IN - 0.12)
    shared = table["rank"].duplicated(keep=False)
    for row, day in enumerate(table.itertuples(index=False)):
        weight = "bold" if day.rank == 1 else "normal"
        if worth[row] > 0:
            side.text(worth[row] + 0.03 * most, row, f"{worth[row]:.0f}", size=6.3, va="center")
        rank = "–" if pd.isna(day.rank) else f"{day.rank:.0f}{'=' if shared[row] else ''}"
        transform = side.get_yaxis_transform()
        side.text(
            words_at,
            row,
            rank,
            transform=transform,
            size=8.5,
            weight=weight,
            va="center",
            clip_on=False,
        )
        side.text(
            words_at + 0.3 / (WORTH_IN - 0.12),
            row,
            _reasons(notes[row]),
            transform=transform,
            size=6.3,
            va="center",
            clip_on=False,
            linespacing=1.2,
        )
    side.text(
        words_at,
        -0.75,
        "rank and reasons",
        transform=side.get_yaxis_transform(),
        size=SMALL_PT,
        va="bottom",
        clip_on=False,
    )


def _reasons(notes: Notes) -> str:
    """The notes of a day on two lines, cut to the room."""
    lines = "\n".join(notes.short_lines)
    room_in = WORDS_IN - 0.45
    if len(notes.short_lines) == 1 and layout.width_in(lines, 6.3) > room_in:
        # One side alone may take both lines.
        fits = [
            k
            for k, letter in enumerate(lines)
            if letter == " " and layout.width_in(lines[:k], 6.3) <= room_in
        ]
        lines = f"{lines[: fits[-1]]}\n{lines[fits[-1] + 1 :]}"
    return layout.cut_to_width(lines, room_in, 6.3)
