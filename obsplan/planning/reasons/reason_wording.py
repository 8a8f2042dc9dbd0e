"""Why one more run does not fit a plan, and what would fit it: the facts, each with its words.

A reason also has a short form for figures, beside a run on `platform`. The words of a fix complete
the sentence "one more would fit if ...".
"""

from dataclasses import dataclass

import pandas as pd

from obsplan.common.instants import stamp
from obsplan.common.text import number_text
from obsplan.inputs.conditions import Condition, range_text
from obsplan.planning.reasons.blocking import Constraint

# ------------------------------------------------------------------------------ reasons


@dataclass(frozen=True)
class NotAnalysed:
    """The user interrupted the analysis."""

    def __str__(self) -> str:
        return "not analysed: interrupted"

    def short(self, platform: str) -> str:
        return "not analysed"


@dataclass(frozen=True)
class LeftOut:
    """Nothing blocks the run."""

    adds_value: bool

    def __str__(self) -> str:
        return "not found by the search" if self.adds_value else "one more run adds no value"

    def short(self, platform: str) -> str:
        return str(self)


@dataclass(frozen=True)
class Blocked:
    """One constraint blocks the run, on a platform if it is one of a platform."""

    constraint: Constraint
    platform: str | None = None

    def __str__(self) -> str:
        of = "" if self.platform is None else f' of "{self.platform}"'
        return f"{self._words}{of}"

    def short(self, platform: str) -> str:
        elsewhere = self.platform not in (None, platform)
        return f"{self._words} of {self.platform}" if elsewhere else self._words

    @property
    def _words(self) -> str:
        downlink = " and downlink" if self.constraint == Constraint.STORAGE else ""
        return f"{self.constraint}{downlink}"


@dataclass(frozen=True)
class BlockedByAll:
    """Several constraints block even the best start."""

    constraints: tuple[str, ...]

    def __str__(self) -> str:
        return " and ".join(self.constraints)

    def short(self, platform: str) -> str:
        return str(self)


@dataclass(frozen=True)
class BrokenRules:
    """Only the replay by the minute refuses the run, for these rules: built-in or the user's."""

    rules: tuple[str, ...]

    def __str__(self) -> str:
        return f"{self.words} in the replay by the minute"

    @property
    def words(self) -> str:
        named = " and ".join(f'"{rule}"' for rule in self.rules)
        return f"{'rule' if len(self.rules) == 1 else 'rules'} {named}"

    def short(self, platform: str) -> str:
        return " and ".join(self.rules)


@dataclass(frozen=True)
class Excluded:
    """A slot of another activity occupies the time."""

    activity: str
    gains_value: bool

    def __str__(self) -> str:
        loss = "" if self.gains_value else ": worth no more than the slot it would replace"
        return f'exclusion with "{self.activity}"{loss}'

    def short(self, platform: str) -> str:
        return f"exclusion with {self.activity}"


@dataclass(frozen=True)
class Waiting:
    """The run has to wait for another activity."""

    activity: str
    has_run: bool

    def __str__(self) -> str:
        none = "" if self.has_run else ", which has no run"
        return f'order: waits for "{self.activity}"{none}'

    def short(self, platform: str) -> str:
        return f"waits for {self.activity}"


@dataclass(frozen=True)
class Closed:
    """The run is outside its windows. `never` says why there are none; None if there are."""

    condition: str
    never: str | None

    def __str__(self) -> str:
        return f"no window: {self.never}" if self.never else f"window: {self.condition}"

    def short(self, platform: str) -> str:
        return "no window" if self.never else f"window: {self.condition}"


Reason = NotAnalysed | LeftOut | Blocked | BlockedByAll | BrokenRules | Excluded | Waiting | Closed

# -------------------------------------------------------------------------------- fixes


def _start(utc: pd.Timestamp) -> str:
    return f" (start {stamp(utc)})"


@dataclass(frozen=True)
class NoFixNeeded:
    start_utc: pd.Timestamp

    def __str__(self) -> str:
        return f"nothing changed: it fits at {stamp(self.start_utc)}"


@dataclass(frozen=True)
class LargerBattery:
    """A battery with `wh` more capacity, and `wh` more charge at the start of the span."""

    platform: str
    wh: float
    start_utc: pd.Timestamp

    def __str__(self) -> str:
        return f"{self.words} before {stamp(self.start_utc)}"

    @property
    def words(self) -> str:
        return f'the battery of "{self.platform}" held {number_text(self.wh)} Wh more'


@dataclass(frozen=True)
class LargerStore:
    """A store with more capacity, a higher limit at the end of the span, or both."""

    platform: str
    mbit: float
    capacity: bool
    end_limit: bool
    by_utc: pd.Timestamp

    @property
    def words(self) -> str:
        amount = f"{number_text(self.mbit)} Mbit more"
        if not self.capacity:
            return f'"{self.platform}" could keep {amount} in its storage at the end'
        also = " and could keep as much more at the end" if self.end_limit else ""
        return f'the storage of "{self.platform}" held {amount} by {stamp(self.by_utc)}{also}'


