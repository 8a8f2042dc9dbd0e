"""Runs that people decide on after another: when that was ready, and what starts too early.

A run is ready for the later one once it has ended and settled, its data are on Earth if they must
be, people have decided, and commands have gone up in the next contact and arrived the lead before.
"""

from collections.abc import Iterator
from math import ceil, inf
from typing import NamedTuple

import numpy as np

from obsplan.checking.reception import Received
from obsplan.checking.replay import known
from obsplan.checking.slots import Run
from obsplan.checking.violation import Violation
from obsplan.common.text import number_text
from obsplan.environment.model import Environment
from obsplan.inputs.activity import Activity
from obsplan.inputs.after import After
from obsplan.inputs.scenario import Scenario


class Decision(NamedTuple):
    """A run that is decided on after another, in minutes of the span.

    number: which entry of `after` of its activity says so. looked_at: the run that it is decided
    after; None if there is none. down_min: when the data of that are on Earth, or when it has ended
    and settled if they need not be; decided_min: when people have decided; ready_min: when the run
    may start. Each is inf if that does not come within the span.
    """

    run: Run
    number: int
    looked_at: Run | None
    down_min: float
    decided_min: float
    ready_min: float

    @property
    def order(self) -> After:
        """The entry of `after` that asks for it."""
        return self.run.activity.after[self.number]

    @property
    def is_late(self) -> bool:
        """Whether the run starts before it may."""
        return self.ready_min > self.run.start_min


def decisions(
    environment: Environment, runs: list[Run], received: list[Received]
) -> tuple[Decision, ...]:
    """All decisions of a timeline whose `runs` count, in order of start.

    `received` says when the data of each are on Earth; it may be empty if no decision asks that.
    """
    at_min = [each.received_min for each in received] or [run.end_min for run in runs]
    found = []
    for run in runs:
        for number, order in enumerate(() if run.is_over else run.activity.after):
            start_utc = environment.scenario.instant_at(run.start_min)
            if order.is_plain or not order.applies_at(start_utc):
                continue
            before = [
                _decision(environment, run, number, other, at)
                for other, at in zip(runs, at_min)
                if other.activity.name == order.activity and other.start_min < run.start_min
            ]
            none = Decision(run, number, None, inf, inf, inf)
            latest = before[-1:] if order.each else before
            found.append(min(latest, key=lambda decision: decision.ready_min, default=none))
    return tuple(found)


def _decision(
    environment: Environment, run: Run, number: int, other: Run, received: float
) -> Decision:
    order = run.activity.after[number]
    down_min = other.end_min + order.settle_min
    if order.received:
        down_min = max(down_min, received)
    decided_min = down_min + order.decide_min
    ready = ready_min(environment, run, order, decided_min)
    return Decision(run, number, other, down_min, decided_min, ready)


def ready_min(environment: Environment, run: Run, order: After, decided_min: float) -> float:
    """When a run may start that people have decided on: once its commands have arrived.

    inf if no contact comes for them.
    """
    lead_min = environment.scenario.command_lead_min(run.activity)
    if not order.is_decision or lead_min is None or decided_min == inf:
        return decided_min
    table = environment.platforms[run.platform]
    contact = known(table, "in_contact", run.platform, len(table))
    later = np.flatnonzero(contact[ceil(decided_min) :])
    return ceil(decided_min) + later[0] + 1.0 + lead_min if len(later) else inf


def late_decisions(scenario: Scenario, found: tuple[Decision, ...]) -> Iterator[Violation]:
    """Runs that start before they may, each with what they have to wait for.

    What waits for a drive is in `place_rules`.
    """
    for decision in found:
        if not decision.is_late or scenario.is_drive(decision.order.activity):
            continue
        run, order = decision.run, decision.order
        name = f'{"the latest " if order.each else "a "}run of "{order.activity}"'
        begins = f"{run} starts at {scenario.stamp_at(run.start_min)}"
        amount, unit = 1.0, "run"
        slots: tuple[str, ...] = (run.slot,)
        if decision.looked_at is None:
            problem = f"{begins}; {name} must come before, and there is none"
        else:
            slots = (decision.looked_at.slot, run.slot)
            end_min = scenario.steps * scenario.span.step_min
            amount = min(decision.ready_min, end_min) - run.start_min
            unit = "min"
            problem = (
                f"{begins}, {number_text(amount)} min too early after {decision.looked_at}: "
                f"{_chain(scenario, decision)}"
            )
        yield Violation(
            "order",
            scenario.instant_at(run.start_min),
            amount,
            unit,
            problem,
            platform=run.platform,
            activity=run.activity.name,
            slots=slots,
        )


def _chain(scenario: Scenario, decision: Decision) -> str:
    """What comes when between the two runs, in words."""
    order = decision.order
    done = "its data are on Earth" if order.received else "it has ended and settled"
    if decision.down_min == inf:
        return "its data do not reach Earth within the span"
    parts = [f"{done} at {scenario.stamp_at(decision.down_min)}"]
    if order.decide_min:
        parts.append(f"people have decided at {scenario.stamp_at(decision.decided_min)}")
    if decision.ready_min == inf:
        parts.append("no contact comes for the commands")
    elif decision.ready_min > decision.decided_min:
        parts.append(f"commands permit a start at {scenario.stamp_at(decision.ready_min)}")
    return ", ".join(parts)


def first_runs(environment: Environment, runs: list[Run], minutes: int) -> Iterator[Violation]:
    """First runs of an activity that must be in contact throughout and are not."""
    scenario = environment.scenario
    seen: dict[str, int] = {}
    for run in runs:
        name = run.activity.name
        seen[name] = seen.get(name, 0) + 1
        if run.is_over or seen[name] > run.activity.first_runs_in_contact:
            continue
        table = environment.platforms[run.platform]
        contact = known(table, "in_contact", run.platform, minutes) > 0
        inside = slice(max(run.first, 0), max(run.last, 0))
        silent_min = float((~contact[inside]).sum())
        if silent_min:
            yield _silent(scenario, run, seen[name], silent_min)


def _silent(scenario: Scenario, run: Run, number: int, silent_min: float) -> Violation:
    activity: Activity = run.activity
    return Violation(
        "first runs in contact",
        scenario.instant_at(run.start_min),
        silent_min,
        "min",
        f"{run} is run {number} of its activity and is out of contact for "
        f"{number_text(silent_min)} min; the first {activity.first_runs_in_contact} must be in "
        "contact throughout",
        platform=run.platform,
        activity=activity.name,
        slots=(run.slot,),
    )
