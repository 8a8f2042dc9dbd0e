"""Changes of the slots of a timeline: their words, and the slots after them."""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime

from obsplan.checking.slots import Run, SendingRow, in_order
from obsplan.common.instants import stamp
from obsplan.inputs.scenario import Scenario


@dataclass(frozen=True)
class Move:
    """A slot starts at another time, and lasts as long as the scenario requests."""

    slot: str
    activity: str
    start_utc: datetime

    def __str__(self) -> str:
        return f'start "{self.activity}" (slot {self.slot}) at {stamp(self.start_utc)}'


@dataclass(frozen=True)
class Drop:
    """A slot is left out. may_move: whether another start is not known to be impossible."""

    slot: str
    activity: str
    may_move: bool = True

    def __str__(self) -> str:
        alone = "" if self.may_move else ", for which no other start was found"
        return f'drop "{self.activity}" (slot {self.slot}){alone}'


@dataclass(frozen=True)
class End:
    """A slot ends at another time."""

    slot: str
    activity: str
    end_utc: datetime

    def __str__(self) -> str:
        return f'end "{self.activity}" (slot {self.slot}) at {stamp(self.end_utc)}'


@dataclass(frozen=True)
class Place:
    """One more run."""

    activity: str
    start_utc: datetime

    def __str__(self) -> str:
        return f'place "{self.activity}" at {stamp(self.start_utc)}'


@dataclass(frozen=True)
class Fail:
    """A slot that has begun is reported as failed, at the latest at `by_utc`."""

    slot: str
    activity: str
    by_utc: datetime

    def __str__(self) -> str:
        return (
            f'"{self.activity}" (slot {self.slot}) has begun: report its outcome in the state '
            "(done, shortened or failed)"
        )


@dataclass(frozen=True)
class Send:
    """One more transmit window of a platform; `name` is that of its rows."""

    name: str
    platform: str
    start_utc: datetime
    end_utc: datetime

    def __str__(self) -> str:
        until = f"from {stamp(self.start_utc)} to {stamp(self.end_utc)}"
        return f'add a row "{self.name}" {until}'


SlotChange = Move | Drop | End | Place | Fail | Send


def changed_slots(
    scenario: Scenario,
    runs: list[Run],
    sending: list[SendingRow],
    changes: Iterable[SlotChange],
) -> tuple[list[Run], list[SendingRow]]:
    """The runs and the transmit windows after these changes, each in order of start."""
    # Another value of a key counts for every run.
    activities = {a.name: a for a in scenario.activity}
    by_slot = {r.slot: replace(r, activity=activities[r.activity.name]) for r in runs}
    rows = list(sending)
    for k, change in enumerate(changes):
        match change:
            case Move():
                run = by_slot[change.slot]
                start = scenario.minutes_of(change.start_utc)
                end = start + scenario.slot_min(run.activity)
                by_slot[run.slot] = replace(run, start_min=start, end_min=end)
            case Drop():
                del by_slot[change.slot]
            case End():
                end = scenario.minutes_of(change.end_utc)
                by_slot[change.slot] = replace(by_slot[change.slot], end_min=end)
            case Fail():
                run = by_slot[change.slot]
                end = min(run.end_min, scenario.minutes_of(change.by_utc))
                by_slot[run.slot] = replace(run, end_min=end, state="failed")
            case Place():
                activity = scenario.activity_named(change.activity)
                start = scenario.minutes_of(change.start_utc)
                end = start + scenario.slot_min(activity)
                # An id that no slot of a file has: it may not be empty there.
                slot, platform = f"\0{k}", scenario.platform_of(activity)
                by_slot[slot] = Run(slot, activity, platform, start, end)
            case Send():
                start, end = map(scenario.minutes_of, (change.start_utc, change.end_utc))
                rows.append(SendingRow(start, end, f"\0{k}", change.name, change.platform))
    return in_order(by_slot.values()), sorted(rows)
