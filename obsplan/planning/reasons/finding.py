"""What an audit finds, how bad it is, and the changes of the scenario that mend it."""

from collections.abc import Callable, Iterable, Iterator
from enum import StrEnum
from itertools import islice
from typing import NamedTuple

from obsplan.environment.key_changes import KeyChange
from obsplan.environment.model import Environment

# More ways to mend a finding would not be read.
MOST_WAYS = 3


class Severity(StrEnum):
    """INFEASIBLE rules out every plan; the others do not."""

    INFEASIBLE = "infeasible"
    WARNING = "warning"
    NOTE = "note"


class Finding(NamedTuple):
    """One finding: where in the scenario, what is found there, and what mends it.

    ways: changes of the scenario, each of which was tried: with it alone the finding is gone.
    advice: what to do if no change of a key is known, such as where to look.
    """

    severity: Severity
    where: str
    finding: str
    advice: str = ""
    ways: tuple[KeyChange, ...] = ()

    @property
    def fix(self) -> str:
        """What mends it, in words; "" if nothing is known to."""
        return ", or ".join(map(str, self.ways)) or self.advice

    @property
    def line(self) -> str:
        fix = f"; fix: {self.fix}" if self.fix else ""
        return f"{self.where}: {self.finding}{fix}"


Check = Callable[[Environment], Iterable[Finding]]
# The changes that are worth trying for a finding, given what must be true of an environment.
Ways = Callable[[Environment, Callable[[Environment], bool]], Iterator[KeyChange]]


def mended(environment: Environment, check: Check, ways: Ways) -> Iterator[Finding]:
    """The findings of a check, each with the first changes after which the check lacks it.

    A finding that is left as a less severe one counts as gone.
    """
    worst_first = list(Severity)
    for finding in check(environment):
        bad = worst_first[: worst_first.index(finding.severity) + 1]

        def is_gone(other: Environment, where: str = finding.where, bad=bad) -> bool:
            return not any(f.where == where and f.severity in bad for f in check(other))

        yield finding._replace(ways=tuple(islice(ways(environment, is_gone), MOST_WAYS)))
