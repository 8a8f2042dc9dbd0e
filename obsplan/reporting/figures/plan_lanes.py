"""The lanes of the plan's picture: names at the left, windows and slots, sums at the right."""

from typing import NamedTuple

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.patches import Rectangle
from matplotlib.transforms import blended_transform_factory

from obsplan.analysis.missing_runs import missing_text
from obsplan.common import intervals
from obsplan.environment.model import Environment
from obsplan.inputs.activity import Activity
from obsplan.inputs.placed import DriveActivity, name_in_scenario
from obsplan.inputs.scenario import Scenario
from obsplan.reporting.figures import layout
from obsplan.reporting.figures.layout import INK, PAPER, SMALL_PT, TEXT_PT
from obsplan.reporting.hours import Windows, contact_windows, hours_of, minute_edges_h
from obsplan.reporting.plan_picture import OTHERWISE, PlanPicture

LANE_IN = 0.16
# Heights, in lanes of an activity.
STATION_LANES, TEAM_LANES, SENDING_LANES, HEADING_LANES = 0.85, 0.75, 0.8, 0.95
# The columns at the right: runs placed, their value (its right edge), why some are missing.
PLACED_IN, VALUE_IN, REASON_IN = 0.07, 1.43, 1.55
SENDING_STYLE = {"facecolor": INK, "edgecolor": INK, "linewidth": 0.3}
REQUIRED_MARK = {
    "marker": "v",
    "markersize": 5,
    "color": INK,
    "markeredgecolor": PAPER,
    "markeredgewidth": 0.5,
    "linestyle": "none",
}
BROKEN_MARK = {
    "marker": "X",
    "markersize": 6.5,
    "color": INK,
    "markeredgecolor": PAPER,
    "markeredgewidth": 0.8,
    "linestyle": "none",
}


class Lane(NamedTuple):
    """One line of the plan: a station's contacts, a team, an activity's slots, sending.

    Stations and teams have no platform (""), and sending no instrument (""). `middle` counts lanes
    of an activity's height from the top. activities: those of an activity at stops, or of drives.
    """

    platform: str
    instrument: str
    name: str
    middle: float
    is_team: bool = False
    activities: tuple[Activity, ...] = ()


class Lanes(NamedTuple):
    """All lanes, top and foot of those of each platform, and the height of all."""

    lanes: list[Lane]
    groups: dict[str, tuple[float, float]]
    height: float

    def columns_in(self) -> tuple[float, float, float]:
        """Widths of the columns for platform, instrument and lane name, inches."""
        instruments = [layout.width_in(layout.shortened(lane.instrument)) for lane in self.lanes]
        names = [layout.width_in(layout.shortened(lane.name)) for lane in self.lanes]
        return 0.42, max(instruments) + 0.36, max(names) + 0.1


class Sums(NamedTuple):
    """What is written at the right of a lane; bold when runs are missing."""

    placed: str
    value: str = ""
    reason: str = ""
    bold: bool = False


def lanes_of(scenario: Scenario) -> Lanes:
    """Lanes from the top: stations, teams, then platform by platform instruments and sending."""
    lanes: list[Lane] = []
    groups: dict[str, tuple[float, float]] = {}
    y = 0.25
    sending = {platform: name for name, platform in scenario.sending_names.items()}

    def add(
        platform: str,
        instrument: str,
        name: str,
        tall: float = 1.0,
        is_team: bool = False,
        activities: tuple[Activity, ...] = (),
    ) -> None:
        nonlocal y
        lanes.append(Lane(platform, instrument, name, y + tall / 2, is_team, activities))
        y += tall

    for station in scenario.station:
        add("", "", station.name, STATION_LANES)
    for team in scenario.team:
        add("", "", team.name, TEAM_LANES, is_team=True)
    for platform in scenario.platform:
        # The first group leaves room for the heads of the columns at the right.
        y += 0.45 if groups else HEADING_LANES
        top = y
        for instrument in scenario.instrument:
            if instrument.platform == platform.name:
                for name, activities in _by_lane(scenario, instrument.name).items():
                    add(platform.name, instrument.name, name, activities=activities)
        add(platform.name, "", sending[platform.name], SENDING_LANES)
        # The upright name beside the lanes needs room of its own.
        name_in = layout.width_in(platform.name, TEXT_PT, "bold") + 0.1
        y = max(y, top + min(name_in, 0.65) / LANE_IN)
        groups[platform.name] = (top, y)
    return Lanes(lanes, groups, y + 0.15)


