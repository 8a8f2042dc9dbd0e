"""Whether a change would mend a broken rule: the timeline is changed and checked again.

A change counts only if the violation is gone, and no rule is broken more.
"""

from collections import defaultdict
from dataclasses import dataclass
from functools import cached_property

from obsplan.checking.broken_rules import broken_rules
from obsplan.checking.slot_changes import SlotChange, changed_slots
from obsplan.checking.slots import Run, SendingRow
from obsplan.checking.violation import Violation, Way
from obsplan.environment.key_changes import KeyChange, changed
from obsplan.environment.model import Environment

# Amounts of two replays that differ by less are the same.
AMOUNT_SLACK = 1e-6

# What is broken, by rule, platform and activity: how often, and by how much in all.
Totals = dict[tuple[str, str, str], tuple[int, float]]


@dataclass
class Trials:
    """A timeline with broken rules, and whether it would be better after a change.

    now: the minute from which on slots may change. left: how many changes may still be tried.
    keep_margins: as for `broken_rules`.
    """

    environment: Environment
    runs: list[Run]
    sending: list[SendingRow]
    found: list[Violation]
    minutes: int
    now: int
    left: int
    keep_margins: bool

    @cached_property
    def before(self) -> Totals:
        """What is broken as it is."""
        return _totals(self.found)

    @cached_property
    def by_slot(self) -> dict[str, Run]:
        """The runs by the ids of their slots."""
        return {run.slot: run for run in self.runs}

    def may_change(self, run: Run) -> bool:
        """Whether a run is still ahead, and nobody has settled that it stays."""
        return run.state == "planned" and run.start_min >= self.now

    def mends(self, violation: Violation, changes: Way) -> bool:
        """Whether these changes mend a violation and break nothing more."""
        if self.left <= 0:
            return False
        self.left -= 1
        found = self._after(changes)
        key, after = _key(violation), _totals(found)
        if any(_is_still(violation, other) for other in found if _key(other) == key):
            return False
        return after.get(key, (0, 0.0))[0] < self.before[key][0] and all(
            count <= self.before.get(one, (0, 0.0))[0]
            and amount <= self.before.get(one, (0, 0.0))[1] + AMOUNT_SLACK
            for one, (count, amount) in after.items()
        )

    def _after(self, changes: Way) -> list[Violation]:
        keys = [change for change in changes if isinstance(change, KeyChange)]
        moves: list[SlotChange] = [c for c in changes if not isinstance(c, KeyChange)]
        environment = changed(self.environment, *keys)
        runs, sending = changed_slots(environment.scenario, self.runs, self.sending, moves)
        return broken_rules(environment, runs, sending, self.minutes, self.keep_margins).found


def _key(violation: Violation) -> tuple[str, str, str]:
    return violation.rule, violation.platform, violation.activity


def _is_still(before: Violation, after: Violation) -> bool:
    """Whether two violations of a rule, before and after a change, are the same one."""
    if before.until_utc and after.until_utc:
        return before.time_utc < after.until_utc and after.time_utc < before.until_utc
    return before.slots == after.slots and bool(before.slots or before.time_utc == after.time_utc)


def _totals(found: list[Violation]) -> Totals:
    totals: Totals = defaultdict(lambda: (0, 0.0))
    for v in found:
        count, amount = totals[_key(v)]
        totals[_key(v)] = count + 1, amount + v.amount
    return dict(totals)
