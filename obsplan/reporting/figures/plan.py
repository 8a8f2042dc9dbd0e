"""The picture of a plan: what runs when, and what it does to battery, bus and store."""

from collections.abc import Mapping
from datetime import datetime
from types import MappingProxyType
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Rectangle
from matplotlib.transforms import blended_transform_factory

from obsplan.analysis.missing_runs import missing_places, runs_in, told_missing
from obsplan.checking.check import Verdict
from obsplan.common import intervals
from obsplan.common.text import proven, raised, share_missing
from obsplan.environment.model import Environment
from obsplan.inputs.scenario import Activity, Scenario
from obsplan.planning.problem.start_windows import windows_table
from obsplan.reporting.figures import layout as parts
from obsplan.reporting.figures.layout import INK, PAPER, SMALL_PT, TEXT_PT, Panel, Windows, styled
from obsplan.reporting.figures.resource_panels import charge_panel, power_panel, store_panel
from obsplan.reporting.figures.sky import (
    contact_windows,
    darkness,
    event_rows,
    events_panel,
    mark_events,
    place_and_span,
    shade,
    sun_panel,
)

if TYPE_CHECKING:
    from obsplan.planning.plan import Plan

CAUTION = "operate only under the flight rules, local codes and licensed practice that apply"
LANE_IN = 0.16
HEAD = 0.95
# The columns at the right: runs placed, their value (its right edge), why some are missing.
PLACED_IN, WORTH_IN, WHY_IN = 0.07, 1.43, 1.55
RIGHT_IN, RIGHT_WITH_WHY_IN = 1.55, 3.15
SENDING_LOOK = {"facecolor": INK, "edgecolor": INK, "linewidth": 0.3}
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

# The lane in which a platform sends stands among its instruments under this name.
SENDING = " "
# Middle of a lane, words of its three columns at the right, and whether runs are missing.
Sum = tuple[float, str, str, str, bool]
Groups = dict[str, tuple[float, float]]  # top and foot of the lanes of a platform


class Lane(NamedTuple):
    """One line of the plan: its platform ("" for a station), its name, its middle."""

    group: str
    instrument: str
    name: str
    middle: float


def plan_figure(plan: "Plan", now_utc: datetime | None = None) -> Figure:
    """A plan with its value, the proven bound and everything `timeline_figure` shows."""
    environment = plan.environment
    note = f"value {plan.value:.1f}"
    if proven(plan.value, plan.bound):
        note += ", the best possible"
    elif np.isfinite(plan.bound):
        note += (
            f", no plan can be worth more than {raised(plan.bound)}: "
            f"{share_missing(plan.value, plan.bound)} is missing"
        )
    reasons = {}
    if not plan.unplaced.empty:
        reasons = dict(zip(plan.unplaced["activity"], plan.unplaced["reason"]))
    placed = runs_in(environment.scenario, plan.timeline, plan.unplaced)
    return timeline_figure(environment, plan.timeline, plan.verdict, note, reasons, placed, now_utc)