def _by_lane(scenario: Scenario, instrument: str) -> dict[str, tuple[Activity, ...]]:
    """The activities of an instrument by lane: those at stops together, and all drives."""
    lanes: dict[str, tuple[Activity, ...]] = {}
    for activity in scenario.activity:
        if activity.instrument == instrument:
            name = name_in_scenario(activity)
            lanes[name] = (*lanes.get(name, ()), activity)
    return lanes


def draw_lanes(ax: Axes, picture: PlanPicture, lanes: Lanes) -> None:
    """Names, contacts, permitted windows, slots and missing runs, and the sums of each lane."""
    plan = picture.plan
    environment = plan.environment
    styles = _instrument_styles(environment.scenario)
    ax.set_ylim(lanes.height, 0)
    ax.set_yticks([])
    _draw_names(ax, lanes, styles)
    _draw_headings(ax, picture, lanes)
    for lane in lanes.lanes:
        names = [a.name for a in lane.activities] or [lane.name]
        own = plan.timeline[plan.timeline["activity"].isin(names)]
        if lane.is_team:
            sums = _team_lane(ax, picture, lane)
        elif not lane.platform:
            sums = _station_lane(ax, environment, lane)
        elif lane.activities:
            sums = _activity_lane(ax, picture, lane, own, styles[lane.instrument])
        else:
            sums = _sending_lane(ax, picture, lane, own)
        _write_sums(ax, lane.middle, sums)


def _station_lane(ax: Axes, environment: Environment, lane: Lane) -> Sums:
    """Contacts of a station."""
    open_h = contact_windows(environment, station=lane.name)
    layout.draw_bars(ax, open_h, lane.middle, 0.55, zorder=3, **layout.CONTACT_STYLE)
    return Sums(f"{np.ptp(open_h, axis=1).sum():.1f} h contact")


def _team_lane(ax: Axes, picture: PlanPicture, lane: Lane) -> Sums:
    """The hours of a team, and when slots need it."""
    on_console_h, watching_h = picture.on_console[lane.name], picture.watching[lane.name]
    layout.draw_bars(ax, on_console_h, lane.middle, 0.55, zorder=1.5, **layout.WINDOW_STYLE)
    layout.draw_bars(ax, watching_h, lane.middle, 0.26, zorder=3, **SENDING_STYLE)
    hours = [np.ptp(windows_h, axis=1).sum() for windows_h in (watching_h, on_console_h)]
    return Sums(f"{hours[0]:.1f} of {hours[1]:.1f} h")


def _activity_lane(
    ax: Axes,
    picture: PlanPicture,
    lane: Lane,
    own: pd.DataFrame,
    style: dict,
) -> Sums:
    """Windows as bands, slots as bars, missing runs hollow; marks on required and broken ones."""
    names = [activity.name for activity in lane.activities]
    windows_h = intervals.union(np.concatenate([picture.windows[name] for name in names]))
    missing_h = np.concatenate([picture.missing[name] for name in names])
    layout.draw_bars(ax, windows_h, lane.middle, 0.86, zorder=1.5, **layout.WINDOW_STYLE)
    slots_h = _slots_h(picture, own)
    intended = ~own["state"].isin(OTHERWISE).to_numpy()
    _draw_slots(ax, slots_h[intended], lane.middle, style)
    _draw_otherwise(ax, slots_h[~intended], own["state"][~intended], lane.middle, style)
    # Drives are required by the route alone, which every plan has.
    must = sum(a.must for a in lane.activities if not isinstance(a, DriveActivity))
    first_h = slots_h[np.argsort(slots_h[:, 0])][:must].mean(axis=1)
    ax.plot(first_h, np.full(len(first_h), lane.middle - 0.42), zorder=5, **REQUIRED_MARK)
    layout.draw_bars(ax, missing_h, lane.middle, 0.46, zorder=2.5, **layout.MISSING_STYLE)
    wrong_h = slots_h[
        own["slot"].isin(picture.plan.verdict.slots_at_fault).to_numpy(dtype=bool)
    ].mean(axis=1)
    ax.plot(wrong_h, np.full(len(wrong_h), lane.middle), zorder=5, clip_on=False, **BROKEN_MARK)
    placed, requested = (
        sum(of[name] for name in names) for of in (picture.placed, picture.requested)
    )
    return Sums(
        f"{placed} of {requested}",
        f"{own['value'].sum():.1f}",
        _reason(picture, lane, requested - placed),
        placed < requested,
    )


