"""What would mend a broken limit of bus, battery or store: slots moved or dropped, or sending.

If no change of the slots is enough, another value of a key of the platform may be.
"""

from collections.abc import Iterator
from itertools import islice
from math import floor

from obsplan.checking.replay import Books
from obsplan.checking.resource_rules import RULES, unsent, unused_contact, users
from obsplan.checking.slot_changes import Drop, Send
from obsplan.checking.slot_fixes import moves, tried
from obsplan.checking.slots import Run, minutes_to_send
from obsplan.checking.trials import Trials
from obsplan.checking.violation import Violation, Way
from obsplan.environment.key_changes import KeyChange
from obsplan.environment.levers import COARSE, least_amount, platform_lever

# Single slots that are tried, and how many are dropped at once at most.
MOST_SINGLE, MOST_DROPPED = 4, 12


def resource_ways(trials: Trials, books: dict[str, Books], violation: Violation) -> Iterator[Way]:
    """Ways to mend a limit, those that change least first."""
    ahead = _users_ahead(trials, violation)
    few = [
        *_sending(trials, books, violation),
        *islice(_single(trials, violation, ahead), 1),
    ]
    yield from few
    if few:
        return
    if dropped := _dropped(trials, violation, ahead):
        yield dropped
    else:
        yield from _keys(trials, violation)


def _users_ahead(trials: Trials, violation: Violation) -> list[Run]:
    """Runs ahead that use the resource, those in progress or just over first."""
    scenario = trials.environment.scenario
    rule = next(rule for rule in RULES if rule.name == violation.rule)
    names = users(scenario, scenario.platform_named(violation.platform), rule)
    begins = floor(scenario.minutes_of(violation.time_utc))
    own = [r for r in trials.runs if r.platform in names and trials.may_change(r)]
    # What starts later than the limit is broken may still use what its end needs.
    return sorted(own, key=lambda run: (run.slot not in violation.slots, abs(run.end_min - begins)))


def _single(trials: Trials, violation: Violation, ahead: list[Run]) -> Iterator[Way]:
    """One slot moved, or dropped if no other start is found for it."""
    for run in ahead[:MOST_SINGLE]:
        drop = Drop(run.slot, run.activity.name, may_move=False)
        if trials.mends(violation, (drop,)):
            yield from islice(moves(trials, violation, run), 1)
            yield (drop,)


def _sending(trials: Trials, books: dict[str, Books], violation: Violation) -> Iterator[Way]:
    """The longest contact that is left unused, used from now on."""
    if violation.unit != "Mbit":
        return
    scenario, name = trials.environment.scenario, violation.platform
    may_send = minutes_to_send(scenario, trials.sending, trials.minutes)
    unused = unused_contact(trials.environment, name, may_send, trials.minutes)
    unused[: trials.now] = False
    end = floor(scenario.minutes_of(violation.time_utc))
    if late := unsent(books[name], unused, end):
        row = next(row for row, owner in scenario.sending_names.items() if owner == name)
        start_utc, end_utc = (scenario.instant_at(minute) for minute in late)
        yield from tried(trials, violation, (Send(row, name, start_utc, end_utc),))


def _dropped(trials: Trials, violation: Violation, ahead: list[Run]) -> Way | None:
    """The fewest slots to drop at once, nearest first; None if even many are not enough."""

    def first(count: int) -> Way:
        return tuple(Drop(run.slot, run.activity.name) for run in ahead[:count])

    few, enough = 1, min(len(ahead), MOST_DROPPED)
    if enough < 2 or not trials.mends(violation, first(enough)):
        return None
    while enough - few > 1:
        middle = (few + enough) // 2
        few, enough = (few, middle) if trials.mends(violation, first(middle)) else (middle, enough)
    return first(enough)


def _keys(trials: Trials, violation: Violation) -> Iterator[Way]:
    """Other values of keys of the platform."""
    platform = trials.environment.scenario.platform_named(violation.platform)
    rule = next(rule for rule in RULES if rule.name == violation.rule)

    def is_enough(change: KeyChange) -> bool:
        return trials.mends(violation, (change,))

    for key in rule.keys:
        lever = platform_lever(platform, key)
        if lever and (change := least_amount(lever, is_enough, COARSE)):
            yield (change,)
