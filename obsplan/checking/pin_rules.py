"""The rule of pins: a run starts at each pinned time."""

from collections.abc import Iterator

from obsplan.checking.slots import Run
from obsplan.checking.violation import Violation
from obsplan.inputs.scenario import Scenario


def missed_pins(scenario: Scenario, runs: list[Run]) -> Iterator[Violation]:
    """Pins at which no run starts, unless one was in progress then that is over now."""
    for pin in scenario.pin:
        activity = scenario.activity_named(pin.activity)
        start_min = float(scenario.minutes_of(pin.start_utc))
        end_min = start_min + scenario.slot_min(activity)
        own = [run for run in runs if run.activity.name == pin.activity]
        if any(
            run.start_min < end_min and start_min < run.end_min
            if run.is_over
            else run.start_min == start_min
            for run in own
        ):
            continue
        ahead = [run for run in own if not run.is_over]
        nearest = min(ahead, key=lambda run: abs(run.start_min - start_min), default=None)
        yield Violation(
            "pin",
            scenario.instant_at(start_min),
            1.0,
            "run",
            f'"{pin.activity}" is pinned to {scenario.stamp_at(start_min)}, and no run of it '
            "starts then",
            platform=scenario.platform_of(activity),
            activity=pin.activity,
            slots=() if nearest is None else (nearest.slot,),
        )
