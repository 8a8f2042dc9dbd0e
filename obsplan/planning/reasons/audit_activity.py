"""Findings of an audit about one activity: its windows, its room, its limits and its worth."""

from collections.abc import Callable, Iterator
from functools import partial

import numpy as np

from obsplan.environment.key_changes import KeyChange
from obsplan.environment.levers import (
    activity_changes,
    activity_lever,
    lead_lever,
    least_change,
    platform_changes,
    waiting_levers,
)
from obsplan.environment.model import Environment
from obsplan.inputs.activity import Activity
from obsplan.inputs.goal import serving
from obsplan.inputs.placed import PlacedActivity
from obsplan.inputs.scenario import Scenario
from obsplan.planning.problem.decisions import order_steps, ready_steps
from obsplan.planning.problem.start_windows import (
    coverage_bin,
    most_runs,
    start_mask,
    why_no_window,
)
from obsplan.planning.problem.supplies import supplies_of
from obsplan.planning.reasons.finding import Finding, Severity, mended

Gone = Callable[[Environment], bool]
# Keys of a platform of which another value may open a window for a run on it.
WINDOW_KEYS = (
    *("margins.store_share", "margins.link_share", "store.capacity_mbit"),
    *("radio.rate_kbps", "radio.range_limit_m"),
)
# The same for power that one run lacks.
BUS_KEYS = "margins.power_share", "bus_limit_w"


def activity_findings(environment: Environment) -> Iterator[Finding]:
    """All findings about each activity."""
    first = _first_starts(environment)
    for activity in environment.scenario.activity:
        name = activity.name
        if start_mask(environment, activity).any():
            if first[name] is None:
                yield from mended(environment, partial(_order, name), partial(_sooner, name))
            yield from room_findings(environment, name)
            yield from mended(environment, partial(_bus, name), partial(_less_power, name))
            yield from _rounding(environment, activity)
            yield from _value(environment, activity)
        else:
            yield from room_findings(environment, name)


def room_findings(environment: Environment, name: str) -> Iterator[Finding]:
    """An activity whose own windows and gap leave too little room for its runs."""
    return mended(environment, partial(_room, name), partial(_more_room, name))


def _where(name: str) -> str:
    return f'activity "{name}"'


def _severity(activity: Activity) -> Severity:
    """Severity of a finding that rules out every run of an activity."""
    return Severity.INFEASIBLE if activity.must else Severity.WARNING


# ------------------------------------------------------------------------ order


def _order(name: str, environment: Environment) -> Iterator[Finding]:
    """An activity without a start late enough after the activities it waits for."""
    activity = environment.scenario.activity_named(name)
    if _first_starts(environment)[name] is None:
        names = ", ".join(f'"{after.activity}"' for after in activity.after)
        yield Finding(
            _severity(activity),
            _where(name),
            f"no start in its windows is late enough after the activities it waits for: {names}",
        )


def _first_starts(environment: Environment) -> dict[str, int | None]:
    """Per activity the first step at which a run may start, order kept; None if never."""
    scenario = environment.scenario
    activities = {a.name: a for a in scenario.activity}
    starts: dict[str, int | None] = {}

    def start_of(name: str) -> int | None:
        if name not in starts:
            activity, barred = activities[name], np.zeros(scenario.steps, dtype=bool)
            for after in activity.after:
                earlier, ready = start_of(after.activity), scenario.steps
                if earlier is not None:
                    ready = int(ready_steps(environment, activity, after)[earlier])
                dates = order_steps(scenario, after)
                barred[dates.start : min(dates.stop, ready)] = True
            open_ = np.flatnonzero(start_mask(environment, activity) & ~barred)
            starts[name] = int(open_[0]) if len(open_) else None
        return starts[name]

    return {name: start_of(name) for name in activities}


def _sooner(name: str, environment: Environment, is_gone: Gone) -> Iterator[KeyChange]:
    """A shorter wait, or wider conditions of the activity or of one it waits for."""
    activity = environment.scenario.activity_named(name)
    for lever in (*waiting_levers(activity), *waiting_levers(activity, "decide_min")):
        if change := least_change(environment, lever, is_gone):
            yield change
    for other in (name, *(after.activity for after in activity.after)):
        yield from activity_changes(
            environment, environment.scenario.activity_named(other), is_gone
        )


# ------------------------------------------------------------------------ room


