"""What would mend a rule that slots break: another start, another end, fewer or more slots."""

from collections.abc import Iterator
from math import ceil

import numpy as np

from obsplan.checking.condition_rules import requirements
from obsplan.checking.pointing_rules import turn_min
from obsplan.checking.rules_between_slots import why_apart
from obsplan.checking.slot_changes import Drop, End, Fail, Move, Place, SlotChange
from obsplan.checking.slots import Run
from obsplan.checking.team_rules import watching
from obsplan.checking.trials import Trials
from obsplan.checking.violation import Violation, Way
from obsplan.environment.key_changes import KeyChange
from obsplan.inputs.activity import Activity

# Starts that are tried for one slot: the nearest, then others a slot's length away and more.
MOST_STARTS, FARTHER = 5, 4
# More slots that are to be dropped or placed at once would be another plan.
MOST_TOGETHER = 6


def slot_ways(trials: Trials, violation: Violation) -> Iterator[Way]:
    """Ways to mend a rule of one slot, between slots, or of the user's."""
    named = [trials.by_slot[slot] for slot in violation.slots if slot in trials.by_slot]
    ahead = [run for run in named if trials.may_change(run)]
    match violation.rule:
        case "must":
            yield from _more_runs(trials, violation)
        case "pin":
            yield from _at_its_pin(trials, violation, ahead)
        case "count":
            yield from _fewer_runs(trials, violation, ahead)
        case "order" if violation.unit == "run":
            yield from _earlier_prerequisite(trials, violation, named)
        case "duration":
            yield from _other_end(trials, violation, ahead)
    # The later of two slots comes last, and moves first.
    for run in reversed(ahead):
        yield from moves(trials, violation, run)
    if violation.rule == "data latency":
        yield from _sent_first(trials, violation)
    for run in reversed(ahead):
        yield from tried(trials, violation, (Drop(run.slot, run.activity.name, may_move=False),))
    now_utc = trials.environment.scenario.instant_at(trials.now)
    for run in named:
        if not run.is_over and run.start_min < trials.now:
            yield from tried(trials, violation, (Fail(run.slot, run.activity.name, now_utc),))


def tried(trials: Trials, violation: Violation, way: Way) -> Iterator[Way]:
    """The way itself if it mends the violation."""
    if trials.mends(violation, way):
        yield way


def moves(trials: Trials, violation: Violation, run: Run) -> Iterator[Way]:
    """The nearest start of a run at which it breaks no rule of slots, then others."""
    others = [other for other in trials.runs if other.slot != run.slot]
    starts = open_starts(trials, run.activity, others)
    for start in _spread(starts, run.start_min, _length(trials, run.activity)):
        at = trials.environment.scenario.instant_at(start)
        yield from tried(trials, violation, (Move(run.slot, run.activity.name, at),))


def open_starts(trials: Trials, activity: Activity, others: list[Run]) -> np.ndarray:
    """Minutes from now on, on the time grid, at which one more slot breaks no rule of slots.

    Rules that others have with it, such as to come after it, are left to a trial.
    """
    scenario, minutes = trials.environment.scenario, trials.minutes
    # A failed run is in nobody's way, and no prerequisite of any.
    others = [other for other in others if other.state != "failed"]
    step, length = scenario.span.step_min, _length(trials, activity)
    starts = np.arange(ceil(trials.now / step) * step, minutes - length + 1, step)
    for requirement in requirements(activity, trials.environment, minutes):
        ends = starts + (length if requirement.throughout else 1)
        starts = starts[requirement.missed[ends] == requirement.missed[starts]]
    for name in dict.fromkeys(other.activity.name for other in others):
        other = scenario.activity_named(name)
        turn = turn_min(scenario, activity, other)
        if turn is None and not why_apart(scenario, activity, other):
            continue
        gap = activity.gap_min if name == activity.name else turn or 0
        # A start is barred while more of these runs have come too near than have gone.
        own = [run for run in others if run.activity.name == name]
        near = np.sort([run.start_min - length - gap for run in own])
        gone = np.sort([run.end_min + gap for run in own])
        starts = starts[np.searchsorted(near, starts) == np.searchsorted(gone, starts, "right")]
    for team in activity.needs:
        known = scenario.team_named(team)
        for since, until in watching(known, others, known.at_once):
            starts = starts[(starts + length <= since) | (starts >= until)]
    for after in activity.after:
        ended = [o.end_min for o in others if o.activity.name == after.activity]
        wait_min = after.settle_min + after.decide_min
        bound = starts < min(ended, default=np.inf) + wait_min
        if after.from_utc is not None:
            bound &= starts >= scenario.minutes_of(after.from_utc)
        if after.until_utc is not None:
            bound &= starts < scenario.minutes_of(after.until_utc)
        starts = starts[~bound]
    return starts


