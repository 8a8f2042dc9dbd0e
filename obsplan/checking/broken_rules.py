"""Every rule that a timeline breaks, in order of time, and the books of the replay."""

from obsplan.checking.replay import Books, replay
from obsplan.checking.resource_rules import resource_violations
from obsplan.checking.rules import rule_names, slot_violations
from obsplan.checking.rules_of_one_slot import sending_outside_span
from obsplan.checking.slots import Run, SendingRow, minutes_to_send
from obsplan.checking.temperature_rules import temperature_violations
from obsplan.checking.user_rules import own_violations
from obsplan.checking.violation import Violation
from obsplan.environment.model import Environment


def broken_rules(
    environment: Environment, runs: list[Run], sending: list[SendingRow], minutes: int
) -> tuple[list[Violation], dict[str, Books]]:
    """The violations of runs and transmit windows over the first `minutes`, without fixes."""
    may_send = minutes_to_send(environment.scenario, sending, minutes)
    books = replay(environment, runs, may_send, minutes)
    rules = all_rules(environment)
    found = [
        *slot_violations(environment, runs, minutes),
        *sending_outside_span(environment.scenario, sending, minutes),
        *resource_violations(environment, runs, books, sending, may_send),
        *temperature_violations(environment, runs, books),
        *own_violations(environment, runs),
    ]
    found.sort(key=lambda v: (v.time_utc, rules.index(v.rule), v.slots, v.message))
    return found, books


def all_rules(environment: Environment) -> tuple[str, ...]:
    """Names of the rules that are checked, in the order they are reported."""
    return (*rule_names(environment), *environment.user_rules)