def _room(name: str, environment: Environment) -> Iterator[Finding]:
    scenario = environment.scenario
    activity = scenario.activity_named(name)
    if why := why_no_window(environment, activity):
        yield Finding(_severity(activity), _where(name), f"has no window: {why}")
        return
    room = most_runs(environment, activity)
    if room >= activity.count:
        return
    gap = f"gap of {activity.gap_min} min"
    if not activity.gap_min:
        text = f"its windows leave room for {room} runs"
    elif activity.gap_min > scenario.steps * scenario.span.step_min:
        text = f"its {gap} is longer than the span, so it can run only once"
    else:
        text = f"its windows and its {gap} leave room for {room} runs"
    if room < activity.must:
        text = f"{text}; {activity.must} are required"
        yield Finding(Severity.INFEASIBLE, _where(name), text)
    else:
        text = f"{text}; {activity.count} are requested"
        yield Finding(Severity.WARNING, _where(name), text)


def _more_room(name: str, environment: Environment, is_gone: Gone) -> Iterator[KeyChange]:
    """A shorter gap or shorter runs, wider conditions, a better link, or fewer runs."""
    scenario = environment.scenario
    activity = scenario.activity_named(name)
    data_mbit = activity.data_mbit / 1000
    for key, most in (("gap_min", 0), ("duration_min", 1), ("data_mbit", data_mbit)):
        lever = activity_lever(activity, key, most)
        if change := least_change(environment, lever, is_gone):
            yield change
    lead = lead_lever(scenario, activity)
    if lead and (change := least_change(environment, lead, is_gone)):
        yield change
    yield from activity_changes(environment, activity, is_gone)
    yield from platform_changes(environment, scenario.platform_of(activity), WINDOW_KEYS, is_gone)
    for key, least in (("must", 0), ("count", max(1, activity.must))):
        lever = activity_lever(activity, key, least)
        if change := least_change(environment, lever, is_gone):
            yield change


# ------------------------------------------------------------------------ limits and worth


def _bus(name: str, environment: Environment) -> Iterator[Finding]:
    """An activity of which the bus cannot take even one run."""
    scenario = environment.scenario
    activity = scenario.activity_named(name)
    platform = scenario.platform_named(scenario.platform_of(activity))
    least_w = float(environment.platforms[platform.name]["base_load_w"].min())
    draw_w = max(activity.power_w, activity.warm_up_w if activity.warm_up_min else 0.0)
    bus_w = supplies_of(platform).bus_w
    margin = ", less its margin," if platform.margins.power_share else ""
    if draw_w + least_w > bus_w:
        yield Finding(
            _severity(activity),
            _where(name),
            f"draws {draw_w:g} W on top of at least {least_w:.1f} W of idling; the bus of "
            f'"{platform.name}" carries{margin} {bus_w:g} W',
        )


def _less_power(name: str, environment: Environment, is_gone: Gone) -> Iterator[KeyChange]:
    activity = environment.scenario.activity_named(name)
    platform = environment.scenario.platform_of(activity)
    yield from platform_changes(environment, platform, BUS_KEYS, is_gone)
    for key in ("power_w", "warm_up_w"):
        if change := least_change(environment, activity_lever(activity, key, 0.0), is_gone):
            yield change


def _is_noted(scenario: Scenario, activity: Activity) -> bool:
    """Whether it is one at a stop, and not that at the first of its stops."""
    if not isinstance(activity, PlacedActivity):
        return False
    same = (a for a in scenario.activity if isinstance(a, PlacedActivity) and a.of == activity.of)
    return next(same).name != activity.name


def _rounding(environment: Environment, activity: Activity) -> Iterator[Finding]:
    scenario = environment.scenario
    slot_min, length_min = scenario.slot_min(activity), activity.warm_up_min + activity.duration_min
    if slot_min != length_min and not _is_noted(scenario, activity):
        yield Finding(
            Severity.NOTE,
            _where(activity.of if isinstance(activity, PlacedActivity) else activity.name),
            f"{length_min} min are rounded up to a slot of {slot_min} min",
            f"a length of whole steps of {scenario.span.step_min} min",
        )


def _value(environment: Environment, activity: Activity) -> Iterator[Finding]:
    where, bins = _where(activity.name), coverage_bin(environment, activity)
    reached = np.unique(bins[start_mask(environment, activity)])
    serves = activity.name in serving(environment.scenario.goal)
    if activity.value == 0 and activity.count > activity.must and not serves:
        yield Finding(
            Severity.WARNING,
            where,
            "has no value, so a plan gains nothing from more runs than its must",
            "give it a value",
        )
    elif activity.repeat_worth == 0 and activity.count > max(len(reached), activity.must):
        each = " of each bin" if activity.coverage else ""
        yield Finding(
            Severity.NOTE,
            where,
            f"only its first run{each} has a value, but {activity.count} are requested",
            "a repeat_worth above 0, or a smaller count",
        )
    if activity.coverage is not None:
        bins_requested = len(activity.coverage.edges) - 1
        if len(reached) < bins_requested:
            yield Finding(
                Severity.NOTE,
                where,
                f"its windows reach {len(reached)} of the {bins_requested} bins of its coverage "
                f"over {activity.coverage.over}",
                "other edges",
            )