def _length(trials: Trials, activity: Activity) -> int:
    return trials.environment.scenario.slot_min(activity)


def _spread(starts: np.ndarray, near: float, apart: float) -> Iterator[float]:
    """A few of the starts: the nearest first, then others ever farther away."""
    left = starts[np.argsort(np.abs(starts - near), kind="stable")]
    for _ in range(MOST_STARTS):
        if not len(left):
            return
        yield float(left[0])
        farther = max(apart, np.abs(left[0] - near) + apart)
        left = left[np.abs(left - near) >= farther]
        apart *= FARTHER


def _other_end(trials: Trials, violation: Violation, ahead: list[Run]) -> Iterator[Way]:
    for run in ahead:
        end = trials.environment.scenario.instant_at(run.start_min + _length(trials, run.activity))
        yield from tried(trials, violation, (End(run.slot, run.activity.name, end),))


def _fewer_runs(trials: Trials, violation: Violation, ahead: list[Run]) -> Iterator[Way]:
    """The surplus dropped, or a higher count."""
    surplus = len(violation.slots)
    if len(ahead) == surplus <= MOST_TOGETHER:
        way = tuple(Drop(run.slot, run.activity.name) for run in ahead)
        yield from tried(trials, violation, way)
    activity = trials.environment.scenario.activity_named(violation.activity)
    more = activity.count + surplus
    change = KeyChange("activity", activity.name, ("count",), activity.count, more)
    # Of runs in pieces the count is that of pieces, and none that the user could write.
    if activity.split_min is None:
        yield from tried(trials, violation, (change,))


def _sent_first(trials: Trials, violation: Violation) -> Iterator[Way]:
    """The highest priority for the data of the activity."""
    activity = trials.environment.scenario.activity_named(violation.activity)
    if activity.priority > 1:
        change = KeyChange("activity", activity.name, ("priority",), activity.priority, 1)
        yield from tried(trials, violation, (change,))


def _more_runs(trials: Trials, violation: Violation) -> Iterator[Way]:
    """All the runs that are missing, as early or as late as their own rules allow."""
    scenario = trials.environment.scenario
    activity = scenario.activity_named(violation.activity)
    missing = round(violation.amount)
    if missing > MOST_TOGETHER:
        return
    starts = open_starts(trials, activity, trials.runs)
    apart = _length(trials, activity) + activity.gap_min
    for near in (trials.now, trials.minutes):
        chosen: list[float] = []
        left = starts[np.argsort(np.abs(starts - near), kind="stable")]
        while len(left) and len(chosen) < missing:
            chosen.append(float(left[0]))
            left = left[np.abs(left - left[0]) >= apart]
        if len(chosen) == missing:
            way: tuple[SlotChange, ...] = tuple(
                Place(activity.name, scenario.instant_at(start)) for start in sorted(chosen)
            )
            yield from tried(trials, violation, way)


def _at_its_pin(trials: Trials, violation: Violation, ahead: list[Run]) -> Iterator[Way]:
    """The nearest run of the activity moved to the pinned time, or one more run there."""
    for run in ahead:
        move = Move(run.slot, run.activity.name, violation.time_utc)
        yield from tried(trials, violation, (move,))
    yield from tried(trials, violation, (Place(violation.activity, violation.time_utc),))


def _earlier_prerequisite(trials: Trials, violation: Violation, named: list[Run]) -> Iterator[Way]:
    """A run of the activity that comes first, as late as is early enough."""
    scenario = trials.environment.scenario
    waiting = min(named, key=lambda run: run.start_min)
    present = {run.activity.name for run in trials.runs if run.state != "failed"}
    for after in waiting.activity.after:
        start_utc = scenario.instant_at(waiting.start_min)
        if after.activity in present or not after.applies_at(start_utc):
            continue
        first = scenario.activity_named(after.activity)
        length = _length(trials, first)
        starts = open_starts(trials, first, trials.runs)
        latest = waiting.start_min - after.settle_min - after.decide_min - length
        for start in _spread(starts[starts <= latest], latest, length):
            place = Place(first.name, scenario.instant_at(start))
            yield from tried(trials, violation, (place,))
