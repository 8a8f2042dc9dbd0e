"""What can be said of a scenario before any plan is made: what is infeasible, what is odd.

Each finding of severity "infeasible" is a necessary condition that the scenario fails, so no plan
is possible; inexact conditions err on the side of the scenario. A scenario without such a finding
may still be infeasible.
"""

from collections.abc import Iterator
from enum import StrEnum
from typing import NamedTuple

import numpy as np
import pandas as pd

from obsplan.environment.model import Environment
from obsplan.inputs.scenario import Activity, Scenario
from obsplan.planning.problem.start_windows import (
    coverage_bin,
    most_runs,
    start_mask,
    why_no_window,
)
from obsplan.planning.reasons.balance import balance, on_platform
from obsplan.planning.reasons.idle_energy import idle_violations

# More permitted starts than these make the search slow and the linear model large.
MANY_STARTS = 100_000
# More than the replay tolerates for rounding, in Wh and Mbit.
BALANCE_SLACK = 1e-3


class Severity(StrEnum):
    """INFEASIBLE rules out every plan; the others do not."""

    INFEASIBLE = "infeasible"
    WARNING = "warning"
    NOTE = "note"


class Finding(NamedTuple):
    """One finding: where in the scenario, what is found there, and what fixes it."""

    severity: Severity
    where: str
    finding: str
    fix: str

    @property
    def line(self) -> str:
        fix = f"; fix: {self.fix}" if self.fix else ""
        return f"{self.where}: {self.finding}{fix}"


def audit(environment: Environment) -> pd.DataFrame:
    """All findings of a scenario, worst first: the fields of `Finding` as columns."""
    scenario = environment.scenario
    found = [
        *_idle(environment),
        *_shares(balance(environment)),
        *_times(environment),
        *_stations(environment),
        *_unused(scenario),
        *_grid(environment),
    ]
    first = _first_ends(environment)
    for activity in scenario.activity:
        found += _activity(environment, activity, first)
    order = list(Severity)
    found.sort(key=lambda finding: order.index(finding.severity))
    return pd.DataFrame(found, columns=list(Finding._fields))


def no_room_for_required_runs(environment: Environment) -> list[Finding]:
    """Activities whose own windows and gap leave no room for their required runs."""
    return [
        finding
        for activity in environment.scenario.activity
        for finding in _room(environment, activity)
        if finding.severity == Severity.INFEASIBLE
    ]


def _idle(environment: Environment) -> Iterator[Finding]:
    for violation in idle_violations(environment):
        where = "with no slot at all"
        yield Finding(Severity.INFEASIBLE, where, violation.problem, violation.fix)


def _shares(table: pd.DataFrame) -> Iterator[Finding]:
    """Resources of platforms that the runs need more of than there is."""
    for row in table.itertuples(index=False):
        infeasible = row.required > row.available + BALANCE_SLACK and row.resource != "storage"
        if not infeasible and row.requested <= row.available:
            continue
        severity = Severity.INFEASIBLE if infeasible else Severity.WARNING
        runs = "the required runs" if infeasible else "all requested runs"
        needed = row.required if infeasible else row.requested
        share = f"{100 * max(row.available, 0) / needed:.0f} % of that"
        if row.resource == "energy":
            text = (
                f"idling and {runs} need {needed:.0f} Wh; {row.available:.0f} Wh are available, "
                f"{share}"
            )
            fix = "request fewer runs, or give it a larger array or battery"
        elif row.resource == "link":
            text = (
                f"{runs} yield {needed:.0f} Mbit to send; the link carries "
                f"{row.available:.0f} Mbit, {share}"
            )
            fix = "request fewer runs or less data, or give it a faster link or longer contacts"
        else:
            text = (
                f"in the longest contact gap {runs} yield about {needed:.0f} Mbit; the storage "
                f"holds {row.available:.0f} Mbit"
            )
            fix = "more storage, or contacts between the runs"
        yield Finding(severity, f'platform "{row.platform}"', text, fix)


