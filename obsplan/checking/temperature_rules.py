"""The ranges of temperature that units must keep while they work, when they start, and always."""

from collections.abc import Iterator

import numpy as np

from obsplan.checking.replay import Books
from obsplan.checking.resource_rules import RESOURCE_RULES, lasting, near_runs
from obsplan.checking.slots import Run
from obsplan.checking.violation import Violation
from obsplan.common.intervals import from_mask
from obsplan.common.text import number_text
from obsplan.environment.model import Environment
from obsplan.inputs.conditions import range_text
from obsplan.inputs.hardware import Platform
from obsplan.inputs.thermal import Unit

OPERATING, SWITCH_ON = "operating temperature", "switch-on temperature"
SURVIVAL = "survival temperature"
# Each rule and the key of its range.
RANGES = {OPERATING: "operating_k", SWITCH_ON: "switch_on_k", SURVIVAL: "surviving_k"}
# What a platform must keep even if nothing is planned.
IDLE_RULES = (*RESOURCE_RULES, SURVIVAL)
# Rounding in a span of minutes; no sensor shows it.
SLACK_K = 1e-6


def temperature_violations(
    environment: Environment, runs: list[Run], books: dict[str, Books]
) -> Iterator[Violation]:
    """One violation for each unbroken stretch of a unit outside one of its ranges.

    Runs that are over are left out, and survival before telemetry was read.
    """
    for platform in environment.scenario.platform:
        for unit in platform.unit:
            own = [run for run in runs if run.activity.instrument in unit.instruments]
            book = books[platform.name]
            for rule, minutes, run in _bound(environment, platform, unit, own, book):
                left_k = room_k(unit, rule, book)[minutes]
                for first, after in minutes.start + from_mask(left_k < -SLACK_K):
                    yield _violation(
                        environment, platform, unit, rule, book, int(first), int(after), run, own
                    )


def room_k(unit: Unit, rule: str, book: Books) -> np.ndarray:
    """How far (n+1,) the unit is inside the range of a rule, below 0 outside it."""
    low_k, high_k = getattr(unit, RANGES[rule])
    lower_k, upper_k = (book.temperature_k[column] for column in unit.columns)
    inside: np.ndarray = np.minimum(lower_k - low_k, high_k - upper_k)
    return inside


def _bound(
    environment: Environment, platform: Platform, unit: Unit, own: list[Run], book: Books
) -> Iterator[tuple[str, slice, Run | None]]:
    """Each rule of a unit, the minutes that must keep it, and the run that needs them to."""
    minutes = len(book.load_w)
    for run in own:
        if run.state == "failed" or run.is_over or not 0 <= run.first < minutes:
            continue
        if unit.operating_k is not None:
            yield OPERATING, slice(run.first, run.last + 1), run
        if unit.switch_on_k is not None:
            yield SWITCH_ON, slice(run.first, run.first + 1), run
    if unit.surviving_k is not None:
        known = max(environment.read_until(platform.name), environment.measured_until(unit.name))
        yield SURVIVAL, slice(known, minutes + 1), None


def _violation(
    environment: Environment,
    platform: Platform,
    unit: Unit,
    rule: str,
    book: Books,
    first: int,
    after: int,
    run: Run | None,
    own: list[Run],
) -> Violation:
    scenario, range_k = environment.scenario, getattr(unit, RANGES[rule])
    left_k = room_k(unit, rule, book)[first:after]
    worst = first + int(left_k.argmin())
    amount = -float(left_k.min())
    lower_k, upper_k = (float(book.temperature_k[column][worst]) for column in unit.columns)
    value_k = lower_k if lower_k < range_k[0] else upper_k
    of = f"{run}: " if run else f'"{platform.name}": '
    return Violation(
        rule,
        scenario.instant_at(first),
        amount,
        "K",
        f'{of}"{unit.name}" has {number_text(value_k)} K, {number_text(amount)} K outside its '
        f"{rule} of {range_text(*range_k)} K, at {scenario.stamp_at(worst)}"
        f"{lasting(scenario, first, after, len(book.load_w))}",
        platform=platform.name,
        activity=run.activity.name if run else "",
        slots=(run.slot,) if run else tuple(r.slot for r in near_runs(own, first, worst)),
    )
