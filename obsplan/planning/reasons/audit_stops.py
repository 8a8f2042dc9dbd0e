"""Findings about stops before any plan: those that no drive leads to in the span."""

from collections.abc import Iterator

from obsplan.common.instants import stamp
from obsplan.environment.model import Environment
from obsplan.environment.rover_telemetry import unreachable_since
from obsplan.inputs.hardware import Platform
from obsplan.inputs.placed import DriveActivity, PlacedActivity
from obsplan.inputs.stop import LANDER, drive_instrument
from obsplan.planning.problem.start_windows import start_mask, why_no_window
from obsplan.planning.reasons.finding import Finding, Severity


def stop_findings(environment: Environment) -> Iterator[Finding]:
    """Stops and places to park that no chain of drives reaches, each of which can start."""
    scenario = environment.scenario
    for rover in (p for p in scenario.platform if p.drive is not None):
        own = [d for d in scenario.drive if d.instrument == drive_instrument(rover.name)]
        reached = _reached(environment, own)
        stops = [stop.name for stop in scenario.stop if stop.platform == rover.name]
        required = {
            a.stop for a in scenario.activity if isinstance(a, PlacedActivity) and a.must > 0
        }
        for stop in stops:
            if stop not in reached:
                severity = Severity.INFEASIBLE if stop in required else Severity.WARNING
                yield Finding(severity, f'stop "{stop}"', _why(environment, own, stop))
        yield from _parking(rover, reached)


def why_unreached(environment: Environment, rover: str, stop: str) -> str:
    """Why no chain of drives, each of which can start, leads to a stop; "" if one does."""
    if (told_utc := unreachable_since(environment, rover).get(stop)) is not None:
        return f"telemetry of {stamp(told_utc)} calls it unreachable"
    drives = [d for d in environment.scenario.drive if d.instrument == drive_instrument(rover)]
    return "" if stop in _reached(environment, drives) else _why(environment, drives, stop)


def _reached(environment: Environment, drives: list[DriveActivity]) -> set[str]:
    """The places that can be reached from the lander if each drive starts when it can."""
    can_start: dict[tuple[str, str], bool] = {}

    def is_possible(start: str, end: str) -> bool:
        if (start, end) not in can_start:
            parts = [d for d in drives if (d.leg.start, d.leg.end) == (start, end)]
            can_start[start, end] = bool(parts) and all(
                start_mask(environment, part).any() for part in parts
            )
        return can_start[start, end]

    ends = dict.fromkeys(drive.leg.end for drive in drives)
    reached, new = {LANDER}, [LANDER]
    while new:
        start = new.pop()
        found = [end for end in ends if end not in reached and is_possible(start, end)]
        reached.update(found)
        new += found
    return reached


def _why(environment: Environment, drives: list[DriveActivity], stop: str) -> str:
    """Why no drive leads to a stop; that from the lander if there is one, else any."""
    to_it = [drive for drive in drives if drive.leg.end == stop]
    to_it.sort(key=lambda drive: drive.leg.start != LANDER)
    reasons = (why_no_window(environment, drive) for drive in to_it)
    reason = next(filter(None, reasons), "")
    return f"no drive to it can start in the span: {reason}" if reason else "no drive leads to it"


def _parking(rover: Platform, reached: set[str]) -> Iterator[Finding]:
    ends = rover.parking.stop
    if ends and not reached & set(ends):
        yield Finding(
            Severity.INFEASIBLE,
            f'platform "{rover.name}".parking',
            f"no drives lead to {' or '.join(ends)} in the span",
            "name another stop to park at",
        )
