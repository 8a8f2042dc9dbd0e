"""What can be said of a scenario before any plan is made: what cannot hold, what is odd.

Everything that is told as "cannot hold" is shown by a necessary condition, generous where it
is not exact: no plan would meet it. A scenario without such a finding may still have no plan.
"""

from collections.abc import Iterator

import numpy as np
import pandas as pd

from obsplan.common import intervals
from obsplan.environment.model import Environment
from obsplan.inputs.hardware import Platform
from obsplan.inputs.scenario import Activity, Scenario
from obsplan.planning.problem.start_windows import (
    coverage_bin,
    most_runs,
    start_mask,
    why_no_window,
)
from obsplan.planning.reasons.idle_energy import idle_violations

CANNOT, WARNING, NOTE = "cannot hold", "warning", "note"
AUDIT_COLUMNS = ("weight", "where", "finding", "mend")
BALANCE_COLUMNS = ("platform", "resource", "unit", "required", "wanted", "offered")
# More permitted starts than these make the search slow and the linear model large.
MANY_STARTS = 100_000

Finding = tuple[str, str, str, str]


def audit(environment: Environment) -> pd.DataFrame:
    """What stands out in a scenario: columns `weight, where, finding, mend`, worst first.

    `weight` is "cannot hold" (no plan can meet it), "warning" or "note".
    """
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
    order = (CANNOT, WARNING, NOTE)
    found.sort(key=lambda finding: order.index(finding[0]))
    return pd.DataFrame(found, columns=list(AUDIT_COLUMNS))


def balance(environment: Environment) -> pd.DataFrame:
    """What all required and all wanted runs take of each platform, and what there is.

    Rows per platform: energy (idling and sending included; of the battery what may be used),
    link (data that cannot stay aboard), and store (data gathered in the longest silence, at
    the mean rate of the runs). Offered energy counts no loss and no spilling, offered link
    no sharing of stations: what is more than offered cannot be.
    """
    scenario = environment.scenario
    rows = []
    send_mbit = {which: _to_send_mbit(scenario, which) for which in ("must", "count")}
    span_h = scenario.steps * scenario.span.step_min / 60
    for platform in scenario.platform:
        table = environment.platforms[platform.name]
        rate_kbps = table["rate_kbps"].to_numpy(dtype=float)
        battery, store = platform.battery, platform.store
        end = max(battery.reserve, battery.end or 0.0)
        offered_wh = table["generation_w"].sum() / 60
        offered_wh += (battery.start - end) * battery.capacity_wh
        silent = intervals.from_mask(rate_kbps <= 0)
        silence_h = float(np.diff(silent).max(initial=0)) / 60
        asked = {}
        for which in ("must", "count"):
            sent = send_mbit[which][platform.name]
            idle_wh = table["base_load_w"].sum() / 60
            asked["energy", which] = idle_wh + _sending_wh(platform, rate_kbps, sent)
            asked["energy", which] += _runs_wh(scenario, platform, which)
            asked["link", which] = sent
            gathered = sum(getattr(a, which) * a.data_mbit for a in _own(scenario, platform))
            asked["store", which] = gathered * silence_h / span_h
        offered = {
            "energy": (offered_wh, "Wh"),
            "link": (rate_kbps.sum() * 60 / 1000, "Mbit"),
            "store": (store.capacity_mbit, "Mbit"),
        }
        rows += [
            (platform.name, key, unit, asked[key, "must"], asked[key, "count"], amount)
            for key, (amount, unit) in offered.items()
        ]
    return pd.DataFrame(rows, columns=list(BALANCE_COLUMNS))


def _own(scenario: Scenario, platform: Platform) -> list[Activity]:
    return [a for a in scenario.activity if scenario.platform_of(a) == platform.name]


def _runs_wh(scenario: Scenario, platform: Platform, which: str) -> float:
    return sum(
        getattr(a, which) * (a.warm_up_min * a.warm_up_w + a.duration_min * a.power_w) / 60
        for a in _own(scenario, platform)
    )


def _sending_wh(platform: Platform, rate_kbps: np.ndarray, sent_mbit: float) -> float:
    """The least energy that takes so much data off the platform, all at its best rate."""
    best_kbps = rate_kbps.max(initial=0.0)
    return platform.radio.transmit_w * sent_mbit * 1000 / best_kbps / 3600 if best_kbps else 0.0


def _to_send_mbit(scenario: Scenario, which: str) -> dict[str, float]:
    """Per platform, the data that its runs yield or that it relays and that cannot stay."""
    sent: dict[str, float] = {}
    # Whoever relays for others must know what they send.
    for platform in sorted(scenario.platform, key=lambda p: p.radio.to == "earth"):
        store = platform.store
        stays = store.capacity_mbit if store.end_limit_mbit is None else store.end_limit_mbit
        held = store.start_mbit
        held += sum(getattr(a, which) * a.data_mbit for a in _own(scenario, platform))
        held += sum(sent[p.name] for p in scenario.platform if p.radio.to == platform.name)
        sent[platform.name] = max(0.0, held - min(stays, store.capacity_mbit))
    return sent


