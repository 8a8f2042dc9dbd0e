"""A map of a traverse: stops in the order of visits, legs, ground, and the relay's range."""

from math import atan2, cos, hypot, pi, radians, remainder, sin

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from obsplan.analysis.traverse import traverse_table
from obsplan.analysis.visits import LeftOut, Visit, left_out, rovers, visits
from obsplan.common.text import number_text
from obsplan.inputs.hardware import Platform
from obsplan.inputs.legs import Place, Ways, places_of, ways_of
from obsplan.inputs.stop import LANDER
from obsplan.planning.plan import Plan
from obsplan.reporting.figures import layout
from obsplan.reporting.figures.layout import INK, PAPER, SMALL_PT, TEXT_PT, WIDTH_IN, Panel, styled
from obsplan.reporting.figures.traverse_ground import draw_ground, ground_legend, round_step

LEFT_IN, LIST_IN = 0.8, 3.5
LIST_FOOT_IN = 2.1  # below are the scale and the north
LINE_IN = 0.125  # height of a line of the list
LEFT_OUT_TONE = "#6d7483"
MARK_PT = 13
INDENT = 5 * " "
# Around the places, as a share of the widest extent, and at least.
ASIDE, LEAST_ASIDE_M = 0.12, 5.0
# A name so far from the direction of a leg does not touch it.
ENOUGH_RAD = 0.7


@styled
def traverse_map(plan: Plan) -> Figure:
    """The map of all rovers that have stops: metres east and north of the lander.

    Ground, hazards and relay are those of the first of them.
    """
    environment = plan.environment
    scenario = environment.scenario
    names = rovers(scenario)
    first = scenario.platform_named(names[0])
    ways = ways_of(scenario, first)
    has_model = bool(scenario.ground_paths(first))
    figure, [ax] = layout.new_page(
        f"{scenario.title}: traverse",
        layout.place_and_span(scenario),
        [Panel(5.9, 1)],
        LEFT_IN,
        LIST_IN + 0.15,
        legend=_legend(first, ways, has_model),
        footer="Azimuth from north through east; lengths are along the ground."
        if has_model
        else "Level ground: no elevation model was given. Azimuth from north through east.",
    )
    points = [p for name in names for p in places_of(scenario, name).values()]
    _frame(ax, points, figure)
    draw_ground(ax, first, ways, has_model)
    for k, name in enumerate(names):
        _draw_rover(ax, plan, name, layout.LINE_STYLES[k % len(layout.LINE_STYLES)])
    _north_and_scale(figure, ax)
    _list_of_stops(figure, plan, names)
    return figure


def _legend(platform: Platform, ways: Ways | None, has_model: bool) -> list[tuple[str, dict]]:
    """Samples of what is drawn."""
    dot = {"marker": "o", "markersize": 7, "linestyle": ""}
    shown: list[tuple[str, dict]] = [
        ("lander", {"marker": "s", "color": INK, "markersize": 7, "linestyle": ""}),
        ("stop, numbered by visits", dot | {"color": INK}),
        ("stop left out", dot | {"markerfacecolor": PAPER, "color": LEFT_OUT_TONE}),
    ]
    assert platform.drive is not None
    if platform.drive.longest_drive_m:
        look = dot | {"markersize": 4, "markerfacecolor": PAPER, "color": INK}
        shown.append(("look between two parts of a leg", look))
    shown += ground_legend(platform, ways, has_model)
    return shown


def _frame(ax: Axes, points: list[Place], figure: Figure) -> None:
    """The same scale east and north, with room around all places."""
    east, north = np.array(points).T
    wide, tall = np.ptp(east), np.ptp(north)
    aside = max(LEAST_ASIDE_M, ASIDE * max(wide, tall))
    box = ax.get_position()
    shape = box.height * figure.get_figheight() / (box.width * figure.get_figwidth())
    half = max(wide / 2 + aside, (tall / 2 + aside) / shape)
    centre = (east.max() + east.min()) / 2, (north.max() + north.min()) / 2
    ax.set_xlim(centre[0] - half, centre[0] + half)
    ax.set_ylim(centre[1] - half * shape, centre[1] + half * shape)
    ax.set_aspect("equal")
    ax.set_xlabel("east of the lander (m)")
    ax.set_ylabel("north of the lander (m)")
    ax.set_axisbelow(True)
    ax.grid(color=layout.RULE, linewidth=0.5, zorder=0)


# -------------------------------------------------------------------------------- rover


