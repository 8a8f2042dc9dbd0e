"""Findings of an audit about platforms, instruments and stations as a whole."""

from collections.abc import Callable, Iterator
from functools import partial

import numpy as np

from obsplan.environment.key_changes import KeyChange, changed
from obsplan.environment.levers import activity_lever, least_change, platform_changes
from obsplan.environment.model import Environment
from obsplan.inputs.activity import Activity
from obsplan.inputs.scenario import Scenario
from obsplan.planning.problem.start_windows import start_mask
from obsplan.planning.reasons.balance import balance, on_platform
from obsplan.planning.reasons.finding import Finding, Severity, mended

# More than the replay tolerates for rounding, in Wh and Mbit.
BALANCE_SLACK = 1e-3
# Keys of a platform of which another value may give it more of a resource, or need less.
KEYS = {
    "energy": ("margins.energy_share", "array.area_m2", "battery.capacity_wh", "idle_w"),
    "link": (
        *("margins.link_share", "margins.store_share"),
        *("radio.rate_kbps", "radio.range_limit_m", "store.end_limit_mbit"),
    ),
    "storage": ("margins.store_share", "store.capacity_mbit"),
}
FEWER_RUNS = "request fewer or shorter runs"


def platform_findings(environment: Environment) -> Iterator[Finding]:
    """What the runs need and platforms, instruments and stations do not have."""
    for platform in environment.scenario.platform:
        for resource, keys in KEYS.items():
            short = partial(_short, platform.name, resource)
            yield from mended(environment, short, partial(_enough, platform.name, keys))
    for kind, name in _one_at_a_time(environment.scenario):
        yield from mended(
            environment, partial(_too_long, kind, name), partial(_less_crowded, kind, name)
        )
    yield from _stations(environment)
    yield from _unused(environment.scenario)


def _short(platform: str, resource: str, environment: Environment) -> Iterator[Finding]:
    """A resource of a platform that the runs need more of than there is."""
    table = balance(environment)
    rows = table[(table["platform"] == platform) & (table["resource"] == resource)]
    for row in rows.itertuples(index=False):
        infeasible = row.required > row.available + BALANCE_SLACK and resource != "storage"
        if not infeasible and row.requested <= row.available:
            continue
        severity = Severity.INFEASIBLE if infeasible else Severity.WARNING
        runs = "the required runs" if infeasible else "all requested runs"
        needed = row.required if infeasible else row.requested
        if needed == 0:
            continue  # what is short with nothing at all to do has a finding of its own
        share = f"{100 * max(row.available, 0) / needed:.0f} % of that"
        if resource == "energy":
            text = (
                f"idling and {runs} need {needed:.0f} Wh; {row.available:.0f} Wh are available, "
                f"{share}"
            )
        elif resource == "link":
            text = (
                f"{runs} yield {needed:.0f} Mbit to send; the link carries "
                f"{row.available:.0f} Mbit, {share}"
            )
        else:
            text = (
                f"in the longest contact gap {runs} yield about {needed:.0f} Mbit; the storage "
                f"holds {row.available:.0f} Mbit"
            )
        yield Finding(severity, f'platform "{platform}"', text, FEWER_RUNS)


def _enough(
    platform: str,
    keys: tuple[str, ...],
    environment: Environment,
    is_gone: Callable[[Environment], bool],
) -> Iterator[KeyChange]:
    """More of a resource by one of the keys of a platform, or fewer runs."""
    yield from platform_changes(environment, platform, keys, is_gone)
    scenario = environment.scenario
    runs = on_platform(scenario, scenario.platform_named(platform))
    yield from _fewer_runs(environment, runs, is_gone)


def _fewer_runs(
    environment: Environment, activities: list[Activity], is_gone: Callable[[Environment], bool]
) -> Iterator[KeyChange]:
    """Fewer runs of one activity, required or requested."""
    for activity in activities:
        for key, least in (("must", 0), ("count", max(1, activity.must))):
            lever = activity_lever(activity, key, least)
            if change := least_change(environment, lever, is_gone):
                yield change
                break


# ------------------------------------------------------------------------ time


