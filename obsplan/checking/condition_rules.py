"""The rules that slots must keep: placement and conditions here, those between slots in pairs.

What slots do to power and data is in the replay.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import chain
from math import ceil, inf

import numpy as np

from obsplan.checking.replay import known
from obsplan.checking.slot_rules import counts, gaps, orders, overlaps
from obsplan.checking.slots import Run, moment, stamp
from obsplan.checking.violation import Violation
from obsplan.common.intervals import from_mask
from obsplan.common.text import number_text
from obsplan.environment.model import Environment
from obsplan.inputs.conditions import CONDITIONS, QUANTITIES, range_text, requested
from obsplan.inputs.scenario import Activity, Scenario


@dataclass(frozen=True)
class Demand:
    """What an activity asks of each minute of a slot or of the first; `allowed` is in words.

    Of what is either so or not (`is_state`), `allowed` says what it is when it is not met.
    """

    rule: str
    met: np.ndarray
    missed: np.ndarray
    whole: bool
    excess: np.ndarray
    value: np.ndarray
    unit: str
    allowed: str
    is_state: bool


def rule_names(environment: Environment) -> tuple[str, ...]:
    """Names of the rules that apply in an environment, in the order they are reported."""
    scenario = environment.scenario
    activities, platforms = scenario.activity, scenario.platform
    posed = {
        "span": True,
        "grid": True,
        "duration": True,
        **{
            condition.words: any(getattr(a.when, condition.key) is not None for a in activities)
            for condition in CONDITIONS
        },
        "coverage": any(a.coverage for a in activities),
        "contact": any(a.contact != "none" for a in activities),
        "uplink": any(scenario.command_lead_min(a) is not None for a in activities),
        "outage": any(minutes.any() for minutes in environment.out.values()),
        "own window": bool(environment.own_windows),
        "instrument": any(i.one_at_a_time for i in scenario.instrument),
        "platform": any(p.one_at_a_time for p in platforms),
        "repeat": True,
        "gap": any(a.gap_min for a in activities),
        "not with": any(a.not_with for a in activities),
        "quiet": any(a.quiet for a in activities),
        "order": any(a.after for a in activities),
        "count": True,
        "must": any(a.must for a in activities),
        "bus power": True,
        "state of charge": True,
        "end charge": any(p.battery.end is not None for p in platforms),
        "storage": True,
        "end storage": any(p.store.end_limit_mbit is not None for p in platforms),
    }
    return tuple(rule for rule, applies in posed.items() if applies)


def slot_violations(
    environment: Environment, runs: list[Run], minutes: int, now: int = 0
) -> Iterator[Violation]:
    """Every broken rule of the slots, which come in order of start.

    What would mend it lies after minute `now`. What was done is a fact: no rule is named
    that facts alone break, but for runs that are missing still. A failed run counts for
    nothing.
    """
    scenario = environment.scenario
    facts = {run.slot for run in runs if run.is_fact}
    runs = [run for run in runs if run.state != "failed"]
    for violation in chain(
        _placement(scenario, runs, minutes),
        _unmet_demands(environment, runs, minutes, now),
        overlaps(scenario, runs),
        gaps(scenario, runs),
        orders(scenario, runs),
        counts(scenario, runs, minutes),
    ):
        if violation.rule == "must" or not violation.slots or not facts.issuperset(violation.slots):
            yield violation


def _placement(scenario: Scenario, runs: list[Run], minutes: int) -> Iterator[Violation]:
    step = scenario.span.step_min
    for run in runs:
        wanted = scenario.slot_min(run.activity)
        at = stamp(scenario, run.start_min)
        if run.start_min < 0:
            yield _of_run(
                scenario,
                run,
                "span",
                run.start_min,
                -run.start_min,
                "min",
                f"{run} starts at {at}, {number_text(-run.start_min)} min before the span",
                f"start it at {stamp(scenario, 0)} or later",
            )
        if run.end_min > minutes:
            late = run.end_min - minutes
            latest = stamp(scenario, (minutes - wanted) // step * step)
            yield _of_run(
                scenario,
                run,
                "span",
                max(run.start_min, minutes),
                late,
                "min",
                f"{run} ends at {stamp(scenario, run.end_min)}, {number_text(late)} min after the "
                "span's last whole step",
                f"start it at {latest} or earlier"
                if wanted <= minutes
                else "it needs a longer span",
            )
        off = run.start_min % step
        if off:
            before = run.start_min - off
            yield _of_run(
                scenario,
                run,
                "grid",
                run.start_min,
                off,
                "min",
                f"{run} starts at {at}, {number_text(off)} min after a whole step of {step} min",
                f"start it at {stamp(scenario, before)} or {stamp(scenario, before + step)}",
            )
        length = run.end_min - run.start_min
        if length != wanted:
            yield _of_run(
                scenario,
                run,
                "duration",
                run.start_min,
                abs(length - wanted),
                "min",
                f"{run} lasts {number_text(length)} min from {at}, the scenario requests {wanted} "
                "min",
                f"end it {wanted} min after its start"
                + ("" if off else f", at {stamp(scenario, run.start_min + wanted)}"),
            )


def _of_run(
    scenario: Scenario,
    run: Run,
    rule: str,
    minute: float,
    amount: float,
    unit: str,
    problem: str,
    fix: str,
) -> Violation:
    """A rule that one slot breaks by itself."""
    return Violation(
        rule,
        moment(scenario, minute),
        amount,
        unit,
        problem,
        fix,
        platform=run.platform,
        activity=run.activity.name,
        slots=(run.slot,),
    )


def demands_of(activity: Activity, environment: Environment, minutes: int) -> list[Demand]:
    """Every condition, the coverage and the contact that the activity asks for."""
    scenario = environment.scenario
    demands, unknown = [], np.full(minutes, np.nan)

    def add(rule, met, whole, excess, value, unit, allowed):
        missed, is_state = np.concatenate([[0], np.cumsum(~met)]), excess is unknown
        demands.append(Demand(rule, met, missed, whole, excess, value, unit, allowed, is_state))

    def column(name: str) -> np.ndarray:
        if name == "span_h":
            return np.arange(minutes) / 60.0
        return environment.sky[name].to_numpy(dtype=float)[:minutes]

    for condition, _, name, allowed in requested(activity.when):
        value, rule, unit = column(name), condition.words, condition.suffix
        if isinstance(allowed, bool):
            otherwise = f"has {condition.states[not allowed]}"
            add(rule, value == allowed, True, unknown, unknown, "", otherwise)
            continue
        low, high = allowed
        if condition.period:
            late, early = value >= low, value <= high
            met = late | early if low > high else late & early
            excess = np.minimum((low - value) % condition.period, (value - high) % condition.period)
        else:
            met = (value >= low) & (value <= high)
            excess = np.maximum(low - value, value - high)
        add(rule, met, True, excess, value, unit, f"{range_text(low, high)}{unit}")
    if activity.coverage is not None:
        unit = QUANTITIES[activity.coverage.over].suffix
        value = column(activity.coverage.over)
        low, high = activity.coverage.edges[0], activity.coverage.edges[-1]
        add(
            "coverage",
            (value >= low) & (value < high),
            False,
            np.maximum(low - value, value - high),
            value,
            unit,
            f"{number_text(low)} to before {number_text(high)}{unit}",
        )
    if activity.contact != "none":
        name = scenario.platform_of(activity)
        met = known(environment.platforms[name], "in_contact", name, minutes) > 0
        add("contact", met, activity.contact == "whole", unknown, unknown, "", "is out of contact")
    if activity.instrument in environment.out:
        met = ~environment.out[activity.instrument][:minutes]
        words = f'uses "{activity.instrument}", which is out,'
        add("outage", met, True, unknown, unknown, "", words)
    if activity.name in environment.own_windows:
        met = environment.own_windows[activity.name][:minutes]
        add("own window", met, True, unknown, unknown, "", "is outside its own windows")
    if (lead_min := scenario.command_lead_min(activity)) is not None:
        late_min = _late_min(environment, activity, lead_min, minutes)
        add("uplink", late_min <= 0, False, late_min, late_min, " min", "")
    return demands


def _late_min(
    environment: Environment, activity: Activity, lead_min: int, minutes: int
) -> np.ndarray:
    """By how much a start in each minute comes too early to be commanded (0: it does not).

    The first minute of contact, once it is over, can carry the commands of whatever starts
    `lead_min` after it; what starts before the time up to which the platform is loaded
    needs none.
    """
    scenario = environment.scenario
    name, start_min = scenario.platform_of(activity), np.arange(minutes)
    heard = np.flatnonzero(known(environment.platforms[name], "in_contact", name, minutes) > 0)
    soonest_min = heard[0] + 1 + lead_min if len(heard) else inf
    late_min = np.maximum(soonest_min - start_min, 0.0)
    if scenario.uplink and scenario.uplink.loaded_until_utc:
        loaded = scenario.uplink.loaded_until_utc - scenario.span.start_utc
        late_min[start_min < loaded.total_seconds() / 60] = 0.0
    return late_min


def _unmet_demands(
    environment: Environment, runs: list[Run], minutes: int, now: int
) -> Iterator[Violation]:
    """One violation for each unbroken stretch of a slot in which a demand is not met."""
    scenario = environment.scenario
    known: dict[str, list[Demand]] = {}
    for run in runs:
        name = run.activity.name
        if name not in known:
            known[name] = demands_of(run.activity, environment, minutes)
        for demand in known[name]:
            first = max(run.first, 0)
            last = min(run.last, minutes) if demand.whole else run.first + 1
            if not 0 <= first < last <= minutes or demand.missed[first] == demand.missed[last]:
                continue
            mend = _mend(scenario, run, known[name], minutes, now)
            for start, end in first + from_mask(~demand.met[first:last]):
                yield _unmet(scenario, run, demand, int(start), int(end), mend)


def _unmet(
    scenario: Scenario, run: Run, demand: Demand, start: int, end: int, mend: str
) -> Violation:
    since = f"{end - start} min from {stamp(scenario, start)}"
    if demand.is_state:
        during = f"for {since}" if demand.whole else f"at its start, {stamp(scenario, start)}"
        problem = f"{run} {demand.allowed} {during}"
        return _of_run(scenario, run, demand.rule, start, float(end - start), "min", problem, mend)
    if demand.rule == "uplink":
        lead_min = scenario.command_lead_min(run.activity)
        return _of_run(
            scenario,
            run,
            "uplink",
            start,
            float(demand.excess[start]),
            "min",
            f"{run} starts at {stamp(scenario, run.start_min)} and cannot be commanded in time: "
            f"no contact of the span lies {lead_min} min or more before it",
            mend,
        )
    excess = demand.excess[start:end]
    worst = start + int(np.where(np.isnan(excess), inf, excess).argmax())
    value, amount = demand.value[worst], float(demand.excess[worst])
    outside = (
        "which is not known, must be"
        if np.isnan(value)
        else (
            f"{number_text(value)}{demand.unit}, is {number_text(amount)}{demand.unit} outside the allowed"
        )
    )
    quantity = "coverage value" if demand.rule == "coverage" else demand.rule
    during = f" ({since})" if demand.whole else ""
    return _of_run(
        scenario,
        run,
        demand.rule,
        start,
        amount,
        demand.unit.strip(),
        f"{run}: {quantity} at {stamp(scenario, worst)}, {outside} {demand.allowed}{during}",
        mend,
    )


def _mend(scenario: Scenario, run: Run, demands: list[Demand], minutes: int, now: int) -> str:
    """The nearest start from `now` on at which conditions, coverage and contact are all met."""
    if now > 0 and run.start_min < now:
        return "it has begun, so tell the state what became of it: shortened, failed or done"
    length, step = scenario.slot_min(run.activity), scenario.span.step_min
    starts = np.arange(ceil(now / step) * step, minutes - length + 1, step)
    for demand in demands:
        ends = starts + (length if demand.whole else 1)
        starts = starts[demand.missed[ends] == demand.missed[starts]]
    if not len(starts):
        where = f"after {stamp(scenario, now)}" if now > 0 else "in the span"
        return f"no start {where} meets all its conditions; widen what is allowed"
    nearest = starts[np.abs(starts - run.start_min).argmin()]
    return f"the nearest start that meets its conditions is {stamp(scenario, int(nearest))}"