@styled
def timeline_figure(
    environment: Environment,
    timeline: pd.DataFrame,
    verdict: Verdict,
    note: str = "",
    reasons: Mapping[str, str] = MappingProxyType({}),
    runs_placed: Mapping[str, int] = MappingProxyType({}),
    now_utc: datetime | None = None,
) -> Figure:
    """Sun, contacts, windows and slots in lanes, then the books of every platform.

    `timeline` needs `activity` and `start_utc`, as for the check that gave `verdict`; slots
    that break a rule are marked. `note` opens the line below the title; `reasons` says for an
    activity why runs of it are missing, `runs_placed` how many are in where not all its slots
    count (see `runs_in`). Each missing run has a hollow mark where it was
    wanted (see `missing_places`); "18 + 7" are 18 with a mark and 7 without room.
    With `now_utc` a line parts what was from what is to come,
    and the marks keep to the latter. Tones that meet are told apart by lightness, also in grey
    print and by colour-blind eyes (see `figure_parts`).
    """
    scenario = environment.scenario
    lanes, groups, total = _lanes(scenario)
    left_in = sum(_columns_in(lanes))
    platforms = scenario.platform
    right_in = RIGHT_WITH_WHY_IN if reasons else RIGHT_IN
    placed, events_room = event_rows(environment, left_in, right_in, now_utc)
    night_h, eclipse_h = darkness(environment)
    slots = _slots(environment, timeline)
    rows = slots["activity"].value_counts()
    counts = {a.name: runs_placed.get(a.name, rows.get(a.name, 0)) for a in scenario.activity}
    few = any(counts[a.name] < a.count for a in scenario.activity)
    required = any(a.must for a in scenario.activity)
    places = missing_places(environment, slots, counts, now_utc)
    rest = bool(reasons) and any(
        a.count - counts[a.name] > len(places[a.name]) for a in scenario.activity
    )
    shown = {
        "night": len(night_h),
        "eclipse": len(eclipse_h),
        "missing": few,
        "rest": rest,
        "broken": verdict.slots_at_fault,
        "required": required,
    }
    hazards = dict.fromkeys(i.hazard for i in scenario.instrument if i.hazard != "none")
    figure, axes = parts.page(
        scenario.title,
        "   ·   ".join(filter(None, [note, verdict.summary])) + "\n" + place_and_span(scenario),
        [
            events_room,
            Panel(0.58, 0.6),
            Panel(total * LANE_IN, 0.6),
            Panel(max(0.75, 0.26 * len(platforms)), 1),
            *(Panel(0.5, 0.7) for _ in platforms),
            Panel(max(0.48, 0.26 * len(platforms)), 0.7),
        ],
        left_in,
        right_in,
        key=_key({name for name, is_ in shown.items() if is_}),
        footer=f"{', '.join(hazards)}: {CAUTION}" if hazards else "",
    )
    events, sun, plan, charge, *power, store = axes
    parts.time_axes(environment, axes)
    shade(axes[1:], night_h, eclipse_h)
    events_panel(events, placed)
    mark_events(axes[1:], environment, now_utc)
    sun_panel(sun, environment, earth=False)
    parts.name_axis(sun, "Sun elevation\n(deg)")
    plan.set_ylim(total, 0)
    plan.set_yticks([])
    _lane_names(plan, lanes, groups, _instrument_looks(scenario))
    _lanes_panel(plan, environment, lanes, slots, verdict, reasons, counts, places)
    charge_panel(charge, scenario.platform, verdict)
    for ax, platform in zip(power, platforms):
        power_panel(ax, platform, verdict.resources[platform.name])
    store_panel(store, scenario, verdict)
    return figure


def _key(shown: set[str]) -> list[tuple[str, dict]]:
    """What the marks mean, of those that a picture may lack only the ones in `shown`."""
    rest = " (+ n: no room for n more)" if "rest" in shown else ""
    return [
        *([("night", parts.NIGHT_LOOK)] if "night" in shown else []),
        *([("eclipse", parts.ECLIPSE_LOOK)] if "eclipse" in shown else []),
        ("contact", parts.CONTACT_LOOK),
        ("permitted window", parts.WINDOW_LOOK),
        ("slot (a tone each instrument)", parts.slot_look(0, 0)),
        *([("required run", REQUIRED_MARK)] if "required" in shown else []),
        *([(f"wanted, not placed{rest}", parts.MISSING_LOOK)] if "missing" in shown else []),
        ("may send", SENDING_LOOK),
        *([("in a broken rule", BROKEN_MARK)] if "broken" in shown else []),
    ]


# ----------------------------------------------------------------------------- lanes


def _lanes(scenario: Scenario) -> tuple[list[Lane], Groups, float]:
    """Lanes from the top, by platform and instrument; their groups; the height of all."""
    lanes, groups, y = [], {}, 0.25
    sending = {platform: name for name, platform in scenario.sending_names.items()}

    def add(group: str, instrument: str, name: str, tall: float = 1.0) -> None:
        nonlocal y
        lanes.append(Lane(group, instrument, name, y + tall / 2))
        y += tall

    for station in scenario.station:
        add("", "", station.name, 0.85)
    for platform in scenario.platform:
        # The first group leaves room for the heads of the columns at the right.
        y += 0.45 if groups else HEAD
        top = y
        for instrument in scenario.instrument:
            for activity in scenario.activity:
                if activity.instrument == instrument.name and instrument.platform == platform.name:
                    add(platform.name, instrument.name, activity.name)
        add(platform.name, SENDING, sending[platform.name], 0.8)
        # The name stands upright beside its lanes and wants room of its own.
        y = max(y, top + min(parts.width_in(platform.name, TEXT_PT, "bold") + 0.1, 0.65) / LANE_IN)
        groups[platform.name] = (top, y)
    return lanes, groups, y + 0.15


def _columns_in(lanes: list[Lane]) -> tuple[float, float, float]:
    """Widths of the columns for platform, instrument and lane name."""
    instruments = [parts.width_in(parts.shortened(lane.instrument)) for lane in lanes]
    names = [parts.width_in(parts.shortened(lane.name)) for lane in lanes]
    return 0.42, max(instruments) + 0.36, max(names) + 0.1


