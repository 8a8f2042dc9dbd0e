"""Findings of an audit about pins: what rules out a run at a pinned time, whatever else is planned.

Each names the rule that the pin breaks.
"""

from collections.abc import Iterator
from itertools import combinations

import numpy as np

from obsplan.environment.model import Environment
from obsplan.inputs.pin import Pin
from obsplan.inputs.scenario import Scenario
from obsplan.planning.problem.from_scenario import exclusive_pairs, needs_of
from obsplan.planning.problem.pinned_runs import pinned_step
from obsplan.planning.problem.start_windows import (
    all_of,
    condition_words,
    start_mask,
    start_masks,
)
from obsplan.planning.reasons.finding import Finding, Severity


def pin_findings(environment: Environment) -> Iterator[Finding]:
    """Pins that no plan can keep."""
    scenario = environment.scenario
    for pin in scenario.pin:
        found = [*_conditions(environment, pin), *_order(environment, pin)]
        for text, advice in found:
            yield Finding(Severity.INFEASIBLE, _where(scenario, pin), text, advice)
    for one, other in combinations(scenario.pin, 2):
        if text := _apart(scenario, one, other):
            advice = "pin one of them to another time, or remove one"
            yield Finding(Severity.INFEASIBLE, _where(scenario, other), text, advice)


def _where(scenario: Scenario, pin: Pin) -> str:
    return f'pin of "{pin.activity}" at {scenario.stamp_at(scenario.minutes_of(pin.start_utc))}'


def _conditions(environment: Environment, pin: Pin) -> Iterator[tuple[str, str]]:
    """The conditions on its start that are not met, and the nearest starts that meet all."""
    scenario = environment.scenario
    activity, step = scenario.activity_named(pin.activity), pinned_step(scenario, pin.start_utc)
    masks = start_masks(environment, activity, relaxed=True)
    words = condition_words(scenario, activity) | {"span": "its end inside the span"}
    missed = [words[key] for key, mask in masks.items() if not mask[step]]
    if not missed:
        return
    starts = np.flatnonzero(all_of(scenario, masks))
    near = [*starts[starts < step][-1:], *starts[starts > step][:1]]
    times = [scenario.stamp_at(int(start) * scenario.span.step_min) for start in near]
    advice = f"pin it to {' or '.join(times)}" if times else "remove the pin"
    yield f"a slot that starts then does not have {' or '.join(missed)}", advice


def _order(environment: Environment, pin: Pin) -> Iterator[tuple[str, str]]:
    """Activities that must come first and cannot."""
    scenario = environment.scenario
    activity, step = scenario.activity_named(pin.activity), pinned_step(scenario, pin.start_utc)
    for words, need in needs_of(environment, activity)[: len(activity.after)]:
        first = scenario.activity[need.task]
        pinned = [
            pinned_step(scenario, other.start_utc)
            for other in scenario.pin
            if other.activity == first.name
        ]
        starts = np.flatnonzero(start_mask(environment, first, relaxed=True)).tolist()
        if not need.with_runs(pinned if len(pinned) == first.count else starts)[step]:
            many = f'all runs of "{first.name}" are pinned'
            why = many if len(pinned) == first.count else f'"{first.name}" can only run'
            yield f"a run then must come {words}, and {why} too late", "pin it to a later time"


def _apart(scenario: Scenario, one: Pin, other: Pin) -> str:
    """Why two pins exclude each other; "" if they do not."""
    names = [activity.name for activity in scenario.activity]
    i, j = names.index(one.activity), names.index(other.activity)
    first, second = scenario.activity[i], scenario.activity[j]
    begins = [float(scenario.minutes_of(pin.start_utc)) for pin in (one, other)]
    ends = [t + scenario.slot_min(a) for t, a in zip(begins, (first, second))]
    gap = first.gap_min if i == j else 0
    if begins[0] >= ends[1] + gap or begins[1] >= ends[0] + gap:
        return ""
    if i == j:
        return f"is too near to the {_where(scenario, one)}: they overlap, or gap_min is not kept"
    exclusion = exclusive_pairs(scenario).get((min(i, j), max(i, j)))
    return f"overlaps the {_where(scenario, one)} ({exclusion.kind.value})" if exclusion else ""
