"""Which change of the scenario lets a rover visit a stop that it leaves out: each is planned."""

from collections.abc import Iterator
from itertools import islice
from math import ceil

from obsplan.environment.key_changes import KeyChange, changed
from obsplan.environment.levers import platform_lever
from obsplan.inputs.hardware import Platform
from obsplan.inputs.placed import PlacedActivity
from obsplan.inputs.scenario import Scenario
from obsplan.inputs.stop import Stop
from obsplan.planning.left_out.limits import is_made
from obsplan.planning.left_out.question import Question, Through
from obsplan.planning.reasons.fix_wording import Fix
from obsplan.planning.reasons.reason_wording import Reason
from obsplan.planning.reasons.stop_wording import NoChangeFound, StopBeyond, StopCosts, VisitedIf
from obsplan.planning.route.laid_out import Itinerary
from obsplan.planning.route.ways import beside_others, has_legs, straight_there

# How far keys are changed, the least change first. People are never left without time to decide.
LESS, FASTER, MORE = (0.75, 0.5, 0.25), (1.25, 1.5, 2.0), (1.1, 1.25, 1.5, 2.0)
LIGHTER = (0.8, 0.5)
# By how much more a plan must be worth to gain, in points.
GAIN = 0.1
MOST_FACTOR = 1000.0
# Ways beside all other visits that are tried with a change.
MOST_BESIDE = 3


def let_in(asked: Question, stop: Stop, reason: Reason, through: Through | None) -> Fix:
    """A change with which a plan through the stop is worth more than one without."""
    scenario, way = asked.scenario, asked.way
    beside = islice(beside_others(scenario, way, stop), MOST_BESIDE)
    others = straight_there(scenario, asked.chosen.begin, way, stop)
    ways, tried = [*beside, *([through.found.itinerary] if through else others)], []
    for lever in _levers(asked, stop, reason, through):
        if asked.changes_left <= 0 or asked.stop.is_set():
            break
        tried.append(lever[0].key)
        for change, way in _reaching(asked, lever, ways):
            asked.changes_left -= 1
            other = changed(asked.environment, change)
            worth, without = asked.along(other, way), asked.along(other, asked.way)
            if worth is not None and without is not None and worth > without + GAIN:
                return VisitedIf(change, stop.name, worth - without)
    return NoChangeFound(tuple(tried))


def _reaching(
    asked: Question, lever: list[KeyChange], ways: list[Itinerary]
) -> Iterator[tuple[KeyChange, Itinerary]]:
    """The least change with which a way is made, and the greatest, with that way."""

    def driven(change: KeyChange) -> Itinerary | None:
        other = changed(asked.environment, change)
        for way in ways:
            if has_legs(other.scenario, way):
                on_it, problem = asked.chosen.along(other, way.routes)
                if is_made(on_it, problem, way):
                    return way
        return None

    if (last := driven(lever[-1])) is None:
        return
    least = next(((c, way) for c in lever[:-1] if (way := driven(c)) is not None), None)
    yield from filter(None, [least, (lever[-1], last)])


def _levers(
    asked: Question, stop: Stop, reason: Reason, through: Through | None
) -> Iterator[list[KeyChange]]:
    """Changes of one key each, the least first; those of what is short come first."""
    platform = asked.scenario.platform_named(stop.platform)
    short = reason.limit if isinstance(reason, StopCosts | StopBeyond) else None
    quicker, stronger = _quicker(asked.scenario, platform), _stronger(platform)
    if short != "charge":
        yield from quicker
    if short != "time":
        yield from stronger
    if through is not None and (change := _worth_more(stop, through)):
        yield [change]


def _quicker(scenario: Scenario, platform: Platform) -> Iterator[list[KeyChange]]:
    """Less time for people to decide, fewer looks, faster drives."""
    drive = platform.drive
    assert drive is not None

    def change(key: str, *values: object) -> list[KeyChange]:
        old = getattr(drive, key)
        return [KeyChange("platform", platform.name, ("drive", key), old, new) for new in values]

    if drive.decide_min > 1:
        shorter = (int(share * drive.decide_min) for share in LESS)
        yield change("decide_min", *(minutes for minutes in shorter if minutes > 0))
    if drive.longest_drive_m and any(d.leg.parts > 1 for d in scenario.drive):
        yield change("longest_drive_m", *(_short(f * drive.longest_drive_m) for f in FASTER))
    speeds = (tuple((s, _short(f * v)) for s, v in drive.speed_by_slope) for f in FASTER)
    yield change("speed_by_slope", *speeds)


def _stronger(platform: Platform) -> Iterator[list[KeyChange]]:
    """Larger arrays, a larger battery, drives that take less power."""
    drive = platform.drive
    assert drive is not None
    if area := platform_lever(platform, "array.area_m2"):
        yield [area.change(factor) for factor in MORE]
    if battery := platform_lever(platform, "battery.capacity_wh"):
        yield [battery.change(_short(factor * battery.now)) for factor in MORE]
    path = ("drive", "power_w")
    lighter = (_short(share * drive.power_w) for share in LIGHTER)
    yield [KeyChange("platform", platform.name, path, drive.power_w, new) for new in lighter]


def _worth_more(stop: Stop, through: Through) -> KeyChange | None:
    """The value factor with which the plan through a stop pays, if what is done there has a value
    of its own."""
    found = through.found
    own = sum(
        found.plan.problem.tasks[i].value * len(found.plan.runs[i])
        for i, activity in enumerate(found.environment.scenario.activity)
        if isinstance(activity, PlacedActivity) and activity.stop == stop.name
    )
    if own <= 0 or through.loss < 0:
        return None
    factor = stop.value_factor * (1 + (through.loss + 2 * GAIN) / own)
    factor = ceil(100 * factor) / 100
    if factor > MOST_FACTOR:
        return None
    return KeyChange("stop", stop.name, ("value_factor",), stop.value_factor, factor)


def _short(value: float) -> float:
    """A value in three digits, as people write it."""
    return float(f"{value:.3g}")
