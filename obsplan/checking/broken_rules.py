"""Every rule that a timeline breaks, in order of time, the books of the replay, and decisions."""

from typing import NamedTuple

from obsplan.checking.decision_rules import Decision, decisions, late_decisions
from obsplan.checking.latency_rule import DataWait, asks_reception, data_waits, late_data
from obsplan.checking.limits import Limits, limits_of
from obsplan.checking.place_rules import place_violations
from obsplan.checking.reception import reception
from obsplan.checking.replay import Books, replay
from obsplan.checking.required_goals import missed_minimums
from obsplan.checking.resource_rules import resource_violations
from obsplan.checking.rules import ahead, counted_runs, rule_names, slot_violations
from obsplan.checking.rules_of_one_slot import sending_outside_span
from obsplan.checking.slots import Run, SendingRow, minutes_to_send
from obsplan.checking.temperature_rules import temperature_violations
from obsplan.checking.user_rules import own_violations
from obsplan.checking.violation import Violation
from obsplan.environment.model import Environment


class Judgement(NamedTuple):
    """The violations without fixes, the margins that are used, the books of the replay, what is
    decided when, and how long data wait whose latency is limited."""

    found: list[Violation]
    margins_used: list[Violation]
    books: dict[str, Books]
    decided: tuple[Decision, ...]
    waits: tuple[DataWait, ...]


def broken_rules(
    environment: Environment,
    runs: list[Run],
    sending: list[SendingRow],
    minutes: int,
    keep_margins: bool,
) -> Judgement:
    """What runs and transmit windows break over the first `minutes`.

    With `keep_margins` a margin that is used counts as broken.
    """
    broken, used, books = _resources(environment, runs, sending, minutes, keep_margins)
    counted = counted_runs(environment, runs)
    # A walk through all stores, for those alone who ask.
    is_asked = asks_reception(environment.scenario)
    received = reception(environment, counted, books) if is_asked else []
    decided = decisions(environment, counted, received)
    waits = data_waits(counted, received, minutes)
    found = [
        *slot_violations(environment, runs, minutes),
        *late_decisions(environment.scenario, decided),
        *late_data(environment.scenario, waits),
        *missed_minimums(environment, counted, received, minutes),
        *ahead(place_violations(environment, counted, received, minutes), counted),
        *sending_outside_span(environment.scenario, sending, minutes),
        *broken,
        *temperature_violations(environment, runs, books),
        *own_violations(environment, runs),
    ]
    rules = all_rules(environment)
    for violations in (found, used):
        violations.sort(key=lambda v: (v.time_utc, rules.index(v.rule), v.slots, v.message))
    return Judgement(found, used, books, decided, waits)


def _resources(
    environment: Environment,
    runs: list[Run],
    sending: list[SendingRow],
    minutes: int,
    keep_margins: bool,
) -> tuple[list[Violation], list[Violation], dict[str, Books]]:
    """Broken limits of the platforms, margins that are used, and the books.

    Sending keeps the margins, unless that breaks a limit. A margin is used where it is not kept
    then, and the limit itself is. If that is nowhere, sending uses more of a link than its margin
    leaves: then what would be broken without that is told.
    """
    may_send = minutes_to_send(environment.scenario, sending, minutes)

    def replayed(limits: dict[str, Limits]) -> dict[str, Books]:
        return replay(environment, runs, may_send, minutes, limits)

    def broken(books: dict[str, Books], limits: dict[str, Limits]) -> list[Violation]:
        return list(resource_violations(environment, runs, books, sending, may_send, limits))

    kept, whole = (
        {p.name: limits_of(p, keep) for p in environment.scenario.platform}
        for keep in (True, False)
    )
    books = replayed(kept)
    used = broken(books, kept)
    if keep_margins or kept == whole or not used:
        return used, [], books
    found = broken(books, whole)
    if found:
        books = replayed(whole)
        found, used = broken(books, whole), broken(books, kept) or used
    return found, [each for each in used if not any(_is_part_of(each, v) for v in found)], books


def _is_part_of(used: Violation, broken: Violation) -> bool:
    """Whether a limit is broken in a time in which its margin is used."""
    if (used.rule, used.platform) != (broken.rule, broken.platform):
        return False
    assert used.until_utc and broken.until_utc  # as every limit of a platform has
    return used.time_utc < broken.until_utc and broken.time_utc < used.until_utc


def all_rules(environment: Environment) -> tuple[str, ...]:
    """Names of the rules that are checked, in the order they are reported."""
    return (*rule_names(environment), *environment.user_rules)