def _lanes_panel(
    ax: Axes,
    environment: Environment,
    lanes: list[Lane],
    slots: pd.DataFrame,
    verdict: Verdict,
    reasons: Mapping[str, str],
    counts: Mapping[str, int],
    places: Mapping[str, Windows],
) -> None:
    """Contacts, permitted windows, slots and what is missing, with sums at the right."""
    scenario = environment.scenario
    looks = _instrument_looks(scenario)
    windows = windows_table(environment)
    activities = {a.name: a for a in scenario.activity}
    head = [lane.middle for lane in lanes if not lane.group][-1] + (0.85 + HEAD) / 2
    sums = [
        (
            head,
            "placed of wanted",
            "value" if "value" in slots else "",
            "missing, and why" if reasons else "",
            False,
        )
    ]
    for lane in lanes:
        if not lane.group:
            open_h = contact_windows(environment, station=lane.name)
            parts.bars(ax, open_h, lane.middle, 0.55, zorder=3, **parts.CONTACT_LOOK)
            hours = np.ptp(open_h, axis=1).sum()
            sums.append((lane.middle, f"{hours:.1f} h contact", "", "", False))
            continue
        own = slots[slots["activity"] == lane.name]
        if lane.instrument == SENDING:
            sums.append(_sending_lane(ax, environment, lane, own, verdict))
            continue
        rows = windows[windows["activity"] == lane.name]
        open_h = parts.span_windows(environment, rows["opens_utc"], rows["closes_utc"])
        sums.append(
            _activity_lane(
                ax,
                lane,
                own,
                open_h,
                looks[lane.instrument],
                activities[lane.name],
                counts[lane.name],
                len(places[lane.name]),
                reasons,
            )
        )
        parts.bars(ax, places[lane.name], lane.middle, 0.46, zorder=2.5, **parts.MISSING_LOOK)
        wrong = own[own["slot"].isin(verdict.slots_at_fault)]
        middles_h = (wrong["start_h"] + wrong["end_h"]) / 2
        ax.plot(middles_h, np.full(len(wrong), lane.middle), zorder=5, clip_on=False, **BROKEN_MARK)
    _sums(ax, sums)


def _activity_lane(
    ax: Axes,
    lane: Lane,
    own: pd.DataFrame,
    open_h: Windows,
    look: dict,
    activity: Activity,
    count: int,
    marks: int,
    reasons: Mapping[str, str],
) -> Sum:
    """Windows as bands, slots as bars, the first runs marked as far as they are required."""
    own_h = own[["start_h", "end_h"]].to_numpy()
    parts.bars(ax, open_h, lane.middle, 0.86, zorder=1.5, **parts.WINDOW_LOOK)
    # A hatch needs room to be seen, and so does a light edge.
    wide_in = np.ptp(own_h, axis=1) * ax.get_position().width * parts.WIDTH_IN / ax.get_xlim()[1]
    narrow, thin = wide_in < 0.07, wide_in < 0.025
    edge = {"hatch": "", "linewidth": 0.25}
    for which, more in (
        (~narrow, {}),
        (narrow & ~thin, edge),
        (thin, edge | {"edgecolor": look["facecolor"]}),
    ):
        parts.bars(ax, own_h[which], lane.middle, 0.66, zorder=3, **look | more)
    first_h = own_h[np.argsort(own_h[:, 0])][: activity.must].mean(axis=1)
    ax.plot(first_h, np.full(len(first_h), lane.middle - 0.42), zorder=5, **REQUIRED_MARK)
    worth = f"{own['value'].sum():.1f}" if "value" in own else ""
    missing, why = activity.count - count, ""
    if missing > 0 and reasons:
        reason = reasons.get(activity.name, "").split(": ")[0]
        # Whose energy or store it is, the lane's own platform says.
        reason = reason.removesuffix(f' of "{lane.group}"').replace('"', "")
        many = told_missing(missing, marks)
        why = f"{many}: {reason}" if reason else many
    return lane.middle, f"{count} of {activity.count}", worth, why, missing > 0


def _sending_lane(
    ax: Axes, environment: Environment, lane: Lane, own: pd.DataFrame, verdict: Verdict
) -> Sum:
    """When the link is open, and when the platform may send or, if not planned, does."""
    edges_h = parts.minute_edges_h(environment)
    rate_kbps = environment.platforms[lane.group]["rate_kbps"].to_numpy()
    sent_mbit = verdict.resources[lane.group]["sent_mbit"].to_numpy()
    open_h = intervals.from_mask(rate_kbps > 0, edges_h)
    sending_h = own[["start_h", "end_h"]].to_numpy()
    if own.empty:
        sending_h = intervals.from_mask(sent_mbit > 0, edges_h[: len(sent_mbit) + 1])
    parts.bars(ax, open_h, lane.middle, 0.6, zorder=1.5, **parts.WINDOW_LOOK)
    parts.bars(ax, sending_h, lane.middle, 0.3, zorder=3, **SENDING_LOOK)
    return lane.middle, f"{sent_mbit.sum():,.0f} Mbit sent", "", "", False


