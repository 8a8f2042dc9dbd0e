"""Where rovers stand: runs at their stops, drives from where they are, looks, and parking.

The referee follows each rover from slot to slot. It asks no route: the drives of the timeline say
where the rover is. That drives and runs at stops do not overlap is in `rules_between_slots`.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from math import hypot, inf

import pandas as pd

from obsplan.checking.decision_rules import ready_min
from obsplan.checking.reception import Received
from obsplan.checking.slots import Run
from obsplan.checking.violation import Violation, of_run
from obsplan.common.instants import stamp
from obsplan.common.text import number_text
from obsplan.environment.model import Environment
from obsplan.environment.rover_telemetry import seen_at, unreachable_since
from obsplan.inputs.after import After
from obsplan.inputs.hardware import Platform
from obsplan.inputs.legs import Leg, Place, places_of
from obsplan.inputs.placed import DriveActivity, PlacedActivity
from obsplan.inputs.scenario import Scenario
from obsplan.inputs.stop import LANDER, Drive


@dataclass
class Rover:
    """A rover on its way through the timeline.

    stop: where it stands; "" between two stops. drive: the latest drive that it has begun, and
    on_earth_min: when the data of that are on Earth.
    """

    platform: Platform
    places: dict[str, Place]
    stop: str = LANDER
    drive: Run | None = None
    on_earth_min: float = 0.0

    @property
    def how(self) -> Drive:
        """How it drives."""
        assert self.platform.drive is not None
        return self.platform.drive

    @property
    def where(self) -> str:
        """Where it stands, in words."""
        if self.stop:
            return f'at "{self.stop}"'
        leg, part = driven(self.drive).leg, driven(self.drive).part
        between = f'between "{leg.start}" and "{leg.end}"'
        return (
            f"{between}, where {self.drive} ended"
            if self.is_short
            else between + (f", after part {part} of {leg.parts}")
        )

    @property
    def position(self) -> Place:
        """Where it stands, in metres east and north of the lander."""
        if self.stop:
            return self.places[self.stop]
        drive, share = driven(self.drive), 1.0
        if self.is_short and self.drive is not None:
            share = min(1.0, (self.drive.end_min - self.drive.start_min) / drive.duration_min)
        return along(drive.leg.path_m, (drive.part - 1 + share) / drive.leg.parts)

    @property
    def is_short(self) -> bool:
        """Whether its latest drive ended before its end was reached."""
        return self.drive is not None and self.drive.state == "shortened"


def driven(run: Run | None) -> DriveActivity:
    """The drive of a run that is known to be one."""
    assert run is not None and isinstance(run.activity, DriveActivity)
    return run.activity


def along(path_m: tuple[Place, ...], share: float) -> Place:
    """The point after a share (0 to 1) of the length of a path."""
    lengths = [hypot(b[0] - a[0], b[1] - a[1]) for a, b in zip(path_m, path_m[1:])]
    left = share * sum(lengths)
    for a, b, length in zip(path_m, path_m[1:], lengths):
        if left < length:
            done = left / length
            return a[0] + done * (b[0] - a[0]), a[1] + done * (b[1] - a[1])
        left -= length
    return path_m[-1]


def place_violations(
    environment: Environment, runs: list[Run], received: list[Received], minutes: int
) -> Iterator[Violation]:
    """Rules of place that the runs, in order of start, break in the first `minutes`.

    `received` says when the data of each run are on Earth; it may be empty if no drive has data.
    """
    scenario = environment.scenario
    at_min = [each.received_min for each in received] or [run.end_min for run in runs]
    for platform in scenario.platform:
        if platform.drive is None:
            continue
        name = platform.name
        rover = Rover(platform, places_of(scenario, name))
        seen = [(scenario.minutes_of(at), place) for at, place in seen_at(environment, name)]
        closed = unreachable_since(environment, name)
        for run, on_earth_min in zip(runs, at_min):
            if run.platform != name:
                continue
            _stand_where_seen(rover, seen, run.start_min)
            if isinstance(run.activity, DriveActivity):
                yield from _unlike_drive(scenario, rover, run)
                yield from _unreachable(scenario, closed, run)
                yield from _early(environment, rover, run)
                _drive(rover, run, on_earth_min)
            elif isinstance(run.activity, PlacedActivity):
                yield from _elsewhere(scenario, rover, run)
                yield from _early(environment, rover, run)
        _stand_where_seen(rover, seen, minutes)
        yield from _not_parked(scenario, rover, minutes)


def _stand_where_seen(rover: Rover, seen: list[tuple[float, str]], minute: float) -> None:
    """The rover stands where it was seen last before a minute, unless it has driven since."""
    driven_min = rover.drive.end_min if rover.drive else 0.0
    for seen_min, place in seen:
        if driven_min <= seen_min <= minute:
            rover.stop = place


def _drive(rover: Rover, run: Run, on_earth_min: float) -> None:
    """The rover drives. From then on it is where the drive leads, wherever it came from."""
    drive = driven(run)
    rover.stop = drive.leg.end if drive.is_last and run.state != "shortened" else ""
    rover.drive, rover.on_earth_min = run, on_earth_min


def _elsewhere(scenario: Scenario, rover: Rover, run: Run) -> Iterator[Violation]:
    """A run at a stop while the rover is not there."""
    assert isinstance(run.activity, PlacedActivity)
    stop, drive = run.activity.stop, rover.drive
    is_moving = drive is not None and drive.end_min > run.start_min
    # What starts during a drive overlaps with it.
    if rover.stop != stop and not is_moving:
        begins = f"{run} starts at {scenario.stamp_at(run.start_min)}"
        away_m = _apart_m(rover.position, rover.places[stop])
        problem = f'{begins}, but the rover stands {rover.where}, not at "{stop}"'
        yield _of_two(scenario, run, "place", away_m, "m", problem, drive)


def _unlike_drive(scenario: Scenario, rover: Rover, run: Run) -> Iterator[Violation]:
    """A drive that begins where the rover is not."""
    leg, part, before = driven(run).leg, driven(run).part, rover.drive
    begins = f"{run} starts at {scenario.stamp_at(run.start_min)}"
    goes_on = part == 1 and rover.stop == leg.start
    if not rover.stop:
        goes_on = _goes_on(driven(before), rover.is_short, leg, part)
    if not goes_on:
        away_m = _apart_m(rover.position, along(leg.path_m, (part - 1) / leg.parts))
        whence = f'"{leg.start}"' if part == 1 else f"the end of part {part - 1} of {leg.parts}"
        problem = f"{begins} from {whence}, but the rover stands {rover.where}"
        yield _of_two(scenario, run, "drive", away_m, "m", problem, before)


def _unreachable(
    scenario: Scenario, closed: dict[str, pd.Timestamp], run: Run
) -> Iterator[Violation]:
    """A drive to a stop that telemetry calls unreachable before it starts."""
    stop = driven(run).leg.end
    since_utc = closed.get(stop)
    if run.is_over or since_utc is None:
        return
    if scenario.minutes_of(since_utc) <= run.start_min:
        problem = (
            f'{run} leads to "{stop}", which telemetry of {stamp(since_utc)} calls unreachable'
        )
        yield of_run(scenario, run, "drive", run.start_min, 1.0, "run", problem)


def _goes_on(before: DriveActivity, is_short: bool, leg: Leg, part: int) -> bool:
    """Whether a part of a leg goes on from between two stops, or back.

    Of a part that ended short that part is made again, and is no longer than it was.
    """
    if (leg.start, leg.end) == (before.leg.end, before.leg.start):
        return part == leg.parts - before.part + 1
    return leg == before.leg and part == before.part + (not is_short)


def _early(environment: Environment, rover: Rover, run: Run) -> Iterator[Violation]:
    """A drive, or a run at a stop, before people have looked at the drive before and decided."""
    if rover.drive is None or run.is_over or rover.drive.end_min > run.start_min:
        return
    scenario, decide_min = environment.scenario, rover.how.decide_min
    has_data = rover.drive.activity.data_mbit > 0
    look = After(activity=rover.drive.activity.name, received=has_data, decide_min=decide_min)
    decided_min = (rover.on_earth_min if has_data else rover.drive.end_min) + decide_min
    may_start_min = ready_min(environment, run, look, decided_min)
    if may_start_min <= run.start_min:
        return
    early_min = min(may_start_min, scenario.steps * scenario.span.step_min) - run.start_min
    problem = (
        f"{run} starts at {scenario.stamp_at(run.start_min)}, {number_text(early_min)} min before "
        f"people have looked at {rover.drive} and decided: "
    )
    if rover.on_earth_min == inf:
        problem += "its data do not reach Earth within the span"
    elif may_start_min == inf:
        problem += "no contact comes for the commands"
    else:
        problem += f"it may start at {scenario.stamp_at(may_start_min)}"
    yield _of_two(scenario, run, "look", early_min, "min", problem, rover.drive)


def _not_parked(scenario: Scenario, rover: Rover, minutes: int) -> Iterator[Violation]:
    """A rover that is not where it has to be at the end of the span."""
    parking = rover.platform.parking
    ends = f'"{rover.platform.name}" stands {rover.where} at the end of the span'
    # A drive that is over is no fault any more; where the rover has to go still is.
    slots = () if rover.drive is None or rover.drive.is_over else (rover.drive.slot,)
    if parking.stop and rover.stop not in parking.stop:
        away_m = min(_apart_m(rover.position, rover.places[stop]) for stop in parking.stop)
        allowed = " or ".join(f'"{stop}"' for stop in parking.stop)
        problem = f"{ends}, it has to be at {allowed}"
        yield _at_the_end(scenario, rover, minutes, away_m, problem, slots)
    far_m = hypot(*rover.position)
    if parking.within_m is not None and far_m > parking.within_m:
        problem = (
            f"{ends}, {number_text(far_m)} m from the lander, allowed are "
            f"{number_text(parking.within_m)} m"
        )
        yield _at_the_end(scenario, rover, minutes, far_m - parking.within_m, problem, slots)


def _at_the_end(
    scenario: Scenario,
    rover: Rover,
    minutes: int,
    away_m: float,
    problem: str,
    slots: tuple[str, ...],
) -> Violation:
    return Violation(
        "parking",
        scenario.instant_at(minutes),
        away_m,
        "m",
        problem,
        platform=rover.platform.name,
        activity="" if rover.drive is None else rover.drive.activity.name,
        slots=slots,
    )


def _of_two(
    scenario: Scenario,
    run: Run,
    rule: str,
    amount: float,
    unit: str,
    problem: str,
    other: Run | None,
) -> Violation:
    """A rule that a run breaks beside another, if there is one."""
    found = of_run(scenario, run, rule, run.start_min, amount, unit, problem)
    return found if other is None else replace(found, slots=(other.slot, run.slot))


def _apart_m(one: Place, other: Place) -> float:
    return hypot(one[0] - other[0], one[1] - other[1])