def _idle(environment: Environment) -> Iterator[Finding]:
    for violation in idle_violations(environment):
        yield CANNOT, "with no slot at all", violation.problem, violation.fix


def _shares(table: pd.DataFrame) -> Iterator[Finding]:
    """Where more is asked of a platform than there is."""
    mends = {
        "energy": "ask fewer runs, or give it more array or battery",
        "link": "ask fewer runs or less data, or give it a faster link or longer contacts",
        "store": "a larger store, or runs spread so that contacts lie between them",
    }
    for row in table.itertuples(index=False):
        where = f'platform "{row.platform}"'
        if row.resource == "store":
            if row.wanted > row.offered:
                yield (
                    WARNING,
                    where,
                    f"in the longest silence all wanted runs yield some "
                    f"{row.wanted:.0f} Mbit; the store holds {row.offered:.0f} Mbit",
                    mends["store"],
                )
            continue
        # More than the replay forgives for rounding.
        cannot = row.required > row.offered + 1e-3
        if not cannot and row.wanted <= row.offered:
            continue
        asked, runs = (row.required, "what must run") if cannot else (row.wanted, "all wanted runs")
        if row.resource == "energy":
            said = f"idling and {runs} take {asked:.0f} Wh; there are {row.offered:.0f} Wh"
        else:
            said = f"{runs} yield{'s' * cannot} {asked:.0f} Mbit to send; the link carries "
            said += f"{row.offered:.0f} Mbit"
        share = f", {100 * max(row.offered, 0) / asked:.0f} % of that"
        yield CANNOT if cannot else WARNING, where, said + share, mends[row.resource]


