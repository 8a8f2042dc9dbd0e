"""What a broken rule is: typed fields for code, sentences for people."""

from dataclasses import dataclass, replace
from datetime import datetime

import pandas as pd

from obsplan.checking.slot_changes import SlotChange
from obsplan.checking.slots import Run
from obsplan.environment.key_changes import KeyChange
from obsplan.inputs.scenario import Scenario

VIOLATION_COLUMNS = (
    "rule",
    "platform",
    "activity",
    "slots",
    "time_utc",
    "amount",
    "unit",
    "message",
)


# Changes that go together.
Way = tuple[SlotChange | KeyChange, ...]


@dataclass(frozen=True)
class Violation:
    """One broken rule of a timeline.

    rule: its name. time_utc: when it is first broken. amount: by how much at its worst, in
    `unit`. platform, activity: which of them it concerns, "" if none; of two slots that
    exclude each other the later one's. goal: the one that is missed, "" for other rules.
    slots: ids of the slots involved. Only people read problem (what is wrong), reason (why that is
    not allowed, "" if the problem says so) and fix (what would make it valid, "" if nothing is
    known to).

    ways: the facts of the fix: each is one change of the slots or of the scenario, or several
    that go together, which was tried and mends this without breaking anything else. until_utc:
    when a limit of a platform is kept again, a minute past the span if it is still broken at its
    end; None for other rules.
    """

    rule: str
    time_utc: datetime
    amount: float
    unit: str
    problem: str
    fix: str = ""
    reason: str = ""
    platform: str = ""
    activity: str = ""
    goal: str = ""
    slots: tuple[str, ...] = ()
    ways: tuple[Way, ...] = ()
    until_utc: datetime | None = None

    def with_ways(self, ways: tuple[Way, ...]) -> "Violation":
        """The same with its fix, in words and as facts."""
        words = ", or ".join(" and ".join(map(str, way)) for way in ways)
        return replace(self, fix=words, ways=ways)

    @property
    def message(self) -> str:
        """The whole sentence."""
        return sentence(self.problem, [self.reason], [self.fix])


def of_run(
    scenario: Scenario,
    run: Run,
    rule: str,
    minute: float,
    amount: float,
    unit: str,
    problem: str,
) -> Violation:
    """A rule that one slot breaks by itself, first in `minute` of the span."""
    return Violation(
        rule,
        scenario.instant_at(minute),
        amount,
        unit,
        problem,
        platform=run.platform,
        activity=run.activity.name,
        slots=(run.slot,),
    )


def sentence(problem: str, reasons: list[str], fixes: list[str]) -> str:
    """What is wrong, why that is not allowed, and the fix; empty texts are left out."""
    but = " and ".join(filter(None, dict.fromkeys(reasons)))
    whole = f"{problem}, but {but}" if but else problem
    return "; ".join([whole, *(f"fix: {fix}" for fix in dict.fromkeys(fixes) if fix)])


def violations_table(violations: tuple[Violation, ...]) -> pd.DataFrame:
    """One row for each violation, with the columns `VIOLATION_COLUMNS`; ids are separated by
    spaces."""
    rows = [
        (v.rule, v.platform, v.activity, " ".join(v.slots), v.time_utc, v.amount, v.unit, v.message)
        for v in violations
    ]
    kinds = {"time_utc": "datetime64[s, UTC]", "amount": float}
    columns = list(zip(*rows)) or [()] * len(VIOLATION_COLUMNS)
    return pd.DataFrame(
        {
            name: pd.DatetimeIndex(values, dtype=kinds[name])
            if name == "time_utc"
            else pd.Series(values, dtype=kinds.get(name, "str"))
            for name, values in zip(VIOLATION_COLUMNS, columns)
        }
    )
