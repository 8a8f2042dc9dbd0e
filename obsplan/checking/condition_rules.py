"""What an activity requires of the minutes of its slots, and which slots violate it.

Some requirements apply to every minute of a slot: conditions, contact throughout, its
instrument in service, its teams on console, its own windows. Others apply to the start alone:
coverage, contact at the start, commands in time.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from math import inf

import numpy as np
import pandas as pd

from obsplan.checking.replay import known
from obsplan.checking.slots import Run
from obsplan.checking.violation import Violation, of_run
from obsplan.common.instants import MINUTE, stamp
from obsplan.common.intervals import from_mask
from obsplan.common.text import number_text
from obsplan.environment.model import Environment
from obsplan.inputs.activity import Activity
from obsplan.inputs.conditions import QUANTITIES, range_text, requested
from obsplan.inputs.placed import DriveActivity
from obsplan.inputs.scenario import Scenario

ANGLE_SLACK_DEG = 1e-6  # for rounding


@dataclass(frozen=True, eq=False)
class Requirement:
    """One thing that every slot of an activity needs.

    rule: its name. met (n,): the minutes that meet it. throughout: whether every minute of a slot
    must meet it, or the first alone. excess (n,): by how much each minute misses it, in `unit`;
    None if there is no amount. value (n,), name, allowed: the quantity that must be in a range, and
    both in words. failure: without such a quantity, what is wrong with a slot, as in "is out of
    contact".
    """

    rule: str
    met: np.ndarray
    throughout: bool = True
    failure: str = ""
    excess: np.ndarray | None = None
    unit: str = "min"
    value: np.ndarray | None = None
    name: str = ""
    allowed: str = ""

    @cached_property
    def missed(self) -> np.ndarray:
        """How many minutes before each minute (n + 1,) do not meet it."""
        return np.concatenate([[0], np.cumsum(~self.met)])


def requirements(activity: Activity, environment: Environment, minutes: int) -> list[Requirement]:
    """Everything that the activity requires of the first `minutes` of the span."""
    return [
        *_conditions(activity, environment, minutes),
        *_coverage(activity, environment, minutes),
        *_contact(activity, environment, minutes),
        *_service(activity, environment, minutes),
        *_team_hours(activity, environment, minutes),
        *_keep_outs(activity, environment, minutes),
        *_commands(activity, environment, minutes),
    ]


def _conditions(
    activity: Activity, environment: Environment, minutes: int
) -> Iterator[Requirement]:
    for place, sky in environment.skies_of(activity).items():
        yield from _under(sky.iloc[:minutes], activity, f' at "{place}"' if place else "")


def _under(sky: pd.DataFrame, activity: Activity, place: str) -> Iterator[Requirement]:
    """What the activity requires of the sky; `place` says where that is, if not at the site."""
    for condition, name, column, allowed, upper_column in requested(activity.when):
        value = sky[column].to_numpy(dtype=float)
        if isinstance(allowed, bool):
            failure = f"has {condition.states[not allowed]}{place}"
            yield Requirement(condition.words, value == allowed, failure=failure)
            continue
        low, high = allowed
        upper = sky[upper_column].to_numpy(dtype=float)
        met, excess = (value >= low) & (upper <= high), np.maximum(low - value, upper - high)
        value = np.where(upper - high > low - value, upper, value)
        if period := condition.period:
            # Outside a range that wraps around, the distance to its nearer end counts.
            met = met if low <= high else (value >= low) | (value <= high)
            excess = np.minimum((low - value) % period, (value - high) % period)
        yield Requirement(
            condition.words,
            met,
            excess=excess,
            unit=condition.unit,
            value=value,
            name=f"{name}{place}",
            allowed=f"{range_text(low, high)}{condition.suffix}",
        )
    if isinstance(activity, DriveActivity) and activity.not_towards_sun_deg:
        yield _beside_the_sun(sky, activity)


def _beside_the_sun(sky: pd.DataFrame, drive: DriveActivity) -> Requirement:
    """A drive neither towards the Sun nor away from it, while any of it is seen."""
    sun, way = np.radians(sky["sun_azimuth_deg"].to_numpy()), np.radians(drive.azimuth_deg)
    across = np.abs(np.sin(sun) * np.cos(way) - np.cos(sun) * np.sin(way))
    aside_deg = np.degrees(np.arcsin(np.minimum(across, 1.0)))
    short_deg = drive.not_towards_sun_deg - aside_deg
    seen = sky["sun_visible_fraction"].to_numpy() > 0
    return Requirement(
        "Sun direction",
        ~seen | (short_deg <= ANGLE_SLACK_DEG),
        excess=np.where(seen, np.maximum(short_deg, 0.0), 0.0),
        unit="deg",
        value=aside_deg,
        name="angle between its way and the line to the Sun",
        allowed=f"{number_text(drive.not_towards_sun_deg)} deg or more",
    )


def _coverage(activity: Activity, environment: Environment, minutes: int) -> Iterator[Requirement]:
    if activity.coverage is None:
        return
    quantity, edges = QUANTITIES[activity.coverage.over], activity.coverage.edges
    if quantity.key == "span_h":
        value = np.arange(minutes) / 60.0
    else:
        sky_table = environment.sky_of(environment.scenario.platform_of(activity))
        value = sky_table[quantity.key].to_numpy(dtype=float)[:minutes]
    low, high = edges[0], edges[-1]
    value, excess = in_turn(quantity.key, edges, value), np.maximum(low - value, value - high)
    if period := quantity.period:
        excess = np.minimum((low - value) % period, (value - high) % period)
    yield Requirement(
        "coverage",
        (value >= low) & (value < high),
        throughout=False,
        excess=excess,
        unit=quantity.unit,
        value=value,
        name="coverage value",
        allowed=f"{number_text(low)} to before {number_text(high)}{quantity.suffix}",
    )


def in_turn(key: str, edges: Sequence[float], value: np.ndarray) -> np.ndarray:
    """The values (any shape) of a quantity, in the turn that lies between the edges.

    Of one that does not start again, as they are.
    """
    period = QUANTITIES[key].period
    for turn in (-1, 1) if period else ():
        other = value + turn * (period or 0.0)
        is_in = (other >= edges[0]) & (other < edges[-1])
        value = np.where(is_in, other, value)
    return value


def _contact(activity: Activity, environment: Environment, minutes: int) -> Iterator[Requirement]:
    in_contact = _in_contact(activity, environment, minutes)
    if activity.contact == "whole":
        yield Requirement("contact", in_contact, failure="is out of contact")
    if activity.contact == "start":
        failure = "is out of contact when it starts"
        yield Requirement("contact", in_contact, throughout=False, failure=failure)


def _service(activity: Activity, environment: Environment, minutes: int) -> Iterator[Requirement]:
    if activity.instrument in environment.out:
        in_service = ~environment.out[activity.instrument][:minutes]
        failure = f'uses "{activity.instrument}", which is out of service,'
        yield Requirement("outage", in_service, failure=failure)
    if activity.name in environment.user_windows:
        open_ = environment.user_windows[activity.name][:minutes]
        yield Requirement("own window", open_, failure="is outside its own windows")


def _team_hours(
    activity: Activity, environment: Environment, minutes: int
) -> Iterator[Requirement]:
    begins = environment.sky.index[:minutes].tz_localize(None)
    for team in activity.needs:
        if team not in environment.shifts:
            continue
        on_console = np.zeros(minutes, dtype=bool)
        for start, end in environment.shifts[team]:
            on_console |= (begins >= start) & (begins + MINUTE <= end)
        failure = f'needs "{team}" outside its hours'
        yield Requirement("team hours", on_console, failure=failure)


def _keep_outs(activity: Activity, environment: Environment, minutes: int) -> Iterator[Requirement]:
    scenario, begins = environment.scenario, np.arange(minutes)
    for each in scenario.keep_outs_of(activity):
        before = begins + 1 <= scenario.minutes_of(each.from_utc)
        after = begins >= scenario.minutes_of(each.until_utc)
        failure = f"is in the keep-out from {stamp(each.from_utc)} to {stamp(each.until_utc)}"
        yield Requirement("keep-out", before | after, failure=failure)


def in_service(environment: Environment, run: Run) -> bool:
    """Whether the instrument of a run is in service during all of it."""
    out = environment.out.get(run.activity.instrument)
    return out is None or not out[max(run.first, 0) : max(run.last, 0)].any()


def _commands(activity: Activity, environment: Environment, minutes: int) -> Iterator[Requirement]:
    """A start needs a minute of contact that is over `lead_min` before it.

    Slots that start before the platform's loaded commands end need none.
    """
    scenario = environment.scenario
    lead_min, start_min = scenario.command_lead_min(activity), np.arange(minutes)
    if lead_min is None:
        return
    contact_min = np.flatnonzero(_in_contact(activity, environment, minutes))
    soonest_min = contact_min[0] + 1 + lead_min if len(contact_min) else inf
    early_min = np.maximum(soonest_min - start_min, 0.0)
    if scenario.uplink and scenario.uplink.loaded_until_utc:
        loaded = scenario.uplink.loaded_until_utc - scenario.span.start_utc
        early_min[start_min < loaded.total_seconds() / 60] = 0.0
    failure = (
        f"cannot be commanded in time: no contact comes {lead_min} min or more before it starts"
    )
    yield Requirement("uplink", early_min <= 0, False, failure, excess=early_min)


def _in_contact(activity: Activity, environment: Environment, minutes: int) -> np.ndarray:
    name = environment.scenario.platform_of(activity)
    return known(environment.platforms[name], "in_contact", name, minutes) > 0


# --- slots that miss a requirement


def condition_violations(
    environment: Environment, runs: list[Run], minutes: int
) -> Iterator[Violation]:
    """One violation for each unbroken stretch of a slot that misses a requirement."""
    scenario = environment.scenario
    required: dict[str, list[Requirement]] = {}
    for run in runs:
        name = run.activity.name
        if name not in required:
            required[name] = requirements(run.activity, environment, minutes)
        for requirement in required[name]:
            missed = requirement.missed
            first = max(run.first, 0)
            last = min(run.last, minutes) if requirement.throughout else run.first + 1
            if not 0 <= first < last <= minutes or missed[first] == missed[last]:
                continue
            for start, end in first + from_mask(~requirement.met[first:last]):
                yield _violation(scenario, run, requirement, int(start), int(end))


def _violation(
    scenario: Scenario, run: Run, requirement: Requirement, start: int, end: int
) -> Violation:
    """The violation of a requirement that minutes `start` to `end` of a slot miss."""
    duration = f"{end - start} min from {scenario.stamp_at(start)}"
    worst, amount = start, float(end - start)
    if requirement.excess is not None:
        excess = requirement.excess[start:end]
        worst = start + int(np.where(np.isnan(excess), inf, excess).argmax())
        amount = float(requirement.excess[worst])
    if requirement.value is not None:
        problem = f"{run}: {_out_of_range(scenario, requirement, worst, amount)}"
        problem += f" ({duration})" if requirement.throughout else ""
    elif requirement.throughout:
        problem = f"{run} {requirement.failure} for {duration}"
    else:
        problem = f"{run} {requirement.failure} at {scenario.stamp_at(start)}"
    unit = requirement.unit
    return of_run(scenario, run, requirement.rule, start, amount, unit, problem)


def _out_of_range(scenario: Scenario, requirement: Requirement, minute: int, excess: float) -> str:
    """The value of a minute, by how much it is outside its range, and the range, in words."""
    suffix = f" {requirement.unit}" if requirement.unit else ""
    value = np.nan if requirement.value is None else requirement.value[minute]
    where = f"{requirement.name} at {scenario.stamp_at(minute)}"
    if np.isnan(value):
        return f"{where} is not known, allowed is {requirement.allowed}"
    return (
        f"{where} is {number_text(value)}{suffix}, {number_text(excess)}{suffix} outside the "
        f"allowed {requirement.allowed}"
    )