@dataclass(frozen=True)
class MoreContact:
    platform: str
    minutes: int
    from_utc: pd.Timestamp

    @property
    def words(self) -> str:
        return f'"{self.platform}" had {self.minutes} min more contact from {stamp(self.from_utc)}'


@dataclass(frozen=True)
class FasterLink:
    platform: str
    percent: float

    @property
    def words(self) -> str:
        return f'the link of "{self.platform}" were {number_text(self.percent)} % faster'


@dataclass(frozen=True)
class MoreForData:
    """Changes that each let the data of a run at `start_utc` be kept or sent."""

    changes: tuple[LargerStore | MoreContact | FasterLink | LargerBattery, ...]
    start_utc: pd.Timestamp

    def __str__(self) -> str:
        ways = ", or ".join(change.words for change in self.changes)
        return f"{ways}{_start(self.start_utc)}"


@dataclass(frozen=True)
class RemovedSlot:
    """Another slot is removed, at a loss of value; the run then gains some."""

    slot: str
    activity: str
    slot_utc: pd.Timestamp
    loss: float
    gain: float

    def __str__(self) -> str:
        return (
            f"slot {self.slot} ({self.activity}, {stamp(self.slot_utc)}) were removed: "
            f"value -{self.loss:.1f} + {self.gain:.1f}"
        )


@dataclass(frozen=True)
class ShorterGap:
    minutes: int
    start_utc: pd.Timestamp

    def __str__(self) -> str:
        return f"the gap were {self.minutes} min shorter{_start(self.start_utc)}"


@dataclass(frozen=True)
class MoreBusPower:
    platform: str
    watts: float
    start_utc: pd.Timestamp

    def __str__(self) -> str:
        return (
            f'the bus of "{self.platform}" carried {number_text(self.watts)} W more'
            f"{_start(self.start_utc)}"
        )


@dataclass(frozen=True)
class ShorterSettling:
    activity: str
    minutes: int
    start_utc: pd.Timestamp

    def __str__(self) -> str:
        return (
            f'the settling time after "{self.activity}" were {self.minutes} min shorter'
            f"{_start(self.start_utc)}"
        )


@dataclass(frozen=True)
class OrderLifted:
    activity: str
    start_utc: pd.Timestamp

    def __str__(self) -> str:
        return f'its "after" condition on "{self.activity}" were lifted{_start(self.start_utc)}'


@dataclass(frozen=True)
class WiderRange:
    """Other limits of a condition; `name` is its name with its depth in the ground."""

    condition: Condition
    name: str
    low: float
    high: float
    start_utc: pd.Timestamp

    def __str__(self) -> str:
        limits = f"{range_text(self.low, self.high)}{self.condition.suffix}"
        return f"its range of {self.name} were {limits}{_start(self.start_utc)}"


@dataclass(frozen=True)
class ShorterLead:
    minutes: int
    start_utc: pd.Timestamp

    def __str__(self) -> str:
        return (
            f"the lead time of its commands were {self.minutes} min shorter{_start(self.start_utc)}"
        )


@dataclass(frozen=True)
class ContactInSlot:
    """Contact in all minutes of the slot; `minutes` of them have none."""

    minutes: int
    start_utc: pd.Timestamp
    end_utc: pd.Timestamp

    def __str__(self) -> str:
        return (
            f"contact lasted {self.minutes} min longer between {stamp(self.start_utc)} and "
            f"{stamp(self.end_utc)}"
        )


@dataclass(frozen=True)
class ContactAtStart:
    start_utc: pd.Timestamp

    def __str__(self) -> str:
        return f"there were contact at {stamp(self.start_utc)}"


@dataclass(frozen=True)
class NoSingleFix:
    """No single change was found; these constraints block the best start, if there is one.

    They are members of `Constraint`, budgets by name, or rules in words.
    """

    constraints: tuple[str, ...] = ()
    start_utc: pd.Timestamp | None = None

    def __str__(self) -> str:
        none = "no single change found"
        if self.start_utc is None:
            return none
        many = len(self.constraints)
        block = "1 constraint blocks" if many == 1 else f"{many} constraints block"
        named = ", ".join(self.constraints)
        return f"{none}; {block} the best start, {stamp(self.start_utc)} ({named})"


Fix = (
    NoFixNeeded
    | LargerBattery
    | MoreForData
    | RemovedSlot
    | ShorterGap
    | MoreBusPower
    | ShorterSettling
    | OrderLifted
    | WiderRange
    | ShorterLead
    | ContactInSlot
    | ContactAtStart
    | NoSingleFix
)


@dataclass(frozen=True)
class Answer:
    """Why one more run does not fit, and the smallest single change found that fits it."""

    reason: Reason
    fix: Fix | None