def _times(environment: Environment) -> Iterator[Finding]:
    """Instruments and platforms that run one slot at a time, with too little time for all."""
    scenario = environment.scenario
    groups = {
        f'instrument "{i.name}"': [a for a in scenario.activity if a.instrument == i.name]
        for i in scenario.instrument
        if i.one_at_a_time
    }
    for platform in scenario.platform:
        if platform.one_at_a_time:
            groups[f'platform "{platform.name}"'] = on_platform(scenario, platform)
    for where, activities in groups.items():
        for which, severity, runs in (
            ("must", Severity.INFEASIBLE, "required"),
            ("count", Severity.WARNING, "requested"),
        ):
            counted = [a for a in activities if getattr(a, which)]
            needed_min = sum(getattr(a, which) * scenario.slot_min(a) for a in counted)
            room_min = _open_min(environment, counted)
            if counted and needed_min > room_min:
                yield Finding(
                    severity,
                    where,
                    f"runs one slot at a time; its {runs} runs take {needed_min / 60:.1f} h and "
                    f"its windows last {room_min / 60:.1f} h",
                    "request fewer or shorter runs, or widen their conditions",
                )
                break


def _open_min(environment: Environment, activities: list[Activity]) -> int:
    """Minutes in which a slot of any of `activities` may be."""
    scenario = environment.scenario
    step_min, open_ = scenario.span.step_min, np.zeros(scenario.steps, dtype=bool)
    for activity in activities:
        starts = start_mask(environment, activity)
        for later in range(min(scenario.slot_min(activity) // step_min, scenario.steps)):
            open_[later:] |= starts[: len(starts) - later]
    return int(open_.sum()) * step_min


def _stations(environment: Environment) -> Iterator[Finding]:
    in_contact = set(environment.contacts["station"]) if len(environment.contacts) else set()
    for station in environment.scenario.station:
        if station.name not in in_contact:
            yield Finding(
                Severity.WARNING,
                f'station "{station.name}"',
                "is never in contact in the span",
                "check its mask_deg, its location and the skyline of the site",
            )


def _unused(scenario: Scenario) -> Iterator[Finding]:
    used = {a.instrument for a in scenario.activity}
    for instrument in scenario.instrument:
        if instrument.name not in used:
            yield Finding(
                Severity.WARNING,
                f'instrument "{instrument.name}"',
                "is used by no activity",
                "add an activity, or remove the instrument",
            )
    if not scenario.activity:
        yield Finding(
            Severity.WARNING,
            "scenario",
            "there is no activity, so there is nothing to plan",
            "add an activity",
        )


def _grid(environment: Environment) -> Iterator[Finding]:
    scenario = environment.scenario
    step_min = scenario.span.step_min
    length_min = (scenario.span.end_utc - scenario.span.start_utc).total_seconds() / 60
    if unused_min := length_min - scenario.steps * step_min:
        yield Finding(
            Severity.NOTE,
            "span",
            f"its last {unused_min:.0f} min are less than a step and are not used",
            f"a span of whole steps of {step_min} min",
        )
    if many := many_starts(environment):
        yield many


def many_starts(environment: Environment) -> Finding | None:
    """A finding if there are more possible starts than a quick search can handle, else None."""
    scenario = environment.scenario
    starts = {a.name: int(start_mask(environment, a).sum()) for a in scenario.activity}
    if sum(starts.values()) <= MANY_STARTS:
        return None
    most = max(starts, key=starts.__getitem__)
    return Finding(
        Severity.WARNING,
        "scenario",
        f'there are {sum(starts.values())} possible starts, {starts[most]} of them of "{most}"; '
        f"with more than {MANY_STARTS} planning takes long",
        f"a step_min above {scenario.span.step_min}, narrower conditions or a shorter span",
    )


# ---------------------------------------------------------------------- one activity


def _activity(
    environment: Environment, activity: Activity, first: dict[str, int | None]
) -> Iterator[Finding]:
    scenario = environment.scenario
    if not start_mask(environment, activity).any():
        yield from _room(environment, activity)
        return
    yield from _order(activity, first)
    yield from _room(environment, activity)
    yield from _limits(environment, activity)
    slot_min, length_min = scenario.slot_min(activity), activity.warm_up_min + activity.duration_min
    if slot_min != length_min:
        yield Finding(
            Severity.NOTE,
            _where(activity),
            f"{length_min} min are rounded up to a slot of {slot_min} min",
            f"a length of whole steps of {scenario.span.step_min} min",
        )
    yield from _value(environment, activity)


def _where(activity: Activity) -> str:
    return f'activity "{activity.name}"'


def _severity(activity: Activity) -> Severity:
    """Severity of a finding that rules out every run of an activity."""
    return Severity.INFEASIBLE if activity.must else Severity.WARNING


def _order(activity: Activity, first: dict[str, int | None]) -> Iterator[Finding]:
    """An activity without a start late enough after the activities it waits for."""
    if first[activity.name] is None:
        names = ", ".join(f'"{after.activity}"' for after in activity.after)
        yield Finding(
            _severity(activity),
            _where(activity),
            f"no start in its windows is late enough after the activities it waits for: {names}",
            "a shorter settle_min, or wider conditions of either",
        )


def _first_ends(environment: Environment) -> dict[str, int | None]:
    """Per activity the first step by which a run may be over, order kept; None if never."""
    scenario = environment.scenario
    step_min = scenario.span.step_min
    activities = {a.name: a for a in scenario.activity}
    ends: dict[str, int | None] = {}

    def end_of(name: str) -> int | None:
        if name not in ends:
            activity, ready = activities[name], 0
            for after in activity.after:
                end = end_of(after.activity)
                settle = -(-after.settle_min // step_min)
                ready = max(ready, scenario.steps if end is None else end + settle)
            starts = np.flatnonzero(start_mask(environment, activity)[ready:])
            length = scenario.slot_min(activity) // step_min
            ends[name] = ready + int(starts[0]) + length if len(starts) else None
        return ends[name]

    return {name: end_of(name) for name in activities}


def _room(environment: Environment, activity: Activity) -> Iterator[Finding]:
    """An activity whose own windows and gap leave too little room for its runs."""
    scenario, where = environment.scenario, _where(activity)
    if why := why_no_window(environment, activity):
        fix = "widen the condition, or remove it"
        yield Finding(_severity(activity), where, f"has no window: {why}", fix)
        return
    room = most_runs(environment, activity)
    if room >= activity.count:
        return
    gap = f"gap of {activity.gap_min} min"
    if activity.gap_min > scenario.steps * scenario.span.step_min:
        text = f"its {gap} is longer than the span, so it can run only once"
    else:
        text = f"its windows and its {gap} leave room for {room} runs"
    if room < activity.must:
        text, fix = f"{text}; {activity.must} are required", "a shorter gap_min, or a smaller must"
        yield Finding(Severity.INFEASIBLE, where, text, fix)
    else:
        text, fix = f"{text}; {activity.count} are requested", "a shorter gap_min or smaller count"
        yield Finding(Severity.WARNING, where, text, fix)


def _limits(environment: Environment, activity: Activity) -> Iterator[Finding]:
    """An activity of which the bus or the store cannot take even one run."""
    scenario, severity, where = environment.scenario, _severity(activity), _where(activity)
    platform = scenario.platform_named(scenario.platform_of(activity))
    table = environment.platforms[platform.name]
    least_w = float(table["base_load_w"].min())
    draw_w = max(activity.power_w, activity.warm_up_w if activity.warm_up_min else 0.0)
    if draw_w + least_w > platform.bus_limit_w:
        yield Finding(
            severity,
            where,
            f"draws {draw_w:g} W on top of at least {least_w:.1f} W of idling; the bus of "
            f'"{platform.name}" carries {platform.bus_limit_w:g} W',
            "a smaller power_w, or a larger bus_limit_w",
        )
    minute_mbit = table["rate_kbps"].to_numpy(dtype=float) * 60 / 1000
    sums = np.concatenate([[0.0], np.cumsum(minute_mbit)])
    length = min(scenario.slot_min(activity), len(minute_mbit))
    sent_mbit = (sums[length:] - sums[:-length]).max()
    if activity.data_mbit > platform.store.capacity_mbit + sent_mbit:
        yield Finding(
            severity,
            where,
            f'one run yields {activity.data_mbit:g} Mbit; the storage of "{platform.name}" holds '
            f"{platform.store.capacity_mbit:g} Mbit, and at most {sent_mbit:.0f} Mbit can be "
            "sent meanwhile",
            "shorter runs with less data, or more storage",
        )


def _value(environment: Environment, activity: Activity) -> Iterator[Finding]:
    where, bins = _where(activity), coverage_bin(environment, activity)
    reached = np.unique(bins[start_mask(environment, activity)])
    if activity.value == 0 and activity.count > activity.must:
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
                "other edges, or wider conditions",
            )
