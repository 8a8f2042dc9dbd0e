"""Why a rover leaves a stop out, and what would let it in: the facts, each with its words.

What is told of a stop is told of each activity there, as "its stop is left out: ...".
"""

from dataclasses import dataclass
from typing import Literal

from obsplan.environment.key_changes import KeyChange

# What keeps a rover from a stop: time or charge to drive there, or something that is required.
Limit = Literal["time", "charge", "required"]
# Values that are shown alike.
SHOWN_ALIKE = 0.05


@dataclass(frozen=True)
class StopLeftOut:
    """A reason of a stop. `why` is the same in words for all who tell of the stop itself."""

    @property
    def why(self) -> str:
        raise NotImplementedError

    def __str__(self) -> str:
        return f"its stop is left out: {self.why}"

    def short(self, platform: str) -> str:
        return "stop left out"


@dataclass(frozen=True)
class StopUnreached(StopLeftOut):
    """No chain of drives that can start leads there; `reason` says why."""

    reason: str

    @property
    def why(self) -> str:
        return self.reason


@dataclass(frozen=True)
class StopBeyond(StopLeftOut):
    """No plan was found in which the rover comes to the stop, even without all others."""

    limit: Limit

    @property
    def why(self) -> str:
        if self.limit == "required":
            return "no plan found through it has all that is required and keeps all rules"
        if self.limit == "charge":
            return "no plan found has the charge to drive there"
        return "no plan found gets there and works there in the time left, with looks and decisions"


@dataclass(frozen=True)
class StopCosts(StopLeftOut):
    """The best plan found through the stop.

    loss: what it is worth less than the plan without, 0 or less if it is not. without: the stops
    that it leaves out instead. limit: what is missing to visit the stop beside all others; None if
    they can all be visited.
    """

    stop: str
    value: float
    loss: float
    without: tuple[str, ...]
    limit: Limit | None

    @property
    def why(self) -> str:
        beside = f"no {self.limit} for it beside the other stops; " if self.limit else ""
        instead = f", without {' and '.join(self.without)}" if self.without else ""
        best = f"the best plan found through {self.stop} is worth {self.value:.1f}"
        if self.loss < -SHOWN_ALIKE:
            return f"not found by the search: {best}, {-self.loss:.1f} more{instead}"
        less = f"{self.loss:.1f} less" if self.loss > SHOWN_ALIKE else "no more"
        return f"{beside}{best}, {less}{instead}"


@dataclass(frozen=True)
class VisitedIf:
    """A change of the scenario with which the plan through the stop is worth more than without."""

    change: KeyChange
    stop: str
    more: float

    def __str__(self) -> str:
        return (
            f"{self.change.as_if}: a plan through {self.stop} is then worth "
            f"{self.more:.1f} more than one without"
        )


@dataclass(frozen=True)
class NoChangeFound:
    """Of the changes that were tried none lets the stop in; `tried` names their keys."""

    tried: tuple[str, ...]

    def __str__(self) -> str:
        if not self.tried:
            return "no single change found: none was tried, as other stops took the effort"
        return f"no single change found; tried: {', '.join(self.tried)}"
