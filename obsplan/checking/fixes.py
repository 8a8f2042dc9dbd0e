"""The fix of each broken rule: a change that was tried from now on and breaks nothing more."""

from collections.abc import Iterator
from dataclasses import replace
from itertools import islice

from obsplan.checking.replay import Books
from obsplan.checking.resource_fixes import resource_ways
from obsplan.checking.resource_rules import RESOURCE_RULES
from obsplan.checking.slot_fixes import slot_ways
from obsplan.checking.slots import Run, SendingRow
from obsplan.checking.trials import Trials
from obsplan.checking.violation import Violation, Way
from obsplan.environment.model import Environment

# Ways that are told for a rule of slots, and for a limit of a platform.
MOST_OF_SLOTS, MOST_OF_LIMITS = 1, 2
# Changes that are tried for one timeline: some seconds for a lunar day. Violations that are not
# reached by then have no fix.
MOST_TRIALS = 100
# With more broken rules than this no fix is sought: the timeline as a whole is wrong.
MOST_BROKEN = 200
# What is said where nothing that was tried mends a rule.
NONE_FOUND = "none found"


def with_fixes(
    environment: Environment,
    runs: list[Run],
    sending: list[SendingRow],
    found: list[Violation],
    books: dict[str, Books],
    minutes: int,
    now: int,
) -> list[Violation]:
    """The violations with the first ways found to mend each; the same slots need one way alone."""
    if len(found) > MOST_BROKEN:
        return found
    trials = Trials(environment, runs, sending, found, minutes, now, MOST_TRIALS)
    known: dict[tuple[str, ...], tuple[Way, ...]] = {}
    fixed = []
    for violation in found:
        of_slots = violation.rule not in RESOURCE_RULES
        ways = known.get(violation.slots, ()) if of_slots and violation.slots else ()
        if not ways or not all(trials.mends(violation, way) for way in ways):
            most = MOST_OF_SLOTS if of_slots else MOST_OF_LIMITS
            ways = tuple(islice(_ways(trials, books, violation), most))
        if of_slots and ways:
            known[violation.slots] = ways
        if not ways and not violation.fix and trials.left > 0:
            violation = replace(violation, fix=NONE_FOUND)
        fixed.append(violation.with_ways(ways) if ways else violation)
    return fixed


def _ways(trials: Trials, books: dict[str, Books], violation: Violation) -> Iterator[Way]:
    if violation.fix:
        return  # a rule of the user's comes with the user's own words
    if violation.rule in RESOURCE_RULES:
        yield from resource_ways(trials, books, violation)
    else:
        yield from slot_ways(trials, violation)
