"""The fix of each broken rule: a change that was tried from now on and breaks nothing more."""

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
# Changes that are tried for one timeline, and the runs and violations of all these trials: some
# seconds for a lunar day, and as much for a timeline that is wrong as a whole. Violations that are
# not reached by then have no fix.
MOST_TRIALS, MOST_IN_TRIALS = 100, 80_000
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
    keep_margins: bool,
) -> list[Violation]:
    """The violations with the first ways found to mend each; the same slots need one way alone.

    A violation of the user's that has a fix in the user's own words keeps it.
    """
    most = min(MOST_TRIALS, MOST_IN_TRIALS // (len(runs) + len(found)))
    trials = Trials(environment, runs, sending, found, minutes, now, most, keep_margins)
    known: dict[tuple[str, ...], tuple[Way, ...]] = {}
    fixed = []
    for violation in found:
        if not violation.fix and trials.left > 0:
            ways = _ways(trials, books, violation, known)
            if ways:
                violation = violation.with_ways(ways)
            elif trials.left > 0:
                violation = replace(violation, fix=NONE_FOUND)
        fixed.append(violation)
    return fixed


def _ways(
    trials: Trials,
    books: dict[str, Books],
    violation: Violation,
    known: dict[tuple[str, ...], tuple[Way, ...]],
) -> tuple[Way, ...]:
    """The first ways found; for a rule of slots those `known` for the same slots, if they do."""
    if violation.rule in RESOURCE_RULES:
        return tuple(islice(resource_ways(trials, books, violation), MOST_OF_LIMITS))
    ways = known.get(violation.slots, ())
    if not ways or not all(trials.mends(violation, way) for way in ways):
        ways = tuple(islice(slot_ways(trials, violation), MOST_OF_SLOTS))
    if ways and violation.slots:
        known[violation.slots] = ways
    return ways