def _draw_rover(ax: Axes, plan: Plan, platform: str, line: dict) -> None:
    """Legs, the stops visited with their numbers, and those left out."""
    scenario = plan.environment.scenario
    places = places_of(scenario, platform)
    made = visits(plan, platform)
    for visit in made:
        if visit.leg is not None:
            _draw_leg(ax, visit, line)
    ax.plot(*places[LANDER], "s", color=INK, markersize=8, zorder=5)
    onward = _ways_from_stops(made)
    aside = _aside(ax, places[LANDER], onward.get(LANDER, []))
    _label(ax, "lander", places[LANDER], aside, INK, weight="bold")
    numbers: dict[str, list[str]] = {}
    for visit in made:
        if visit.number and visit.stop != LANDER:
            numbers.setdefault(visit.stop, []).append(str(visit.number))
    for stop, at in places.items():
        if stop == LANDER:
            continue
        tone, words = (INK, ",".join(numbers[stop])) if stop in numbers else (LEFT_OUT_TONE, "")
        face = tone if words else PAPER
        ax.plot(*at, "o", color=tone, markerfacecolor=face, markersize=MARK_PT, zorder=5)
        ax.annotate(
            words or "×",
            at,
            color=PAPER if words else tone,
            size=TEXT_PT,
            weight="bold",
            ha="center",
            va="center_baseline",
            zorder=6,
        )
        weight = "bold" if words else "normal"
        aside = _aside(ax, at, onward.get(stop, []))
        _label(ax, layout.shortened(stop, 22), at, aside, tone, weight=weight)
    facing_deg = scenario.platform_named(platform).parking.facing_deg
    if facing_deg is not None and made:
        _draw_facing(ax, places[made[-1].stop], facing_deg)


def _draw_leg(ax: Axes, visit: Visit, line: dict) -> None:
    """A leg with an arrow half way, its length, and where the rover looks between its parts."""
    leg = visit.leg
    assert leg is not None
    path = np.array(leg.path_m)
    ax.plot(*path.T, linewidth=1.6, zorder=3, path_effects=layout.halo(3.4), **line)
    lengths = np.hypot(*np.diff(path, axis=0).T)
    at_m = np.append(0, np.cumsum(lengths))
    # The arrow stands where no part of a leg ends, its length half way.
    before, middle, after = (
        np.array([np.interp(share * at_m[-1], at_m, axis) for axis in path.T])
        for share in (0.55, 0.5, 0.59)
    )
    arrow = {"arrowstyle": "-|>", "color": line["color"], "linewidth": 1.4, "mutation_scale": 11}
    ax.annotate("", after, before, arrowprops=arrow, zorder=3.2)
    cuts = np.array(leg.cuts_m[1:-1])
    if len(cuts):
        ax.plot(*cuts.T, "o", color=line["color"], markerfacecolor=PAPER, markersize=4, zorder=4)
    way = after - before
    side = np.array([-way[1], way[0]]) / max(hypot(*way), 1e-9)
    side = side if side[1] > 0 else -side  # above the leg, where it can be
    _label(ax, f"{leg.distance_m:.0f} m", tuple(middle), tuple(9 * side), INK, size=SMALL_PT)


def _draw_facing(ax: Axes, at: Place, facing_deg: float) -> None:
    """Which way the rover faces once it is parked."""
    long_m = 0.055 * np.ptp(ax.get_xlim())
    tip = at[0] + long_m * sin(radians(facing_deg)), at[1] + long_m * cos(radians(facing_deg))
    arrow = {"arrowstyle": "-|>", "color": INK, "linewidth": 1.8, "mutation_scale": 13}
    ax.annotate("", tip, at, arrowprops=arrow, zorder=4.5)


def _ways_from_stops(made: list[Visit]) -> dict[str, list[float]]:
    """In which directions legs lead away from each place, or come to it, in radians from east."""
    found: dict[str, list[float]] = {}
    for leg in (visit.leg for visit in made if visit.leg is not None):
        for place, ends in ((leg.start, leg.path_m[:2]), (leg.end, leg.path_m[:-3:-1])):
            (east, north), (to_east, to_north) = ends
            found.setdefault(place, []).append(atan2(to_north - north, to_east - east))
    return found


def _aside(ax: Axes, at: Place, ways: list[float]) -> tuple[float, float]:
    """Where the name of a place stands, in points from it: clear of legs, and rather above and
    towards the middle of the map."""
    side = -9 if at[0] > np.mean(ax.get_xlim()) else 9

    def clear_of_legs(aside: tuple[float, float]) -> float:
        # A name is wide: its middle is three times as far aside as it is above.
        own = atan2(aside[1], 3 * aside[0])
        return min([ENOUGH_RAD, *(abs(remainder(own - way, 2 * pi)) for way in ways)])

    return max(((side, 7), (-side, 7), (side, -9), (-side, -9)), key=clear_of_legs)