def _slots(environment: Environment, timeline: pd.DataFrame) -> pd.DataFrame:
    """The timeline with ids, and with starts and ends in hours of the span."""
    scenario = environment.scenario
    slots = timeline.reset_index(drop=True)
    if "slot" not in slots:
        slots["slot"] = range(1, len(slots) + 1)
    slots["slot"] = slots["slot"].astype(str)
    slots["start_h"] = parts.hours_of(environment, slots["start_utc"])
    ends = slots["end_utc"] if "end_utc" in slots else [pd.NaT] * len(slots)
    asked_h = {a.name: scenario.slot_min(a) / 60 for a in scenario.activity}
    as_asked_h = slots["start_h"] + slots["activity"].map(asked_h).astype(float)
    slots["end_h"] = np.where(pd.isna(ends), as_asked_h, parts.hours_of(environment, ends))
    slots["end_utc"] = environment.sky.index[0] + pd.to_timedelta(slots["end_h"], unit="h")
    return slots


def _instrument_looks(scenario: Scenario) -> dict[str, dict]:
    """A tone for every instrument of a platform, a hatch for every platform."""
    looks = {}
    for p, platform in enumerate(scenario.platform):
        own = [i.name for i in scenario.instrument if i.platform == platform.name]
        for k, name in enumerate(own):
            turn = k // len(parts.SLOTS)
            looks[name] = parts.slot_look(k % len(parts.SLOTS), p + turn)
    return looks


def _lane_names(ax: Axes, lanes: list[Lane], groups: Groups, looks: dict[str, dict]) -> None:
    """Columns at the left: platform, instrument with its swatch, activity."""
    figure, box = ax.figure, ax.get_position()
    foot_in, tall_in = box.y0 * figure.get_figheight(), box.height * figure.get_figheight()
    total = ax.get_ylim()[0]
    platform_in, instrument_in, name_in = _columns_in(lanes)

    def at(y: float) -> float:
        return foot_in + tall_in * (1 - y / total)

    def write(x_in: float, y: float, words: str, **how) -> None:
        figure.text(
            x_in, at(y), words, size=SMALL_PT, va="center", transform=figure.dpi_scale_trans, **how
        )

    named = set()
    for lane in lanes:
        write(
            platform_in + instrument_in + name_in - 0.08,
            lane.middle,
            parts.shortened(lane.name),
            ha="right",
        )
        if lane.instrument in looks and lane.instrument not in named:
            named.add(lane.instrument)
            swatch = (platform_in, at(lane.middle) - 0.05)
            figure.add_artist(
                Rectangle(
                    swatch, 0.16, 0.1, transform=figure.dpi_scale_trans, **looks[lane.instrument]
                )
            )
            write(platform_in + 0.22, lane.middle, parts.shortened(lane.instrument))
    for group, (top, foot) in groups.items():
        figure.add_artist(
            Line2D(
                [platform_in - 0.1] * 2,
                [at(top) - 0.02, at(foot) + 0.02],
                color=INK,
                linewidth=1.2,
                transform=figure.dpi_scale_trans,
            )
        )
        words = parts.fitted(group, at(top) - at(foot), TEXT_PT, "bold")
        figure.text(
            platform_in - 0.2,
            at((top + foot) / 2),
            words,
            size=TEXT_PT,
            weight="bold",
            rotation=90,
            ha="center",
            va="center",
            transform=figure.dpi_scale_trans,
        )


def _sums(ax: Axes, sums: list[Sum]) -> None:
    """Columns at the right: runs placed of wanted, their value, how many are missing and why."""
    figure, box = ax.figure, ax.get_position()
    shift = blended_transform_factory(figure.dpi_scale_trans, ax.transData)
    x_in = box.x1 * figure.get_figwidth()
    room_in = parts.WIDTH_IN - x_in - WHY_IN - 0.1
    for middle, placed, worth, why, few in sums:
        weight = "bold" if few else "normal"
        ax.text(
            x_in + PLACED_IN,
            middle,
            placed,
            size=SMALL_PT,
            va="center",
            transform=shift,
            weight=weight,
        )
        ax.text(
            x_in + WORTH_IN, middle, worth, size=SMALL_PT, va="center", ha="right", transform=shift
        )
        ax.text(
            x_in + WHY_IN,
            middle,
            parts.fitted(why, room_in),
            size=SMALL_PT,
            va="center",
            transform=shift,
        )