def _times(environment: Environment) -> Iterator[Finding]:
    """Whether the runs of what works one at a time fit one after the other in its windows."""
    scenario = environment.scenario
    groups = {
        f'instrument "{i.name}"': [a for a in scenario.activity if a.instrument == i.name]
        for i in scenario.instrument
        if i.one_at_a_time
    }
    for platform in scenario.platform:
        if platform.one_at_a_time:
            groups[f'platform "{platform.name}"'] = _own(scenario, platform)
    for where, activities in groups.items():
        for which, weight, verb in (("must", CANNOT, "must"), ("count", WARNING, "should")):
            asked = [a for a in activities if getattr(a, which)]
            needed_min = sum(getattr(a, which) * scenario.slot_min(a) for a in asked)
            room_min = _open_min(environment, asked)
            if asked and needed_min > room_min:
                yield (
                    weight,
                    where,
                    f"works one slot at a time and {verb} run for "
                    f"{needed_min / 60:.1f} h; its windows hold {room_min / 60:.1f} h",
                    "ask fewer or shorter runs, or wider conditions",
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
    heard = set(environment.contacts["station"]) if len(environment.contacts) else set()
    for station in environment.scenario.station:
        if station.name not in heard:
            yield (
                WARNING,
                f'station "{station.name}"',
                "is never in contact in the span",
                "see to its mask_deg, its place and the site's skyline",
            )


def _unused(scenario: Scenario) -> Iterator[Finding]:
    used = {a.instrument for a in scenario.activity}
    for instrument in scenario.instrument:
        if instrument.name not in used:
            yield (
                WARNING,
                f'instrument "{instrument.name}"',
                "no activity asks for it",
                "add an activity, or leave the instrument out",
            )
    if not scenario.activity:
        yield WARNING, "scenario", "there is no activity, so nothing to plan", "add an activity"


def _grid(environment: Environment) -> Iterator[Finding]:
    scenario = environment.scenario
    step_min = scenario.span.step_min
    length_min = (scenario.span.end_utc - scenario.span.start_utc).total_seconds() / 60
    if rest := length_min - scenario.steps * step_min:
        yield (
            NOTE,
            "span",
            f"its last {rest:.0f} min, less than a step, stay unused",
            f"a span of whole steps of {step_min} min",
        )
    if many := many_starts(environment):
        yield WARNING, "scenario", *many


def many_starts(environment: Environment) -> tuple[str, str] | None:
    """That there are more possible starts than a search bears well, and what to coarsen."""
    scenario = environment.scenario
    starts = {a.name: int(start_mask(environment, a).sum()) for a in scenario.activity}
    if sum(starts.values()) <= MANY_STARTS:
        return None
    most = max(starts, key=starts.__getitem__)
    return (
        f"there are {sum(starts.values())} possible starts, of which {starts[most]} of "
        f'"{most}"; above {MANY_STARTS} planning takes long',
        f"a step_min above {scenario.span.step_min}, narrower conditions or a shorter span",
    )


def _activity(
    environment: Environment, activity: Activity, first: dict[str, int | None]
) -> Iterator[Finding]:
    scenario = environment.scenario
    where = f'activity "{activity.name}"'
    weight = CANNOT if activity.must else WARNING
    if why := why_no_window(environment, activity):
        yield weight, where, f"has no window: {why}", "widen the condition, or leave it out"
        return
    yield from _order(activity, first, where, weight)
    yield from _room(environment, activity, where)
    yield from _limits(environment, activity, where, weight)
    asked_min = activity.warm_up_min + activity.duration_min
    if (slot_min := scenario.slot_min(activity)) != asked_min:
        yield (
            NOTE,
            where,
            f"{asked_min} min are rounded up to a slot of {slot_min} min",
            f"a length of whole steps of {scenario.span.step_min} min",
        )
    yield from _worth(environment, activity, where)


def _order(
    activity: Activity, first: dict[str, int | None], where: str, weight: str
) -> Iterator[Finding]:
    """Whether any start is late enough for all that the activity waits for."""
    if first[activity.name] is None:
        names = ", ".join(f'"{after.activity}"' for after in activity.after)
        yield (
            weight,
            where,
            f"has windows, but none late enough after what it waits for: {names}",
            "a shorter settle_min, or wider conditions of either",
        )


def _first_ends(environment: Environment) -> dict[str, int | None]:
    """Per activity the first step by which a run may be over, order kept; None where never."""
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


def _room(environment: Environment, activity: Activity, where: str) -> Iterator[Finding]:
    scenario = environment.scenario
    room = most_runs(environment, activity)
    if room >= activity.count:
        return
    if activity.gap_min > scenario.steps * scenario.span.step_min:
        said = f"its gap of {activity.gap_min} min is longer than the span, so it runs but once"
    else:
        said = f"its windows and its gap of {activity.gap_min} min leave room for {room} runs"
    helps = "a shorter gap_min, or a smaller"
    if room < activity.must:
        yield CANNOT, where, f"{said}; {activity.must} must be", f"{helps} must"
    else:
        yield WARNING, where, f"{said}; {activity.count} are wanted", f"{helps} count"


def _limits(
    environment: Environment, activity: Activity, where: str, weight: str
) -> Iterator[Finding]:
    """Whether bus and store bear a single run."""
    scenario = environment.scenario
    platform = next(p for p in scenario.platform if p.name == scenario.platform_of(activity))
    table = environment.platforms[platform.name]
    least_w = float(table["base_load_w"].min())
    draw_w = max(activity.power_w, activity.warm_up_w if activity.warm_up_min else 0.0)
    if draw_w + least_w > platform.bus_limit_w:
        yield (
            weight,
            where,
            f"draws {draw_w:g} W beside at least {least_w:.1f} W of idling: more "
            f"than the bus of {platform.name} gives, {platform.bus_limit_w:g} W",
            "a smaller power_w, or a larger bus_limit_w",
        )
    minute_mbit = table["rate_kbps"].to_numpy(dtype=float) * 60 / 1000
    sums = np.concatenate([[0.0], np.cumsum(minute_mbit)])
    length = min(scenario.slot_min(activity), len(minute_mbit))
    leaves_mbit = (sums[length:] - sums[:-length]).max()
    if activity.data_mbit > platform.store.capacity_mbit + leaves_mbit:
        yield (
            weight,
            where,
            f"one run yields {activity.data_mbit:g} Mbit; the store of "
            f"{platform.name} holds {platform.store.capacity_mbit:g} Mbit, and at most "
            f"{leaves_mbit:.0f} Mbit leave meanwhile",
            "shorter runs with less data, or a larger store",
        )


def _worth(environment: Environment, activity: Activity, where: str) -> Iterator[Finding]:
    bins = coverage_bin(environment, activity)
    reached = np.unique(bins[start_mask(environment, activity)])
    if activity.value == 0 and activity.count > activity.must:
        yield (
            WARNING,
            where,
            "is worth nothing, so no plan gains by running it beyond its must",
            "give it a value",
        )
    elif activity.repeat_worth == 0 and activity.count > max(len(reached), activity.must):
        each = " of each bin" if activity.coverage else ""
        yield (
            NOTE,
            where,
            f"only the first run{each} is worth anything, but {activity.count} are wanted",
            "a repeat_worth above 0, or a smaller count",
        )
    if activity.coverage is not None:
        bins_asked = len(activity.coverage.edges) - 1
        if len(reached) < bins_asked:
            yield (
                NOTE,
                where,
                f"its windows reach {len(reached)} of the {bins_asked} bins of "
                f"its coverage over {activity.coverage.over}",
                "other edges, or wider conditions",
            )