def _label(
    ax: Axes,
    words: str,
    at: Place,
    away_pt: tuple[float, float],
    tone: str,
    size: float = TEXT_PT,
    weight: str = "normal",
) -> None:
    across = "center" if abs(away_pt[0]) < 6 else "left" if away_pt[0] > 0 else "right"
    ax.annotate(
        words,
        at,
        away_pt,
        textcoords="offset points",
        color=tone,
        size=size,
        weight=weight,
        ha=across,
        va="center",
        zorder=7,
        annotation_clip=True,
        path_effects=layout.halo(2.8),
    )


# ------------------------------------------------------------------------------ margins


def _north_and_scale(figure: Figure, ax: Axes) -> None:
    """An arrow to the north and a bar of so many metres, at the foot of the right margin."""
    box, wide_m = ax.get_position(), np.ptp(ax.get_xlim())
    per_m = box.width / wide_m
    bar_m = round_step(wide_m / 12)
    left, foot = 1 - (LIST_IN - 0.05) / WIDTH_IN, box.y0 + 0.012
    ends = [left, left + bar_m * per_m]
    page = figure.transFigure
    figure.add_artist(
        Line2D(ends, [foot, foot], transform=page, color=INK, linewidth=3, solid_capstyle="butt")
    )
    words = f"{number_text(bar_m)} m"
    figure.text(sum(ends) / 2, foot + 0.012, words, size=SMALL_PT, ha="center", va="bottom")
    across = ends[1] + 0.5 / WIDTH_IN
    arrow = {"arrowstyle": "-|>", "color": INK, "linewidth": 1.8, "mutation_scale": 14}
    tail, tip = (across, foot - 0.005), (across, foot + 0.05)
    ax.annotate("", tip, tail, "figure fraction", "figure fraction", arrowprops=arrow)
    figure.text(across, tip[1], "N", size=TEXT_PT, weight="bold", ha="center", va="bottom")


def _list_of_stops(figure: Figure, plan: Plan, names: list[str]) -> None:
    """Beside the map: the visits with their times and runs, then the stops left out and why."""
    lines: list[tuple[str, str, str]] = []  # words, weight, tone
    scenario = plan.environment.scenario
    drives = traverse_table(scenario, plan.timeline)
    for name in names:
        made = visits(plan, name)
        driven_m = drives.loc[drives["platform"] == name, "distance_m"].sum()
        lines.append((f"{name}: {driven_m:.0f} m of driving", "bold", INK))
        for visit in made:
            lines += _visit_lines(visit)
        missed = left_out(plan, name)
        if missed:
            lines.append(("left out", "bold", LEFT_OUT_TONE))
        for each in missed:
            lines += _left_out_lines(each)
    x_in = WIDTH_IN - LIST_IN
    high_in = figure.get_figheight()
    y_in = high_in - 0.9
    for words, weight, tone in lines:
        high = LINE_IN * (words.count("\n") + 1)
        if y_in - high < LIST_FOOT_IN:
            figure.text(x_in / WIDTH_IN, y_in / high_in, "… see traverse.csv", size=SMALL_PT)
            break
        figure.text(
            x_in / WIDTH_IN,
            y_in / high_in,
            words,
            size=SMALL_PT,
            weight=weight,
            color=tone,
            va="top",
            linespacing=1.2,
        )
        y_in -= high + 0.03


def _visit_lines(visit: Visit) -> list[tuple[str, str, str]]:
    """Where, when and what, of one visit."""
    comes = "from the start" if visit.arrives_utc is None else f"{visit.arrives_utc:%d %b %H:%M}"
    leaves = "to the end" if visit.leaves_utc is None else f"to {visit.leaves_utc:%d %b %H:%M}"
    number = f"{visit.number}  " if visit.number else ""
    done = ", ".join(f"{runs} {name}" for name, runs in visit.runs.items())
    lines = [(f"{number}{layout.shortened(visit.stop, 24)}", "bold", INK)]
    lines.append((f"{INDENT}{comes} {leaves}", "normal", INK))
    if done:
        lines.append((_indented(done), "normal", INK))
    return lines


def _left_out_lines(each: LeftOut) -> list[tuple[str, str, str]]:
    """A stop that no drive leads to, and why."""
    return [
        (f"×  {layout.shortened(each.stop, 24)}", "bold", LEFT_OUT_TONE),
        (_indented(each.reason), "normal", INK),
        *(
            [(_indented(f"would be visited if {each.visited_if}"), "normal", INK)]
            if each.visited_if
            else []
        ),
    ]


def _indented(words: str) -> str:
    """Words in lines below a name."""
    return f"{INDENT}{layout.wrapped(words, LIST_IN - 0.5)}".replace("\n", f"\n{INDENT}")