def _one_at_a_time(scenario: Scenario) -> Iterator[tuple[str, str]]:
    """Instruments and platforms that run one slot at a time: kind and name."""
    for kind in ("instrument", "platform"):
        for part in getattr(scenario, kind):
            if part.one_at_a_time:
                yield kind, part.name


def _sharing(scenario: Scenario, kind: str, name: str) -> list[Activity]:
    """The activities that run one at a time on an instrument or a platform."""
    if not any(p.name == name and p.one_at_a_time for p in getattr(scenario, kind)):
        return []
    if kind == "instrument":
        return [a for a in scenario.activity if a.instrument == name]
    return on_platform(scenario, scenario.platform_named(name))


def _too_long(kind: str, name: str, environment: Environment) -> Iterator[Finding]:
    """An instrument or platform with too little time for all its runs, one after the other."""
    scenario = environment.scenario
    for which, severity, runs in (
        ("must", Severity.INFEASIBLE, "required"),
        ("count", Severity.WARNING, "requested"),
    ):
        # What has no window has a finding of its own, and runs of one activity never overlap.
        counted = [
            a
            for a in _sharing(scenario, kind, name)
            if getattr(a, which) and start_mask(environment, a).any()
        ]
        needed_min = sum(getattr(a, which) * scenario.slot_min(a) for a in counted)
        room_min = _open_min(environment, counted)
        if len(counted) > 1 and needed_min > room_min:
            yield Finding(
                severity,
                f'{kind} "{name}"',
                f"runs one slot at a time; its {runs} runs take {needed_min / 60:.1f} h and "
                f"its windows last {room_min / 60:.1f} h",
                FEWER_RUNS,
            )
            return


def _open_min(environment: Environment, activities: list[Activity]) -> int:
    """Minutes in which a slot of any of `activities` may be."""
    scenario = environment.scenario
    step_min, open_ = scenario.span.step_min, np.zeros(scenario.steps, dtype=bool)
    for activity in activities:
        starts = start_mask(environment, activity)
        for later in range(min(scenario.slot_min(activity) // step_min, scenario.steps)):
            open_[later:] |= starts[: len(starts) - later]
    return int(open_.sum()) * step_min


def _less_crowded(
    kind: str, name: str, environment: Environment, is_gone: Callable[[Environment], bool]
) -> Iterator[KeyChange]:
    """Fewer runs of one activity, or several at a time."""
    yield from _fewer_runs(environment, _sharing(environment.scenario, kind, name), is_gone)
    together = KeyChange(kind, name, ("one_at_a_time",), True, False)
    if is_gone(changed(environment, together)):
        yield together


# ------------------------------------------------------------------------ stations, instruments


def _stations(environment: Environment) -> Iterator[Finding]:
    in_contact = set(environment.contacts["station"]) if len(environment.contacts) else set()
    for station in environment.scenario.station:
        if station.name not in in_contact:
            yield Finding(
                Severity.WARNING,
                f'station "{station.name}"',
                "is never in contact in the span",
                "check its mask_deg, its location and the skyline of the site"
                if station.passes is None
                else "book passes in which it is visible; obsplan link lists them",
            )


def _unused(scenario: Scenario) -> Iterator[Finding]:
    used = {a.instrument for a in scenario.known_activities}
    for instrument in scenario.instrument:
        if instrument.name not in used:
            yield Finding(
                Severity.WARNING,
                f'instrument "{instrument.name}"',
                "is used by no activity",
                "add an activity, or remove the instrument",
            )
    for unit in (unit for platform in scenario.platform for unit in platform.unit):
        ranges = [key for key in ("operating_k", "switch_on_k") if getattr(unit, key)]
        if ranges and not unit.instruments:
            text = f"has no instruments, so that nothing needs its {' and '.join(ranges)}"
            fix = "name the instruments whose runs need it, or give surviving_k"
            yield Finding(Severity.WARNING, f'unit "{unit.name}"', text, fix)
    if not scenario.activity:
        yield Finding(
            Severity.WARNING,
            "scenario",
            "there is no activity, so there is nothing to plan",
            "add an activity",
        )