def _draw_slots(ax: Axes, slots_h: Windows, middle: float, style: dict) -> None:
    """Slots as bars; narrow ones without the hatching and light edge that they have no room for."""
    wide_in = np.ptp(slots_h, axis=1) * ax.get_position().width * layout.WIDTH_IN / ax.get_xlim()[1]
    narrow, thin = wide_in < 0.07, wide_in < 0.025
    plain = {"hatch": "", "linewidth": 0.25}
    for which, changes in (
        (~narrow, {}),
        (narrow & ~thin, plain),
        (thin, plain | {"edgecolor": style["facecolor"]}),
    ):
        layout.draw_bars(ax, slots_h[which], middle, 0.66, zorder=3, **style | changes)


def _draw_otherwise(
    ax: Axes, slots_h: Windows, states: pd.Series, middle: float, style: dict
) -> None:
    """Runs that failed or were shortened: hatched, with their letter, however narrow."""
    for (start_h, end_h), state in zip(slots_h, states):
        look = otherwise_style(state, style)
        layout.draw_bars(ax, np.array([[start_h, end_h]]), middle, 0.66, zorder=3, **look)
        ax.text(
            (start_h + end_h) / 2,
            middle,
            state[0].upper(),
            size=SMALL_PT,
            weight="bold",
            ha="center",
            va="center_baseline",
            zorder=4.5,
            path_effects=layout.halo(1.8),
        )


def otherwise_style(state: str, style: dict) -> dict:
    """The style of a run that failed or was shortened, on an instrument of this style."""
    if state == "failed":
        return {"facecolor": PAPER, "edgecolor": INK, "hatch": "xxxxxx", "linewidth": 0.7}
    return style | {"hatch": "-------", "edgecolor": PAPER, "linewidth": 0.4}


def _reason(picture: PlanPicture, lane: Lane, missing: int) -> str:
    """How many runs are missing and why, in short; "" if none is."""
    if missing <= 0 or picture.plan.unplaced.empty:
        return ""
    names = [activity.name for activity in lane.activities]
    many = missing_text(missing, sum(len(picture.missing[name]) for name in names))
    answer = next((a for name in names if (a := picture.plan.answers.get(name))), None)
    return many if answer is None else f"{many}: {answer.reason.short(lane.platform)}"


def _sending_lane(ax: Axes, picture: PlanPicture, lane: Lane, own: pd.DataFrame) -> Sums:
    """When the link is up, and the transmit windows or, without any, when data are sent."""
    environment = picture.plan.environment
    edges_h = minute_edges_h(environment)
    rate_kbps = environment.platforms[lane.platform]["rate_kbps"].to_numpy()
    sent_mbit = picture.plan.verdict.resources[lane.platform]["sent_mbit"].to_numpy()
    open_h = intervals.from_mask(rate_kbps > 0, edges_h)
    sending_h = _slots_h(picture, own)
    if own.empty:
        sending_h = intervals.from_mask(sent_mbit > 0, edges_h[: len(sent_mbit) + 1])
    layout.draw_bars(ax, open_h, lane.middle, 0.6, zorder=1.5, **layout.WINDOW_STYLE)
    layout.draw_bars(ax, sending_h, lane.middle, 0.3, zorder=3, **SENDING_STYLE)
    return Sums(f"{sent_mbit.sum():,.0f} Mbit sent")


