"""What would let one more run fit a plan: the facts of one change, each with its words.

The words complete the sentence "one more would fit if ...".
"""

from dataclasses import dataclass

import pandas as pd

from obsplan.common.instants import stamp
from obsplan.common.text import number_text
from obsplan.inputs.conditions import Condition, range_text
from obsplan.planning.reasons.reason_wording import Reason
from obsplan.planning.reasons.stop_wording import NoChangeFound, VisitedIf


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
class QuickerDecision:
    """People decide sooner after the data of an activity; `number`: which entry of `after`."""

    activity: str
    number: int
    decide_min: int
    start_utc: pd.Timestamp

    def __str__(self) -> str:
        return f'decide_min after "{self.activity}" were {self.decide_min}{_start(self.start_utc)}'


@dataclass(frozen=True)
class LongerLatency:
    """Data may wait longer until they are on Earth."""

    hours: float
    start_utc: pd.Timestamp

    def __str__(self) -> str:
        return f"its received_by_h were {self.hours:g}{_start(self.start_utc)}"


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
class WiderWindows:
    """The windows that a script gave the activity include a whole slot more."""

    start_utc: pd.Timestamp
    end_utc: pd.Timestamp

    def __str__(self) -> str:
        until = f"{stamp(self.start_utc)} to {stamp(self.end_utc)}"
        return f"its own windows were open from {until} too"


@dataclass(frozen=True)
class ShorterKeepOut:
    """The keep-outs of the activity leave out a whole slot."""

    start_utc: pd.Timestamp
    end_utc: pd.Timestamp

    def __str__(self) -> str:
        until = f"{stamp(self.start_utc)} to {stamp(self.end_utc)}"
        return f"its keep-out did not cover {until}"


@dataclass(frozen=True)
class LongerHours:
    """The hours of a team include a whole slot more."""

    team: str
    start_utc: pd.Timestamp
    end_utc: pd.Timestamp

    def __str__(self) -> str:
        until = f"{stamp(self.start_utc)} to {stamp(self.end_utc)}"
        return f'"{self.team}" were on console from {until} too'


@dataclass(frozen=True)
class LargerTeam:
    """A team can watch more runs at once."""

    team: str
    at_once: int
    start_utc: pd.Timestamp

    def __str__(self) -> str:
        return f'"{self.team}" could watch {self.at_once} runs at once{_start(self.start_utc)}'


@dataclass(frozen=True)
class NoSingleFix:
    """No single change was found; these constraints block the best start, if there is one.

    They are members of `Constraint`, budgets and teams by name, or rules in words.
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
    | QuickerDecision
    | LongerLatency
    | OrderLifted
    | WiderRange
    | ShorterLead
    | ContactInSlot
    | ContactAtStart
    | WiderWindows
    | ShorterKeepOut
    | LongerHours
    | LargerTeam
    | VisitedIf
    | NoChangeFound
    | NoSingleFix
)


@dataclass(frozen=True)
class Answer:
    """Why one more run does not fit, and the smallest single change found that fits it."""

    reason: Reason
    fix: Fix | None
