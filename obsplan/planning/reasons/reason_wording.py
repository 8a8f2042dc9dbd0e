"""Why one more run does not fit a plan: the facts, each with its words.

A reason also has a short form for figures, beside a run on `platform`.
"""

from dataclasses import dataclass

from obsplan.planning.reasons.blocking import Constraint
from obsplan.planning.reasons.stop_wording import StopLeftOut


@dataclass(frozen=True)
class NotAnalysed:
    """The analysis ended before, and why: the user interrupted it, or patience ran out."""

    why: str

    def __str__(self) -> str:
        return f"not analysed: {self.why}"

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
    """One constraint, or a team by name, blocks the run; on a platform if it is one of its."""

    constraint: str
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
    """The run has to wait for another activity, or for what people decide after it."""

    activity: str
    has_run: bool
    is_decision: bool = False

    def __str__(self) -> str:
        what = "the decision after " if self.is_decision else ""
        none = "" if self.has_run else ", which has no run"
        return f'order: waits for {what}"{self.activity}"{none}'

    def short(self, platform: str) -> str:
        what = "the decision after " if self.is_decision else ""
        return f"waits for {what}{self.activity}"


@dataclass(frozen=True)
class Closed:
    """The run is outside its windows. `never` says why there are none; None if there are."""

    condition: str
    never: str | None

    def __str__(self) -> str:
        return f"no window: {self.never}" if self.never else f"window: {self.condition}"

    def short(self, platform: str) -> str:
        return "no window" if self.never else f"window: {self.condition}"


@dataclass(frozen=True)
class OutsideBins:
    """No permitted start is in a bin in which goals want a run of the activity."""

    def __str__(self) -> str:
        return "no permitted start in the bins that still want a run"

    def short(self, platform: str) -> str:
        return "no start in open bins"


@dataclass(frozen=True)
class NoRoom:
    """The windows of an activity hold its runs and no more; `conditions` keep them so short.

    in_bins: those in the bins in which goals want more of its runs.
    """

    runs: int
    conditions: tuple[str, ...]
    from_now_on: bool = False
    in_bins: bool = False

    def __str__(self) -> str:
        why = f": {' or '.join(self.conditions)}" if self.conditions else ""
        where = "the bins that want more" if self.in_bins else "its windows"
        if not self.runs:
            return f"no start is left in {where}{why}"
        many = "1 run" if self.runs == 1 else f"{self.runs} runs"
        now = " from now on" if self.from_now_on else ""
        return f"{where} leave room for {many}{now}{why}"

    def short(self, platform: str) -> str:
        return f"window: {self.conditions[0]}" if self.conditions else "no more room"


Reason = (
    NotAnalysed
    | LeftOut
    | Blocked
    | BlockedByAll
    | BrokenRules
    | Excluded
    | Waiting
    | Closed
    | NoRoom
    | OutsideBins
    | StopLeftOut
)