def _slots_h(picture: PlanPicture, own: pd.DataFrame) -> Windows:
    """Starts and ends of rows of the timeline."""
    environment = picture.plan.environment
    return np.stack([hours_of(environment, own[c]) for c in ("start_utc", "end_utc")], axis=1)


def _instrument_styles(scenario: Scenario) -> dict[str, dict]:
    """A colour for every instrument of a platform, a hatching for every platform."""
    styles = {}
    for p, platform in enumerate(scenario.platform):
        own = [i.name for i in scenario.instrument if i.platform == platform.name]
        for k, name in enumerate(own):
            turn = k // len(layout.SLOT_COLOURS)
            styles[name] = layout.slot_style(k % len(layout.SLOT_COLOURS), p + turn)
    return styles


# ------------------------------------------------------------------- names at the left


def _draw_names(ax: Axes, lanes: Lanes, styles: dict[str, dict]) -> None:
    """Columns at the left: platform, instrument with its sample, activity."""
    figure, box = ax.figure, ax.get_position()
    foot_in, tall_in = box.y0 * figure.get_figheight(), box.height * figure.get_figheight()
    platform_in, instrument_in, name_in = lanes.columns_in()
    page = {"transform": figure.dpi_scale_trans}

    def at(y: float) -> float:
        return foot_in + tall_in * (1 - y / lanes.height)

    def write(x_in: float, y: float, words: str, size: float = SMALL_PT, **how) -> None:
        figure.text(x_in, at(y), words, size=size, va="center", **page, **how)

    named = set()
    for lane in lanes.lanes:
        right_in = platform_in + instrument_in + name_in - 0.08
        write(right_in, lane.middle, layout.shortened(lane.name), ha="right")
        if lane.instrument in styles and lane.instrument not in named:
            named.add(lane.instrument)
            corner = (platform_in, at(lane.middle) - 0.05)
            figure.add_artist(Rectangle(corner, 0.16, 0.1, **page, **styles[lane.instrument]))
            write(platform_in + 0.22, lane.middle, layout.shortened(lane.instrument))
    for platform, (top, foot) in lanes.groups.items():
        ends_in = [at(top) - 0.02, at(foot) + 0.02]
        rule = Line2D([platform_in - 0.1] * 2, ends_in, color=INK, linewidth=1.2, **page)
        figure.add_artist(rule)
        words = layout.cut_to_width(platform, at(top) - at(foot), TEXT_PT, "bold")
        upright = {"weight": "bold", "rotation": 90, "ha": "center"}
        write(platform_in - 0.2, (top + foot) / 2, words, TEXT_PT, **upright)


# ------------------------------------------------------------------- sums at the right


def _draw_headings(ax: Axes, picture: PlanPicture, lanes: Lanes) -> None:
    """What the columns at the right say, between stations and platforms."""
    last = max(lane.middle for lane in lanes.lanes if not lane.platform)
    reason = "" if picture.plan.unplaced.empty else "missing runs and reason"
    middle = last + (STATION_LANES + HEADING_LANES) / 2
    _write_sums(ax, middle, Sums("scheduled", "value", reason))


def _write_sums(ax: Axes, middle: float, sums: Sums) -> None:
    """Columns at the right: runs scheduled, their value, how many are missing and why."""
    figure, box = ax.figure, ax.get_position()
    x_in = box.x1 * figure.get_figwidth()
    room_in = layout.WIDTH_IN - x_in - REASON_IN - 0.1
    how = {
        "size": SMALL_PT,
        "va": "center",
        "transform": blended_transform_factory(figure.dpi_scale_trans, ax.transData),
    }
    weight = "bold" if sums.bold else "normal"
    ax.text(x_in + PLACED_IN, middle, sums.placed, weight=weight, **how)
    ax.text(x_in + VALUE_IN, middle, sums.value, ha="right", **how)
    ax.text(x_in + REASON_IN, middle, layout.cut_to_width(sums.reason, room_in), **how)
