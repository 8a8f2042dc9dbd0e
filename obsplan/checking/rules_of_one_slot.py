"""Rules of a single slot: it is within the span, on the time grid, and of the right length.

A transmit window must be within the span.
"""

from collections.abc import Iterator

from obsplan.checking.slots import Run, SendingRow
from obsplan.checking.violation import Violation, of_run
from obsplan.common.text import number_text
from obsplan.inputs.scenario import Scenario


def placement(scenario: Scenario, runs: list[Run], minutes: int) -> Iterator[Violation]:
    """Slots beyond the span of `minutes`, off the grid of steps, or of the wrong length."""
    for run in runs:
        yield from _outside_span(scenario, run, minutes)
        yield from _off_grid(scenario, run)
        yield from _wrong_length(scenario, run)


def sending_outside_span(
    scenario: Scenario, sending: list[SendingRow], minutes: int
) -> Iterator[Violation]:
    """Transmit windows that reach beyond the span of `minutes`."""
    for row in sending:
        beyond_min = max(-row.start_min, row.end_min - minutes)
        if beyond_min <= 0:
            continue
        first, last = scenario.stamp_at(0), scenario.stamp_at(minutes)
        yield Violation(
            "span",
            scenario.instant_at(row.start_min),
            beyond_min,
            "min",
            f'"{row.name}" (slot {row.slot}) is from {scenario.stamp_at(row.start_min)} to '
            f"{scenario.stamp_at(row.end_min)}, {number_text(beyond_min)} min beyond the span",
            f"keep it between {first} and {last}",
            platform=row.platform,
            activity=row.name,
            slots=(row.slot,),
        )


def _outside_span(scenario: Scenario, run: Run, minutes: int) -> Iterator[Violation]:
    if run.start_min < 0:
        early = -run.start_min
        problem = (
            f"{run} starts at {scenario.stamp_at(run.start_min)}, {number_text(early)} min before "
            "the span"
        )
        yield of_run(scenario, run, "span", run.start_min, early, "min", problem)
    if run.end_min > minutes:
        late = run.end_min - minutes
        problem = (
            f"{run} ends at {scenario.stamp_at(run.end_min)}, {number_text(late)} min after the "
            "span's last whole step"
        )
        first = max(run.start_min, minutes)
        yield of_run(scenario, run, "span", first, late, "min", problem)


def _off_grid(scenario: Scenario, run: Run) -> Iterator[Violation]:
    step = scenario.span.step_min
    off = run.start_min % step
    if off:
        problem = (
            f"{run} starts at {scenario.stamp_at(run.start_min)}, {number_text(off)} min after a "
            f"whole step of {step} min"
        )
        yield of_run(scenario, run, "grid", run.start_min, off, "min", problem)


def _wrong_length(scenario: Scenario, run: Run) -> Iterator[Violation]:
    length, requested = run.end_min - run.start_min, scenario.slot_min(run.activity)
    if length != requested:
        problem = (
            f"{run} lasts {number_text(length)} min from {scenario.stamp_at(run.start_min)}, the "
            f"scenario requests {requested} min"
        )
        amount = abs(length - requested)
        yield of_run(scenario, run, "duration", run.start_min, amount, "min", problem)
